"""Frost: where cold air pools, and how cold the coldest night of an average winter gets.

An estimate from terrain and a few readings, not a forecast. On calm clear nights air cools at
the ground, drains downslope and lies where the ground is low, level and hollow, or dammed.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground.layer import CELL, WHOLE_GRID, LayerInfo, layer, radius

#: Readings are not stretched further than this past the heights they were taken at: deeper
#: inversions are rare (UK forecasting practice caps cold pools at 70 m, 50 m is proposed).
TALLEST_INVERSION_M = 50.0
#: Fewer readings than this cannot carry a fit; stated defaults are used instead.
FEWEST_READINGS = 4
#: Used without readings, °C: change per 100 m of height, a full pool, and the error of both
#: (from memory, judgement; deliberately wide).
DEFAULT_PER_100M, DEFAULT_POOL, DEFAULT_ERROR = 0.5, -4.0, 2.5
SCREEN_M, GRASS_M = 1.2, 0.05
_NEIGHBOURS = 400


@layer(
    LayerInfo(
        title="Share of lower ground nearby",
        unit="share",
        method="Share of evenly spaced neighbours within the radius that lie lower",
        source="elevation percentile after Lundquist, Pepin & Rochford 2008",
        valid=(0, 1),
        colours="viridis",
    ),
    reach=radius("radius_m"),
)
def lower_share(dem: FloatGrid, grid: Grid, *, radius_m: float = 250.0) -> FloatGrid:
    """Share (0-1) of the ground within ``radius_m`` metres that is lower than the cell.

    About 400 neighbours, evenly spaced over the disc, stand for all of them.
    """
    step = max(1, int(radius_m / grid.cell * np.sqrt(np.pi / _NEIGHBOURS)))
    along = np.arange(-(int(radius_m / grid.cell) // step), int(radius_m / grid.cell) // step + 1)
    dr, dc = np.meshgrid(along * step, along * step, indexing="ij")
    disc = (np.hypot(dr, dc) * grid.cell <= radius_m) & ((dr != 0) | (dc != 0))
    return _lower_share(dem, dr[disc].astype(np.int32), dc[disc].astype(np.int32))


@numba.njit(cache=True, parallel=True, nogil=True)
def _lower_share(dem, dr, dc):  # type: ignore[no-untyped-def]
    rows, cols = dem.shape
    out = np.empty((rows, cols), dtype=np.float32)
    for r in numba.prange(rows):
        lower = np.zeros(cols, dtype=np.int32)
        seen = np.zeros(cols, dtype=np.int32)
        for k in range(len(dr)):
            rr = r + dr[k]
            if rr < 0 or rr >= rows:
                continue
            shift = dc[k]
            for c in range(max(0, -shift), min(cols, cols - shift)):
                other = dem[rr, c + shift]
                lower[c] += other < dem[r, c]
                seen[c] += other == other
        for c in range(cols):
            known = seen[c] > 0 and dem[r, c] == dem[r, c]
            out[r, c] = lower[c] / seen[c] if known else np.nan
    return out


@layer(
    LayerInfo(
        title="Hollowness",
        unit="m/m",
        method="Mean over four directions of the mean height at both ends of a line less the "
        "height in its middle, over half the line's length: positive in hollows",
        source="form used for cold pools by Lundquist, Pepin & Rochford 2008 (from memory)",
        valid=(-2, 2),
        colours="PuOr_11",
    ),
    reach=radius("radius_m"),
)
def hollowness(dem: FloatGrid, grid: Grid, *, radius_m: float = 120.0) -> FloatGrid:
    """Curvature at the scale of ``radius_m`` metres: positive where ground rises all round."""
    reach = max(1, round(radius_m / grid.cell))
    slant = max(1, round(reach / np.sqrt(2)))
    padded = np.pad(dem, reach, mode="edge")
    rows, cols = dem.shape
    total = np.zeros(dem.shape, dtype=np.float32)
    for dr, dc in ((0, reach), (reach, 0), (slant, slant), (slant, -slant)):
        ends = np.zeros(dem.shape, dtype=np.float32)
        for side in (1, -1):
            r, c = reach + side * dr, reach + side * dc
            ends += padded[r : r + rows, c : c + cols]
        total += (ends / 2 - dem) / np.float32(np.hypot(dr, dc) * grid.cell)
    return total / 4


@layer(
    LayerInfo(
        title="Cold-pool criteria",
        unit="class",
        method="Pool: slope at most 30°, hollow, at most 0.3 of neighbours lower; none: steeper "
        "than 30° or over half of neighbours lower; no signal between",
        source="Lundquist, Pepin & Rochford 2008, thresholds by a re-implementation",
        valid=(0, 2),
        colours="YlGnBu_09",
        classes=("no cold pool", "no signal", "cold pool"),
    ),
    reach=CELL,
)
def cold_pool_criteria(
    slope: FloatGrid, hollowness: FloatGrid, lower_share: FloatGrid
) -> FloatGrid:
    """Three classes of cold-pool signal: 0 none, 1 no signal, 2 cold pool."""
    pool = (slope <= 30) & (hollowness > 0) & (lower_share <= 0.3)
    none = (slope > 30) | (lower_share > 0.5)
    out = np.where(pool, 2, np.where(none, 0, 1)).astype(np.float32)
    out[np.isnan(slope) | np.isnan(lower_share) | np.isnan(hollowness)] = np.nan
    return out


@layer(
    LayerInfo(
        title="Cold air gathered from upslope",
        unit="log10 m²",
        method="Logarithm of the mean upslope area over a window of the stated half width",
        source="flow accumulation as cold-air accumulation after Chung et al. 2006 "
        "(their equation not seen)",
        valid=(0, 12),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def cold_air_gathered(
    flow_accumulation: FloatGrid, grid: Grid, *, spread_m: float = 25.0
) -> FloatGrid:
    """Decadic logarithm of upslope area (m²), spread over the width of a cold-air stream."""
    width = 2 * max(1, round(spread_m / grid.cell)) + 1
    known = np.isfinite(flow_accumulation)
    filled = np.where(known, flow_accumulation, 0).astype(np.float64)
    weight = uniform_filter(known.astype(np.float64), width, mode="nearest")
    mean = uniform_filter(filled, width, mode="nearest") / np.maximum(weight, 1e-9)
    out = np.log10(np.maximum(mean, grid.cell_area)).astype(np.float32)
    return np.where(known, out, np.float32(np.nan))


@layer(
    LayerInfo(
        title="Depth of air dammed behind an obstruction",
        unit="m",
        method="Depth to which a hollow fills before it spills: filled heights less heights",
        source="depression filling, Barnes et al. 2014",
        valid=(0, 500),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def cold_air_dammed(dem: FloatGrid, filled_dem: FloatGrid) -> FloatGrid:
    """Depth (m) of the closed hollow at each cell, behind banks and walls above all."""
    return np.maximum(filled_dem - dem, np.float32(0))


@layer(
    LayerInfo(
        title="Cold-air pooling",
        unit="index 0-1",
        method="Low slope × low ground nearby × hollow ground × cold air gathered, joined with "
        "depth behind obstructions and hand-drawn frost hollows as independent evidence",
        source="criteria of Lundquist, Pepin & Rochford 2008; the joining is common practice, "
        "no source",
        valid=(0, 1),
        colours="YlGnBu_09",
        on_map=True,
    ),
    reach=CELL,
)
def cold_air_pooling(
    slope: FloatGrid,
    hollowness: FloatGrid,
    lower_share: FloatGrid,
    cold_air_gathered: FloatGrid,
    cold_air_dammed: FloatGrid,
    frost_hollows: gpd.GeoDataFrame,
    grid: Grid,
    *,
    full_depth_m: float = 3.0,
    drawn_weight: float = 0.3,
    drawn_edge_m: float = 20.0,
) -> FloatGrid:
    """Degree (0-1) to which cold air lies on a cell on a calm clear night.

    A hollow ``full_depth_m`` deep counts fully; a hand-drawn hollow leaves
    ``1 - drawn_weight`` of what the terrain says against pooling.
    """
    level = _falling(slope, 2.0, 30.0)
    low = _falling(lower_share, 0.05, 0.6)
    hollow = 0.4 + 0.6 * _rising(hollowness, -0.02, 0.08)
    fed = 0.5 + 0.5 * _rising(cold_air_gathered, 3.5, 5.5)
    against = 1 - level * low * hollow * fed
    against *= 1 - 0.6 * np.clip(cold_air_dammed / full_depth_m, 0, 1)
    drawn = grid.cover(frost_hollows.geometry).astype(np.float32)
    # A line drawn by hand is good to some tens of metres, so its edge is soft.
    drawn = uniform_filter(drawn, 2 * max(1, round(drawn_edge_m / grid.cell)) + 1, mode="nearest")
    against *= 1 - drawn_weight * drawn
    return (1 - against).astype(np.float32)


def _rising(values: FloatGrid, zero_at: float, one_at: float) -> FloatGrid:
    return np.clip((values - zero_at) / (one_at - zero_at), 0, 1).astype(np.float32)


def _falling(values: FloatGrid, one_at: float, zero_at: float) -> FloatGrid:
    return 1 - _rising(values, one_at, zero_at)


def to_height(
    celsius: NDArray[np.float64], from_m: NDArray[np.float64] | float, to_m: float,
    grass_colder_c: float,
) -> NDArray[np.float64]:
    """Bring a night minimum from one height above the ground to another, °C.

    On a calm clear night air is coldest at the grass. The change with the logarithm of height
    is taken as linear, ``grass_colder_c`` between 0.05 m and 1.2 m (common practice, no
    source; published pairs differ by up to 6 °C on one night, so this is a rough rule).
    """
    per_log = grass_colder_c / np.log(SCREEN_M / GRASS_M)
    lowest = np.maximum(np.asarray(from_m, dtype=np.float64), GRASS_M)
    return np.asarray(celsius, dtype=np.float64) + per_log * np.log(max(to_m, GRASS_M) / lowest)


@dataclass(frozen=True)
class MinimumFit:
    """How the coldest night hangs on pooling and height.

    The estimate at a cell is ``mean + slopes @ ((pooling, height) - centre)`` added to the
    station's long-run minimum; ``error_c`` is the error of prediction found by leaving out
    each reading in turn (or the stated default), ``readings`` how many were used.
    """

    mean: float
    centre: NDArray[np.float64]
    slopes: NDArray[np.float64]
    heights: tuple[float, float]
    error_c: float
    readings: int

    def difference(
        self, pooling: NDArray[np.float32], dem: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Difference from the station's minimum, °C, at given pooling (0-1) and height (m)."""
        low, high = self.heights
        height = np.clip(dem, low, high)
        by_pool = self.slopes[0] * (pooling - self.centre[0])
        by_height = self.slopes[1] * (height - self.centre[1])
        return (self.mean + by_pool + by_height).astype(np.float32)


