"""The cold-air night: where air drains, lies and spills from sunset to sunrise, as layers.

An estimate of one calm clear night from the shape of the ground, not a forecast.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from siteplanner import keep
from siteplanner.grid import BoolGrid, FloatGrid, Grid
from siteplanner.ground import _air, cold_air
from siteplanner.ground.cold_air import Air, Level, State, finer, flow_on, level_of, still
from siteplanner.ground.layer import CELL, WHOLE_GRID, LayerInfo, layer, radius
from siteplanner.ground.sun import daylight
from siteplanner.ground.terrain import convergence

#: The night runs on cells this many times as wide, and on the working ones for the last while.
COARSER, LAST_S = 3, 2700.0
_LOOK_S = 600.0
_WINTER_DAY = {True: 355, False: 172}  # day of the year with the longest night: north, south
_METHOD = (
    "One calm clear night, sunset to sunrise of the design date, of a chilled layer that drains, "
    "lies and spills on cells of 5 m or more; open edges; cooling weakens where less sky is seen "
    "and as the pool deepens; banks and buildings count as the DEM has them, hedges by height and "
    "porosity. {what}"
)
_SOURCE = (
    "local inertial form of Bates, Horritt & Fewtrell 2010; length of the night FAO-56 (Allen et "
    "al. 1998) eq. 34; coldness, cooling and drag from memory, judgement"
)


@dataclass(frozen=True)
class Night:
    """What a night leaves, on the cells it ran on: float32 (rows, columns), rim taken off.

    ``depth`` (m) at dawn, ``arrival`` (hours after sunset, NaN where air never lay so deep),
    ``flow_x`` and ``flow_y`` (m2/s, eastward and southward on the grid) in the last quarter of
    an hour. ``imbalance`` is stored + flowed out - chilled, as a share of what was chilled.
    """

    depth: FloatGrid
    arrival: FloatGrid
    flow_x: FloatGrid
    flow_y: FloatGrid
    imbalance: float


def night_seconds(latitude: float, day: int = 0) -> float:
    """Seconds from sunset to sunrise; day of the year, 0 for the longest night there."""
    return 3600 * (24 - float(daylight(latitude, day or _WINTER_DAY[latitude >= 0])))


def sky_share(dem: FloatGrid, cell: float, reach_m: float = 300.0) -> FloatGrid:
    """Share (0-1) of the sky that level ground would see over the ground around it.

    Horizons in sixteen directions, looked up in steps that grow; unknown ground hides nothing.
    """
    rows, cols = dem.shape
    hidden = np.zeros(dem.shape, dtype=np.float32)
    for turn in np.arange(16) * np.pi / 8:
        tangent = np.zeros(dem.shape, dtype=np.float32)
        done: set[tuple[int, int]] = {(0, 0)}
        for run in np.geomspace(cell, max(reach_m, cell), 10):
            down, right = round(-run * math.cos(turn) / cell), round(run * math.sin(turn) / cell)
            if (down, right) in done or abs(down) >= rows or abs(right) >= cols:
                continue
            done.add((down, right))
            here = (
                slice(max(0, -down), rows - max(0, down)),
                slice(max(0, -right), cols - max(0, right)),
            )
            there = (
                slice(max(0, down), rows + min(0, down)),
                slice(max(0, right), cols + min(0, right)),
            )
            rise = (dem[there] - dem[here]) / np.float32(cell * math.hypot(down, right))
            tangent[here] = np.fmax(tangent[here], rise)
        hidden += tangent**2 / (1 + tangent**2) / 16
    return (1 - hidden).astype(np.float32)


def run_night(
    dem: FloatGrid,
    cell: float,
    seconds: float,
    air: Air,
    *,
    cell_m: float = 5.0,
    lies_m: float = 2.0,
    belts: tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]] | None = None,
    coarser: int = COARSER,
) -> Night:
    """Run a night on ``dem`` (rows, columns; m; NaN unknown) with square cells of ``cell`` m.

    The ground is taken to cells of at least ``cell_m``. Air "arrives" when it first lies
    ``lies_m`` deep. For ``belts`` see ``cold_air.level_of``.
    """
    factor = max(1, math.ceil(cell_m / cell - 1e-9))
    wide = level_of(dem, cell, factor * COARSER, 0.0)
    sky = sky_share(wide.bed[1:-1, 1:-1], wide.cell)
    sky = sky.repeat(factor * COARSER, 0).repeat(factor * COARSER, 1)
    chilling = sky[: dem.shape[0], : dem.shape[1]] * np.float32(air.chilling)
    last = min(LAST_S, seconds / 2) if coarser > 1 else seconds
    fine = level_of(dem, cell, factor, chilling, belts)
    if coarser > 1:
        level = level_of(dem, cell, factor * coarser, chilling, belts)
        state, when = still(level), np.full(level.bed.shape, np.nan, np.float32)
        _watched(level, state, seconds - last, air, lies_m, when)
        state = finer(state, level, fine)
        rows, cols = (n - 2 for n in fine.bed.shape)
        when = np.pad(when[1:-1, 1:-1].repeat(coarser, 0).repeat(coarser, 1)[:rows, :cols], 1)
    else:
        state, when = still(fine), np.full(fine.bed.shape, np.nan, np.float32)
    flow_x, flow_y = _watched(fine, state, last, air, lies_m, when)
    depth = state.depth[1:-1, 1:-1]
    when = when[1:-1, 1:-1]
    when[depth < lies_m] = np.nan
    return Night(depth.astype(np.float32), when, flow_x, flow_y, cold_air.imbalance(state))


def _watched(
    level: Level, state: State, seconds: float, air: Air, lies_m: float, when: FloatGrid
) -> tuple[FloatGrid, FloatGrid]:
    """Let the air flow; note in ``when`` the hour it first lies deep; give the late mean flow."""
    sums = [np.zeros(s, np.float32) for s in (state.flows[0].shape, state.flows[1].shape)]
    late = state.seconds + seconds - 900.0
    counted = 0

    def look(now: State) -> None:
        nonlocal counted
        when[(now.depth >= lies_m) & np.isnan(when)] = now.seconds / 3600
        if now.seconds >= late:
            for total, flow in zip(sums, now.flows, strict=True):
                total += flow
            counted += 1

    flow_on(level, state, seconds, air, look, every=60.0 if seconds <= LAST_S else _LOOK_S)
    east, south = (s / np.float32(2 * max(counted, 1)) for s in sums)
    return (
        (east[1:-1, 1:] + east[1:-1, :-1]).astype(np.float32),
        (south[1:, 1:-1] + south[:-1, 1:-1]).astype(np.float32),
    )


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


def belts_on(
    shelter: gpd.GeoDataFrame, grid: Grid
) -> tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]] | None:
    """Give shelter lines in units of the grid's cells, with heights (m) and porosities."""
    if shelter.empty:
        return None
    lines = shapely.transform(
        shelter.geometry.to_numpy(),
        lambda at: np.column_stack(~grid.transform * (at[:, 0], at[:, 1])),
    )
    return (
        lines,
        shelter["height_m"].to_numpy(np.float64),
        shelter["porosity"].to_numpy(np.float64),
    )


