"""Nocturnal cold-air drainage: where air drains, lies and spills from sunset to sunrise, as layers.

An estimate of one calm clear night from the shape of the ground, not a forecast.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from siteplanner.base.bearings import convergence
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.ground.cold.cold_air import ColdAir
from siteplanner.ground.cold.drainage_run import (
    Belts,
    Drainage,
    belts_on,
    cached_drainage,
    night_seconds,
)
from siteplanner.ground.cold.lanes import WORTH, cut_lanes, lanes_through_rows, share_let_go
from siteplanner.ground.layer import WHOLE_GRID, layer, radius

_METHOD = (
    "One calm clear night, sunset to sunrise of the design date: a chilled layer of air that "
    "drains, pools and spills, on cells of 5 m or more. Beyond the DEM's edge the ground is "
    "taken to fall on as it does within; where it does not fall outwards no air passes, so a "
    "level plain keeps all that the night makes. Cooling is weaker where less sky is visible and "
    "as the pool deepens. Banks and buildings are as in the DEM, hedges have a height and a "
    "porosity. {what}"
)
_SOURCE = (
    "local inertial form of Bates, Horritt & Fewtrell 2010; length of the night FAO-56 (Allen et "
    "al. 1998) eq. 34; coldness, cooling and drag from memory, judgement; the edge common "
    "practice, no source"
)
#: Two grounds beyond the edge, as shares of the fall within: one that levels out, one that falls
#: away. Judgement: on an even slope a quarter of the fall lies some 60 % deeper.
_LEVELS_OUT, _FALLS_AWAY = 0.25, math.inf
_EDGE_COARSER = 6


def _to_cells(values: FloatGrid, shape: tuple[int, int], factor: int) -> FloatGrid:
    """Bring values on cells ``factor`` times as wide to a grid of ``shape``, bilinear."""
    if factor == 1:
        return values
    at = [(np.arange(n, dtype=np.float32) + 0.5) / factor - 0.5 for n in shape]
    return np.asarray(
        map_coordinates(values, np.meshgrid(*at, indexing="ij"), order=1, mode="nearest"),
        dtype=np.float32,
    )


def _nearest(values: FloatGrid, shape: tuple[int, int], factor: int) -> FloatGrid:
    return values.repeat(factor, 0).repeat(factor, 1)[: shape[0], : shape[1]].copy()


@layer(
    LayerInfo(
        name="cold_air_depth",
        title="Depth of cold air at dawn",
        unit="m",
        method=_METHOD.format(what="Depth when the sun rises."),
        source=_SOURCE,
        valid=(0, 200),
        colours="YlGnBu_09",
        on_map=True,
    ),
    LayerInfo(
        name="cold_air_arrival",
        title="Hours after sunset until cold air is deep",
        unit="h",
        method=_METHOD.format(
            what="Hour at which the air first lies as deep as the setting "
            "lies_m; unknown where it does not at dawn."
        ),
        source=_SOURCE,
        valid=(0, 24),
        colours="viridis",
    ),
    LayerInfo(
        name="cold_air_speed",
        title="Speed of the cold air before dawn",
        unit="m/s",
        method=_METHOD.format(what="Mean discharge of the last quarter of an hour over depth."),
        source=_SOURCE,
        valid=(0, 20),
        colours="viridis",
    ),
    LayerInfo(
        name="cold_air_direction",
        title="Direction of the cold air before dawn",
        unit="degrees",
        method=_METHOD.format(
            what="The direction the air flows to, clockwise from true north; unknown in still air."
        ),
        source=_SOURCE,
        valid=(0, 360),
        colours="viridis",
    ),
    LayerInfo(
        name="cold_air_lines",
        title="Lines along which cold air drains",
        unit="class",
        method=_METHOD.format(
            what="Cells that pass more air than the ground on both sides of the stream and more "
            "than the setting share_of_lines asks for."
        ),
        source="common practice, no source",
        valid=(0, 1),
        colours="YlGnBu_09",
        classes=("no line", "drainage line"),
    ),
    LayerInfo(
        name="cold_air_growth",
        title="Deeper cold air once the rows of the earlier plan are mature",
        unit="m",
        method=_METHOD.format(
            what="Depth at dawn with an earlier plan's dense rows as mature shelter, less without."
        ),
        source=_SOURCE,
        valid=(-100, 100),
        colours="PuOr_11",
    ),
    LayerInfo(
        name="cold_air_lanes",
        title="Lanes through the mature rows that would drain cold air",
        unit="class",
        method="Lanes through the rows along the streams that they hold back most; shown only "
        "where the modelled night, run again with the lanes open, holds less air. For "
        "rows to be planted alone, never for a bank, levee or dam wall.",
        source="our own; common practice, no source",
        valid=(0, 1),
        colours="YlGnBu_09",
        classes=("no lane", "lane through the rows"),
    ),
    LayerInfo(
        name="cold_air_edge_effect",
        title="How far the cold air depends on the ground beyond the DEM",
        unit="m",
        method="The same night twice on cells six times as wide: depth at dawn where the ground "
        "beyond the edge falls a quarter as steeply as within, less the depth where it falls "
        "away",
        source="our own; common practice, no source",
        valid=(-100, 100),
        colours="viridis",
    ),
    reach=WHOLE_GRID,
)
def nocturnal_cold_air_drainage(
    dem: FloatGrid,
    grid: Grid,
    latitude: float,
    shelter: gpd.GeoDataFrame,
    mature_shelter: gpd.GeoDataFrame,
    *,
    design_day: int = 0,
    cell_m: float = 5.0,
    lies_m: float = 2.0,
    colder_k: float = 5.0,
    loss_w_m2: float = 10.0,
    full_m: float = 30.0,
    drag: float = 0.05,
    share_of_lines: float = 0.25,
    lane_m: float = 15.0,
) -> tuple[FloatGrid, ...]:
    """Depth (m), arrival (h), speed (m/s), direction (degrees) and lines of the cold air.

    Then growth of the depth (m) and lanes for an earlier plan's rows, ``mature_shelter``, which dam
    the air like ``shelter``; both nil without them. Last the effect (m) of what
    is taken of the ground beyond the DEM. ``design_day`` is a day of the year, 0 for the longest
    night. Air flows on cells of at least ``cell_m`` m. See ``cold_air.ColdAir``
    for the air's own settings; ``lies_m`` is the depth from which air counts as lying. The
    busiest ``share_of_lines`` of cells may be lines; a lane is ``lane_m`` wide.
    """
    air, seconds = ColdAir(colder_k, loss_w_m2, full_m, drag), night_seconds(latitude, design_day)
    factor = max(1, math.ceil(cell_m / grid.cell - 1e-9))
    known = np.isfinite(dem)

    def run(belts: Belts | None, **how: Any) -> Drainage:
        how = {"cell_m": cell_m, "lies_m": lies_m} | how
        return cached_drainage(dem, grid.cell, seconds, air, belts, **how)

    def clear(values: NDArray[Any]) -> FloatGrid:
        return np.where(known, values, np.float32(np.nan)).astype(np.float32)

    both = pd.concat([shelter, mature_shelter]) if len(mature_shelter) else shelter
    made = run(belts_on(both, grid))
    growth = lane_cells = np.zeros(dem.shape, dtype=np.float32)
    if len(mature_shelter):
        bare = run(belts_on(shelter, grid))
        growth = _to_cells(made.depth - bare.depth, dem.shape, factor)
        lane_cells = _lanes(run, bare, made, shelter, mature_shelter, grid, factor, lane_m)
    depth = _to_cells(made.depth, dem.shape, factor)
    east, south = (_to_cells(f, dem.shape, factor) for f in (made.flow_x, made.flow_y))
    speed = np.hypot(east, south) / np.maximum(depth, np.float32(0.05))
    direction = (np.degrees(np.arctan2(east, -south)) + convergence(grid)) % 360
    direction[speed < 0.02] = np.nan
    lines = drainage_lines(made.flow_x, made.flow_y, share_of_lines)
    return (
        clear(np.maximum(depth, 0)),
        clear(_nearest(made.arrival, dem.shape, factor)),
        clear(speed),
        clear(direction),
        clear(_nearest(lines, dem.shape, factor)),
        clear(growth),
        clear(lane_cells),
        clear(_edge_effect(run, belts_on(both, grid), grid, cell_m)),
    )


def _edge_effect(
    run: Callable[..., Drainage], belts: Belts | None, grid: Grid, cell_m: float
) -> FloatGrid:
    """Depth (m) where the ground beyond the DEM levels out less the depth where it falls away."""
    wide = _EDGE_COARSER * cell_m
    levels_out, falls_away = (
        run(belts, cell_m=wide, coarser=1, beyond=share).depth
        for share in (_LEVELS_OUT, _FALLS_AWAY)
    )
    factor = max(1, math.ceil(wide / grid.cell - 1e-9))
    return _to_cells(levels_out - falls_away, grid.shape, factor)


def _lanes(
    run: Callable[[Belts | None], Drainage],
    bare: Drainage,
    made: Drainage,
    shelter: gpd.GeoDataFrame,
    mature_shelter: gpd.GeoDataFrame,
    grid: Grid,
    factor: int,
    lane_m: float,
) -> FloatGrid:
    """Mark (1, else 0) the lanes through mature rows that let air go in a run with them."""
    wide = grid.coarser(factor)
    growth = made.depth - bare.depth
    rows = wide.cover(mature_shelter.geometry, all_touched=True)
    found = lanes_through_rows(bare.flow_x, bare.flow_y, growth, rows, wide.cell)
    none = np.zeros(grid.shape, dtype=np.float32)
    belts = belts_on(mature_shelter, grid)
    if not found or belts is None:
        return none
    lanes = [shapely.transform(lane, lambda at: at * factor) for lane in found]
    half = lane_m / 2 / grid.cell
    left, standing = cut_lanes(belts, lanes, half), belts_on(shelter, grid)
    if standing is not None:
        left = tuple(np.concatenate(pair) for pair in zip(left, standing, strict=True))  # type: ignore[assignment]
    let_go = share_let_go(growth, run(left).depth - bare.depth)
    if let_go < WORTH:
        return none
    shapes = [
        shapely.transform(
            lane.buffer(half),
            lambda at: np.column_stack(grid.transform * (at[:, 0], at[:, 1])),
        )
        for lane in lanes
    ]
    return grid.cover(shapes).astype(np.float32)


def drainage_lines(flow_x: FloatGrid, flow_y: FloatGrid, share: float) -> FloatGrid:
    """Mark (1, else 0) cells whose discharge tops that of both neighbours across the stream."""
    flow = np.hypot(flow_x, flow_y)
    smooth = gaussian_filter(flow, 1.0)
    along = np.arctan2(gaussian_filter(flow_x, 1.0), -gaussian_filter(flow_y, 1.0))
    # One cell to the right of the stream and one to the left, in one of eight directions.
    right, down = np.rint(np.cos(along)).astype(int), np.rint(np.sin(along)).astype(int)
    rows, cols = flow.shape
    r, c = np.meshgrid(np.arange(rows), np.arange(cols), indexing="ij")
    top = np.ones(flow.shape, dtype=bool)
    for side in (1, -1):
        rr = np.clip(r + side * down, 0, rows - 1)
        cc = np.clip(c + side * right, 0, cols - 1)
        top &= (smooth > smooth[rr, cc]) | ((rr == r) & (cc == c))
    return (top & (smooth >= np.quantile(smooth, 1 - share))).astype(np.float32)


@layer(
    LayerInfo(
        title="Height above the cold air",
        unit="m",
        method="Height above the surface of the cold air lying around at dawn: its mean, weighted "
        "by depth squared over a soft window; none within it; capped, since deeper inversions are "
        "rare",
        source="depth cap of UK forecasting practice, 70 m, 50 m proposed; the rest common "
        "practice, no source",
        valid=(0, 100),
        colours="viridis",
    ),
    reach=radius("around_m"),
)
def height_above_cold_air(
    dem: FloatGrid,
    cold_air_depth: FloatGrid,
    cold_air_growth: FloatGrid,
    grid: Grid,
    *,
    around_m: float = 400.0,
    cap_m: float = 50.0,
) -> FloatGrid:
    """Height (m, 0 to ``cap_m``) of the ground above the cold air lying within ``around_m``."""
    step = max(1, round(10 / grid.cell))
    # As things stand, since readings are fitted on it.
    ground, deep = dem[::step, ::step], (cold_air_depth - cold_air_growth)[::step, ::step]
    known = np.isfinite(ground) & np.isfinite(deep)
    weight = np.where(known, deep, 0).astype(np.float64) ** 2 + 1e-9 * known
    top = np.where(known, ground + deep, 0)
    width = around_m / 2 / (step * grid.cell)
    mass = gaussian_filter(weight, width, mode="nearest", truncate=2.0)
    lies_at = gaussian_filter(weight * top, width, mode="nearest", truncate=2.0)
    surface = _to_cells((lies_at / np.maximum(mass, 1e-300)).astype(np.float32), dem.shape, step)
    return np.clip(dem - surface, 0, np.float32(cap_m)).astype(np.float32)
