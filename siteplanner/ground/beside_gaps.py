"""Windows of 3 x 3 cells that lack some: the ground is carried on beyond gaps and edges."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from siteplanner.grid import FloatGrid
from siteplanner.ground._strips import over_rows


def over_windows(
    kernel: Callable[..., None], heights: FloatGrid, *settings: np.float32
) -> tuple[FloatGrid, FloatGrid]:
    """Give a kernel's two results for every known cell, each (rows, cols), else NaN.

    The kernel does the cells whose window is whole and counts in each row those that came out
    as NaN. The few that lack a neighbour are done again, on windows that are carried on.
    """
    made, lacking = _run(kernel, heights, *settings)
    rows, cols = _windows_that_lack(made[0], heights, lacking)
    if not rows.size:
        return made
    # Side by side they are three long rows, of which the kernel does the middle one.
    windows = carried_on(heights, rows, cols)
    again, _ = _run(kernel, windows.transpose(0, 2, 1).reshape(3, -1), *settings)
    for out, new in zip(made, again, strict=True):
        out[rows, cols] = new[1, 1::3]
    return made


def _run(
    kernel: Callable[..., None], heights: FloatGrid, *settings: np.float32
) -> tuple[tuple[FloatGrid, FloatGrid], NDArray[np.int32]]:
    made = np.empty_like(heights), np.empty_like(heights)
    for out in made:
        out[[0, -1]] = np.nan
        out[:, [0, -1]] = np.nan
    lacking = np.zeros(len(heights), np.int32)
    over_rows(kernel, heights.shape, heights, *settings, *made, lacking)
    return made, lacking


def _windows_that_lack(
    made: FloatGrid, heights: FloatGrid, lacking: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of known cells beside a gap or an edge."""
    whole = lacking == 0
    whole[[0, -1]] = False
    others = np.flatnonzero(~whole)
    which, cols = np.nonzero(np.isnan(made[others]))
    inner = np.flatnonzero(whole)
    rows = np.concatenate([inner, inner, others[which]])
    cols = np.concatenate([np.zeros_like(inner), inner * 0 + heights.shape[1] - 1, cols])
    known = ~np.isnan(heights[rows, cols])
    return rows[known], cols[known]


def carried_on(heights: FloatGrid, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> FloatGrid:
    """Rises from cells to their neighbours, (3, 3, n), in straight lines where one is missing.

    A side takes the slope from the side opposite. A corner goes on along its column, else along
    its row, else across the middle. What is still unknown is level.
    """
    tall, wide = heights.shape
    around = np.array([[-1], [0], [1]])
    r, c = (rows + around)[:, None], cols + around
    off_map = ((r < 0) | (r >= tall)) | ((c < 0) | (c >= wide))
    rise = heights[r % tall, c % wide] - heights[rows, cols]
    rise[off_map] = np.nan
    across = -rise[::-1, ::-1]
    on_column, on_row = across.copy(), across.copy()
    on_column[::2, ::2] = (2 * rise[1] - rise[::-1])[::2, ::2]
    on_row[::2, ::2] = (2 * rise[:, 1:2] - rise[:, ::-1])[::2, ::2]
    for way in (on_column, on_row, across, np.zeros_like(rise)):
        np.copyto(rise, way, where=np.isnan(rise))
    return rise