def kept_night(
    dem: FloatGrid,
    grid: Grid,
    latitude: float,
    shelter: gpd.GeoDataFrame,
    air: Air,
    *,
    cell_m: float,
    lies_m: float,
    design_day: int,
) -> Night:
    """Run the night, or take it from an earlier run with the same inputs and code."""
    seconds = night_seconds(latitude, design_day)
    belts = belts_on(shelter, grid)
    key = keep.key_of(
        [
            dem,
            grid.cell,
            round(seconds),
            air,
            cell_m,
            lies_m,
            *([shapely.to_wkb(belts[0]).tolist(), belts[1], belts[2]] if belts else []),
        ],
        [__file__, str(cold_air.__file__), str(_air.__file__)],
    )

    def make() -> keep.Arrays:
        made = run_night(dem, grid.cell, seconds, air, cell_m=cell_m, lies_m=lies_m, belts=belts)
        return {**vars(made), "imbalance": np.array(made.imbalance)}

    found = keep.kept("night", key, make)
    depth, arrival, flow_x, flow_y = (
        found[name].astype(np.float32) for name in ("depth", "arrival", "flow_x", "flow_y")
    )
    return Night(depth, arrival, flow_x, flow_y, float(found["imbalance"]))


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
        title="Hours after sunset until cold air lies deep",
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
        title="Where the cold air flows to before dawn",
        unit="degrees",
        method=_METHOD.format(what="Clockwise from true north; unknown in still air."),
        source=_SOURCE,
        valid=(0, 360),
        colours="viridis",
    ),
    LayerInfo(
        name="cold_air_lines",
        title="Lines along which cold air drains",
        unit="class",
        method=_METHOD.format(
            what="Cells that pass more air than the ground on both sides of "
            "the stream and more than the setting share_of_lines keeps."
        ),
        source="common practice, no source",
        valid=(0, 1),
        colours="YlGnBu_09",
        classes=("no line", "drainage line"),
    ),
    reach=WHOLE_GRID,
)
def cold_air_night(
    dem: FloatGrid,
    grid: Grid,
    latitude: float,
    shelter: gpd.GeoDataFrame,
    *,
    design_day: int = 0,
    cell_m: float = 5.0,
    lies_m: float = 2.0,
    colder_k: float = 5.0,
    loss_w_m2: float = 10.0,
    full_m: float = 30.0,
    drag: float = 0.05,
    share_of_lines: float = 0.25,
) -> tuple[FloatGrid, FloatGrid, FloatGrid, FloatGrid, FloatGrid]:
    """Depth (m), arrival (h), speed (m/s), direction (degrees) and lines of the cold air.

    ``design_day`` is a day of the year, 0 for the longest night. Air flows on cells of at
    least ``cell_m`` m. See ``cold_air.Air`` for the air's own settings; ``lies_m`` is the
    depth from which air counts as lying. The busiest ``share_of_lines`` of cells may be lines.
    """
    air = Air(colder_k, loss_w_m2, full_m, drag)
    made = kept_night(
        dem, grid, latitude, shelter, air, cell_m=cell_m, lies_m=lies_m, design_day=design_day
    )
    factor = max(1, math.ceil(cell_m / grid.cell - 1e-9))
    known = np.isfinite(dem)

    def clear(values: NDArray[Any]) -> FloatGrid:
        return np.where(known, values, np.float32(np.nan)).astype(np.float32)

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
    )


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
    grid: Grid,
    *,
    around_m: float = 400.0,
    cap_m: float = 50.0,
) -> FloatGrid:
    """Height (m, 0 to ``cap_m``) of the ground above the cold air lying within ``around_m``."""
    step = max(1, round(10 / grid.cell))
    ground, deep = dem[::step, ::step], cold_air_depth[::step, ::step]
    known = np.isfinite(ground) & np.isfinite(deep)
    weight = np.where(known, deep, 0).astype(np.float64) ** 2 + 1e-9 * known
    top = np.where(known, ground + deep, 0)
    width = around_m / 2 / (step * grid.cell)
    mass = gaussian_filter(weight, width, mode="nearest", truncate=2.0)
    lies_at = gaussian_filter(weight * top, width, mode="nearest", truncate=2.0)
    surface = _to_cells((lies_at / np.maximum(mass, 1e-300)).astype(np.float32), dem.shape, step)
    return np.clip(dem - surface, 0, np.float32(cap_m)).astype(np.float32)


