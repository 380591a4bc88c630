"""Compiled kernels on the window of cells around each cell: slope, aspect, curvature, mean."""

from __future__ import annotations

import math

import numpy as np

from siteplanner.compiled import kernel, part

_DEGREES = np.float32(180.0 / math.pi)

# Odd polynomial for the arctangent on [-1, 1], fitted for the least largest error: 5e-8 rad, below
# what a float32 angle can hold; it lets the compiler work on many cells at once.
_A2, _A4, _A6, _A8, _A10, _A12, _A14 = (
    np.float32(c)
    for c in (
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
_EIGHT = "UniTuple(float32, 8)"
#: A product and a sum may be rounded once instead of twice; nothing else may be rearranged.
_FUSED = {"contract"}


@part("float32(float32, float32, float32, float32)")
def _corner(rise, along, beside, opposite):  # type: ignore[no-untyped-def]
    """Rise of a corner of the window, or the first known way to carry it on, or level."""
    rise = rise if rise == rise else along
    rise = rise if rise == rise else beside
    rise = rise if rise == rise else -opposite
    return rise if rise == rise else _ZERO


@part("float32(float32, float32)")
def _side(rise, opposite):  # type: ignore[no-untyped-def]
    """Rise of a side of the window, or that of the side opposite carried on, or level."""
    rise = rise if rise == rise else -opposite
    return rise if rise == rise else _ZERO


@part(_EIGHT + "(" + ", ".join(["float32"] * 8) + ")")
def _mend(a, b, c, d, f, g, h, i):  # type: ignore[no-untyped-def]
    """Carry the ground on in straight lines where a neighbour is missing.

    Letters are rises above the middle, in reading order. A corner goes on along its column,
    else along its row, else across the middle.
    """
    return (
        _corner(a, _TWO * d - g, _TWO * b - c, i),
        _side(b, h),
        _corner(c, _TWO * f - i, _TWO * b - a, g),
        _side(d, f),
        _side(f, d),
        _corner(g, _TWO * d - a, _TWO * h - i, c),
        _side(h, b),
        _corner(i, _TWO * f - c, _TWO * h - g, a),
    )


@part("float32(float32[:, ::1], int64, int64, float32)")
def _rise(dem, row, col, middle):  # type: ignore[no-untyped-def]
    inside = 0 <= row < dem.shape[0] and 0 <= col < dem.shape[1]
    return dem[row, col] - middle if inside else _NAN


@part(_EIGHT + "(float32[:, ::1], int64, int64)")
def _around(dem, row, col):  # type: ignore[no-untyped-def]
    """Rises of the eight neighbours of any cell, mended."""
    e = dem[row, col]
    return _mend(
        _rise(dem, row - 1, col - 1, e),
        _rise(dem, row - 1, col, e),
        _rise(dem, row - 1, col + 1, e),
        _rise(dem, row, col - 1, e),
        _rise(dem, row, col + 1, e),
        _rise(dem, row + 1, col - 1, e),
        _rise(dem, row + 1, col, e),
        _rise(dem, row + 1, col + 1, e),
    )


@part("float32(float32)", fastmath=_FUSED)
def _arctan(x):  # type: ignore[no-untyped-def]
    """Arctangent of 0 to 1, in degrees."""
    s = x * x
    tail = _A10 + s * (_A12 + s * _A14)
    return _DEGREES * x * (_ONE + s * (_A2 + s * (_A4 + s * (_A6 + s * (_A8 + s * tail)))))


@part("UniTuple(float32, 2)(float32, float32, float32)", fastmath=_FUSED)
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


@part("void(float32[:, ::1], int64, int64, float32, float32, float32[::1], float32[::1])")
def _mended(dem, row, col, per_metre, turn, slopes, aspects):  # type: ignore[no-untyped-def]
    """Put slope and aspect of a cell that lacks a neighbour."""
    a, b, c, d, f, g, h, i = _around(dem, row, col)
    east = ((c - a) + _TWO * (f - d) + (i - g)) * per_metre
    south = ((g - a) + _TWO * (h - b) + (i - c)) * per_metre
    steep, facing = _steepness(east, south, turn)
    known = dem[row, col] == dem[row, col]
    slopes[col] = steep if known else _NAN
    aspects[col] = facing if known else _NAN


@kernel(
    "void(int64, int64, float32[:, ::1], float32, float32, float32[:, ::1], float32[:, ::1])",
    fastmath=_FUSED,
)
def horn(first, last, dem, per_metre, turn, slope, aspect):  # type: ignore[no-untyped-def]
    """Put slope and true aspect, degrees; ``per_metre`` is 1 / (8 cells' width).

    A row is first worked out without a branch, many cells at once; cells beside a gap or an
    edge, whose slope comes out as NaN, are then done again one by one.
    """
    rows, cols = dem.shape
    for row in range(first, last):
        here, slopes, aspects = dem[row], slope[row], aspect[row]
        gaps = np.int32(1)
        if 0 < row < rows - 1:
            above, below = dem[row - 1], dem[row + 1]
            slopes[0] = slopes[cols - 1] = _NAN
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
            gaps = np.int32(0)
            for col in range(1, cols - 1):
                gaps = np.int32(gaps + np.int32(slopes[col] != slopes[col]))
        else:
            slopes[:] = _NAN
        if gaps == 0:
            _mended(dem, row, 0, per_metre, turn, slopes, aspects)
            _mended(dem, row, cols - 1, per_metre, turn, slopes, aspects)
        else:
            for col in range(cols):
                if slopes[col] != slopes[col]:
                    _mended(dem, row, col, per_metre, turn, slopes, aspects)


@kernel("void(int64, int64, float32[:, ::1], float32, float32[:, ::1], float32[:, ::1])")
def bend(first, last, dem, cell, down, across):  # type: ignore[no-untyped-def]
    cols = dem.shape[1]
    square = cell * cell
    for row in range(first, last):
        for col in range(cols):
            e = dem[row, col]
            if e != e:
                down[row, col] = _NAN
                across[row, col] = _NAN
                continue
            a, b, c, d, f, g, h, i = _around(dem, row, col)
            dd, ee = (d + f) / (_TWO * square), (b + h) / (_TWO * square)
            ff = (c - a + g - i) / (_TWO * _TWO * square)
            gg, hh = (f - d) / (_TWO * cell), (b - h) / (_TWO * cell)
            grade = gg * gg + hh * hh
            if grade > _ZERO:
                mixed = ff * gg * hh
                down[row, col] = -_TWO * (dd * gg * gg + ee * hh * hh + mixed) / grade
                across[row, col] = -_TWO * (dd * hh * hh + ee * gg * gg - mixed) / grade
            else:
                down[row, col] = -(dd + ee)
                across[row, col] = -(dd + ee)


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


@kernel("void(int64, int64, float32[:, ::1], int64, float32[:, ::1])")
def above_mean(first, last, dem, half, out):  # type: ignore[no-untyped-def]
    """Slide sums of the window's columns down the rows and a running total across them.

    Heights are summed in whole steps of 2^-13 m (0.1 mm), which float64 adds without any
    rounding, so neither strips nor tiles change a single bit.
    """
    rows, cols = dem.shape
    block = max(64, 2 * half)
    totals, counts = np.empty((2, cols + 1)), np.empty((2, cols + 1), np.int64)
    sums, column, known, count = totals[0], totals[1, :cols], counts[0], counts[1, :cols]
    for start in range(first - first % block, last, block):
        end = min(start + block, last)
        # Ground without a gap needs no counting, which is twice as quick and the same to the bit.
        whole = True
        for r in range(max(0, start - half), min(rows, end + half)):
            gaps = np.int32(0)
            for c in range(cols):
                gaps = np.int32(gaps + np.int32(dem[r, c] != dem[r, c]))
            whole = whole and gaps == 0
        column[:] = 0.0
        count[:] = 0
        for r in range(max(0, start - half), min(rows, start + half)):
            _take(dem[r], 1, whole, column, count)
        for row in range(start, end):
            enter, leave = row + half, row - half - 1
            if enter < rows:
                _take(dem[enter], 1, whole, column, count)
            if leave >= max(0, start - half):
                _take(dem[leave], -1, whole, column, count)
            if row < first:
                continue
            tall = min(rows, row + half + 1) - max(0, row - half)
            sums[0], known[0] = 0.0, 0
            for c in range(cols):
                sums[c + 1] = sums[c] + column[c]
            if not whole:
                for c in range(cols):
                    known[c + 1] = known[c] + count[c]
            for c in range(cols):
                left, right = max(0, c - half), min(cols, c + half + 1)
                n = tall * (right - left) if whole else known[right] - known[left]
                value = float(dem[row, c])
                out[row, c] = value - (sums[right] - sums[left]) / n if n > 0 else _NAN


@kernel("void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1])")
def unevenness(first, last, dem, rugged, rough):  # type: ignore[no-untyped-def]
    """Root of summed squared rises to the neighbours, and the range of heights."""
    rows, cols = dem.shape
    work = np.empty((3, cols), np.float32)
    squares, low, high = work[0], work[1], work[2]
    for row in range(first, last):
        here = dem[row]
        squares[:] = _ZERO
        low[:] = _ZERO
        high[:] = _ZERO
        for down in range(-1, 2):
            if not 0 <= row + down < rows:
                continue
            there = dem[row + down]
            for right in range(-1, 2):
                for c in range(max(0, -right), min(cols, cols - right)):
                    rise = there[c + right] - here[c]
                    rise = rise if rise == rise else _ZERO
                    squares[c] += rise * rise
                    low[c] = rise if rise < low[c] else low[c]
                    high[c] = rise if rise > high[c] else high[c]
        for c in range(cols):
            known = here[c] == here[c]
            rugged[row, c] = np.sqrt(squares[c]) if known else _NAN
            rough[row, c] = high[c] - low[c] if known else _NAN
