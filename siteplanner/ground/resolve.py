"""The resolver: finds layer functions, orders them by what they need, computes each once."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from types import ModuleType
from typing import Any

import numpy as np

from siteplanner.base.errors import Errors, near
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.plugins import LAYERS, OWN, Offer, offers
from siteplanner.base.renamed import instead
from siteplanner.ground.layer import Reach

#: What a layer function may ask for that is not a layer.
GIVEN: dict[str, str] = {
    "dem": "heights on the working grid, m, float32, NaN outside",
    "holes": "cells in small holes of the DEM whose height was worked out, bool",
    "height_step": "what the DEM's own heights are rounded to, m, 0 when finer than 5 cm",
    "dem_cell": "how wide the DEM's own cells are, m; the grid's where these are wider",
    "grid": "the working Grid",
    "latitude": "latitude of the site's middle, degrees, negative in the south",
    "soils": "soil polygons in the working CRS, GeoDataFrame with the standard column names",
    "climate": "the Climate: monthly tables and the station's minima",
    "shelter": "hedges and shelterbelts, lines in the working CRS with height_m and porosity",
    "mature_shelter": "dense rows of an earlier plan once they are mature, like shelter",
    "frost_readings": "frost readings in the working CRS, GeoDataFrame",
    "frost_hollows": "hand-drawn frost hollows in the working CRS, GeoDataFrame",
}


@dataclass(frozen=True)
class Maker:
    """A layer function as the resolver sees it."""

    function: Callable[..., Any]
    makes: tuple[LayerInfo, ...]
    needs: tuple[str, ...]
    settings: dict[str, Any]
    reach: Reach
    offer: Offer

    @property
    def name(self) -> str:
        """The function's name, under which the site file holds its settings."""
        return self.function.__name__

    @property
    def origin(self) -> str:
        """The package that offers the function."""
        return self.offer.package


@dataclass(frozen=True)
class Catalogue:
    """Every layer that can be made, by the layer's name."""

    makers: Mapping[str, Maker]

    def info(self, name: str) -> LayerInfo:
        """Description of one layer."""
        return next(i for i in self.makers[name].makes if i.name == name)

    def infos(self) -> dict[str, LayerInfo]:
        """Descriptions of all layers, in the catalogue's order."""
        return {name: self.info(name) for name in self.makers}


def makers_in(module: ModuleType, offer: Offer) -> list[Maker]:
    """List the layer functions that a module itself defines, in the order of its text.

    Raises :class:`~siteplanner.base.plugins.PluginError` for a function with ``*args`` or
    ``**kwargs``, and for a setting without a default.
    """
    found = []
    for function in vars(module).values():
        if not inspect.isfunction(function) or function.__module__ != module.__name__:
            continue
        if hasattr(function, "__layers__"):
            found.append(_maker(function, offer))
    return found


def _maker(function: Callable[..., Any], offer: Offer) -> Maker:
    needs, settings = [], {}
    for parameter in inspect.signature(function).parameters.values():
        if parameter.kind in (parameter.VAR_POSITIONAL, parameter.VAR_KEYWORD):
            raise offer.broken(
                f"layer function {function.__name__} of {offer.package} takes "
                f"*{parameter.name}: name each layer and setting it needs"
            )
        if parameter.kind is parameter.KEYWORD_ONLY:
            if parameter.default is parameter.empty:
                raise offer.broken(
                    f"setting {parameter.name} of layer function {function.__name__} of "
                    f"{offer.package} has no default"
                )
            settings[parameter.name] = parameter.default
        else:
            needs.append(parameter.name)
    return Maker(
        offer.guarded(function, f"layer {function.__name__}"),
        function.__layers__,  # type: ignore[attr-defined]
        tuple(needs),
        settings,
        function.__reach__,  # type: ignore[attr-defined]
        offer,
    )