def fit_minimum(
    difference_c: NDArray[np.float64], pooling: NDArray[np.float64], height_m: NDArray[np.float64]
) -> MinimumFit:
    """Fit readings' differences from the station (°C) on pooling (0-1) and height (m).

    Ridge regression on the two standardised predictors; the penalty is the one, of seven,
    with the least error when each reading in turn is left out. Heights are not stretched more
    than ``TALLEST_INVERSION_M`` past the readings'. With fewer than four readings stated
    defaults are used.
    """
    n = len(difference_c)
    if n < FEWEST_READINGS:
        mean = float(np.mean(difference_c)) if n else 0.0
        centre = np.array([np.mean(pooling) if n else 0.0, np.mean(height_m) if n else 0.0])
        span = (centre[1] - 2 * TALLEST_INVERSION_M, centre[1] + TALLEST_INVERSION_M)
        if not n:
            span = (0.0, 0.0)
        return MinimumFit(mean, centre, np.array([DEFAULT_POOL, DEFAULT_PER_100M / 100]),
                          span, DEFAULT_ERROR, n)
    predictors = np.column_stack([pooling, height_m]).astype(np.float64)
    centre = predictors.mean(axis=0)
    spread = np.where(predictors.std(axis=0) > 1e-9, predictors.std(axis=0), np.inf)
    scaled = (predictors - centre) / spread
    mean = float(np.mean(difference_c))
    best = (np.inf, 0.0)
    for penalty in (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0):
        hat = 1 / n + scaled @ np.linalg.solve(scaled.T @ scaled + penalty * np.eye(2), scaled.T)
        left_out = (difference_c - mean - (hat - 1 / n) @ (difference_c - mean)) / (
            1 - np.diag(hat))
        best = min(best, (float(np.sqrt(np.mean(left_out**2))), penalty))
    error, penalty = best
    slopes = np.linalg.solve(
        scaled.T @ scaled + penalty * np.eye(2), scaled.T @ (difference_c - mean)) / spread
    span = (float(height_m.min()) - TALLEST_INVERSION_M, float(height_m.max()) + TALLEST_INVERSION_M)
    return MinimumFit(mean, centre, slopes, span, error, n)


