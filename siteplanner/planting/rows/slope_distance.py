"""Slope distance: how far apart trees are along the ground; the map has the level distance."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from siteplanner.base.grid import FloatGrid, Grid


def stretch_along(rows: NDArray[np.object_], dem: FloatGrid, grid: Grid) -> NDArray[np.float64]:
    """How many times as long as on the map each row is along the ground, 1 or more.

    ``rows`` (rows,) are lines with a corner at every tree, or points, for which it is 1; ``dem``
    is float32 (rows, columns) in metres. Heights are taken between cell centres, bilinear; a
    step with an end of unknown height does not count. A row across the slope comes out near 1
    however steep the ground is, a row straight up it at 1 / cos(slope).
    """
    xy, of_row = shapely.get_coordinates(rows, return_index=True)
    inverse = ~grid.transform
    cols, lines = inverse.a * xy[:, 0] + inverse.c - 0.5, inverse.e * xy[:, 1] + inverse.f - 0.5
    height = map_coordinates(dem.astype(np.float64), [lines, cols], order=1, mode="nearest")
    level = np.hypot(*np.diff(xy, axis=0).T)
    counts = (np.diff(of_row) == 0) & np.isfinite(np.diff(height))
    of_step = of_row[1:][counts]
    on_map = np.bincount(of_step, level[counts], len(rows))
    ground = np.hypot(level, np.diff(height))[counts]
    on_ground = np.bincount(of_step, ground, len(rows))
    return np.divide(on_ground, on_map, out=np.ones(len(rows)), where=on_map > 0)
