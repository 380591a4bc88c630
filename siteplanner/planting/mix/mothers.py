"""Mothers: seedlings of the same mother tree are kept apart, not trees of the same species."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.base.kernels import kernel

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
        # One mother more stands for those not dealt yet; what she has left are the trees over,
        # of which each of the others may take one.
        share, over = divmod(len(mine), int(mothers[kind]))
        left = np.append(np.full(mothers[kind], share), over)
        close = np.append(np.zeros(mothers[kind]), np.inf)
        to = np.full(len(mine), mothers[kind], dtype=np.int64)
        _deal(np.ascontiguousarray(near, dtype=np.int64), left, close, to)
        dealt[mine] = to
    return dealt


def mothers_of(
    trees: gpd.GeoDataFrame,
    kinds: NDArray[np.uint8],
    sources: gpd.GeoDataFrame,
    names: pd.Series[str],
) -> NDArray[np.object_]:
    """Name of the mother tree that each tree's seed should come from; "" where none is known.

    ``kinds`` (trees,) is the index of each tree's species into ``names``; ``sources`` has
    ``species`` and ``name``.
    """
    listed = [
        [str(n) for n in sources["name"][sources["species"] == name].fillna("")] for name in names
    ]
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    dealt = deal_mothers(x, y, kinds, np.array([len(mothers) for mothers in listed]))
    first = np.cumsum([0, *(len(mothers) for mothers in listed)])[:-1]
    flat = np.array([*(name for mothers in listed for name in mothers), ""], dtype=object)
    return np.asarray(flat[np.where(dealt >= 0, first[kinds] + dealt, len(flat) - 1)])


@kernel("void(int64[:, ::1], int64[::1], float64[::1], int64[::1])")
def _deal(near, left, close, dealt):  # type: ignore[no-untyped-def]
    """Tree by tree the mother that the nearest trees have least, of those with most ``left``."""
    nobody = len(left) - 1
    for i in range(len(dealt)):
        for m in range(nobody):
            close[m] = 0.0
        for n in range(near.shape[1]):
            close[dealt[near[i, n]]] += 1.0 / (n + 1)
        best = nobody
        for m in range(nobody):
            if (left[m] > 0 or (left[m] == 0 and left[nobody] > 0)) and (
                close[m] < close[best] or (close[m] == close[best] and left[m] > left[best])
            ):
                best = m
        dealt[i] = best
        if left[best] == 0:
            left[nobody] -= 1
        left[best] -= 1
