"""The plan: everything that the parts made and that a writer may hand over."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.symbology.colours import species_colours
from siteplanner.ground.assess import Ground, notes_on
from siteplanner.planting.lay_out import Layout
from siteplanner.reading.files.sources import Source
from siteplanner.reading.heights.coarse import caution_on_coarse
from siteplanner.reading.inputs import Inputs
from siteplanner.season.nursery.year import NurseryYear
from siteplanner.season.season import Season
from siteplanner.season.works import Works
from siteplanner.site.site_file import Site
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import Suitability

#: Layers that writers read, beside the species' factors and those that the map shows.
READS = ("hillshade", "slope", "winter_minimum", "terrace_smoothed_dem")
#: What every output says, whatever the plan (rule of the house: local codes decide).
CAUTIONS = (
    "Everything here is an estimate from maps, a few readings and a table of tolerances. Walk "
    "the ground before you order or dig.",
    "Frost is estimated from terrain and a few readings; it is not a forecast. Wind, cloud, snow, "
    "wet ground and how hardy a plant is at the time are not modelled.",
    "Buried services: the plan shows only those that were supplied. Have services located before "
    "any digging; the owner of the service decides.",
    "Power lines: the network operator's clearances decide, and only licensed people may work "
    "near power lines.",
    "Buildings and fire: local rules on clearance around buildings decide.",
    "Steep ground: someone who knows the site must judge what is safe on foot. No machines there.",
    "Waterways: banks may be undercut or flood; works near water may need a consent.",
    "Seed: collect only with the owner's permission and any permit that is needed. Check with a "
    "local nursery or herbarium that each species is local and not a weed where you are.",
)


@dataclass(frozen=True)
class Plan:
    """Everything a writer may hand over. All geometry is in ``grid.crs``; lists are ordered.

    Attributes
    ----------
    name:
        Name of the site, the user's own text.
    grid:
        The working grid.
    layers:
        Layers kept for writers, by name, float32 (rows, columns); at least ``hillshade``,
        ``slope``, ``winter_minimum`` and each layer whose description says ``on_map``.
    infos:
        Description of every layer that was computed, by name, in order of computation.
    species:
        One row a species, indexed 0 … n-1: ``botanical_name``, ``code`` (its short name on
        sheets, map, labels and batches), ``common_name``, ``roles`` (text, roles divided by
        "; "), ``cautions`` (text, may be empty), ``colour`` (#rrggbb).
    suitability:
        Score 0-100 of each species on each cell, uint8 (species, rows, columns), 255 where
        not scored (outside the property).
    zones:
        One row a zone: ``zone`` (letter), ``title`` (a few words), ``ground`` (sentence on
        what the ground is like), ``ground_kind`` (its marks, such as "frosty wet", by which
        survival is learnt), ``area_ha``, ``pattern``, ``spacing_m`` (map distance),
        ``density_ha`` (stems per map hectare), ``trees``, ``geometry`` (MultiPolygon).
    blocks:
        One row a block, a contiguous part of one zone in one paddock: ``block``, ``zone``,
        ``paddock``, ``area_ha``, ``trees``, ``rows``, ``bearing_deg`` (of the rows, clockwise
        from grid north), ``steep`` (what becomes of a block that is not on foot, as [planting]
        steep says; "" for others), ``status`` (``reading.kept_blocks.STATUSES``), ``pattern`` and
        ``spacing_m`` of its rows, ``geometry`` (Polygon).
    rows:
        One row a planting row: ``block``, ``zone``, ``row``, ``name`` (what people call it: parts
        of a broken row are 38 and 38b), ``trees``, ``length_m``,
        ``ground_spacing_m`` (mean slope distance from tree to tree), ``geometry`` (LineString, or
        Point where a row has a single tree).
    trees:
        One row a tree: ``species`` (botanical name), ``zone``, ``block``, ``row``, ``geometry``.
    tree_species:
        Index into ``species`` of every row of ``trees``, uint8.
    boundary, paddocks, no_plant:
        The user's features; ``paddocks`` has ``name``, ``plant`` (bool), ``area_ha`` and
        ``trees``; ``no_plant`` has ``kind``, ``name``, ``setback_m`` (0 for an area that is
        only kept clear itself).
    setbacks:
        The ground kept clear around ``no_plant`` features and the boundary: ``kind``,
        ``setback_m``, ``geometry``.
    hollows:
        Hollows over 1 m deep without an outlet, on the property, those with the most trees first:
        ``hollow`` (1, 2 …), ``area_ha``, ``depth_m`` (at its deepest), ``trees``, ``geometry``
        (MultiPolygon).
    frost_obs:
        Frost readings: ``name``, ``winter_min_c``, ``height_m``, ``at_reference_c`` (brought
        to the stated height), ``estimated_c``, ``geometry``.
    counts:
        Columns ``zone, paddock, species, common_name, trees, infill, order``; no totals. Trees in
        the ground are among ``trees`` and not in ``infill`` and ``order``.
    frost_error_c:
        Error of the winter-minimum estimate on the property's middle cell, °C, within which it
        lies in two of three winters not read; NaN where it is not known.
    colder_c:
        How far the coldest night of one winter in five lies under an average one's, °C, NaN
        where it cannot be told.
    cautions:
        Sentences that every output shows.
    warnings:
        Sentences on this plan that the user should read.
    inputs:
        Each input file's path relative to the site file, and its SHA-256.
    settings:
        The site file as it was understood, plain values only.
    dem_cell_m:
        Width of what the heights can show, m: the DEM's own cells, or the grid's where wider.
    sources:
        Where the site's files are from, and the words that their licences ask for; empty where
        the site has no table of sources (``reading.files.sources.Source``).
    works:
        What is done on each block, when and by whom. With it
        ``trees`` has ``year`` (0: later than the years planned) and ``mother`` (name of the
        mother tree whose seed should stand there, may be empty), ``blocks`` has ``year``.
    nursery:
        Batches, bench area, supply and substitutes.
    hours:
        Person-hours of nursery and crews by month, beside what they can do
        (``siteplanner.season.hours.COLUMNS``).
    factors:
        What the suitability was scored on: each factor's layer and every species' tolerances.
    limiting:
        Index into ``factors`` of what holds each species back on each cell, uint8 (species,
        rows, columns), 255 where nothing does or nothing was scored.
    frost:
        Odds that a frost kills a seedling, by zone and species: over the places where the species
        is planted there, or over all of the zone's ground where it is not
        (``siteplanner.season.frost_odds.ODDS_COLUMNS`` describes every column).
    frost_odds:
        The same as percent on each cell, uint8 (species, rows, columns), 255 where unknown.
        Where a tolerance is from memory: the upper end of the range.
    dig:
        Spots where a look with a spade would change the plan most (``planting.dig.COLUMNS``).
    thermometers:
        Spots where one more thermometer would lower the error of the coldest night most
        (``siteplanner.ground.cold.thermometers.COLUMNS``).
    frost_dates:
        First and last frosts, start of growth and late frost by zone, dates in words; empty
        where not worked out.
    """

    name: str
    grid: Grid
    layers: dict[str, FloatGrid]
    infos: dict[str, LayerInfo]
    species: pd.DataFrame
    suitability: NDArray[np.uint8]
    factors: tuple[Factor, ...]
    limiting: NDArray[np.uint8]
    zones: gpd.GeoDataFrame
    blocks: gpd.GeoDataFrame
    rows: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    tree_species: NDArray[np.uint8]
    boundary: gpd.GeoDataFrame
    paddocks: gpd.GeoDataFrame
    no_plant: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    hollows: gpd.GeoDataFrame
    frost_obs: gpd.GeoDataFrame
    counts: pd.DataFrame
    frost: pd.DataFrame
    frost_odds: NDArray[np.uint8]
    frost_dates: pd.DataFrame
    frost_error_c: float
    colder_c: float
    dig: pd.DataFrame
    thermometers: pd.DataFrame
    works: Works
    nursery: NurseryYear
    hours: pd.DataFrame
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    inputs: dict[str, str]
    settings: dict[str, object]
    dem_cell_m: float = 0.0
    sources: tuple[Source, ...] = ()

    @property
    def trees_total(self) -> int:
        """Number of trees in the plan."""
        return len(self.trees)


def plan_of(
    site: Site,
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    layout: Layout,
    season: Season,
    call: Call = afresh,
) -> Plan:
    """Put together what the stages made; nothing is worked out here that a stage knows."""
    factors = {factor.layer for factor in suitability.factors}
    notes = (
        *inputs.notes,
        *layout.notes,
        *notes_on(ground, inputs, suitability.mask),
        *season.notes,
    )
    year = season.works.blocks.set_index("block")["year"].reindex(layout.blocks["block"])
    return Plan(
        name=site.site.name,
        grid=inputs.grid,
        layers={
            name: values
            for name, values in ground.layers.items()
            if name in READS or name in factors or ground.infos[name].on_map
        },
        infos=ground.infos,
        species=_species(inputs),
        suitability=call(suitability.on_grid, suitability.score),
        factors=suitability.factors,
        limiting=call(suitability.on_grid, suitability.limiting),
        zones=season.frost.with_words(layout.zones)[list(_ZONES)],
        blocks=layout.blocks[list(_BLOCKS)].assign(year=year.fillna(0).to_numpy(dtype=np.int64)),
        rows=layout.rows,
        trees=layout.trees.assign(year=season.tree_year, mother=layout.tree_mother),
        tree_species=layout.tree_species,
        boundary=inputs.boundary.assign(name=site.site.name)[["name", "geometry"]],
        paddocks=layout.paddocks,
        no_plant=layout.no_plant,
        setbacks=layout.setbacks,
        hollows=layout.hollows,
        frost_obs=_frost_obs(inputs, ground),
        counts=layout.counts,
        frost=season.frost.odds,
        frost_odds=season.frost.on_cells,
        frost_dates=season.frost.dates,
        frost_error_c=ground.frost_error_c,
        colder_c=season.colder_c,
        dig=season.dig,
        thermometers=season.thermometers,
        works=season.works,
        nursery=season.nursery,
        hours=season.hours,
        cautions=(*CAUTIONS, *caution_on_coarse(inputs.dem_cell)),
        warnings=notes,
        inputs=inputs.hashes,
        settings=site.settings(),
        dem_cell_m=inputs.dem_cell,
        sources=inputs.sources,
    )


_ZONES = (
    "zone", "title", "ground", "ground_kind", "area_ha", "pattern", "spacing_m", "density_ha",
    "trees", "geometry",
)  # fmt: skip
_BLOCKS = (
    "block", "zone", "paddock", "area_ha", "trees", "rows", "bearing_deg", "steep", "status",
    "pattern", "spacing_m", "geometry",
)  # fmt: skip


def _species(inputs: Inputs) -> pd.DataFrame:
    facts = inputs.species.facts
    return facts[["botanical_name", "code", "common_name", "cautions"]].assign(
        roles=["; ".join(roles) for roles in facts["roles"]], colour=species_colours(len(facts))
    )


def _frost_obs(inputs: Inputs, ground: Ground) -> gpd.GeoDataFrame:
    frame = inputs.readings
    estimated = inputs.grid.sample(
        ground.layers["winter_minimum"], frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy()
    )
    return gpd.GeoDataFrame(
        {
            "name": frame["name"],
            "winter_min_c": frame["winter_min_c"],
            "height_m": frame["height_m"],
            "at_reference_c": frame["at_reference_c"],
            "estimated_c": estimated.astype(np.float64),
        },
        geometry=frame.geometry,
        crs=frame.crs,
    )
