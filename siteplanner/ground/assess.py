"""The survey: a site's ground worked out and every species scored on it."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from siteplanner.base import cache as keep
from siteplanner.base.colours import check_schemes
from siteplanner.base.errors import Faults, InputError
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground import resolve
from siteplanner.ground.cold.minimum import MinimumFit
from siteplanner.ground.cold.predictors import NightGround
from siteplanner.ground.layer import LayerInfo
from siteplanner.planting.zones.describe import READS
from siteplanner.reading.inputs import Inputs, read_inputs
from siteplanner.reading.species_table import Factor, factors
from siteplanner.site.site_file import Site
from siteplanner.suitability.confidence import commonest_limit, known_share
from siteplanner.suitability.score import Fit, fit

#: Layers that the plan itself reads, beside the species' factors.
PLAN_READS = (
    "hillshade",
    "cold_air_pooling",
    "bare_strips_erode",
    "months_waterlogged",
    "catchment_cut",
    "cold_air_cut",
    "cold_air_pooling_today",
    "height_above_cold_air",
    "hollowness",
    "cold_air_check",
    "winter_minimum_error",
    *READS,
)
#: Layer functions whose results are kept between runs, beside the night, which keeps itself: 0.3
#: to 0.5 s for 4 MB on a million cells. The 41 layers of the sun take 0.6 to 0.9 s there, but
#: 160 MB; all others are worked out about as fast as they are read.
KEPT = ("lower_share",)
#: Layers that are shown when rows of an earlier plan are taken for grown.
GROWN = ("cold_air_growth", "cold_air_gaps")


@dataclass(frozen=True)
class Survey:
    """What the ground is like and what each species thinks of it.

    ``layers`` holds the layers that later parts read; ``infos`` describes all that were
    computed, in order; ``fit`` covers the cells whose centre is in the boundary. ``minimum`` is
    the model of the coldest night, ``night`` the ground it rests on.
    """

    inputs: Inputs
    layers: dict[str, FloatGrid]
    infos: dict[str, LayerInfo]
    factors: list[Factor]
    fit: Fit
    minimum: MinimumFit
    night: NightGround

    @property
    def frost_error_c(self) -> float:
        """Error of the coldest night, °C, on the middle one of the property's cells."""
        return float(np.nanmedian(self.layers["winter_minimum_error"][self.fit.mask]))


def book_of(site: Site) -> resolve.Catalogue:
    """List the layers that a site can have: built-in ones and those of installed packages.

    Raises :class:`~siteplanner.InputError`, also for a colour scheme that is not known.
    """
    book = resolve.catalogue(site.path, site.plugins.replace)
    check_schemes((maker.origin, book.info(name)) for name, maker in book.makers.items())
    return book


def ready(site: Site) -> tuple[Inputs, resolve.Catalogue, list[Factor], list[resolve.Maker]]:
    """Read and check everything that a survey needs, and compute nothing yet.

    Raises :class:`~siteplanner.InputError` with the faults of files, species and layer
    settings together.
    """
    faults = Faults()
    book = order = inputs = found = None
    with faults.gather():
        book = book_of(site)
        order = resolve.check(book, list(book.makers), list(resolve.GIVEN), site.layers, site.path)
    with faults.gather():
        inputs = read_inputs(site)
    if book is not None and inputs is not None:
        with faults.gather():
            found = factors(inputs.species, book.infos())
    faults.raise_any()
    assert book is not None and inputs is not None and found is not None and order is not None
    return inputs, book, found, order


def survey(
    site: Site,
    *,
    each: Callable[[LayerInfo, FloatGrid, Grid], None] = lambda info, values, grid: None,
    step: Callable[[str], None] = lambda words: None,
) -> Survey:
    """Work out every layer, then score the species.

    ``each`` is given every layer as soon as it exists, ``step`` its title before the next.
    """
    inputs, book, found, order = ready(site)
    infos: dict[str, LayerInfo] = {}

    def tell(info: LayerInfo, values: Any) -> None:
        if info.name in GROWN and len(inputs.grown):
            info = replace(info, on_map=True)
        infos[info.name] = info
        step(f"The ground: {info.title.lower()}")
        each(info, values, inputs.grid)

    wanted = {
        *PLAN_READS,
        *(GROWN if len(inputs.grown) else ()),
        *(f.layer for f in found),
        *(name for name, info in book.infos().items() if info.on_map),
    }
    kept = [_keeping(maker) if maker.name in KEPT else maker for maker in order]
    layers = resolve.resolve(kept, inputs.given(), wanted, site.layers, tell)
    _agree(found, layers, infos)
    step("Scoring the species")
    mask = inputs.grid.cover(inputs.boundary.geometry) & np.isfinite(inputs.dem)
    fitted = fit(found, layers, mask, index=site.species.index)
    for info, values in (known_share(fitted), commonest_limit(fitted, infos)):
        infos[info.name] = info
        each(info, values, inputs.grid)
    night = NightGround.of(layers, inputs.dem, inputs.grid, inputs.grid.centre_lonlat[1])
    minimum = night.fit(inputs.readings, inputs.climate.elevation_m)
    return Survey(inputs, layers, infos, found, fitted, minimum, night)


def _keeping(maker: resolve.Maker) -> resolve.Maker:
    """Give a maker of one layer that takes it from an earlier run with the same inputs and code."""
    home = Path(resolve.__file__).parent
    code = [inspect.getfile(maker.function), *map(str, sorted(home.rglob("*.py")))]

    @functools.wraps(maker.function)
    def function(*needs: Any, **settings: Any) -> FloatGrid:
        parts = [
            (n.crs.to_wkt(), list(n.transform), n.shape) if isinstance(n, Grid) else n
            for n in needs
        ]
        key = keep.key_of([maker.name, parts, sorted((maker.settings | settings).items())], code)
        made = keep.kept("layer", key, lambda: {"layer": maker.function(*needs, **settings)})
        return made["layer"].astype(np.float32, copy=False)

    return replace(maker, function=function)


def _agree(
    found: Iterable[Factor], layers: dict[str, FloatGrid], infos: dict[str, LayerInfo]
) -> None:
    """Hold layers of categories to their classes: a wrong code would read past the table."""
    for factor in found:
        if factor.scores is None:
            continue
        values = layers[factor.layer]
        known = values[np.isfinite(values)]
        if known.size and not (known.min() >= 0 and known.max() < len(infos[factor.layer].classes)):
            raise ValueError(f"layer {factor.layer} holds codes outside its classes")


__all__ = ["InputError", "Survey", "book_of", "ready", "survey"]
