"""The plan: everything that the parts made and that a writer may hand over."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.layer import LayerInfo

if TYPE_CHECKING:
    from siteplanner.reading.species_table import Factor
    from siteplanner.season.nursery.year import NurseryYear
    from siteplanner.season.works import Works

#: What every output says, whatever the plan (rule of the house: local codes decide).
CAUTIONS = (
    "Everything here is an estimate from maps, a few readings and a table of tolerances. Walk "
    "the ground before you order or dig.",
    "Frost is estimated from terrain and a few readings; it is not a forecast. Wind, cloud, snow, "
    "wet ground and how hardy a plant is at the time are not modelled.",
    "Buried services: only what was supplied is shown. Have services located before any "
    "digging; the owner of the service decides.",
    "Power lines: the network operator's clearances decide, and trees near lines are for "
    "licensed people.",
    "Buildings and fire: local rules on clearance around buildings decide.",
    "Steep ground: someone who knows the site judges what is safe on foot. No machines there.",
    "Waterways: banks may be undercut or flood; works near water may need a consent.",
    "Seed: collect only with the owner's leave and any permit that is needed. Check with a local "
    "nursery or herbarium that each species is local and not a weed where you are.",
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
        One row a species, indexed 0 … n-1: ``botanical_name``, ``common_name``, ``roles``
        (text, roles divided by "; "), ``cautions`` (text, may be empty), ``colour`` (#rrggbb).
    fit:
        Score 0-100 of each species on each cell, uint8 (species, rows, columns), 255 where
        not scored (outside the property).
    zones:
        One row a zone: ``zone`` (letter), ``title`` (a few words), ``ground`` (sentence on
        what the ground is like), ``area_ha``, ``pattern``, ``spacing_m`` (map distance),
        ``density_ha`` (stems per map hectare), ``trees``, ``geometry`` (MultiPolygon).
    blocks:
        One row a block, a contiguous part of one zone in one paddock: ``block``, ``zone``,
        ``paddock``, ``area_ha``, ``trees``, ``rows``, ``bearing_deg`` (of the rows, clockwise
        from grid north), ``geometry`` (Polygon).
    rows:
        One row a planting row: ``block``, ``zone``, ``row``, ``trees``, ``length_m``,
        ``ground_spacing_m`` (tape distance along the slope), ``geometry`` (LineString, or
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
    frost_obs:
        Frost readings: ``name``, ``winter_min_c``, ``height_m``, ``at_reference_c`` (brought
        to the stated height), ``estimated_c``, ``geometry``.
    counts:
        Columns ``zone, paddock, species, common_name, trees, infill, order``; no totals.
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
    works:
        What is done on each block, when and by whom; None where it was not worked out. With it
        ``trees`` has ``year`` (0: later than the years planned) and ``mother`` (name of the
        mother tree whose seed should stand there, may be empty), ``blocks`` has ``year``.
    nursery:
        Batches, bench area, supply and substitutes; None where it was not worked out.
    factors:
        What the fit was scored on: each factor's layer and every species' tolerances.
    limiting:
        Index into ``factors`` of what holds each species back on each cell, uint8 (species,
        rows, columns), 255 where nothing does or nothing was scored; None where not kept.
    frost:
        Odds that a frost kills a seedling, columns ``zone, species, odds_low, odds, odds_high``
        (chance in one winter, 0-1; ``odds`` is NaN where the tolerance is from memory), ``words``
        and more (see ``planting.frost_by_zone``); empty where not worked out.
    frost_odds:
        The same as percent on each cell, uint8 (species, rows, columns), 255 where unknown;
        None where not worked out. Where a tolerance is from memory: the upper end of the range.
    dig:
        Spots where a look with a spade would change the plan most (``planting.dig.COLUMNS``).
    thermometers:
        Spots where one more thermometer would lower the error of the coldest night most
        (``ground.cold.thermometers.COLUMNS``).
    frost_dates:
        First and last frosts, start of growth and late frost by zone, dates in words; empty
        where not worked out.
    """

    name: str
    grid: Grid
    layers: dict[str, FloatGrid]
    infos: dict[str, LayerInfo]
    species: pd.DataFrame
    fit: NDArray[np.uint8]
    zones: gpd.GeoDataFrame
    blocks: gpd.GeoDataFrame
    rows: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    tree_species: NDArray[np.uint8]
    boundary: gpd.GeoDataFrame
    paddocks: gpd.GeoDataFrame
    no_plant: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    frost_obs: gpd.GeoDataFrame
    counts: pd.DataFrame
    frost_error_c: float
    cautions: tuple[str, ...]
    colder_c: float = math.nan
    warnings: tuple[str, ...] = ()
    inputs: dict[str, str] = field(default_factory=dict)
    settings: dict[str, object] = field(default_factory=dict)
    nursery: NurseryYear | None = None
    works: Works | None = None
    factors: tuple[Factor, ...] = ()
    limiting: NDArray[np.uint8] | None = None
    frost: pd.DataFrame = field(default_factory=pd.DataFrame)
    frost_odds: NDArray[np.uint8] | None = None
    frost_dates: pd.DataFrame = field(default_factory=pd.DataFrame)
    dig: pd.DataFrame = field(default_factory=pd.DataFrame)
    thermometers: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def trees_total(self) -> int:
        """Number of trees in the plan."""
        return len(self.trees)
