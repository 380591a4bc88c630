"""Windows of 3 x 3 cells that lack some: the ground is carried on beyond voids and edges."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid
from siteplanner.base.strips import over_rows


def over_windows(
    kernel: Callable[..., None], heights: FloatGrid, *settings: np.float32
) -> tuple[FloatGrid, FloatGrid]:
    """Give a kernel's two results for every known cell, each (rows, cols), else NaN.

    The kernel does the cells whose window is whole and counts in each row those that came out
    as NaN. The few that lack a neighbour are done again, on windows that are carried on.
    """
    made, lacking = _run(kernel, heights, *settings)
    if min(heights.shape) > 1:
        _along_edges(kernel, heights, made, *settings)
    rows, cols = _windows_that_lack(made[0], heights, lacking)
    if rows.size:
        # Side by side they are three long rows, of which the kernel does the middle one.
        windows = carried_on(heights, rows, cols).transpose(0, 2, 1).reshape(3, -1)
        again, _ = _run(kernel, windows, *settings)
        for out, new in zip(made, again, strict=True):
            out[rows, cols] = new[1, 1::3]
    return made


def _run(
    kernel: Callable[..., None], heights: FloatGrid, *settings: np.float32
) -> tuple[tuple[FloatGrid, FloatGrid], NDArray[np.int32]]:
    made = np.empty_like(heights), np.empty_like(heights)
    lacking = np.zeros(len(heights), np.int32)
    over_rows(kernel, heights.shape, heights, *settings, *made, lacking)
    # After the kernel, whose threads have then shared the work of taking the memory.
    for out in made:
        out[[0, -1]] = np.nan
        out[:, [0, -1]] = np.nan
    return made, lacking


def _along_edges(
    kernel: Callable[..., None],
    heights: FloatGrid,
    made: tuple[FloatGrid, FloatGrid],
    *settings: np.float32,
) -> None:
    """Put what comes of carrying all the ground on by a row or column, corner cells aside.

    It is the rule of :func:`carried_on` where the ground along the edge is known, at a fraction
    of the time.
    """
    rows, cols = heights.shape
    strips = [np.stack([2 * h[0] - h[1], h[0], h[1]]) for h in (heights, heights[::-1])]
    strips[1] = strips[1][::-1]
    for h, east in ((heights.T, 1), (heights.T[::-1], -1)):
        side = np.stack([2 * h[0] - h[1], h[0], h[1]][::east], axis=1)
        # Windows of three columns side by side, as long rows are what the kernel is quick at.
        strips.append(np.concatenate([side[n : n + rows - 2].reshape(1, -1) for n in range(3)]))
    new, _ = _run(kernel, np.hstack(strips), *settings)
    for out, strip in zip(made, (one[1] for one in new), strict=True):
        out[0, 1:-1], out[-1, 1:-1] = strip[1 : cols - 1], strip[cols + 1 : 2 * cols - 1]
        out[1:-1, 0], out[1:-1, -1] = strip[2 * cols + 1 :: 3].reshape(2, -1)


def _windows_that_lack(
    made: FloatGrid, heights: FloatGrid, lacking: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of known cells that have no result yet."""
    with_voids = lacking > 0
    with_voids[[0, -1]] = True
    some = np.flatnonzero(with_voids)
    which, inner = np.nonzero(np.isnan(made[some]))
    others = np.flatnonzero(~with_voids)
    row, side = np.nonzero(np.isnan(made[others[:, None], [0, -1]]))
    rows = np.concatenate([some[which], others[row]])
    cols = np.concatenate([inner, side * (heights.shape[1] - 1)])
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
