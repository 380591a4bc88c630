"""Neighbours of a cell in grids that carry a rim of one unknown cell all round.

With it every cell has eight neighbours at fixed distances in the flat array, and nothing need be
asked at the edges.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Neighbours clockwise from grid east, by their number; ``OUT`` is off the map.
DOWN = (0, 1, 1, 1, 0, -1, -1, -1)
RIGHT = (1, 1, 0, -1, -1, -1, 0, 1)
OUT = 8
#: Of several ways that are as good, one to a side is taken before one to a corner.
SIDES_FIRST = (0, 2, 4, 6, 1, 3, 5, 7)
#: Way of a cell that is not known yet.
NOT_YET = 255
#: Type of what :func:`around` gives.
AROUND = "UniTuple(int64, 8)"


def rimmed(values: NDArray[Any], beyond: float) -> NDArray[Any]:
    """Copy a grid into one with a rim of one cell that holds ``beyond``."""
    rows, cols = values.shape
    out = np.empty((rows + 2, cols + 2), values.dtype)
    out[[0, -1]] = beyond
    out[:, [0, -1]] = beyond
    out[1:-1, 1:-1] = values
    return out


def around(shape: tuple[int, int]) -> tuple[int, ...]:
    """Distances to the neighbours in the flat array of a grid, in the order of directions."""
    cols = shape[1]
    return (1, cols + 1, cols, cols - 1, -1, -cols - 1, -cols, 1 - cols)
