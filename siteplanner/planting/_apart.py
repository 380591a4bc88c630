"""Points kept apart from each other."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from siteplanner.compiled import kernel


def apart(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    least: NDArray[np.float64],
    group: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Tell which points to keep, first come first served.

    A point is dropped that lies nearer to a kept one of another ``group`` than the smaller of
    their ``least`` metres. Works through a grid of squares that lists the points kept so far.
    """
    keep = np.zeros(len(x), dtype=np.bool_)
    if not len(x):
        return keep
    width, height = np.ptp(x), np.ptp(y)
    # Far-flung points would make too many squares; larger squares are right too, but slower.
    side = max(least.max(), math.sqrt(width * height / (4 * len(x) + 10_000)), 1e-3)
    columns, rows = int(width / side) + 1, int(height / side) + 1
    column, row = ((x - x.min()) / side).astype(np.int64), ((y - y.min()) / side).astype(np.int64)
    head, after = np.full(rows * columns, -1), np.empty(len(x), dtype=np.int64)
    _keep(x, y, least, group, column, row, head.reshape(rows, columns), after, keep)
    return keep


@kernel(
    "void(float64[::1], float64[::1], float64[::1], int64[::1], int64[::1], int64[::1],"
    "int64[:, ::1], int64[::1], boolean[::1])"
)
def _keep(x, y, least, group, columns, rows, head, after, keep):  # type: ignore[no-untyped-def]
    """Keep points in turn; ``head`` is the last one kept in a square, ``after`` the one before."""
    for i in range(len(x)):
        column, row = columns[i], rows[i]
        free = True
        for r in range(max(row - 1, 0), min(row + 2, head.shape[0])):
            for c in range(max(column - 1, 0), min(column + 2, head.shape[1])):
                j = head[r, c]
                while j >= 0 and free:
                    if group[j] != group[i]:
                        limit = min(least[i], least[j])
                        free = (x[i] - x[j]) ** 2 + (y[i] - y[j]) ** 2 >= limit * limit
                    j = after[j]
        if free:
            keep[i] = True
            after[i] = head[row, column]
            head[row, column] = i
