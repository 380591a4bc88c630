"""Runs the cold air through one night, from sunset to sunrise, and keeps what comes out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.plugins import code_of
from siteplanner.base.results import cache
from siteplanner.ground.cold import cold_air
from siteplanner.ground.cold.cold_air import ColdAir, Level, State, finer, flow_on, level_of, still
from siteplanner.ground.sun.irradiation import daylight

#: The night runs on cells this many times as wide, and on the working ones for the last while.
COARSER, LAST_S = 3, 2700.0
_LOOK_S = 600.0
_WINTER_DAY = {True: 355, False: 172}  # day of the year with the longest night: north, south
#: Lines in units of the DEM's cells, their heights (m) and porosities (0-1).
Belts = tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True)
class Drainage:
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


def run_drainage(
    dem: FloatGrid,
    cell: float,
    seconds: float,
    air: ColdAir,
    *,
    cell_m: float = 5.0,
    lies_m: float = 2.0,
    belts: Belts | None = None,
    coarser: int = COARSER,
    beyond: float = 1.0,
) -> Drainage:
    """Run a night on ``dem`` (rows, columns; m; NaN unknown) with square cells of ``cell`` m.

    The ground is taken to cells of at least ``cell_m``. Air "arrives" when it first lies
    ``lies_m`` deep. For ``belts`` and ``beyond`` see ``cold_air.level_of``.
    """
    factor = max(1, math.ceil(cell_m / cell - 1e-9))
    wide = level_of(dem, cell, factor * COARSER, 0.0)
    sky = sky_share(wide.bed[1:-1, 1:-1], wide.cell)
    sky = sky.repeat(factor * COARSER, 0).repeat(factor * COARSER, 1)
    chilling = sky[: dem.shape[0], : dem.shape[1]] * np.float32(air.chilling)
    last = min(LAST_S, seconds / 2) if coarser > 1 else seconds
    fine = level_of(dem, cell, factor, chilling, belts, beyond)
    if coarser > 1:
        level = level_of(dem, cell, factor * coarser, chilling, belts, beyond)
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
    return Drainage(depth.astype(np.float32), when, flow_x, flow_y, cold_air.imbalance(state))


def _watched(
    level: Level, state: State, seconds: float, air: ColdAir, lies_m: float, when: FloatGrid
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


def belts_on(shelter: gpd.GeoDataFrame, grid: Grid) -> Belts | None:
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


def cached_drainage(
    dem: FloatGrid,
    cell: float,
    seconds: float,
    air: ColdAir,
    belts: Belts | None,
    *,
    cell_m: float,
    lies_m: float,
    coarser: int = COARSER,
    beyond: float = 1.0,
) -> Drainage:
    """Run the night, or take it from an earlier run with the same inputs and code."""
    key = cache.key_of(
        [
            dem,
            cell,
            round(seconds),
            air,
            cell_m,
            lies_m,
            coarser,
            beyond,
            *([shapely.to_wkb(belts[0]).tolist(), belts[1], belts[2]] if belts else []),
        ],
        code_of(),
    )

    def make() -> cache.Arrays:
        made = run_drainage(
            dem, cell, seconds, air, cell_m=cell_m, lies_m=lies_m, belts=belts, coarser=coarser,
            beyond=beyond,
        )  # fmt: skip
        return {**vars(made), "imbalance": np.array(made.imbalance)}

    found = cache.cached("drainage", key, make)
    depth, arrival, flow_x, flow_y = (
        found[name].astype(np.float32) for name in ("depth", "arrival", "flow_x", "flow_y")
    )
    return Drainage(depth, arrival, flow_x, flow_y, float(found["imbalance"]))
