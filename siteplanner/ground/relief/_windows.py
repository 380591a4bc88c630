"""Compiled kernels on the window of cells around each cell: slope, aspect, curvature, mean."""

from __future__ import annotations

import math

import numpy as np

from siteplanner.base.grid import FloatGrid
from siteplanner.base.kernels import kernel, part

# Odd polynomial for the arctangent on [-1, 1] in degrees, fitted for the least largest error, 5e-8
# rad, below what a float32 angle can hold; it lets the compiler work on many cells at once.
_A1, _A3, _A5, _A7, _A9, _A11, _A13, _A15 = (
    np.float32(math.degrees(c))
    for c in (
        1.0,
        -0.3333165903,
        0.1996270398,
        -0.1397658209,
        0.0979423442,
        -0.0577735874,
        0.0230401340,
        -0.0043554052,
    )
)
_ZERO, _ONE, _TWO = np.float32(0), np.float32(1), np.float32(2)
_QUARTER, _HALF, _FULL = np.float32(90), np.float32(180), np.float32(360)
_NAN = np.float32(np.nan)
#: Added to a float64 and taken off again, this rounds it to a multiple of 2^-13.
_ROUNDS = 1.5 * 2.0 ** (52 - 13)
#: A product and a sum may be rounded once instead of twice; nothing else may be rearranged.
_FUSED = {"contract"}


@part("float32(float32)", fastmath=_FUSED)
def _arctan_over_x(square):  # type: ignore[no-untyped-def]
    """Arctangent of x, in degrees, over x, from the square of x, 0 to 1.

    Terms are added in pairs and pairs of pairs, which need not wait for each other.
    """
    fourth = square * square
    low = (_A1 + square * _A3) + fourth * (_A5 + square * _A7)
    high = (_A9 + square * _A11) + fourth * (_A13 + square * _A15)
    return low + fourth * fourth * high


@part("UniTuple(float32, 2)(float32, float32, float32)", fastmath=_FUSED)
def _steepness(east, south, turn):  # type: ignore[no-untyped-def]
    """Slope and true aspect, degrees, of a plane with these rises per metre."""
    square = east * east + south * south
    steep = square > _ONE
    below_one = _ONE / square if steep else square
    slope = np.sqrt(below_one) * _arctan_over_x(below_one)
    slope = _QUARTER - slope if steep else slope
    # Downhill is (-east, +north of south); clockwise from north: atan2(-east, south).
    wide, tall = abs(east), abs(south)
    long = max(wide, tall)
    ratio = min(wide, tall) / (long if long > _ZERO else _ONE)
    turned = ratio * _arctan_over_x(ratio * ratio)
    turned = _QUARTER - turned if wide > tall else turned
    turned = _HALF - turned if south < _ZERO else turned
    turned = _FULL - turned if east > _ZERO else turned
    turned += turn
    turned = turned - _FULL if turned >= _FULL else turned
    turned = turned + _FULL if turned < _ZERO else turned
    return slope, turned if long > _ZERO else _NAN


@kernel(
    "void(int64, int64, float32[:, ::1], float32, float32, float32[:, ::1], float32[:, ::1],"
    "int32[::1])",
    fastmath=_FUSED,
)
def horn(first, last, dem, per_metre, turn, slope, aspect, lacking):  # type: ignore[no-untyped-def]
    """Put slope and true aspect, degrees, of cells whose window is whole, NaN for the others.

    ``per_metre`` is 1 / (8 cells' width). A row is worked out without a branch, many cells at
    once; ``lacking`` (rows,) tells how many inner cells of each row came out as NaN.
    """
    rows, cols = dem.shape
    for row in range(max(first, 1), min(last, rows - 1)):
        above, here, below = dem[row - 1], dem[row], dem[row + 1]
        slopes, aspects = slope[row], aspect[row]
        for col in range(cols - 2):
            e = here[col + 1] - here[col + 1]
            a, b, c = above[col], above[col + 1], above[col + 2]
            g, h, i = below[col], below[col + 1], below[col + 2]
            east = ((c - a) + _TWO * (here[col + 2] - here[col]) + (i - g)) * per_metre
            south = ((g - a) + _TWO * (h - b) + (i - c)) * per_metre
            steep, facing = _steepness(east + e, south, turn)
            slopes[col + 1] = steep
            aspects[col + 1] = facing
        # Counted in 32 bits, as wide as the slopes, or the compiler would go half as fast.
        voids = np.int32(0)
        for col in range(1, cols - 1):
            voids = np.int32(voids + np.int32(slopes[col] != slopes[col]))
        lacking[row] = voids


