"""Compiled kernel of scoring: all species on a run of cells, all factors in one pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.kernels import kernel

#: What stands for no factor where nothing limits.
NONE = 255
#: Scores of classes are whole numbers of this part of a point.
FINE = np.float32(1024)
#: What a species asks of a factor, if it asks anything.
A_CLASS, A_NUMBER = 1, 2
#: From here on a score is full: rounding must not make a factor limit where it does not.
_FULL = np.float32(99.9999)
_NO_FACTOR = np.float32(NONE)
_NOUGHT, _HALF, _ONE, _HUNDRED = np.float32(0), np.float32(0.5), np.float32(1), np.float32(100)
_EIGHT, _LOW_BYTE = np.int32(8), np.int32(255)
_BLOCK = 1024


def score_cells(
    first: int,
    last: int,
    index: int,
    values: NDArray[np.float32],
    asks: NDArray[np.uint8],
    *rest: object,
) -> None:
    """Fill ``score``, ``limiting`` and ``confidence`` of the cells from ``first`` to ``last``.

    Cells are taken in blocks that stay in the processor's cache while all species and factors
    pass over them.
    """
    unknown = np.isnan(values[:, first:last])
    some_unknown = np.logical_or.reduceat(unknown, np.arange(0, last - first, _BLOCK), axis=1)
    # Rows that are whole pages apart would get in each other's way in the cache.
    numbers = np.empty((5, _BLOCK + 48), dtype=np.float32)
    numbers.T[:] = _FULL, NONE, _FULL, NONE, 1
    lowest, worst, alone, spare, product = numbers
    if index == 0:  # no factor's score is asked for by itself
        alone, spare = lowest, worst
    lacks = (asks > 0) @ some_unknown
    missing, looked = np.zeros(_BLOCK, dtype=np.uint8), np.empty(_BLOCK, dtype=np.int32)
    _score(
        first, last, index, values, asks, *rest, unknown, some_unknown, lacks,
        lowest, worst, alone, spare, product, missing, looked,
    )  # fmt: skip


@kernel(
    "void(int64, int64, int64, float32[:, ::1], uint8[:, ::1], uint8[:, ::1], uint8[:, ::1],"
    "uint8[:, ::1], float32[:, :, ::1], uint16[:, ::1], int32[:, :, ::1], float32[:, :, ::1],"
    "uint8[:, ::1], float32, boolean[:, ::1], boolean[:, ::1], boolean[:, ::1], float32[::1],"
    "float32[::1], float32[::1], float32[::1], float32[::1], uint8[::1], int32[::1])"
)
def _score(  # type: ignore[no-untyped-def]
    first, last, index, values, asks, confidence, score, limiting, sides, codes, class_worst,
    class_product, share, cap, unknown, some_unknown, lacks, lowest, worst, alone, spare, product,
    missing, looked,
):  # fmt: skip
    """Score block by block; the work arrays are left to the next species as they were found.

    NaN compares false throughout, so an unknown value changes nothing. ``alone`` is ``lowest``
    itself where only the lowest score counts.
    """
    for block in range(some_unknown.shape[1]):
        start = first + block * _BLOCK
        stop = min(start + _BLOCK, last)
        n = stop - start
        for s in range(asks.shape[0]):
            for f in range(asks.shape[1]):
                kind = asks[s, f]
                if kind == 0:
                    continue
                if some_unknown[f, block]:
                    here = unknown[f, start - first : stop - first]
                    for i in range(n):
                        missing[i] += here[i]
                if kind == A_CLASS:
                    continue
                x, side, factor = values[f, start:stop], sides[f, s], np.float32(f)
                a, up, below, d, down, above = side[0], side[1], side[2], side[3], side[4], side[5]
                for i in range(n):
                    v = x[i]
                    rising = (v - a) * up
                    if rising < below:
                        rising = below
                    falling = (d - v) * down
                    if falling < above:
                        falling = above
                    got = falling if falling < rising else rising
                    least, by = alone[i], spare[i]
                    if got < least:
                        least, by = got, factor
                    alone[i] = least
                    spare[i] = by
                if index:
                    for i in range(n):
                        got = alone[i]
                        alone[i] = _FULL
                        product[i] *= (got if got > _NOUGHT else _NOUGHT) / _HUNDRED
                        least, by = lowest[i], worst[i]
                        if got < least:
                            least, by = got, factor
                        lowest[i] = least
                        worst[i] = by
            for g in range(codes.shape[0]):
                code = codes[g, start:stop]
                table = class_worst[g, s]
                for i in range(n):  # apart from the comparing, which works on eight at once
                    looked[i] = table[code[i]]
                for i in range(n):
                    packed = looked[i]
                    got = np.float32(packed >> _EIGHT) / FINE
                    name = np.float32(packed & _LOW_BYTE)
                    least, by = lowest[i], worst[i]
                    if got < least:
                        least, by = got, name
                    lowest[i] = least
                    worst[i] = by
                if index:
                    times = class_product[g, s]
                    for i in range(n):
                        product[i] *= times[code[i]]
            if index:  # where the least is 0 or lower the product is 0, and so is the score
                for i in range(n):
                    least, rest = lowest[i] / _HUNDRED, product[i]
                    apart = _ONE if index == 2 else np.sqrt(rest / least)
                    lowest[i] = _HUNDRED * (rest if index == 2 else least) * apart
                    product[i] = _ONE
            sure = confidence[s, start:stop]
            if lacks[s, block]:
                by_missing = share[s]
                for i in range(n):
                    sure[i] = by_missing[missing[i]]
                for i in range(n):
                    got = lowest[i]
                    lowest[i] = cap if (got > cap) & (missing[i] > 0) else got
                    missing[i] = 0
            else:
                for i in range(n):
                    sure[i] = 100
            out, name = score[s, start:stop], limiting[s, start:stop]
            for i in range(n):
                got = lowest[i]
                got = got if got > _NOUGHT else _NOUGHT
                out[i] = got + _HALF
                name[i] = worst[i]
                lowest[i] = _FULL
                worst[i] = _NO_FACTOR