@layer(
    LayerInfo(
        title="Where the night and the quick criteria differ",
        unit="class",
        method="Cold air lying at least as deep as the setting at dawn, against the cold-pool "
        "criteria; where these give no signal nothing is compared",
        source="criteria: Lundquist, Pepin & Rochford 2008; the comparison is our own",
        valid=(0, 3),
        colours="RdYlBu_11",
        classes=("both: none", "both: cold pool", "only the night", "only the criteria"),
    ),
    reach=CELL,
)
def cold_air_check(
    cold_air_depth: FloatGrid, cold_pool_criteria: FloatGrid, *, lies_m: float = 2.0
) -> FloatGrid:
    """Four classes: 0 both say none, 1 both a pool, 2 the night alone, 3 the criteria alone."""
    lies = cold_air_depth >= lies_m
    out = np.full(cold_air_depth.shape, np.nan, dtype=np.float32)
    none, pool = cold_pool_criteria == 0, cold_pool_criteria == 2
    for code, mark in enumerate((~lies & none, lies & pool, lies & none, ~lies & pool)):
        out[mark & np.isfinite(cold_air_depth)] = code
    return out


def disagreement(cold_air_check: FloatGrid, mask: BoolGrid) -> list[str]:
    """Say on how much of the ground the night and the quick criteria differ, if they do."""
    codes = cold_air_check[mask]
    codes = codes[np.isfinite(codes)]
    if not codes.size:
        return []
    night, quick = (float((codes == code).mean()) for code in (2, 3))
    if night + quick < 0.02:
        return []
    return [
        f"Frost hollows: on {night + quick:.0%} of the ground the modelled night and the quick "
        f"terrain criteria differ (cold air only by the night {night:.0%}, only by the criteria "
        f"{quick:.0%}; layer cold_air_check). Hang a thermometer there before you rely on either."
    ]
