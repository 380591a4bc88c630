"""Voids that a DEM larger than memory does not declare: values that are no heights anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.ndimage import binary_dilation

from siteplanner.reading.heights.undeclared import undeclared_voids
from siteplanner.tiled.over_tiles import Made, Workers
from siteplanner.tiled.rasters import Raster
from siteplanner.tiled.tiles import Box

_WHAT = "Looking for voids"


def voids_of(heights: Raster, boxes: Sequence[Box], workers: Workers) -> dict[float, int]:
    """Find values that are voids, and on how many cells, as ``undeclared_voids`` does on each tile.

    A tile shows a part of the ground, so a value counts only where no tile has ground of that
    height beside other ground: then it may be a sea or a lake, and all of it stays.
    """

    def look(box: Box) -> tuple[Made, Any]:
        return {}, list(undeclared_voids(heights.read(box).astype(np.float64), 1.0)[1])

    values = sorted({value for found in workers.over(_WHAT, boxes, look) for value in found})
    if not values:
        return {}

    def count(box: Box) -> tuple[Made, Any]:
        here = heights.read(box).astype(np.float64)
        void, _ = undeclared_voids(here, 1.0)
        told = {}
        for value in values:
            mine = here == value
            ground = binary_dilation(mine & ~void, np.ones((3, 3))) & ~mine & np.isfinite(here)
            told[value] = (int(mine.sum()), bool(ground.any()))
        return {}, told

    counted = workers.over(_WHAT, boxes, count)
    return {
        value: sum(told[value][0] for told in counted)
        for value in values
        if not any(told[value][1] for told in counted)
    }
