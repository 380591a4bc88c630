"""Assesses the ground of a site: works its layers out, and says what should be read of them."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.plugins import code_of
from siteplanner.base.results import cache
from siteplanner.base.symbology.colours import check_schemes
from siteplanner.ground import resolve
from siteplanner.ground.cold import frost
from siteplanner.ground.cold.edges import edge_effect_note
from siteplanner.ground.cold.minimum import FEWEST_READINGS, MinimumFit
from siteplanner.ground.cold.predictors import NightGround
from siteplanner.ground.water.edge_contamination import edge_note
from siteplanner.reading.heights.coarse import HOLDS, words_for_layer
from siteplanner.reading.inputs import Inputs
from siteplanner.site.site_file import Site

#: Layers that the assessment itself reads: the fit of the readings, and its notes.
READS = (
    "cold_air_pooling",
    "cold_air_pooling_today",
    "height_above_cold_air",
    "slope",
    "aspect",
    "multi_scale_concavity",
    "winter_minimum_error",
    "cold_air_check",
    "edge_contamination_catchment",
    "edge_contamination_cold_air",
    "cold_air_edge_effect",
)
#: Layer functions whose results are kept between runs, beside the night, which keeps itself: 0.3
#: to 0.5 s for 4 MB on a million cells. The 41 layers of the sun take 0.6 to 0.9 s there, but
#: 160 MB; all others are worked out about as fast as they are read.
CACHED = ("elevation_percentile",)
#: Layers that are shown for the mature shelter that an earlier plan would be.
MATURE_SHELTER_LAYERS = ("cold_air_growth", "cold_air_lanes")

#: Given every layer as soon as it exists, with its description and grid.
Each = Callable[[LayerInfo, FloatGrid, Grid], None]
#: Given in words what comes next.
Step = Callable[[str], None]


def nothing_each(info: LayerInfo, values: FloatGrid, grid: Grid) -> None:
    """Do nothing with a layer."""


def nothing_step(words: str) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class Ground:
    """What the ground of a site is like.

    ``layers`` holds the layers that were asked for, float32 (rows, columns), NaN where unknown;
    ``infos`` describes every layer that was worked out, by name, in order of computation;
    ``minimum`` is the fit of the frost readings, ``night`` what it reads of the ground, and
    ``frost_error_c`` the error of the coldest night (°C) on the property's middle cell.
    """

    layers: dict[str, FloatGrid]
    infos: dict[str, LayerInfo]
    minimum: MinimumFit
    night: NightGround
    frost_error_c: float


def catalogue_of(site: Site) -> resolve.Catalogue:
    """List the layers that a site can have: built-in ones and those of installed packages.

    Raises :class:`~siteplanner.InputError`, also for a colour scheme that is not known.
    """
    book = resolve.catalogue(site.path, site.plugins.replace)
    check_schemes((maker.origin, book.info(name)) for name, maker in book.makers.items())
    return book


def assess(
    given: Mapping[str, Any],
    boundary: gpd.GeoDataFrame,
    settings: Mapping[str, Mapping[str, Any]],
    order: Iterable[resolve.Maker],
    reads: Collection[str],
    *,
    each: Each = nothing_each,
    step: Step = nothing_step,
) -> Ground:
    """Work out every layer in ``order`` and hold on to those that later parts read.

    ``given`` is what ``Inputs.given`` gives, ``settings`` those of layers by their function.
    ``reads`` names these beside the assessment's own and those that the map shows. ``each`` is
    given every layer as soon as it exists, ``step`` its title before the next.
    """
    infos: dict[str, LayerInfo] = {}
    makers = list(order)
    grid: Grid = given["grid"]
    inside = grid.cover(boundary.geometry)
    said = words_for_layer(given["dem_cell"])
    unsure = hanging_on_detail(makers) if said else frozenset()
    mature = MATURE_SHELTER_LAYERS if len(given["mature_shelter"]) else ()

    def tell(info: LayerInfo, values: Any) -> None:
        if info.name == "closed_hollows":
            info = replace(info, on_map=bool((values[inside] > 0).any()))
        if info.name in mature:
            info = replace(info, on_map=True)
        if info.name in unsure:
            info = replace(info, method=f"{info.method.rstrip('.')}. {said}")
        infos[info.name] = info
        step(f"The ground: {info.title.lower()}")
        each(info, values, grid)

    on_map = {info.name for maker in makers for info in maker.makes if info.on_map}
    cached = [_cached(maker) if maker.name in CACHED else maker for maker in makers]
    wanted = {*READS, *reads, *mature, *on_map}
    layers = resolve.resolve(cached, given, wanted, settings, tell)
    night = NightGround.of(layers, given["dem"], grid, given["latitude"])
    climate = given["climate"]
    minimum = night.fit(given["frost_readings"], climate.elevation_m, climate.minima_error_c)
    error = layers["winter_minimum_error"][inside]
    known = error[np.isfinite(error)]
    return Ground(layers, infos, minimum, night, float(np.median(known)) if known.size else np.nan)


def notes_on(ground: Ground, inputs: Inputs, property_cells: BoolGrid) -> list[str]:
    """Sentences on the ground that the user should read: frost, and what the DEM's edge cuts."""
    layers = ground.layers
    said = frost.disagreement(layers["cold_air_check"], property_cells)
    if len(inputs.mature_shelter):
        said = [*said, *frost.held_back(layers, property_cells, inputs.grid)]
    used = ground.minimum.readings
    if used < FEWEST_READINGS and len(inputs.climate.winter_minima):
        said = [
            *said,
            f"Only {used} frost {'reading' if used == 1 else 'readings'} could be used, so the "
            "coldest nights come from the station and general experience, give or take "
            f"{ground.frost_error_c:.1f} °C. Put minimum thermometers on the property for a "
            "winter and enter what they read under [frost].",
        ]
    return [
        *said,
        *edge_note(
            layers["edge_contamination_catchment"],
            layers["edge_contamination_cold_air"],
            property_cells,
            inputs.edges,
        ),
        *edge_effect_note(
            layers["cold_air_edge_effect"], property_cells, inputs.grid.cell, inputs.edges
        ),
    ]


def hanging_on_detail(makers: Iterable[resolve.Maker]) -> frozenset[str]:
    """Names of the layers that a coarse DEM makes unsure, from makers in the order of work."""
    from_dem = {"dem"}
    for maker in makers:
        if from_dem.intersection(maker.needs):
            from_dem.update(info.name for info in maker.makes)
    return frozenset(from_dem) - HOLDS


def _cached(maker: resolve.Maker) -> resolve.Maker:
    """Give a maker of one layer that takes it from an earlier run with the same inputs and code."""
    code = code_of([maker.offer])

    @functools.wraps(maker.function)
    def function(*needs: Any, **settings: Any) -> FloatGrid:
        parts = [
            (n.crs.to_wkt(), list(n.transform), n.shape) if isinstance(n, Grid) else n
            for n in needs
        ]
        key = cache.key_of([maker.name, parts, sorted((maker.settings | settings).items())], code)
        made = cache.cached("layer", key, lambda: {"layer": maker.function(*needs, **settings)})
        return made["layer"].astype("float32", copy=False)

    return replace(maker, function=function)
