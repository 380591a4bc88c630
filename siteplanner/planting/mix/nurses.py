"""Nurses: slow trees get a pioneer beside them, by swaps that leave all numbers as they are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.base.kernels import kernel

BESIDE = 1.5
"""So many spacings apart two trees still stand beside each other (judgement)."""
#: Points of suitability that a nurse beside a slow tree is worth.
_NURSED = 10.0
#: Added to the number of nurses of a place where no slow tree stands: it never needs one.
_NEEDLESS = 2**30


def nurse(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kinds: NDArray[np.int64],
    scores: NDArray[np.floating],
    pioneer: NDArray[np.bool_],
    spacing_m: float,
) -> NDArray[np.int64]:
    """Swap neighbours so that slow trees have a pioneer beside them; numbers stay as they are.

    ``kinds`` (places,) is -1 where a place stays empty. Beside is within ``BESIDE`` spacings. Two
    trees change places only where both may stand, and where what is gained (``_NURSED`` points
    for a slow tree newly nursed) is more than what is lost in suitability.
    """
    if len(x) < 3:
        return kinds
    near = _neighbours(x, y, BESIDE * spacing_m)
    # The kernel's kinds: the slow ones, then nobody, then the pioneers.
    order = np.argsort(np.append(2 * pioneer, 1), kind="stable")
    nobody = int((~pioneer).sum())
    kind = np.append(np.argsort(order)[kinds], nobody)
    # What stands in nobody's column is never read.
    worth = np.take(scores, order, axis=1, mode="clip").astype(np.float32, copy=False)
    worth[~np.isfinite(worth)] = -1e6
    beside = np.full(len(near), -1)
    for _ in range(3):
        nurses = np.where(kind < nobody, 0, _NEEDLESS)
        is_nurse = kind > nobody
        for one in near.T[1:]:
            nurses += is_nurse[one]
        if not _swap(near, worth, nobody, kind, nurses, beside):
            break
    return np.append(np.arange(len(pioneer)), -1)[order][kind[:-1]]


def _neighbours(
    x: NDArray[np.float64], y: NDArray[np.float64], within_m: float, most: int = 8
) -> NDArray[np.int64]:
    """Each place itself and the nearest others that are near enough (places + 1, most + 1).

    Where there are fewer, the rest is the number after the last place; its row holds itself.
    """
    points = np.column_stack([x, y])
    most = min(most, len(x) - 1)
    near = np.full((len(x) + 1, most + 1), len(x))
    _, near[:-1] = cKDTree(points).query(points, k=most + 1, distance_upper_bound=within_m)
    # A place is its own nearest, and none stands on another.
    near[:-1, 0] = np.arange(len(x))
    return near


@kernel("int64(int64[:, ::1], float32[:, ::1], int64, int64[::1], int64[::1], int64[::1])")
def _swap(near, worth, nobody, kind, nurses, beside):  # type: ignore[no-untyped-def]
    """One pass over the slow trees without a nurse, in place; gives the number of swaps.

    A ``kind`` below ``nobody`` is slow, one above it a pioneer. ``nurses`` of a place are as
    many as stand beside it, and ``_NEEDLESS`` where it has no slow tree. ``beside`` is -1 at
    first, then the last tree looked at that the place is beside or is itself.
    """
    swaps = 0
    places, width = near.shape
    for i in range(places):
        if nurses[i] > 0:
            continue
        best, into, of = 0.0, i, i
        # Either the tree itself or a slow neighbour of it gives its place to a pioneer from
        # the places two steps around.
        for m in range(width):
            here = near[i, m]
            slow = kind[here]
            if slow >= nobody:
                continue
            # At most so many trees fewer are without a nurse once a pioneer stands here.
            most = 0
            for n in range(width):
                j = near[here, n]
                beside[j] = here
                most += nurses[j] == 0
            for n in range(1, width):
                for q in range(width):
                    there = near[near[here, n], q]
                    fast = kind[there]
                    if fast <= nobody:
                        continue
                    got = worth[here, fast] + worth[there, slow]
                    got -= worth[here, slow] + worth[there, fast]
                    if got + _NURSED * most <= best:
                        continue
                    # Fewer where the slow tree has none there or the pioneer was one's only nurse.
                    more = most
                    if nurses[there] + (beside[there] == here) <= _NEEDLESS:
                        more -= 1
                    for k in range(width):
                        j = near[there, k]
                        more -= nurses[j] == 1 and beside[j] != here
                    if got + _NURSED * more > best:
                        best, into, of = got + _NURSED * more, here, there
        if best > 0:
            for n in range(1, width):
                nurses[near[into, n]] += 1
                nurses[near[of, n]] -= 1
            nurses[into] += _NEEDLESS
            nurses[of] -= _NEEDLESS
            kind[into], kind[of] = kind[of], kind[into]
            swaps += 1
    return swaps