@kernel(
    "void(int64, int64, float32[:, ::1], float32, float32[:, ::1], float32[:, ::1], int32[::1])"
)
def bend(first, last, dem, cell, down, across, lacking):  # type: ignore[no-untyped-def]
    """Put curvature down and across the slope of cells whose window is whole, else NaN."""
    rows, cols = dem.shape
    half, square = _ONE / (_TWO * cell), _ONE / (_TWO * cell * cell)
    for row in range(max(first, 1), min(last, rows - 1)):
        above, here, below = dem[row - 1], dem[row], dem[row + 1]
        for col in range(1, cols - 1):
            e = here[col]
            west, east, north, south = here[col - 1], here[col + 1], above[col], below[col]
            dd, ee = ((west - e) + (east - e)) * square, ((north - e) + (south - e)) * square
            corners = (above[col + 1] - above[col - 1]) + (below[col - 1] - below[col + 1])
            gg, hh = (east - west) * half, (north - south) * half
            gradient = gg * gg + hh * hh
            mixed = corners * square / _TWO * gg * hh
            along = dd * gg * gg + ee * hh * hh + mixed
            aside = dd * hh * hh + ee * gg * gg - mixed
            level = -(dd + ee)
            bent = -_TWO * along / gradient if gradient > _ZERO else level
            down[row, col] = bent
            across[row, col] = -_TWO * aside / gradient if gradient > _ZERO else level
            lacking[row] += np.int32(bent != bent)


@part("void(float32[::1], int64, boolean, float64[::1], int64[::1])")
def _take(heights, sign, whole, column, count):  # type: ignore[no-untyped-def]
    """Add a row's known heights to sums and counts of columns, or take them off."""
    if whole:
        for c in range(heights.size):
            column[c] += sign * ((heights[c] + _ROUNDS) - _ROUNDS)
        return
    for c in range(heights.size):
        value = heights[c]
        if value == value:
            column[c] += sign * ((value + _ROUNDS) - _ROUNDS)
            count[c] += sign


def above_mean(first: int, last: int, dem: FloatGrid, half: int, out: FloatGrid) -> None:
    """Slide sums of the window's columns down the rows and a running total across them.

    Heights are summed in whole steps of 2^-13 m (0.1 mm), which float64 adds without any
    rounding, so neither strips nor tiles change a single bit.
    """
    cols = dem.shape[1]
    block = max(64, 2 * half)
    sums, known = np.zeros(cols + 1), np.zeros(cols + 1, np.int64)
    for start in range(first - first % block, last, block):
        end = min(start + block, last)
        # Ground without a void needs no counting, which is twice as quick and the same to the bit.
        whole = not np.isnan(dem[max(0, start - half) : end + half].min())
        column, count = np.zeros(cols), np.zeros(cols, np.int64)
        _slide(max(first, start), start, end, dem, half, whole, sums, column, known, count, out)


@kernel(
    "void(int64, int64, int64, float32[:, ::1], int64, boolean, float64[::1], float64[::1],"
    "int64[::1], int64[::1], float32[:, ::1])"
)
def _slide(  # type: ignore[no-untyped-def]
    first, start, end, dem, half, whole, sums, column, known, count, out
):
    """Slide from the row ``start`` and put the rows from ``first`` to ``end``."""
    rows, cols = dem.shape
    for r in range(max(0, start - half), min(rows, start + half)):
        _take(dem[r], 1, whole, column, count)
    for row in range(start, end):
        top, bottom = max(0, row - half), min(rows, row + half + 1)
        if row + half < rows:
            _take(dem[row + half], 1, whole, column, count)
        if top > max(0, start - half):
            _take(dem[top - 1], -1, whole, column, count)
        if row < first:
            continue
        for c in range(cols):
            sums[c + 1] = sums[c] + column[c]
        if not whole:
            for c in range(cols):
                known[c + 1] = known[c] + count[c]
        here, put = dem[row], out[row]
        for c in range(cols):
            left, right = max(0, c - half), min(cols, c + half + 1)
            n = (bottom - top) * (right - left) if whole else known[right] - known[left]
            put[c] = here[c] - (sums[right] - sums[left]) / n if n > 0 else _NAN


def unevenness(first: int, last: int, dem: FloatGrid, rugged: FloatGrid, rough: FloatGrid) -> None:
    """Put root of summed squared rises to the neighbours, and the range of heights."""
    _unevenness(first, last, dem, np.zeros((3, dem.shape[1]), np.float32), rugged, rough)


@kernel("void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1])")
def _unevenness(first, last, dem, work, rugged, rough):  # type: ignore[no-untyped-def]
    rows, cols = dem.shape
    squares, low, high = work[0], work[1], work[2]
    for row in range(first, last):
        here = dem[row]
        for there in range(max(0, row - 1), min(rows, row + 2)):
            beside = dem[there]
            for right in range(-1, 2):
                for c in range(max(0, -right), min(cols, cols - right)):
                    rise = beside[c + right] - here[c]
                    rise = rise if rise == rise else _ZERO
                    squares[c] += rise * rise
                    low[c] = min(low[c], rise)
                    high[c] = max(high[c], rise)
        for c in range(cols):
            unknown = here[c] - here[c]
            rugged[row, c] = np.sqrt(squares[c]) + unknown
            rough[row, c] = high[c] - low[c] + unknown
            squares[c] = _ZERO
            low[c] = _ZERO
            high[c] = _ZERO