def fit_readings(
    frost_readings: gpd.GeoDataFrame, cold_air_pooling: FloatGrid, dem: FloatGrid, grid: Grid
) -> MinimumFit:
    """Fit the readings (column ``difference_c``) on the ground they stand on."""
    x, y = frost_readings.geometry.x.to_numpy(), frost_readings.geometry.y.to_numpy()
    pooling = grid.sample(cold_air_pooling, x, y).astype(np.float64)
    height = grid.sample(dem, x, y).astype(np.float64)
    known = np.isfinite(pooling) & np.isfinite(height)
    difference = frost_readings["difference_c"].to_numpy(dtype=np.float64)
    return fit_minimum(difference[known], pooling[known], height[known])


@layer(
    LayerInfo(
        title="Coldest night of an average winter",
        unit="°C",
        method="Readings' differences from the station's minimum of the same winter, fitted on "
        "cold-air pooling and height (ridge), added to the station's mean winter minimum",
        source="common practice, no source; heights of an inversion capped as in the handbook",
        valid=(-60, 30),
        colours="RdYlBu_11_r",
        on_map=True,
    ),
    reach=CELL,
)
def winter_minimum(
    cold_air_pooling: FloatGrid,
    dem: FloatGrid,
    grid: Grid,
    frost_readings: gpd.GeoDataFrame,
    climate: object,
) -> FloatGrid:
    """Lowest temperature (°C) of an average winter at the stated reference height."""
    fitted = fit_readings(frost_readings, cold_air_pooling, dem, grid)
    long_run = float(climate.winter_minima.mean())  # type: ignore[attr-defined]
    return fitted.difference(cold_air_pooling, dem) + np.float32(long_run)
