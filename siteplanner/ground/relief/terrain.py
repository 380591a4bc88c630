"""Shape of the ground, from the DEM: slope, aspect, hillshade, steps, curvature."""

from __future__ import annotations

import math

import numpy as np

from siteplanner.base.bearings import convergence
from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.strips import over_rows, plain
from siteplanner.ground.layer import CELL, NEIGHBOURS, WHOLE_GRID, layer
from siteplanner.ground.relief._windows import above_mean, bend, horn
from siteplanner.ground.relief.beside_voids import over_windows


@layer(
    LayerInfo(
        name="slope",
        title="Slope",
        unit="degrees",
        method=(
            "Horn's weighted differences over 3 x 3 cells. Where a neighbour is missing (edge of "
            "the DEM, a void) the ground is extended in a straight line from the cells on the "
            "other side, or taken as level with the middle cell where those are missing too."
        ),
        source="Horn (1981), Proc. IEEE 69(1):14-47",
        valid=(0.0, 90.0),
        colours="YlOrBr_09",
        on_map=True,
    ),
    LayerInfo(
        name="aspect",
        title="Aspect",
        unit="degrees clockwise from true north",
        method=(
            "Downhill direction of Horn's differences, turned from grid to true north by the "
            "meridian convergence at the middle of the grid; unknown on level ground. Its colours "
            "break at north, where 360 meets 0."
        ),
        source="Horn (1981), Proc. IEEE 69(1):14-47",
        valid=(0.0, 360.0),
        colours="viridis",
    ),
    reach=NEIGHBOURS,
)
def slope_and_aspect(dem: FloatGrid, grid: Grid) -> tuple[FloatGrid, FloatGrid]:
    """Slope (degrees) and downhill direction (degrees from true north), each (rows, cols).

    NaN where ``dem`` is NaN; aspect is NaN on level ground too. After Horn (1981).
    """
    per_metre, turn = np.float32(1 / (8 * grid.cell)), np.float32(convergence(grid))
    return over_windows(horn, plain(dem), per_metre, turn)


@layer(
    LayerInfo(
        title="Hillshade",
        unit="brightness, 0 dark to 255 bright",
        method=(
            "Light from one direction on a matt surface. It shows relief; it is not the sun of "
            "the site."
        ),
        source="common practice, no source",
        valid=(0.0, 255.0),
        colours="Greys_09",
    ),
    reach=CELL,
)
def hillshade(
    slope: FloatGrid, aspect: FloatGrid, *, azimuth: float = 315.0, altitude: float = 45.0
) -> FloatGrid:
    """Brightness 0-255 of ground lit from ``azimuth`` and ``altitude`` (degrees).

    Light from the upper left of the map is what the eye expects in either hemisphere.
    """
    steep = np.radians(slope)
    away = np.cos(np.radians(np.float32(azimuth) - aspect))
    np.copyto(away, np.float32(0), where=np.isnan(aspect))
    up = np.float32(math.sin(math.radians(altitude)))
    along = np.float32(math.cos(math.radians(altitude)))
    light = up * np.cos(steep) + along * np.sin(steep) * away
    return np.multiply(np.clip(light, 0, 1), 255, dtype=np.float32)


@layer(
    LayerInfo(
        title="Heights filled from around",
        unit="1 filled, 0 from the DEM",
        method="Small holes of the DEM, filled from the ground around them.",
        source="the DEM of the site",
        valid=(0.0, 1.0),
        colours="Greys_09",
        classes=("measured", "worked out"),
    ),
    reach=CELL,
)
def void_filled(dem: FloatGrid, holes: BoolGrid) -> FloatGrid:
    """1 where a hole of the DEM was filled, 0 elsewhere, (rows, cols); NaN without a height."""
    filled = holes.astype(np.float32)
    filled[np.isnan(dem)] = np.nan
    return filled


@layer(
    LayerInfo(
        title="Heights with false terraces smoothed",
        unit="m",
        method=(
            "Where all heights of the DEM, before any resampling, are multiples of a step of 5 "
            "cm or more (whole metres or feet), each is moved three times towards the mean "
            "around it, over about two steps' width of slope, by half a step at most, which is "
            "what rounding took away. Otherwise the DEM as it is. Used for water flow and "
            "curvature only."
        ),
        source="common practice, no source",
        valid=(-500.0, 9000.0),
        colours="viridis",
    ),
    reach=WHOLE_GRID,
)
def terrace_smoothed_dem(
    dem: FloatGrid, slope: FloatGrid, grid: Grid, height_step: float
) -> FloatGrid:
    """Heights (m, (rows, cols)) without the terraces that rounding makes; NaN as in ``dem``.

    ``height_step`` is what heights were rounded to, m, 0 where they were not.
    """
    heights = plain(dem)
    known = np.isfinite(slope)
    if height_step == 0.0 or not known.any():
        return heights
    middle = float(np.median(slope[known]))
    return smoothed(heights, height_step, smoothing_cells(middle, height_step, grid))


def smoothing_cells(middle_slope: float, height_step: float, grid: Grid) -> int:
    """Cells to each side over which steps are smoothed where slopes are such, degrees."""
    rise = max(math.tan(math.radians(middle_slope)), 0.005)
    return int(np.clip(round(height_step / rise / grid.cell), 1, 25))


#: Times that heights are moved towards their mean.
SMOOTHINGS = 3


def smoothed(heights: FloatGrid, height_step: float, half: int) -> FloatGrid:
    """Heights moved towards the mean of ``half`` cells to each side, by half a step at most."""
    lowest = heights - np.float32(height_step / 2)
    highest = heights + np.float32(height_step / 2)
    smooth, above = heights, np.empty_like(heights)
    for _ in range(SMOOTHINGS):
        over_rows(above_mean, heights.shape, smooth, half, above)
        smooth = np.clip(smooth - above, lowest, highest)
    return smooth


_CURVATURE_METHOD = (
    "Second derivative of the quartic surface through 3 x 3 cells, {way}; positive where the "
    "ground bulges (spur, brow), negative where it is hollow. On level ground, which has no "
    "downhill direction, the mean over all directions. Missing neighbours as for slope."
)
_CURVATURE_SOURCE = "Zevenbergen & Thorne (1987), Earth Surf. Process. Landf. 12:47-56, from memory"


@layer(
    LayerInfo(
        name="profile_curvature",
        title="Curvature down the slope",
        unit="1/m",
        method=_CURVATURE_METHOD.format(way="taken down the slope"),
        source=_CURVATURE_SOURCE,
        valid=(-10.0, 10.0),
        colours="RdYlBu_11",
    ),
    LayerInfo(
        name="plan_curvature",
        title="Curvature across the slope",
        unit="1/m",
        method=_CURVATURE_METHOD.format(way="taken across the slope"),
        source=_CURVATURE_SOURCE,
        valid=(-10.0, 10.0),
        colours="RdYlBu_11",
    ),
    reach=NEIGHBOURS,
)
def curvature(terrace_smoothed_dem: FloatGrid, grid: Grid) -> tuple[FloatGrid, FloatGrid]:
    """Curvature down and across the slope, 1/m, each (rows, cols); convex is positive.

    After Zevenbergen & Thorne (1987), with D, E, F, G, H as there.
    """
    return over_windows(bend, plain(terrace_smoothed_dem), np.float32(grid.cell))