def offered(*, own_only: bool = False) -> list[Maker]:
    """List the layer functions of siteplanner and, unless ``own_only``, of other packages.

    Raises :class:`~siteplanner.InputError` for packages that cannot be used.
    """
    errors = Errors()
    makers: list[Maker] = []
    for offer in offers(LAYERS):
        if own_only and not offer.ours:
            continue
        with errors.gather():
            module = offer.load()
            if not isinstance(module, ModuleType):
                raise offer.broken(f"{offer.value} must be a module that holds layers")
            found = makers_in(module, offer)
            if not found:
                raise offer.broken(f"module {offer.value} defines no layer")
            makers += found
    errors.raise_any()
    return makers


def catalogue(
    site_file: object,
    replace: Mapping[str, str] | None = None,
    extra: Iterable[Maker] | None = None,
) -> Catalogue:
    """Join built-in layers and plugins into one catalogue.

    ``replace`` maps a layer's name to the package whose version is to be used; without it a
    built-in layer stays, and two packages that make the same layer are an error that names
    both. ``extra`` stands in for the installed plugins when given.

    Raises :class:`~siteplanner.InputError` naming ``site_file``.
    """
    replace = dict(replace or {})
    errors = Errors()
    by_name: dict[str, dict[str, Maker]] = {}
    with errors.gather():
        found = offered(own_only=extra is not None)
        for maker in [*found, *(extra or ())]:
            for info in maker.makes:
                first = by_name.setdefault(info.name, {}).setdefault(maker.origin, maker)
                if first is not maker:
                    raise maker.offer.broken(f"{maker.origin} offers layer {info.name} twice")
    errors.raise_any()
    for name in sorted(set(replace) - set(by_name)):
        errors.add(
            site_file, f"plugins.replace.{name}", "no layer has that name", instead(name, by_name)
        )
    chosen: dict[str, Maker] = {}
    for name, makers in by_name.items():
        wanted = replace.get(name)
        if wanted is not None and wanted not in makers:
            errors.add(
                site_file,
                f"plugins.replace.{name}",
                f"package {wanted!r} offers no layer {name}",
                near(wanted, makers),
            )
        elif wanted is not None:
            chosen[name] = makers[wanted]
        elif OWN in makers:
            chosen[name] = makers[OWN]
        elif len(makers) > 1:
            errors.add(
                site_file,
                "plugins.replace",
                f"layer {name} is made by {' and by '.join(sorted(makers))}",
                f'say which one to use: replace.{name} = "{min(makers)}"',
            )
        else:
            chosen[name] = next(iter(makers.values()))
    errors.raise_any()
    return Catalogue(chosen)


def check(
    book: Catalogue,
    wanted: Collection[str],
    given: Collection[str],
    settings: Mapping[str, Mapping[str, Any]],
    site_file: object,
) -> list[Maker]:
    """Order the makers that the wanted layers need; nothing is computed.

    Raises :class:`~siteplanner.InputError` for a layer nobody makes (naming everyone
    who needs it), for a circle of needs, and for a misspelled layer or setting in
    ``settings`` (the site file's ``[layers]``).
    """
    errors = Errors()
    _check_settings(book, settings, site_file, errors)
    graph: dict[str, set[str]] = {}
    asked_by: dict[str, set[str]] = {}
    waiting = [(name, "the plan") for name in wanted]
    while waiting:
        name, asker = waiting.pop()
        asked_by.setdefault(name, set()).add(asker)
        if name in given or name in graph:
            continue
        if name not in book.makers:
            continue
        maker = book.makers[name]
        graph[name] = {need for need in maker.needs if need not in given}
        waiting += [(need, f"layer {name}") for need in maker.needs]
    for name in sorted(asked_by):
        if name not in given and name not in book.makers:
            errors.add(
                site_file,
                "layers",
                f"{name} is needed by {', '.join(sorted(asked_by[name]))}, but nothing makes it",
                instead(name, [*book.makers, *GIVEN]),
            )
    errors.raise_any()
    rank = {name: place for place, name in enumerate(book.makers)}
    sorter = TopologicalSorter(graph)
    try:
        sorter.prepare()
    except CycleError as error:
        circle = " needs ".join(reversed(error.args[1]))
        errors.add(
            site_file,
            "layers",
            f"layers need each other in a circle: {circle}",
            "uninstall one of those plugins",
        )
        errors.raise_any()
    order: list[Maker] = []
    while sorter.is_active():
        for name in sorted(sorter.get_ready(), key=lambda n: rank.get(n, -1)):
            sorter.done(name)
            if name in book.makers and book.makers[name] not in order:
                order.append(book.makers[name])
    return order


