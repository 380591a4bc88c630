"""Compiled kernel that keeps points apart."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit("boolean[::1](float64[::1], float64[::1], float64[::1], int64[::1])", cache=True)
def apart(x, y, least, group):  # type: ignore[no-untyped-def]
    """Tell which points to keep, first come first served.

    A point is dropped that lies nearer to a kept one of another ``group`` than the smaller of
    their ``least`` metres. Works through a grid of squares that lists the points kept so far.
    """
    points = len(x)
    keep = np.zeros(points, dtype=np.bool_)
    if points == 0:
        return keep
    west, south = x.min(), y.min()
    width, height = x.max() - west, y.max() - south
    # Far-flung points would make too many squares; larger squares are right too, but slower.
    side = max(least.max(), np.sqrt(width * height / (4 * points + 10_000)), 1e-3)
    columns, rows = int(width / side) + 1, int(height / side) + 1
    head = np.full(columns * rows, -1)
    after = np.empty(points, dtype=np.int64)
    for i in range(points):
        column, row = int((x[i] - west) / side), int((y[i] - south) / side)
        free = True
        for r in range(max(row - 1, 0), min(row + 2, rows)):
            for c in range(max(column - 1, 0), min(column + 2, columns)):
                j = head[r * columns + c]
                while j >= 0 and free:
                    if group[j] != group[i]:
                        limit = min(least[i], least[j])
                        free = (x[i] - x[j]) ** 2 + (y[i] - y[j]) ** 2 >= limit * limit
                    j = after[j]
        if free:
            keep[i] = True
            after[i] = head[row * columns + column]
            head[row * columns + column] = i
    return keep
