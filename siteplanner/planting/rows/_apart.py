"""Points kept apart from each other."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.kernels import kernel


def apart(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    least: NDArray[np.float64],
    group: NDArray[np.int64],
    z: NDArray[np.float64] | None = None,
) -> NDArray[np.bool_]:
    """Tell which points to keep, first come first served.

    A point is dropped that lies nearer to a kept one of another ``group`` than the smaller of
    their ``least`` metres: on the map or, with heights ``z`` (m), in a straight line between them.
    Works through a grid of squares that lists the points kept so far.
    """
    keep = np.zeros(len(x), dtype=np.bool_)
    if not len(x):
        return keep
    width, height = np.ptp(x), np.ptp(y)
    # Far-flung points would make too many squares; larger squares are right too, but slower.
    side = max(least.max(), math.sqrt(width * height / (4 * len(x) + 10_000)), 1e-3)
    # The grid has a rim of one empty square, so that every point has nine squares around it.
    columns, rows = int(width / side) + 3, int(height / side) + 3
    column, row = ((x - x.min()) / side).astype(np.int64), ((y - y.min()) / side).astype(np.int64)
    square = (row + 1) * columns + column + 1
    around = np.add.outer([-columns, 0, columns], [-1, 0, 1]).ravel()
    head, after = np.full(rows * columns, -1), np.empty(len(x), dtype=np.int64)
    z = np.zeros(len(x)) if z is None else z
    _keep(x, y, z, least * least, group, square, around, head, after, keep)
    return keep


@kernel(
    "void(float64[::1], float64[::1], float64[::1], float64[::1], int64[::1], int64[::1],"
    "int64[::1], int64[::1], int64[::1], boolean[::1])"
)
def _keep(x, y, z, least2, group, square, around, head, after, keep):  # type: ignore[no-untyped-def]
    """Keep points in turn; ``head`` is the last one kept in a square, ``after`` the one before.

    ``least2`` is in square metres; ``around`` leads from a square to itself and its neighbours.
    """
    for i in range(len(x)):
        home = square[i]
        free = True
        for n in range(len(around)):
            j = head[home + around[n]]
            while j >= 0:
                east, north, up = x[i] - x[j], y[i] - y[j], z[i] - z[j]
                away2 = east * east + north * north + up * up
                if (away2 < least2[i]) & (away2 < least2[j]) & (group[j] != group[i]):
                    free = False
                    break
                j = after[j]
        if free:
            keep[i] = True
            after[i] = head[home]
            head[home] = i
