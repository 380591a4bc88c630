"""The phase of a lattice: where its rows and the trees in them begin, so that most trees fit."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_cdt

#: Phases tried along the rows, and as many across them.
TRIED = 64
#: Places are counted this far inside the edge or further, in m, so that rounding loses none.
_INSIDE_M = 0.01


def fullest_phase(
    area: shapely.Polygon, in_row: float, between: float, stagger: float
) -> tuple[float, float]:
    """Shift along the rows and across them (m) with which most places of a lattice lie inside.

    Rows of ``area`` (m) run along its x axis, at y = ``between`` × (k + a phase); places lie at
    x = ``in_row`` × (n + a phase), moved by ``stagger`` steps in every odd row k. Of several
    shifts that hold as many, the one furthest from those that hold fewer, then the one nearest
    half a step in from the area's lowest corner. What a shift holds follows from where rows enter
    and leave the area: no place is made to count it.
    """
    tried, start, end = _inside(area, between)
    odd = tried // TRIED % 2 == 1
    start = (start + _INSIDE_M) / in_row - odd * stagger
    end = (end - _INSIDE_M) / in_row - odd * stagger
    long = end > start
    held = _held(tried[long] % TRIED, start[long], end[long])
    best = _most_central(held == held.max(), area.bounds[0] / in_row, area.bounds[1] / between)
    across, along = np.divmod(best, TRIED)
    return float((along + 0.5) / TRIED * in_row), float((across + 0.5) / TRIED * between)


def _most_central(most: NDArray[np.bool_], low_x: float, low_y: float) -> int:
    """Index of the phase amid those that hold ``most``; ``low_x``, ``low_y`` in steps and rows.

    The phases are a ring: after the last comes the first.
    """
    thrice = distance_transform_cdt(np.tile(most, (3, 3)), "chessboard")
    amid = thrice[TRIED : 2 * TRIED, TRIED : 2 * TRIED].astype(np.int64)
    half_in = [int((low + 0.5) % 1 * TRIED) for low in (low_y, low_x)]
    ring = TRIED // 2 - np.abs((np.arange(TRIED) - np.array(half_in)[:, None]) % TRIED - TRIED // 2)
    off = ring[0][:, None] + ring[1]
    return int(np.where(most, amid * 2 * TRIED - off, -4 * TRIED).argmax())


def _inside(
    area: shapely.Polygon, between: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Stretches of the rows of all phases that lie inside: number of the row, from x, to x.

    Row ``TRIED`` × k + p is the k-th of phase p.
    """
    xy, ring = shapely.get_coordinates(shapely.get_rings(area), return_index=True)
    x, y = xy[:, 0], xy[:, 1] / between * TRIED - 0.5
    edge = np.flatnonzero(ring[1:] == ring[:-1])
    # A row crosses an edge that has one end below it: a corner counts for one of its two edges.
    first = np.ceil(np.minimum(y[edge], y[edge + 1])).astype(np.int64)
    number = np.ceil(np.maximum(y[edge], y[edge + 1])).astype(np.int64) - first
    edge = np.repeat(edge, number)
    nth = np.arange(len(edge)) - np.repeat(np.cumsum(number) - number, number)
    row = np.repeat(first, number) + nth
    part = (row - y[edge]) / (y[edge + 1] - y[edge])
    at = x[edge] + part * (x[edge + 1] - x[edge])
    order = np.lexsort((at, row))
    return row[order][::2], at[order][::2], at[order][1::2]


def _held(
    phase: NDArray[np.int64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Places that each phase holds, (across, along), from the stretches inside, in steps."""
    whole = np.floor(end) - np.floor(start)
    held = np.zeros((TRIED, TRIED), dtype=np.int64)
    held += np.bincount(phase, whole, TRIED).astype(np.int64)[:, None]
    # A phase along the row that comes before the end's has one place more, one before the
    # start's one fewer.
    for ends, more in ((end, 1), (start, -1)):
        before = np.ceil((ends - np.floor(ends)) * TRIED - 0.5).astype(np.int64)
        number = np.bincount(phase * (TRIED + 1) + before, minlength=TRIED * (TRIED + 1))
        number = number.reshape(TRIED, TRIED + 1)
        held += more * number[:, ::-1].cumsum(axis=1)[:, -2::-1]
    return held
