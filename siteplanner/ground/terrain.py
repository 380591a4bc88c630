"""Shape of the ground, from the DEM: slope, aspect, hillshade, position, curvature."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from pyproj import Proj

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground._strips import over_rows, plain
from siteplanner.ground.layer import CELL, NEIGHBOURS, LayerInfo, layer, radius

_DEGREES = np.float32(180.0 / math.pi)

# Odd polynomial for the arctangent on [-1, 1]; largest error 2e-8 rad, far below what the
# heights allow, and it lets the compiler work on eight cells at once.
_A2, _A4, _A6, _A8, _A10, _A12, _A14, _A16 = (
    np.float32(c)
    for c in (
        -0.3333314528,
        0.1999355085,
        -0.1420889944,
        0.1065626393,
        -0.0752896400,
        0.0429096138,
        -0.0161657367,
        0.0028662257,
    )
)
_ZERO, _ONE, _TWO = np.float32(0), np.float32(1), np.float32(2)
_QUARTER, _HALF, _FULL = np.float32(90), np.float32(180), np.float32(360)
_NAN = np.float32(np.nan)


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
            "Horn's weighted differences over 3 x 3 cells. A missing neighbour (edge, gap in "
            "the DEM) is extended in a straight line from the cell opposite, or taken as level "
            "with the centre when that is missing too."
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
    over_rows(_horn, heights.shape, heights, per_metre, turn, slopes, aspects)
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
    over_rows(_above_mean, heights.shape, heights, half, out)
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
    over_rows(_bend, heights.shape, heights, np.float32(grid.cell), down, across)
    return down, across


@njit("float32(float32[:, ::1], int64, int64, int64, int64, float32)", cache=True)
def _rise(dem, row, col, up, left, middle):  # type: ignore[no-untyped-def]
    """Height of a neighbour above the middle, carried straight across where it is missing."""
    rows, cols = dem.shape
    r, c = row + up, col + left
    if 0 <= r < rows and 0 <= c < cols:
        rise = dem[r, c] - middle
        if rise == rise:
            return rise
    r, c = row - up, col - left
    if 0 <= r < rows and 0 <= c < cols:
        rise = middle - dem[r, c]
        if rise == rise:
            return rise
    return _ZERO


@njit("float32(float32, float32)", cache=True)
def _whole(rise, opposite):  # type: ignore[no-untyped-def]
    """Do the same for a neighbour inside the grid."""
    carried = -opposite if opposite == opposite else _ZERO
    return rise if rise == rise else carried


@njit("float32(float32)", cache=True)
def _arctan(x):  # type: ignore[no-untyped-def]
    """Arctangent of 0 to 1, in degrees."""
    s = x * x
    tail = _A10 + s * (_A12 + s * (_A14 + s * _A16))
    return _DEGREES * x * (_ONE + s * (_A2 + s * (_A4 + s * (_A6 + s * (_A8 + s * tail)))))


@njit("UniTuple(float32, 2)(float32, float32, float32)", cache=True)
def _steepness(east, south, turn):  # type: ignore[no-untyped-def]
    """Slope and true aspect, degrees, of a plane with these rises per metre."""
    grade = np.sqrt(east * east + south * south)
    slope = _arctan(min(grade, _ONE) if grade <= _ONE else _ONE / grade)
    slope = slope if grade <= _ONE else _QUARTER - slope
    # Downhill is (-east, +north of south); clockwise from north: atan2(-east, south).
    wide, tall = abs(east), abs(south)
    long = max(wide, tall)
    turned = _arctan(min(wide, tall) / (long if long > _ZERO else _ONE))
    turned = _QUARTER - turned if wide > tall else turned
    turned = _HALF - turned if south < _ZERO else turned
    turned = _FULL - turned if east > _ZERO else turned
    turned += turn
    turned = turned - _FULL if turned >= _FULL else turned
    turned = turned + _FULL if turned < _ZERO else turned
    return slope, turned if long > _ZERO else _NAN


@njit(
    "void(int64, int64, float32[:, ::1], float32, float32, float32[:, ::1], float32[:, ::1])",
    cache=True,
    nogil=True,
)
def _horn(first, last, dem, per_metre, turn, slope, aspect):  # type: ignore[no-untyped-def]
    rows, cols = dem.shape
    for row in range(first, last):
        inner = 0 < row < rows - 1
        if inner:
            above, here, below = dem[row - 1], dem[row], dem[row + 1]
            slopes, aspects = slope[row], aspect[row]
            for col in range(cols - 2):
                e = here[col + 1]
                a, b, c = above[col] - e, above[col + 1] - e, above[col + 2] - e
                d, f = here[col] - e, here[col + 2] - e
                g, h, i = below[col] - e, below[col + 1] - e, below[col + 2] - e
                a, i = _whole(a, i), _whole(i, a)
                b, h = _whole(b, h), _whole(h, b)
                c, g = _whole(c, g), _whole(g, c)
                d, f = _whole(d, f), _whole(f, d)
                east = ((c - a) + _TWO * (f - d) + (i - g)) * per_metre
                south = ((g - a) + _TWO * (h - b) + (i - c)) * per_metre
                steep, facing = _steepness(east, south, turn)
                slopes[col + 1] = steep if e == e else _NAN
                aspects[col + 1] = facing if e == e else _NAN
        for col in range(0, cols, max(1, cols - 1) if inner else 1):
            e = dem[row, col]
            a, b, c = (
                _rise(dem, row, col, -1, -1, e),
                _rise(dem, row, col, -1, 0, e),
                _rise(dem, row, col, -1, 1, e),
            )
            d, f = _rise(dem, row, col, 0, -1, e), _rise(dem, row, col, 0, 1, e)
            g, h, i = (
                _rise(dem, row, col, 1, -1, e),
                _rise(dem, row, col, 1, 0, e),
                _rise(dem, row, col, 1, 1, e),
            )
            east = ((c - a) + _TWO * (f - d) + (i - g)) * per_metre
            south = ((g - a) + _TWO * (h - b) + (i - c)) * per_metre
            steep, facing = _steepness(east, south, turn)
            slope[row, col] = steep if e == e else _NAN
            aspect[row, col] = facing if e == e else _NAN


@njit(
    "void(int64, int64, float32[:, ::1], float32, float32[:, ::1], float32[:, ::1])",
    cache=True,
    nogil=True,
)
def _bend(first, last, dem, cell, down, across):  # type: ignore[no-untyped-def]
    cols = dem.shape[1]
    square = cell * cell
    for row in range(first, last):
        for col in range(cols):
            e = dem[row, col]
            if e != e:
                down[row, col] = _NAN
                across[row, col] = _NAN
                continue
            north, south = _rise(dem, row, col, -1, 0, e), _rise(dem, row, col, 1, 0, e)
            west, east = _rise(dem, row, col, 0, -1, e), _rise(dem, row, col, 0, 1, e)
            corners = (
                _rise(dem, row, col, -1, 1, e)
                - _rise(dem, row, col, -1, -1, e)
                + _rise(dem, row, col, 1, -1, e)
                - _rise(dem, row, col, 1, 1, e)
            )
            dd, ee = (west + east) / (_TWO * square), (north + south) / (_TWO * square)
            ff = corners / (_TWO * _TWO * square)
            gg, hh = (east - west) / (_TWO * cell), (north - south) / (_TWO * cell)
            grade = gg * gg + hh * hh
            if grade > _ZERO:
                mixed = ff * gg * hh
                down[row, col] = -_TWO * (dd * gg * gg + ee * hh * hh + mixed) / grade
                across[row, col] = -_TWO * (dd * hh * hh + ee * gg * gg - mixed) / grade
            else:
                down[row, col] = -(dd + ee)
                across[row, col] = -(dd + ee)


@njit(
    "void(int64, int64, float32[:, ::1], int64, float32[:, ::1])",
    cache=True,
    nogil=True,
)
def _above_mean(first, last, dem, half, out):  # type: ignore[no-untyped-def]
    """Slide sums of the window's columns down the rows and a running total across them.

    Blocks of rows start afresh at fixed places, so strips do not change a single bit, and
    heights are taken from the first known one, so that the sums stay small.
    """
    rows, cols = dem.shape
    block = max(64, 2 * half)
    sums, known = np.empty(cols + 1), np.empty(cols + 1, np.int64)
    column, count = np.empty(cols), np.empty(cols, np.int64)
    for start in range(first - first % block, last, block):
        base = 0.0
        for value in dem[start]:
            if value == value:
                base = float(value)
                break
        column[:] = 0.0
        count[:] = 0
        for r in range(max(0, start - half), min(rows, start + half)):
            for c in range(cols):
                value = dem[r, c]
                if value == value:
                    column[c] += value - base
                    count[c] += 1
        for row in range(start, min(start + block, last)):
            enter, leave = row + half, row - half - 1
            for c in range(cols):
                if enter < rows:
                    value = dem[enter, c]
                    if value == value:
                        column[c] += value - base
                        count[c] += 1
                if leave >= max(0, start - half):
                    value = dem[leave, c]
                    if value == value:
                        column[c] -= value - base
                        count[c] -= 1
            if row < first:
                continue
            sums[0], known[0] = 0.0, 0
            for c in range(cols):
                sums[c + 1] = sums[c] + column[c]
                known[c + 1] = known[c] + count[c]
            for c in range(cols):
                left, right = max(0, c - half), min(cols, c + half + 1)
                n = known[right] - known[left]
                value = dem[row, c] - base
                out[row, c] = value - (sums[right] - sums[left]) / n if n > 0 else _NAN
