"""The step that heights were rounded to, told from the heights themselves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def step_of(heights: NDArray[np.floating]) -> float:
    """Step in m that all heights are multiples of, 0 where there is none of 5 cm or more.

    Heights in whole metres, feet or decimetres come in such steps, which lie on a slope as
    terraces that are not there.

    >>> step_of(np.array([101.0, 102.0, 105.0])), step_of(np.array([101.0, 101.4, 105.1]))
    (1.0, 0.0)
    """
    known = heights[np.isfinite(heights)]
    levels = np.unique(known[:: max(1, known.size // 100_000)].astype(np.float64))
    if levels.size < 3:
        return 0.0
    rises = np.diff(levels)
    step = float(rises.min())
    if step < 0.05:
        return 0.0
    steps = rises / step
    return step if np.abs(steps - np.round(steps)).max() < 0.02 else 0.0
