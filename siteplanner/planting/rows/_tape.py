"""Trees along lines, at even steps of a tape."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: A row is cut where the step that its ground asks for has grown or shrunk by so much; a piece
#: has at least so many trees.
_EVEN, _LEAST_TREES = 1.5, 8
#: The step asked for is a mean over so many trees on each side, so that bumps do not cut rows.
_TREES_AROUND = 4
#: Rounds in which steps around bends are made as long as the others (measured: enough for 1 %),
#: and in which the end of a line is looked for (to 1/64 of its last part).
_ROUNDS, _HALVINGS = 4, 6


def cut_to(
    lines: list[Floats], wanted: Callable[[Floats, Floats, NDArray[np.int64]], NDArray[np.bool_]],
    longest: float,
) -> tuple[Floats, NDArray[np.int64]]:  # fmt: skip
    """Cut lines down to where they are wanted.

    ``lines`` are (corners, 2), metres; ``wanted(x, y, line)`` tells which points to keep. Gives
    corners (n, 2) and the run, 0, 1, 2 …, that each is of. Corners are at most ``longest`` apart
    and smaller bends are straightened. A closed line is cut only where it is not wanted.
    """
    xy, of_line = _straightened(lines, longest)
    inside = wanted(xy[:, 0], xy[:, 1], of_line)
    turn = _from_gaps(xy, of_line, inside)
    xy, inside = xy[turn], inside[turn]
    crosses = np.flatnonzero((of_line[1:] == of_line[:-1]) & (inside[1:] != inside[:-1]))
    begins = inside[crosses]
    keep, leave = (np.where((begins == which)[:, None], xy[crosses], xy[crosses + 1])
                   for which in (True, False))  # fmt: skip
    for _ in range(_HALVINGS):
        middle = (keep + leave) / 2
        good = wanted(middle[:, 0], middle[:, 1], of_line[crosses])[:, None]
        keep, leave = np.where(good, middle, keep), np.where(good, leave, middle)
    xy = np.insert(xy, crosses + 1, keep, axis=0)
    of_line = np.insert(of_line, crosses + 1, of_line[crosses])
    inside = np.insert(inside, crosses + 1, True)
    starts = inside & np.r_[True, ~inside[:-1] | (of_line[1:] != of_line[:-1])]
    return xy[inside], (np.cumsum(starts) - 1)[inside]


def _straightened(lines: list[Floats], longest: float) -> tuple[Floats, NDArray[np.int64]]:
    """Lines with corners at even distances: (n, 2), and the line that each is of."""
    number = np.array([len(line) for line in lines])
    xy = np.concatenate(lines)
    last = np.cumsum(number) - 1
    first = last - number + 1
    long = np.r_[0.0, np.hypot(*np.diff(xy, axis=0).T)]
    long[first] = 1.0
    at = np.cumsum(long)
    parts = np.maximum(np.ceil((at[last] - at[first]) / longest), 4).astype(np.int64)
    of_line = np.repeat(np.arange(len(lines)), parts + 1)
    end = np.cumsum(parts + 1) - 1
    nth = np.arange(len(of_line)) - (end - parts)[of_line]
    spot = at[first][of_line] + nth * ((at[last] - at[first]) / parts)[of_line]
    even = _point(spot, at, xy)
    even[end] = xy[last]  # the very same point, so that a closed line stays closed
    return even, of_line


def _from_gaps(
    xy: Floats, of_line: NDArray[np.int64], inside: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Order of corners in which closed lines begin at a corner that is not wanted, if there is."""
    order = np.arange(len(xy))
    first = np.flatnonzero(np.r_[True, of_line[1:] != of_line[:-1]])
    last = np.r_[first[1:], len(xy)] - 1
    closed = (xy[first] == xy[last]).all(axis=1) & inside[first]
    closed &= np.logical_and.reduceat(inside, first) == 0
    for a, b in zip(first[closed], last[closed], strict=True):
        gap = a + int(np.argmin(inside[a:b]))
        order[a : b + 1] = np.r_[gap:b, a : gap + 1]
    return order


