"""Nurses: slow trees get a pioneer beside them, by swaps that leave all numbers as they are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.compiled import kernel, part

#: Points of fit that a nurse beside a slow tree is worth.
_NURSED = 10.0


def nurse(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kinds: NDArray[np.int64],
    scores: NDArray[np.floating],
    pioneer: NDArray[np.bool_],
    spacing_m: float,
) -> NDArray[np.int64]:
    """Swap neighbours so that slow trees have a pioneer beside them; numbers stay as they are.

    ``kinds`` (places,) is -1 where a place stays empty. Beside is within 1.5 spacings. Two
    trees change places only where both may stand, and where what is gained (``_NURSED`` points
    for a slow tree newly nursed) is more than what is lost in fit.
    """
    if len(x) < 3:
        return kinds
    near, beside = _neighbours(x, y, 1.5 * spacing_m)
    out = kinds.copy()
    is_nurse = np.append(pioneer, False)
    worth = np.where(np.isfinite(scores), scores, -1e6).astype(np.float32)
    for _ in range(3):
        if not _swap(near, beside, worth, is_nurse, np.float32(_NURSED), out):
            break
    return out


def _neighbours(
    x: NDArray[np.float64], y: NDArray[np.float64], within_m: float, most: int = 8
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Nearest other places (places, most) and how many of them are near enough."""
    points = np.column_stack([x, y])
    most = min(most, len(x) - 1)
    away, near = cKDTree(points).query(points, k=most + 1, distance_upper_bound=within_m)
    # A place is its own nearest, and none stands on another.
    return np.ascontiguousarray(near[:, 1:]), np.isfinite(away[:, 1:]).sum(axis=1)


@part("int64(int64[:, ::1], int64[::1], int64[::1], boolean[::1], int64[::1], int64, int64)")
def _newly(near, beside, nurses, is_nurse, kind, here, there):  # type: ignore[no-untyped-def]
    """How many more slow trees have a nurse once ``here`` becomes one and ``there`` none."""
    more = 0
    still = nurses[there]
    for n in range(beside[here]):
        j = near[here, n]
        if j == there:
            still += 1
        elif kind[j] >= 0 and not is_nurse[kind[j]] and nurses[j] == 0:
            more += 1
    if nurses[here] == 0:
        more += 1
    for n in range(beside[there]):
        j = near[there, n]
        if j == here or kind[j] < 0 or is_nurse[kind[j]] or nurses[j] != 1:
            continue
        kept = False
        for q in range(beside[here]):
            kept = kept or near[here, q] == j
        if not kept:
            more -= 1
    return more - 1 + (still > 0)


@kernel("int64(int64[:, ::1], int64[::1], float32[:, ::1], boolean[::1], float32, int64[::1])")
def _swap(near, beside, worth, is_nurse, bonus, kind):  # type: ignore[no-untyped-def]
    """One pass over the slow trees without a nurse; gives the number of swaps."""
    rows = len(kind)
    nurses = np.zeros(rows, dtype=np.int64)
    for i in range(rows):
        for n in range(beside[i]):
            nurses[i] += is_nurse[kind[near[i, n]]]
    swaps = 0
    for i in range(rows):
        if kind[i] < 0 or is_nurse[kind[i]] or nurses[i] > 0:
            continue
        best, into, of = np.float32(0), -1, -1
        # Either the tree itself or a slow neighbour of it gives its place to a pioneer from
        # the places two steps around.
        for m in range(-1, beside[i]):
            here = i if m < 0 else near[i, m]
            if kind[here] < 0 or is_nurse[kind[here]]:
                continue
            for n in range(beside[here]):
                for q in range(-1, beside[near[here, n]]):
                    there = near[here, n] if q < 0 else near[near[here, n], q]
                    if there == here or kind[there] < 0 or not is_nurse[kind[there]]:
                        continue
                    slow, fast = kind[here], kind[there]
                    got = worth[here, fast] + worth[there, slow]
                    got -= worth[here, slow] + worth[there, fast]
                    if got + 9 * bonus <= best:
                        continue
                    got += bonus * _newly(near, beside, nurses, is_nurse, kind, here, there)
                    if got > best:
                        best, into, of = got, here, there
        if into >= 0:
            for n in range(beside[into]):
                nurses[near[into, n]] += 1
            for n in range(beside[of]):
                nurses[near[of, n]] -= 1
            kind[into], kind[of] = kind[of], kind[into]
            swaps += 1
    return swaps
