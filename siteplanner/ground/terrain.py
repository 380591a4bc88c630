"""Shape of the ground, from the DEM: slope, aspect, hillshade, position, curvature."""

from __future__ import annotations

import math

import numpy as np
from pyproj import Proj

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground._strips import over_rows, plain
from siteplanner.ground._windows import above_mean, bend, horn
from siteplanner.ground.layer import CELL, NEIGHBOURS, LayerInfo, layer, radius


def convergence(grid: Grid) -> float:
    """Angle from true north to grid north at the middle of the grid, degrees.

    Positive where grid north lies east of true north; a true bearing is the grid bearing plus
    this angle.
    """
    factors = Proj(grid.crs).get_factors(*grid.centre_lonlat)
    return float(factors.meridian_convergence)


@layer(
    LayerInfo(
        name="slope",
        title="Slope",
        unit="degrees",
        method=(
            "Horn's weighted differences over 3 x 3 cells. Where a neighbour is missing (edge of "
            "the DEM, gap) the ground is carried on in a straight line from the cells beyond, "
            "or taken as level with the middle when those are missing too."
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
            "meridian convergence at the middle of the grid; unknown on level ground."
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
    heights = plain(dem)
    slopes, aspects = np.empty_like(heights), np.empty_like(heights)
    per_metre, turn = np.float32(1 / (8 * grid.cell)), np.float32(convergence(grid))
    over_rows(horn, heights.shape, heights, per_metre, turn, slopes, aspects)
    return slopes, aspects


@layer(
    LayerInfo(
        title="Hillshade",
        unit="brightness, 0 dark to 255 bright",
        method="Light on a matt surface from one direction; a picture, not the sun of the site.",
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
        title="Height above the ground around",
        unit="m",
        method=(
            "Height minus the mean height of a square window, as wide as twice the radius and "
            "clipped at the edge of the DEM: positive on ridges, negative in hollows."
        ),
        source="common practice, no source",
        valid=(-2000.0, 2000.0),
        colours="RdYlBu_11",
        on_map=True,
    ),
    reach=radius("radius"),
)
def slope_position(dem: FloatGrid, grid: Grid, *, radius: float = 150.0) -> FloatGrid:
    """Height above the mean of a square window of half width ``radius`` (m), in metres.

    Missing cells are left out of the mean; NaN where ``dem`` is NaN.
    """
    heights = plain(dem)
    out = np.empty_like(heights)
    half = max(1, round(radius / grid.cell))
    over_rows(above_mean, heights.shape, heights, half, out)
    return out


_CURVATURE_METHOD = (
    "Second derivative of the quartic surface through 3 x 3 cells, {way}; positive where the "
    "ground bulges (spur, brow), negative where it is hollow. On level ground, where no way is "
    "downhill, the mean over all directions. Missing neighbours as for slope."
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
def curvature(dem: FloatGrid, grid: Grid) -> tuple[FloatGrid, FloatGrid]:
    """Curvature down and across the slope, 1/m, each (rows, cols); convex is positive.

    After Zevenbergen & Thorne (1987), with D, E, F, G, H as there.
    """
    heights = plain(dem)
    down, across = np.empty_like(heights), np.empty_like(heights)
    over_rows(bend, heights.shape, heights, np.float32(grid.cell), down, across)
    return down, across
