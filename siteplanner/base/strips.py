"""Runs compiled row kernels over strips of a grid, one strip a core.

A kernel takes ``(first_row, last_row, ...)`` and writes only to its own rows, so the result
does not depend on how many strips there are. Plain threads are used because they compile in
half the time of a parallel kernel and may be used from several threads at once.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplanner.base.side_by_side import side_by_side

#: Fewer cells than this are not worth a second thread.
_WORTH_A_THREAD = 50_000


def over_rows(kernel: Callable[..., None], shape: tuple[int, int], *arguments: Any) -> None:
    """Call ``kernel(first, last, *arguments)`` so that all rows of ``shape`` are covered."""
    rows, cols = shape
    strips = max(1, min(os.cpu_count() or 1, rows, rows * cols // _WORTH_A_THREAD))
    ends = [rows * strip // strips for strip in range(strips + 1)]
    side_by_side(lambda strip: kernel(*strip, *arguments), pairwise(ends))


def plain(values: ArrayLike) -> NDArray[np.float32]:
    """Give the values as a writable C-ordered float32 array, copied only when they are not."""
    return np.require(values, dtype=np.float32, requirements=["C", "W"])
