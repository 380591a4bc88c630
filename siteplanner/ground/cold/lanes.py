"""Where a planting would hold cold air back, and where a lane through its rows would let it go.

Lanes are looked for in rows to be planted alone: banks, levees and dam walls are for an engineer
and a consent, and nothing here speaks of cutting one.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from siteplanner.base.grid import BoolGrid, FloatGrid

#: Rows count as holding air back where it would lie this much deeper, m.
HELD_M = 0.5
#: Lanes that let go less than this share of the air held back are not worth a lane.
WORTH = 0.05
_MOST_LANES = 5
_APART_M = 100.0
_LONGEST_M = 250.0


def lanes_through_rows(
    flow_x: FloatGrid, flow_y: FloatGrid, growth: FloatGrid, rows: BoolGrid, cell: float
) -> list[shapely.LineString]:
    """Draw lanes through the rows, along the streams that they would hold back most.

    ``flow_x``, ``flow_y`` (m2/s) are the night's streams without the rows, ``growth`` (m) how
    much deeper the air lies with them, ``rows`` the cells that rows cross. Lines in units of
    cells (x right, y down); at most five, a hundred metres apart, each only as long as it runs
    among rows.
    """
    near = maximum_filter(growth, 2 * max(1, round(60 / cell)) + 1) >= HELD_M
    inside = maximum_filter(rows, 3)
    score = np.where(rows & near, np.hypot(flow_x, flow_y), 0).astype(np.float64)
    apart = _APART_M / cell
    row, col = np.indices(growth.shape)
    found: list[shapely.LineString] = []
    while len(found) < _MOST_LANES and score.max() > 0:
        start = np.unravel_index(int(score.argmax()), score.shape)
        ahead = _follow(flow_x, flow_y, inside, start, 1, cell)
        back = _follow(flow_x, flow_y, inside, start, -1, cell)
        path = [*back[::-1], *ahead[1:]]
        for r, c in path:
            score[np.hypot(row - r, col - c) < apart] = 0
        if len(path) > 1:
            line = shapely.LineString([(c + 0.5, r + 0.5) for r, c in path])
            found.append(line.simplify(0.7))
    return found


def _follow(
    flow_x: FloatGrid,
    flow_y: FloatGrid,
    inside: BoolGrid,
    start: tuple[np.intp, ...],
    sign: int,
    cell: float,
) -> list[tuple[float, float]]:
    """Places (row, column) along the stream while it runs among rows, and one cell more."""
    rows, cols = flow_x.shape
    r, c = float(start[0]), float(start[1])
    path = [(r, c)]
    for _ in range(int(_LONGEST_M / 2 / cell)):
        at = round(r), round(c)
        speed = float(np.hypot(flow_x[at], flow_y[at]))
        if speed == 0:
            break
        r, c = r + sign * float(flow_y[at]) / speed, c + sign * float(flow_x[at]) / speed
        if not (0 <= r <= rows - 1 and 0 <= c <= cols - 1):
            break
        path.append((r, c))
        if not inside[round(r), round(c)]:
            break
    return path


def cut_lanes(
    belts: tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]],
    lanes: list[shapely.LineString],
    half_width: float,
) -> tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]]:
    """Cut lanes out of belts; ``half_width`` in the unit of the lines."""
    open_ = shapely.union_all([lane.buffer(half_width) for lane in lanes])
    lines = shapely.difference(belts[0], open_)
    left = ~shapely.is_empty(lines)
    return lines[left], belts[1][left], belts[2][left]


def share_let_go(growth: FloatGrid, growth_with_lanes: FloatGrid) -> float:
    """Share of the held-back air that lanes let go (0-1), over ground where it matters."""
    matters = growth >= HELD_M
    before = float(growth[matters].sum())
    if before == 0:
        return 0.0
    return 1 - float(np.maximum(growth_with_lanes[matters], 0).sum()) / before
