"""Compiled kernels of water's way: find the steepest way, add up, share out, walk down."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid
from siteplanner.base.kernels import kernel
from siteplanner.ground.water._neighbours import (
    AROUND,
    DOWN,
    NOT_YET,
    OUT,
    RIGHT,
    SIDES_FIRST,
    around,
    rimmed,
)

#: Way of a cell that has no lower neighbour, until :func:`across_level` finds it one.
LEVEL = NOT_YET


def across_level(filled: FloatGrid, direction: NDArray[np.uint8]) -> None:
    """Give each LEVEL cell its way along the fewest steps to where its level ground falls.

    Level ground falls where a cell has a lower neighbour or lets water off the map. Of several
    neighbours as near the first side counts, clockwise from east, then the first corner: no
    order of visits is left to matter, so that ground worked out in pieces comes out the same.
    Both grids with a rim; ``direction`` is changed in place.
    """
    queue = np.empty(direction.size, np.int32)
    _across_level(filled.ravel(), direction.ravel(), around(direction.shape), queue)


def accumulate(
    direction: NDArray[np.uint8], cells: NDArray[np.int32] | None = None
) -> NDArray[np.int32]:
    """Add ``cells`` (1 each unless given) up along the directions; all grids with a rim."""
    area = np.ones(direction.shape, np.int32) if cells is None else cells.copy()
    donors = np.zeros(direction.size, np.uint8)
    _accumulate(direction.ravel(), around(direction.shape), area.ravel(), donors)
    return area


def spread(
    filled: FloatGrid,
    direction: FloatGrid,
    cells: NDArray[np.float64] | None = None,
    rim: int = 0,
) -> NDArray[np.float64]:
    """Count the cells that drain through each cell when water parts among all lower neighbours.

    Shares go as drop times contour length over distance (Quinn et al. 1991, from memory), which
    is 2 to 1 for sides and corners of the same drop. Where no neighbour is lower, all goes in
    the flow direction. ``cells`` are those of each cell itself, 1 unless given; on a rim so many
    cells wide nothing is added to what is given.
    """
    total = np.ones(filled.shape) if cells is None else cells
    total = rimmed(total, 0.0)
    heights, ways = rimmed(filled, np.nan), rimmed(direction, OUT)
    takes = np.zeros(total.shape, np.uint8)
    takes[rim + 1 : -rim - 1, rim + 1 : -rim - 1] = 1
    donors, ready = np.zeros(total.size, np.uint8), np.empty(total.size, np.int32)
    flat = (a.ravel() for a in (heights, ways, takes, total))
    _spread(*flat, donors, ready, around(total.shape))
    return total[1:-1, 1:-1]


def to_channel(filled: FloatGrid, direction: FloatGrid, channel: FloatGrid) -> FloatGrid:
    """Height above the first channel cell downstream, NaN where there is none."""
    base = np.full(filled.shape, -np.inf, np.float32)
    return filled - channel_below(filled, direction, channel, base)


def channel_below(
    filled: FloatGrid, direction: FloatGrid, channel: FloatGrid, base: FloatGrid
) -> FloatGrid:
    """Put heights of the first channel cell downstream into ``base``, NaN for none.

    ``base`` is -inf where that is to be found out; elsewhere it holds.
    """
    flat = (a.ravel() for a in (filled, direction, channel, base))
    _channel_height(*flat, around(filled.shape))
    return base


@kernel("void(int64, int64, float32[:, ::1], uint8[:, ::1])")
def steepest(first, last, filled, direction):  # type: ignore[no-untyped-def]
    """Put the steepest way down where there is one; elsewhere 8 stays and all else is LEVEL.

    Rows are counted without the rim that both grids have.
    """
    cols = filled.shape[1]
    diagonal = np.float32(np.sqrt(0.5))
    for row in range(first + 1, last + 1):
        for col in range(1, cols - 1):
            height = filled[row, col]
            best = np.float32(0)
            way = np.uint8(OUT if direction[row, col] == OUT else LEVEL)
            for k in range(8):
                drop = height - filled[row + DOWN[k], col + RIGHT[k]]
                if k % 2 == 1:
                    drop *= diagonal
                if drop > best:
                    best = drop
                    way = np.uint8(k)
            direction[row, col] = way


@kernel(f"void(float32[::1], uint8[::1], {AROUND}, int32[::1])")
def _across_level(filled, direction, around, queue):  # type: ignore[no-untyped-def]
    """Go from the places where level ground falls, one step farther each time.

    While it works, a way also holds the number of steps, modulo 3 and plus 1, in its upper
    bits: neighbours differ by one step at most, so that tells which of them is nearer.
    """
    head = tail = 0
    for here in range(direction.size):
        if direction[here] != LEVEL:
            continue
        for n in range(8):
            k = SIDES_FIRST[n]
            beside = here + around[k]
            if direction[beside] <= OUT and filled[beside] == filled[here]:
                direction[here] = k + 32
                queue[tail] = here
                tail += 1
                break
    while head < tail:
        nearer = queue[head]
        head += 1
        steps = direction[nearer] >> 4
        for to in range(8):
            here = nearer + around[to]
            if direction[here] != LEVEL or filled[here] != filled[nearer]:
                continue
            for n in range(8):
                k = SIDES_FIRST[n]
                beside = here + around[k]
                if direction[beside] >> 4 == steps and filled[beside] == filled[here]:
                    direction[here] = k + 16 * (steps % 3 + 1)
                    break
            queue[tail] = here
            tail += 1
    for n in range(tail):
        direction[queue[n]] &= 15


@kernel(f"void(uint8[::1], {AROUND}, int32[::1], uint8[::1])")
def _accumulate(direction, around, area, donors):  # type: ignore[no-untyped-def]
    """Walk down from each source, on past each cell whose donors have all arrived."""
    for here in range(direction.size):
        k = direction[here]
        if k < OUT:
            donors[here + around[k]] += 1
    done = np.uint8(255)
    for start in range(direction.size):
        here = start
        while donors[here] == 0:
            donors[here] = done
            k = direction[here]
            if k >= OUT:
                break
            carried = area[here]
            here += around[k]
            area[here] += carried
            donors[here] -= 1


@kernel(
    f"void(float32[::1], float32[::1], uint8[::1], float64[::1], uint8[::1], int32[::1],{AROUND})"
)
def _spread(filled, ways, takes, cells, donors, ready, around):  # type: ignore[no-untyped-def]
    """Hand on each cell's water once all its donors have handed on theirs.

    Flat arrays; unknown cells, as those of the rim are, neither give nor take. ``donors`` is all
    zero, ``ready`` room to work in.
    """
    for here in range(filled.size):
        height, level = filled[here], True
        if height == height:
            for k in range(8):
                beside = here + around[k]
                if filled[beside] < height:
                    level = False
                    donors[beside] += takes[beside]
            if level and ways[here] < OUT:
                beside = here + around[int(ways[here])]
                donors[beside] += takes[beside]
    done = np.uint8(255)
    for start in range(filled.size):
        if donors[start] != 0 or filled[start] != filled[start]:
            continue
        ready[0] = start
        size = 1
        while size > 0:
            size -= 1
            here = ready[size]
            donors[here] = done
            height = filled[here]
            total = 0.0
            for k in range(8):
                fall = height - filled[here + around[k]]
                if fall > 0:
                    total += fall * (2 - (k & 1))
            for k in range(8):
                beside = here + around[k]
                if takes[beside] == 0:
                    continue
                fall = height - filled[beside]
                if total > 0:
                    share = fall * (2 - (k & 1)) / total if fall > 0 else 0.0
                else:
                    share = 1.0 if k == ways[here] else 0.0
                if share > 0:
                    cells[beside] += cells[here] * share
                    donors[beside] -= 1
                    if donors[beside] == 0:
                        ready[size] = beside
                        size += 1


@kernel(f"void(float32[::1], float32[::1], float32[::1], float32[::1], {AROUND})")
def _channel_height(filled, direction, channel, base, around):  # type: ignore[no-untyped-def]
    """Walk down to a cell whose channel is known, then again, telling all cells on the way."""
    unknown = np.float32(-np.inf)
    for start in range(filled.size):
        here = start
        while base[here] == unknown:
            if channel[here] == 1:
                base[here] = filled[here]
            elif direction[here] < OUT:
                here += around[int(direction[here])]
            else:
                base[here] = np.nan
        found, end = base[here], here
        here = start
        while here != end:
            base[here] = found
            here += around[int(direction[here])]