def _check_settings(
    book: Catalogue,
    settings: Mapping[str, Mapping[str, Any]],
    site_file: object,
    errors: Errors,
) -> None:
    """Hold the site file's ``[layers]`` to the functions and settings that there are."""
    functions = {maker.name: maker for maker in book.makers.values()}
    for name, table in settings.items():
        if name not in functions:
            errors.add(
                site_file,
                f"layers.{name}",
                "no layer function has that name",
                instead(name, functions),
            )
            continue
        for setting, value in table.items():
            usual = functions[name].settings.get(setting)
            number = isinstance(usual, int | float) and not isinstance(usual, bool)
            if number and (isinstance(value, bool) or not isinstance(value, int | float)):
                errors.add(
                    site_file,
                    f"layers.{name}.{setting}",
                    f"{value!r} is not a number",
                    f"write a number, such as {usual:g}",
                )
            if setting not in functions[name].settings:
                known = functions[name].settings
                errors.add(
                    site_file,
                    f"layers.{name}.{setting}",
                    "this setting does not exist",
                    instead(setting, known) if known else "this layer has no settings",
                )


def resolve(
    order: Iterable[Maker],
    given: Mapping[str, Any],
    keep: Collection[str],
    settings: Mapping[str, Mapping[str, Any]],
    each: Callable[[LayerInfo, Any], None] = lambda info, values: None,
) -> dict[str, Any]:
    """Compute the makers in order and return the layers in ``keep``.

    ``each`` is called with every layer as soon as it exists (to write it, to report
    progress); a layer that is not kept is freed after the last maker that needs it.
    Raises :class:`~siteplanner.base.plugins.PluginError`, naming layer and package, when another
    package's function fails or breaks its promise (wrong number of layers, wrong shape, not
    float32).
    """
    order = list(order)
    last_use = {need: step for step, maker in enumerate(order) for need in maker.needs}
    values: dict[str, Any] = dict(given)
    for step, maker in enumerate(order):
        made = maker.function(
            *(values[need] for need in maker.needs), **settings.get(maker.name, {})
        )
        one = len(maker.makes) == 1 or not isinstance(made, tuple | list)
        results = (made,) if one else tuple(made)
        if len(results) != len(maker.makes):
            raise maker.offer.broken(
                f"layer function {maker.name} of {maker.origin} made {len(results)} layers, "
                f"but describes {len(maker.makes)}"
            )
        for info, result in zip(maker.makes, results, strict=True):
            _hold_to_promise(info, result, maker, given["grid"].shape)
            values[info.name] = result
            each(info, result)
        del made, results
        for name in [n for n in values if n not in given and n not in keep]:
            if last_use.get(name, -1) <= step:
                del values[name]
    return {name: values[name] for name in keep if name in values}


def _hold_to_promise(info: LayerInfo, result: Any, maker: Maker, shape: tuple[int, int]) -> None:
    if not isinstance(result, np.ndarray) or result.dtype != np.float32 or result.shape != shape:
        got = f"{result.dtype} {result.shape}" if isinstance(result, np.ndarray) else type(result)
        raise maker.offer.broken(
            f"layer {info.name} of {maker.origin} must be a float32 array of shape {shape}, "
            f"not {got}"
        )
