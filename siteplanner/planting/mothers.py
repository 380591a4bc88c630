"""Mothers: seedlings of the same mother tree are kept apart, not trees of the same species."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.compiled import kernel

#: So many nearest trees of the species are looked at.
_NEAREST = 6


def deal_mothers(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kinds: NDArray[np.integer],
    mothers: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Deal each tree a mother of its species, so that neighbours have different ones.

    ``kinds`` (trees,) is the species of each tree, ``mothers`` (species,) how many mother trees
    each species has. Every mother gets the same number of trees, give or take one. Returns the
    number of the mother, 0 … n-1, or -1 for a species without any.
    """
    dealt = np.full(len(x), -1, dtype=np.int64)
    for kind in np.unique(kinds):
        if mothers[kind] < 1:
            continue
        mine = np.flatnonzero(kinds == kind)
        points = np.column_stack([x[mine], y[mine]])
        near = np.empty((len(mine), 0), dtype=np.int64)
        if len(mine) > 1:
            _, near = cKDTree(points).query(points, k=min(_NEAREST, len(mine) - 1) + 1)
            near = near[:, 1:]
        to = np.full(len(mine), -1)
        used = np.zeros(mothers[kind], dtype=np.int64)
        close = np.zeros(mothers[kind])
        _deal(np.ascontiguousarray(near, dtype=np.int64), used, close, to)
        dealt[mine] = to
    return dealt


@kernel("void(int64[:, ::1], int64[::1], float64[::1], int64[::1])")
def _deal(near, used, close, dealt):  # type: ignore[no-untyped-def]
    """Tree by tree the mother that the nearest trees have least, of those the least used."""
    trees, mothers = len(near), len(used)
    most = (trees + mothers - 1) // mothers
    for i in range(trees):
        close[:] = 0.0
        for n in range(near.shape[1]):
            j = near[i, n]
            if dealt[j] >= 0:
                close[dealt[j]] += 1.0 / (n + 1)
        best = -1
        for m in range(mothers):
            if used[m] < most and (
                best < 0
                or close[m] < close[best]
                or (close[m] == close[best] and used[m] < used[best])
            ):
                best = m
        dealt[i] = best
        used[best] += 1
