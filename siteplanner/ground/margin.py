"""How far beyond the boundary ground is worked out: as far as water and cold air matter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np

from siteplanner.base.errors import InputError
from siteplanner.base.grid import Grid
from siteplanner.ground import resolve
from siteplanner.ground.cold.edges import share_felt
from siteplanner.reading.dem import read_dem
from siteplanner.reading.heights.edges import SIDES, USUAL_MARGIN_M, Edges
from siteplanner.site.site_file import Site

#: Margins that are tried, m, the usual one first; 3 km is the most.
MARGINS_M = (USUAL_MARGIN_M, 600.0, 900.0, 1400.0, 2000.0, 3000.0)
#: No margin makes more planning cells than this, or than so many times those of the usual one,
#: whichever is more; nor are more of the DEM's own cells read at once.
MOST_CELLS, MOST_TIMES, MOST_READ = 250_000, 3.0, 50_000_000
#: Trials are all made on the same cells: of at least so many metres, and at most about so many.
TRIAL_CELL_M, TRIAL_CELLS = 20.0, 10_000
#: Shares of the property that may still hang on the ground beyond, by water (a creek that crosses
#: it comes from far) and by cold air; the plan warns of what is left. Judgement.
BY_WATER, BY_AIR = 0.05, 0.05
#: A wider margin that leaves less out by under this share is not worth its time. Judgement.
_WORTH = 0.02


def chosen_margin(
    site: Site,
    given: Mapping[str, Any],
    boundary: gpd.GeoDataFrame,
    edges: Edges,
    book: resolve.Catalogue,
) -> tuple[float, float]:
    """Smallest margin by which the water and cold air that reach the property are inside.

    Also the widest that was tried, both in m. Where none within the bound does, the smallest that
    leaves out nearly as little as the best; ``given`` (``Inputs.given``) and ``edges`` were read
    with the usual margin. Each trial works out the two layers that say what the edge cuts
    (``edge_contamination_catchment``, ``cold_air_edge_effect``) on coarse cells.
    """
    if len(edges.ends) == len(SIDES):
        return USUAL_MARGIN_M, USUAL_MARGIN_M
    left: dict[float, float] = {}
    grid: Grid = given["grid"]
    margins = within_bound(boundary, grid, edges)
    if len(margins) == 1:
        return USUAL_MARGIN_M, USUAL_MARGIN_M
    across = math.sqrt(_area(boundary, margins[-1]))
    cell = max(TRIAL_CELL_M, grid.cell, across / math.sqrt(TRIAL_CELLS))
    for margin in margins:
        left[margin], whole = _left_out(site, given, boundary, book, margin, cell)
        if not left[margin] > 0:
            return margin, margin
        if whole:
            break
    best = min(left.values())
    smallest = next(margin for margin, share in left.items() if share <= best + _WORTH)
    return smallest, max(left)


def within_bound(boundary: gpd.GeoDataFrame, grid: Grid, edges: Edges) -> tuple[float, ...]:
    """Margins (m) that keep to the bound on cells and on what is read."""
    usual = MOST_TIMES * _area(boundary, USUAL_MARGIN_M)
    most = max(MOST_CELLS * grid.cell_area, usual)
    most = min(most, MOST_READ * edges.own_cell_m**2)
    wider = (margin for margin in MARGINS_M[1:] if _area(boundary, margin) <= most)
    return (USUAL_MARGIN_M, *wider)


def _area(boundary: gpd.GeoDataFrame, margin: float) -> float:
    """Area of the box of the boundary and a margin round it, m2."""
    west, south, east, north = boundary.total_bounds
    return float((east - west + 2 * margin) * (north - south + 2 * margin))


def _left_out(
    site: Site,
    given: Mapping[str, Any],
    boundary: gpd.GeoDataFrame,
    book: resolve.Catalogue,
    margin: float,
    cell: float,
) -> tuple[float, bool]:
    """Share of the property that hangs on ground beyond the margin, past what may.

    Also whether no DEM is left for a wider one.
    """
    dem = site.dem.model_copy(update={"margin_m": margin, "cell_m": cell})
    trial = site.model_copy(update={"dem": dem})
    try:
        heights = read_dem(trial, given["grid"].crs, boundary.union_all())
    except InputError:
        # Heights further out that cannot be used are no reason to refuse the property.
        return math.inf, True
    there = {
        **given,
        "grid": heights.grid,
        "dem": heights.dem,
        "holes": heights.filled,
        "height_step": heights.step_m,
        "dem_cell": heights.cell_m,
        "latitude": heights.grid.centre_lonlat[1],
    }
    wanted = ("edge_contamination_catchment", "cold_air_edge_effect")
    order = resolve.check(book, wanted, list(resolve.GIVEN), site.layers, site.path)
    layers = resolve.resolve(order, there, wanted, site.layers)
    cells = heights.grid.cover(boundary.geometry) & np.isfinite(heights.dem)
    if not cells.any():
        return 0.0, True
    water = float((layers[wanted[0]][cells] == 1).mean())
    air = share_felt(layers[wanted[1]], cells)
    left = max(water - BY_WATER, 0.0) + max(air - BY_AIR, 0.0)
    return left, len(heights.edges.ends) == len(SIDES)