def set_along(
    xy: Floats, run: NDArray[np.int64], rate: Floats
) -> tuple[Floats, NDArray[np.int64], Floats]:
    """Set trees along runs at steps that are even within a row.

    ``xy`` (corners, 2) metres, ``run`` the run of each corner, 0, 1, 2 …; ``rate`` the trees that
    a metre asks for there. Gives places (trees, 2), the row of each, and the step in metres that
    its row asks for. Where the rate of a run changes much it is cut into several rows. The trees
    of all runs together are as many as the rates ask for. Steps are straight from tree to tree, as
    a tape lies, and half a step on average is left at the ends of a run.
    """
    if not len(xy):
        return np.empty((0, 2)), np.empty(0, dtype=np.int64), np.empty(0)
    long = np.hypot(*np.diff(xy, axis=0).T)
    same = run[1:] == run[:-1]
    # Runs lie one after the other on one line, a metre and a tree apart.
    at = np.r_[0.0, np.cumsum(np.where(same, long, 1.0))]
    asked = np.r_[0.0, np.cumsum(np.where(same, long * (rate[1:] + rate[:-1]) / 2, 1.0))]
    first = np.flatnonzero(np.r_[True, ~same])
    last = np.r_[first[1:], len(xy)] - 1
    # Between two knots a metre asks for as many trees as any other.
    knots = np.unique(np.r_[first, _cuts(at, asked, first, last), last])
    metres, number = at[knots], asked[knots]
    length = asked[last] - asked[first]
    # Counted on from run to run, so that rounding cancels.
    total = np.rint(np.r_[0.0, np.cumsum(length)]).astype(np.int64)
    trees = np.diff(total)
    of_run = np.repeat(np.arange(len(first)), trees)
    nth = np.arange(total[-1]) - total[of_run]
    ring = (xy[first] == xy[last]).all(axis=1)
    step = np.where(ring, length / np.maximum(trees, 1), 1.0)
    margin = (length - (trees - 1) * step) / 2
    spot = np.interp((asked[first] + margin)[of_run] + nth * step[of_run], number, metres)
    spot = _evened(spot, of_run, at, xy)
    row = np.clip(np.searchsorted(metres, spot, side="right") - 1, 0, len(knots) - 2)
    each = np.diff(metres) / np.maximum(np.diff(number), 1e-12)
    return _point(spot, at, xy), row, each[row]


def _cuts(
    at: Floats, asked: Floats, first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Corners at which a run is cut, so that within a piece about the same step is asked for.

    ``at`` and ``asked`` are metres and trees up to each corner; ``first`` and ``last`` the corners
    of each run.
    """
    corners = last - first + 1
    low = np.maximum(asked - _TREES_AROUND, np.repeat(asked[first], corners))
    high = np.minimum(asked + _TREES_AROUND, np.repeat(asked[last], corners))
    step = (np.interp(high, asked, at) - np.interp(low, asked, at)) / np.maximum(high - low, 1e-12)
    spread = np.maximum.reduceat(step, first) / np.maximum(np.minimum.reduceat(step, first), 1e-12)
    uneven = (spread > _EVEN) & (asked[last] - asked[first] >= 2 * _LEAST_TREES)
    found = []
    for start, end in zip(first[uneven], last[uneven], strict=True):
        while True:
            rest = step[start : end + 1]
            off = np.maximum.accumulate(rest) > _EVEN * np.minimum.accumulate(rest)
            if not off.any():
                break
            enough = int(np.searchsorted(asked, asked[start] + _LEAST_TREES))
            start = max(start + int(off.argmax()), enough)
            if start >= end or asked[end] - asked[start] < _LEAST_TREES:
                break
            found.append(start)
    return np.array(found, dtype=np.int64)


def _evened(spot: Floats, of_run: NDArray[np.int64], at: Floats, xy: Floats) -> Floats:
    """Move trees along their run until all steps are as much shorter than along the bends.

    ``spot`` (trees,) metres along all runs; the first and the last tree of a run stay.
    """
    if not len(spot):
        return spot
    within = of_run[1:] == of_run[:-1]
    along, run = np.diff(spot), of_run[1:][within]
    steps = np.bincount(run, minlength=of_run[-1] + 1)
    for _ in range(_ROUNDS):
        straight = np.hypot(*np.diff(_point(spot, at, xy), axis=0).T)
        share = np.where(within, straight / along, 1.0)
        whole = np.bincount(run, share[within], len(steps))
        share = np.where(within, share * (steps / np.maximum(whole, 1e-12))[of_run[1:]], 1.0)
        spot = np.interp(np.arange(len(spot)), np.r_[0.0, np.cumsum(share)], spot)
    return spot


def _point(spot: Floats, at: Floats, xy: Floats) -> Floats:
    """Points (n, 2) at metres along all runs."""
    return np.column_stack([np.interp(spot, at, xy[:, 0]), np.interp(spot, at, xy[:, 1])])
