"""Compiled kernel of the fit: scores of all species on a run of cells, all factors in one pass."""

from __future__ import annotations

import numpy as np

from siteplanner.compiled import kernel, part

#: What stands for no factor where nothing limits.
NONE = 255
#: Scores of classes are whole numbers of this part of a point.
FINE = np.float32(1024)
#: From here on a score is full: rounding must not make a factor limit where it does not.
_FULL = np.float32(99.9999)
_BLOCK = 1024


@part("void(float32[::1], float32[::1], float32, float32[::1], float32[::1])")
def _limit(x, side, factor, lowest, worst):  # type: ignore[no-untyped-def]
    """Lower ``lowest`` to one factor's score and put ``factor`` to ``worst`` where it falls.

    NaN compares false throughout, so an unknown value changes nothing.
    """
    a, up, d, down = side[0], side[1], side[2], side[3]
    b, below, c, above = side[4], side[5], side[6], side[7]
    if np.isfinite(a) or np.isfinite(d):
        for i in range(x.size):
            v = x[i]
            rising = (v - a) * up
            falling = (d - v) * down
            got = falling if falling < rising else rising
            before, by = lowest[i], worst[i]
            lower = got < before
            lowest[i] = got if lower else before
            worst[i] = factor if lower else by
    if np.isfinite(b) or np.isfinite(c):
        for i in range(x.size):
            v = x[i]
            got = below if v < b else (above if v > c else np.float32(100))
            before, by = lowest[i], worst[i]
            lower = got < before
            lowest[i] = got if lower else before
            worst[i] = factor if lower else by


@kernel(
    "void(int64, int64, float32[:, ::1], float32[:, :, ::1], boolean[::1], boolean[:, ::1],"
    "uint16[:, ::1], int32[:, :, ::1], float32[:, :, ::1], uint8[:, ::1], float32, int64,"
    "uint8[:, ::1], uint8[:, ::1], uint8[:, ::1])"
)
def score_cells(  # type: ignore[no-untyped-def]
    first, last,
    values, sides, numeric, matters,
    codes, class_worst, class_product,
    share, cap, index, score, limiting, confidence,
):  # fmt: skip
    """Fill ``score``, ``limiting`` and ``confidence`` of the cells from ``first`` to ``last``.

    Cells are taken in blocks that stay in the processor's cache while all species and factors
    pass over them.
    """
    n_factors, n_species = matters.shape
    most = min(_BLOCK, last - first)
    # Rows that are whole pages apart would get in each other's way in the cache.
    numbers = np.empty((5, most + 48), dtype=np.float32)
    flags = np.empty((n_factors + 1, most + 64), dtype=np.uint8)
    looks = np.empty(most, dtype=np.int32)
    gaps = np.empty(n_factors, dtype=np.bool_)
    for start in range(first, last, _BLOCK):
        stop = min(start + _BLOCK, last)
        n = stop - start
        lowest, worst, product = numbers[0, :n], numbers[1, :n], numbers[2, :n]
        alone, spare = numbers[3, :n], numbers[4, :n]
        missing, looked = flags[n_factors, :n], looks[:n]
        for f in range(n_factors):
            x, here = values[f, start:stop], flags[f]
            some = np.uint8(0)
            for i in range(n):
                here[i] = np.uint8(x[i] != x[i])
                some |= here[i]
            gaps[f] = some > 0
        for s in range(n_species):
            lowest[:] = _FULL
            worst[:] = np.float32(NONE)
            missing[:] = 0
            if index > 0:
                product[:] = np.float32(1)
            unknown = False
            for f in range(n_factors):
                if not matters[f, s]:
                    continue
                if gaps[f]:
                    unknown = True
                    here = flags[f]
                    for i in range(n):
                        missing[i] += here[i]
                if not numeric[f]:
                    continue
                x = values[f, start:stop]
                if index > 0:
                    alone[:] = _FULL
                    _limit(x, sides[f, s], np.float32(f), alone, spare)
                    for i in range(n):
                        product[i] *= max(alone[i], np.float32(0)) / np.float32(100)
                _limit(x, sides[f, s], np.float32(f), lowest, worst)
            for g in range(codes.shape[0]):
                code = codes[g, start:stop]
                table = class_worst[g, s]
                for i in range(n):  # apart from the comparing, which works on eight at once
                    looked[i] = table[code[i]]
                for i in range(n):
                    packed = looked[i]
                    got = np.float32(packed >> np.int32(8)) / FINE
                    before, by = lowest[i], worst[i]
                    lower = got < before
                    lowest[i] = got if lower else before
                    worst[i] = np.float32(packed & np.int32(255)) if lower else by
                if index > 0:
                    for i in range(n):
                        product[i] *= class_product[g, s, code[i]]
            if index > 0:
                for i in range(n):
                    least = max(lowest[i], np.float32(0)) / np.float32(100)
                    if index == 2 or least == 0:
                        lowest[i] = np.float32(100) * product[i]
                    else:
                        lowest[i] = np.float32(100) * least * np.sqrt(product[i] / least)
            out, sure = score[s, start:stop], confidence[s, start:stop]
            by_missing = share[s]
            if unknown:
                for i in range(n):
                    got = lowest[i]
                    lowest[i] = cap if (got > cap) & (missing[i] > 0) else got
                for i in range(n):
                    sure[i] = by_missing[missing[i]]
            else:
                sure[:] = 100
            name = limiting[s, start:stop]
            for i in range(n):
                got = lowest[i]
                got = got if got > 0 else np.float32(0)
                out[i] = np.uint8(np.int32(got + np.float32(0.5)))
                name[i] = np.uint8(np.int32(worst[i]))
