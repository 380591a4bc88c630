"""Frost: where cold air pools, and how cold the coldest night of an average winter gets.

An estimate from terrain and a few readings, not a forecast. On calm clear nights air cools at
the ground, drains downslope and lies where the ground is low, level and hollow, or dammed.
"""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, uniform_filter

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.strips import over_rows, plain
from siteplanner.base.units import area_words, hectares
from siteplanner.ground.cold.lanes import HELD_M
from siteplanner.ground.cold.predictors import NightGround
from siteplanner.ground.layer import CELL, WHOLE_GRID, layer, radius

_NEIGHBOURS = 400
#: Cells worked on at a time: few enough to stay in the cache, enough to be worth the calls.
_RUN = 100_000


@layer(
    LayerInfo(
        title="Elevation percentile: share of lower ground nearby",
        unit="share",
        method="Share of evenly spaced neighbours within the radius that lie lower",
        source="elevation percentile after Lundquist, Pepin & Rochford 2008",
        valid=(0, 1),
        colours="viridis",
    ),
    reach=radius("radius_m"),
)
def elevation_percentile(dem: FloatGrid, grid: Grid, *, radius_m: float = 250.0) -> FloatGrid:
    """Share (0-1) of the ground within ``radius_m`` metres that is lower than the cell.

    About 400 neighbours, evenly spaced over the disc, stand for all of them.
    """
    step = max(1, int(radius_m / grid.cell * np.sqrt(np.pi / _NEIGHBOURS)))
    along = np.arange(-(int(radius_m / grid.cell) // step), int(radius_m / grid.cell) // step + 1)
    dr, dc = np.meshgrid(along * step, along * step, indexing="ij")
    disc = (np.hypot(dr, dc) * grid.cell <= radius_m) & ((dr != 0) | (dc != 0))
    heights, share = plain(dem), np.empty(dem.shape, dtype=np.float32)
    around = np.column_stack([dr[disc], dc[disc]]).astype(np.int64)
    over_rows(_elevation_percentile, heights.shape, heights, around, share)
    return share


def _elevation_percentile(
    first: int, last: int, dem: FloatGrid, around: NDArray[np.int64], share: FloatGrid
) -> None:
    """Fill the rows of ``share``, a run of rows at a time."""
    rows, cols = dem.shape
    run = max(1, _RUN // cols)
    for top in range(first, last, run):
        here = dem[top : min(top + run, last)]
        lower, seen = np.zeros((2, *here.shape), np.int16)
        for down, right in around:
            above, below = max(0, -down - top), min(len(here), rows - down - top)
            west, east = max(0, -right), min(cols, cols - right)
            if above >= below or west >= east:
                continue
            window = np.s_[above:below, west:east]
            there = dem[top + above + down : top + below + down, west + right : east + right]
            lower[window] += there < here[window]
            seen[window] += there == there
        share[top : top + len(here)] = np.where(
            (seen > 0) & ~np.isnan(here), lower / np.maximum(seen, 1), np.nan
        )


@layer(
    LayerInfo(
        title="Concavity at a wider scale",
        unit="m/m",
        method="Mean over four directions of the mean height at both ends of a line less the "
        "height in its middle, over half the line's length: positive in hollows",
        source="form used for cold pools by Lundquist, Pepin & Rochford 2008 (from memory)",
        valid=(-2, 2),
        colours="PuOr_11",
    ),
    reach=radius("radius_m"),
)
def multi_scale_concavity(dem: FloatGrid, grid: Grid, *, radius_m: float = 120.0) -> FloatGrid:
    """Concavity at the scale of ``radius_m`` metres: positive where ground rises all round."""
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
    return (total / 4).astype(np.float32)


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
    slope: FloatGrid, multi_scale_concavity: FloatGrid, elevation_percentile: FloatGrid
) -> FloatGrid:
    """Three classes of cold-pool signal: 0 none, 1 no signal, 2 cold pool."""
    pool = (slope <= 30) & (multi_scale_concavity > 0) & (elevation_percentile <= 0.3)
    none = (slope > 30) | (elevation_percentile > 0.5)
    out = np.where(pool, 2, np.where(none, 0, 1)).astype(np.float32)
    out[np.isnan(slope) | np.isnan(elevation_percentile) | np.isnan(multi_scale_concavity)] = np.nan
    return out


@layer(
    LayerInfo(
        title="Cold air: two methods differ",
        unit="class",
        method="Cold air lying at least as deep as the setting at dawn, against the cold-pool "
        "criteria; where these give no signal nothing is compared",
        source="criteria: Lundquist, Pepin & Rochford 2008; the comparison is our own",
        valid=(0, 3),
        colours="RdYlBu_11",
        classes=("both: none", "both: cold pool", "only the drainage", "only the criteria"),
    ),
    reach=CELL,
)
def cold_air_check(
    cold_air_depth: FloatGrid, cold_pool_criteria: FloatGrid, *, lies_m: float = 2.0
) -> FloatGrid:
    """Four classes: 0 both say none, 1 both a pool, 2 the drainage alone, 3 the criteria alone."""
    lies = cold_air_depth >= lies_m
    out = np.full(cold_air_depth.shape, np.nan, dtype=np.float32)
    none, pool = cold_pool_criteria == 0, cold_pool_criteria == 2
    for code, mark in enumerate((~lies & none, lies & pool, lies & none, ~lies & pool)):
        out[mark & np.isfinite(cold_air_depth)] = code
    return out


@layer(
    LayerInfo(
        name="cold_air_pooling",
        title="Cold-air pooling",
        unit="index 0-1",
        method="Depth of cold air at dawn, as a share that reaches a half at the setting "
        "half_depth_m, joined with hand-drawn frost hollows as independent, soft evidence",
        source="the night's depth: see there; the joining is common practice, no source",
        valid=(0, 1),
        colours="YlGnBu_09",
        on_map=True,
    ),
    LayerInfo(
        name="cold_air_pooling_today",
        title="Cold-air pooling at present",
        unit="index 0-1",
        method="The same without an earlier plan's rows as mature shelter: what frost readings "
        "were taken in",
        source="the night's depth: see there; the joining is common practice, no source",
        valid=(0, 1),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def pooling(
    cold_air_depth: FloatGrid,
    cold_air_growth: FloatGrid,
    frost_hollows: gpd.GeoDataFrame,
    grid: Grid,
    *,
    half_depth_m: float = 5.0,
    drawn_weight: float = 0.3,
    drawn_edge_m: float = 20.0,
) -> tuple[FloatGrid, FloatGrid]:
    """Degree (0-1) to which cold air lies on a cell towards dawn of a calm clear night.

    With an earlier plan's rows as mature shelter, and as things stand. A hand-drawn hollow leaves
    ``1 - drawn_weight`` of what the night says against pooling.
    """
    half = np.float32(half_depth_m)
    drawn = grid.cover(frost_hollows.geometry).astype(np.float32)
    # A line drawn by hand is good to some tens of metres, so its edge is soft.
    drawn = uniform_filter(drawn, 2 * max(1, round(drawn_edge_m / grid.cell)) + 1, mode="nearest")
    doubt = half * (1 - np.float32(drawn_weight) * drawn)
    today = np.maximum(cold_air_depth - cold_air_growth, 0)
    return (
        (1 - doubt / (cold_air_depth + half)).astype(np.float32),
        (1 - doubt / (today + half)).astype(np.float32),
    )


@layer(
    LayerInfo(
        name="winter_minimum",
        title="Coldest night of an average winter",
        unit="°C",
        method="Readings' differences from the station's minimum of the same winter, by a Gaussian "
        "process with a linear mean on height, cold-air pooling, height above the cold air, "
        "slope, concavity and the side it faces, whose slopes have stated priors, added to the "
        "station's mean winter minimum; without readings the priors alone",
        source="Student-t process: Shah, Wilson & Ghahramani 2014; priors from memory, judgement, "
        "each stated in the code",
        valid=(-60, 30),
        colours="RdYlBu_11",
        on_map=True,
    ),
    LayerInfo(
        name="winter_minimum_error",
        title="Error of the coldest night",
        unit="°C",
        method="Half the width of the range that two in three places are in, in a winter without "
        "readings: the model's posterior (Student t), one winter's deviation from the "
        "average, and the error of the station's mean; larger away from the readings and "
        "on ground unlike theirs",
        source="Student-t process: Shah, Wilson & Ghahramani 2014; priors from memory, judgement, "
        "each stated in the code",
        valid=(0, 60),
        colours="viridis",
    ),
    LayerInfo(
        name="winter_minimum_error_read",
        title="Error of the coldest night in the winters with readings",
        unit="°C",
        method="The same for the winters of the readings, against the station's minimum of those "
        "winters: without the deviation of other winters and the error of the station's mean",
        source="Student-t process: Shah, Wilson & Ghahramani 2014; priors from memory, judgement, "
        "each stated in the code",
        valid=(0, 60),
        colours="viridis",
    ),
    reach=WHOLE_GRID,
)
def coldest_night(
    cold_air_pooling: FloatGrid,
    cold_air_pooling_today: FloatGrid,
    dem: FloatGrid,
    height_above_cold_air: FloatGrid,
    slope: FloatGrid,
    aspect: FloatGrid,
    multi_scale_concavity: FloatGrid,
    grid: Grid,
    latitude: float,
    frost_readings: gpd.GeoDataFrame,
    climate: object,
) -> tuple[FloatGrid, FloatGrid, FloatGrid]:
    """Lowest temperature (°C) of an average winter at the reference height, and its errors (°C).

    The errors are for a winter that was not read, and for those that were.
    """
    layers = {
        "cold_air_pooling": cold_air_pooling,
        "cold_air_pooling_today": cold_air_pooling_today,
        "height_above_cold_air": height_above_cold_air,
        "slope": slope,
        "aspect": aspect,
        "multi_scale_concavity": multi_scale_concavity,
    }
    ground = NightGround.of(layers, dem, grid, latitude)
    fitted = ground.fit(
        frost_readings,
        climate.elevation_m,  # type: ignore[attr-defined]
        climate.minima_error_c,  # type: ignore[attr-defined]
    )
    made = fitted.on_grid(ground.layers, grid)
    minima = climate.winter_minima  # type: ignore[attr-defined]
    station = float(minima.std(ddof=1) / np.sqrt(len(minima))) if len(minima) > 1 else 1.0
    return (
        made.difference + np.float32(minima.mean()),
        np.hypot(made.error, np.float32(station)),
        made.error_read,
    )


def disagreement(cold_air_check: FloatGrid, mask: BoolGrid) -> list[str]:
    """Say on how much of the ground the night and the quick criteria differ, if they do."""
    codes = cold_air_check[mask]
    codes = codes[np.isfinite(codes)]
    if not codes.size:
        return []
    drained, quick = (float((codes == code).mean()) for code in (2, 3))
    if drained + quick < 0.02:
        return []
    return [
        f"Frost hollows: on {drained + quick:.0%} of the ground the two methods differ (only the "
        f"modelled drainage finds cold air on {drained:.0%}, only the quick terrain criteria on "
        f"{quick:.0%}). Before you rely on either, put a minimum thermometer at the spots marked "
        "on the layer cold_air_check (Cold air: two methods differ)."
    ]


def held_back(layers: Mapping[str, FloatGrid], mask: BoolGrid, grid: Grid) -> list[str]:
    """Say how much deeper the cold air lies for mature shelter, and whether lanes would help."""
    growth = layers["cold_air_growth"]
    deeper = mask & (growth >= HELD_M)
    if not deeper.any():
        return ["Once mature, the rows of the earlier plan will hold back hardly any cold air."]
    lanes = int(label(layers["cold_air_lanes"] == 1)[1])
    advice = (
        f"{lanes} lane{'s' if lanes > 1 else ''} through the rows would drain some of it (layer "
        "cold_air_lanes). Leave those lanes unplanted, or plant them with low shrubs only."
        if lanes
        else "No lane through the rows would drain it."
    )
    area = area_words(hectares(deeper.sum() * grid.cell_area), 1)
    return [
        "Once the rows of the earlier plan are mature, cold air at dawn will be at least "
        f"{HELD_M:g} m deeper on {area}, by up to "
        f"{float(np.nanmax(growth[mask])):.1f} m (layer cold_air_growth). {advice} An estimate, "
        "not a forecast."
    ]
