"""Compiled kernels of water's way: flood the DEM, find the steepest way, add up, walk down.

Work arrays carry a rim of one unknown cell all round, so that every cell has eight neighbours
at fixed distances in the flat array and nothing need be asked at the edges.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplanner.compiled import kernel, part
from siteplanner.grid import BoolGrid, FloatGrid

_OUT = 8
# Neighbours clockwise from grid east.
_DOWN = (0, 1, 1, 1, 0, -1, -1, -1)
_RIGHT = (1, 1, 0, -1, -1, -1, 0, 1)
#: Of several ways that are as good, one to a side is taken before one to a corner.
_SIDES_FIRST = (0, 2, 4, 6, 1, 3, 5, 7)
_NOT_YET, _OPEN = 255, 254
#: Way of a cell that has no lower neighbour, until :func:`across_level` finds it one.
LEVEL = _NOT_YET


def rimmed(values: NDArray[Any], beyond: float) -> NDArray[Any]:
    """Copy a grid into one with a rim of one cell that holds ``beyond``."""
    rows, cols = values.shape
    out = np.empty((rows + 2, cols + 2), values.dtype)
    out[[0, -1]] = beyond
    out[:, [0, -1]] = beyond
    out[1:-1, 1:-1] = values
    return out


def flood(heights: FloatGrid) -> tuple[FloatGrid, NDArray[np.uint8]]:
    """Fill hollows; also tell, per cell, from which neighbour the flood came (8: none).

    ``heights`` float32 (rows, cols), NaN where unknown; both results have a rim of one cell. A
    cell that is reached from a lower or level one keeps its height, which settles it at once;
    only a cell that has lower, dry ground beside it waits in the heap for its turn as the
    lowest spill (priority-flood after Barnes et al. 2014, with a heap for spills alone).
    """
    filled = rimmed(heights, np.nan)
    unknown = np.isnan(filled)
    came_from = np.where(unknown, np.uint8(_OUT), np.uint8(_NOT_YET))
    outlets = _beside(unknown)
    came_from.ravel()[outlets] = _OUT
    # A cell waits once at most. Memory that is not written to is not taken from the machine.
    queue, waiting, cells = np.empty((3, filled.size), np.int32)
    queue[: outlets.size] = outlets
    keys = np.empty(filled.size, np.float32)
    columns = filled.shape[1]
    _flood(filled.ravel(), came_from.ravel(), columns, queue, outlets.size, waiting, keys, cells)
    return filled, came_from


def _beside(unknown: BoolGrid) -> NDArray[np.int64]:
    """Flat indices of known cells beside an unknown one, in order; the rim is unknown."""
    beside = np.zeros(unknown.size, np.bool_)
    cells = np.flatnonzero(unknown)
    for row in (-1, 0, 1):
        for column in (-1, 0, 1):
            there = cells + (row * unknown.shape[1] + column)
            beside[there[(there >= 0) & (there < beside.size)]] = True
    beside[cells] = False
    return np.flatnonzero(beside)


def across_level(filled: FloatGrid, direction: NDArray[np.uint8]) -> None:
    """Give each LEVEL cell its way along the fewest steps to where its level ground falls.

    Level ground falls where a cell has a lower neighbour or lets water off the map. Of several
    neighbours as near the first side counts, clockwise from east, then the first corner: no
    order of visits is left to matter, so that ground worked out in pieces comes out the same.
    Both grids with a rim; ``direction`` is changed in place.
    """
    queue = np.empty(direction.size, np.int32)
    _across_level(filled.ravel(), direction.ravel(), direction.shape[1], queue)


def breached(heights: FloatGrid, filled: FloatGrid, far: int) -> FloatGrid:
    """Cut a straight way from the bottom of each hollow to lower ground within ``far`` cells.

    ``filled`` is that of :func:`flood`, with its rim. The nearest lower cell counts; what
    stands higher on the way to it is lowered to the hollow's bottom.
    """
    cut = np.pad(heights, far, constant_values=np.nan)
    columns = cut.shape[1]
    places, ways, ends = _straight_ways(far, columns)
    hollow = np.flatnonzero(filled[1:-1, 1:-1] > heights)
    row, column = np.divmod(hollow, heights.shape[1])
    bottoms = (row + far) * columns + column + far
    _breach(cut.ravel(), bottoms, places, ways, ends)
    return cut[far:-far, far:-far]


def _straight_ways(
    far: int, columns: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Places within ``far`` cells, nearest first, and the cells on the way to each.

    Both as distances in a flat array with so many columns; the way to place ``n`` is found from
    ``ends[n]`` to ``ends[n + 1]``.
    """
    down, right = (a.ravel() for a in np.mgrid[-far : far + 1, -far : far + 1])
    away = down**2 + right**2
    near = np.argsort(away, kind="stable")
    near = near[(away[near] > 0) & (away[near] <= far * far)]
    ways, ends = [], [0]
    for y, x in zip(down[near], right[near], strict=True):
        steps = max(abs(y), abs(x))
        between = np.arange(1, steps)
        ways.append(np.rint(between * y / steps) * columns + np.rint(between * x / steps))
        ends.append(ends[-1] + between.size)
    places = down[near] * columns + right[near]
    return places, np.concatenate(ways).astype(np.int64), np.array(ends)


def accumulate(
    direction: NDArray[np.uint8], cells: NDArray[np.int32] | None = None
) -> NDArray[np.int32]:
    """Add ``cells`` (1 each unless given) up along the directions; all grids with a rim."""
    area = np.ones(direction.shape, np.int32) if cells is None else cells.copy()
    donors = np.zeros(direction.size, np.uint8)
    _accumulate(direction.ravel(), direction.shape[1], area.ravel(), donors)
    return area


def strips_along(size: NDArray[np.uint8], wide: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Tell the largest ``size`` of a stream within its width, in cells, ``wide[size]``."""
    rows, cols = size.shape
    out = np.zeros(size.shape, np.uint8)
    for which in range(1, len(wide)):
        row, col = np.nonzero(size == which)
        far = int(wide[which])
        down = np.arange(-far, far + 1)[:, None]
        span = np.sqrt(wide[which] ** 2 - down**2).astype(np.int64)
        # Each row of a disc is a run of cells, told by its ends: streams are few, so this takes a
        # tenth of the time of a distance transform.
        line = (row + down + far) * (cols + 1)
        begin = (line + np.maximum(col - span, 0)).ravel()
        end = (line + np.minimum(col + span + 1, cols)).ravel()
        size_of_all = (rows + 2 * far) * (cols + 1)
        runs = np.bincount(begin, minlength=size_of_all) - np.bincount(end, minlength=size_of_all)
        within = np.cumsum(runs).reshape(-1, cols + 1)[far : far + rows, :cols] > 0
        out[within] = which
    return out


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
    heights, ways = rimmed(filled, np.nan), rimmed(direction, _OUT)
    takes = np.zeros(total.shape, np.uint8)
    takes[rim + 1 : -rim - 1, rim + 1 : -rim - 1] = 1
    donors, ready = np.zeros(total.size, np.uint8), np.empty(total.size, np.int32)
    flat = (a.ravel() for a in (heights, ways, takes, total))
    _spread(*flat, donors, ready, total.shape[1])
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
    _channel_height(*flat, filled.shape[1])
    return base


@part("void(float32[::1], int32[::1], int64, float32, int32)")
def _push(keys, cells, size, key, cell):  # type: ignore[no-untyped-def]
    place = size
    while place > 0:
        parent = (place - 1) >> 1
        if keys[parent] <= key:
            break
        keys[place], cells[place] = keys[parent], cells[parent]
        place = parent
    keys[place], cells[place] = key, cell


@part("void(float32[::1], int32[::1], int64)")
def _pop(keys, cells, size):  # type: ignore[no-untyped-def]
    """Take the top out of a heap of ``size`` cells; the last one sinks from the top."""
    key, cell = keys[size - 1], cells[size - 1]
    last = size - 1
    place, child = 0, 1
    while child < last:
        if child + 1 < last and keys[child + 1] < keys[child]:
            child += 1
        if keys[child] >= key:
            break
        keys[place], cells[place] = keys[child], cells[child]
        place, child = child, 2 * child + 1
    keys[place], cells[place] = key, cell


@part("UniTuple(int64, 8)(int64)")
def _around(cols):  # type: ignore[no-untyped-def]
    """Distances to the neighbours in a flat array, in the order of directions."""
    return (1, cols + 1, cols, cols - 1, -1, -cols - 1, -cols, 1 - cols)


@kernel(
    "void(float32[::1], uint8[::1], int64, int32[::1], int64, int32[::1], float32[::1],int32[::1])"
)
def _flood(dem, came_from, cols, queue, tail, waiting, keys, cells):  # type: ignore[no-untyped-def]
    """Flood from the first ``tail`` cells of the ``queue``; the last three are room to work in."""
    around = _around(cols)
    head = 0
    waits = size = 0
    level = np.float32(-np.inf)
    while True:
        while head < tail:
            here = queue[head]
            head += 1
            height = dem[here]
            spill = False
            for k in range(8):
                beside = here + around[k]
                if came_from[beside] != _NOT_YET:
                    continue
                if dem[beside] < height:
                    if height > level:
                        spill = True
                        continue
                    dem[beside] = height
                came_from[beside] = (k + 4) % 8
                queue[tail] = beside
                tail += 1
            if spill:
                waiting[waits] = here
                waits += 1
        # Only those that still have dry ground beside them can be spills.
        for n in range(waits):
            here = waiting[n]
            for k in range(8):
                if came_from[here + around[k]] == _NOT_YET:
                    _push(keys, cells, size, dem[here], here)
                    size += 1
                    break
        waits = 0
        if size == 0:
            break
        # The lowest spill goes back to the queue, now at the level of the flood.
        level = keys[0]
        head -= 1
        queue[head] = cells[0]
        _pop(keys, cells, size)
        size -= 1


@kernel("void(float32[::1], int64[::1], int64[::1], int64[::1], int64[::1])")
def _breach(dem, bottoms, places, ways, ends):  # type: ignore[no-untyped-def]
    """Cut the way from each bottom to the first place that is lower, down to the bottom."""
    for n in range(bottoms.size):
        here = bottoms[n]
        bottom = dem[here]
        for to in range(places.size):
            if dem[here + places[to]] < bottom:
                for step in range(ends[to], ends[to + 1]):
                    cell = here + ways[step]
                    dem[cell] = min(dem[cell], bottom)
                break


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
            way = np.uint8(_OUT if direction[row, col] == _OUT else LEVEL)
            for k in range(8):
                drop = height - filled[row + _DOWN[k], col + _RIGHT[k]]
                if k % 2 == 1:
                    drop *= diagonal
                if drop > best:
                    best = drop
                    way = np.uint8(k)
            direction[row, col] = way


@kernel("void(float32[::1], uint8[::1], int64, int32[::1])")
def _across_level(filled, direction, cols, queue):  # type: ignore[no-untyped-def]
    """Go from the places where level ground falls, one step farther each time.

    While it works, a way also holds the number of steps, modulo 3 and plus 1, in its upper
    bits: neighbours differ by one step at most, so that tells which of them is nearer.
    """
    around = _around(cols)
    head = tail = 0
    for here in range(direction.size):
        if direction[here] != LEVEL:
            continue
        for n in range(8):
            k = _SIDES_FIRST[n]
            beside = here + around[k]
            if direction[beside] <= _OUT and filled[beside] == filled[here]:
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
                k = _SIDES_FIRST[n]
                beside = here + around[k]
                if direction[beside] >> 4 == steps and filled[beside] == filled[here]:
                    direction[here] = k + 16 * (steps % 3 + 1)
                    break
            queue[tail] = here
            tail += 1
    for n in range(tail):
        direction[queue[n]] &= 15


@kernel("void(uint8[::1], int64, int32[::1], uint8[::1])")
def _accumulate(direction, cols, area, donors):  # type: ignore[no-untyped-def]
    """Walk down from each source, on past each cell whose donors have all arrived."""
    around = _around(cols)
    for here in range(direction.size):
        k = direction[here]
        if k < _OUT:
            donors[here + around[k]] += 1
    done = np.uint8(255)
    for start in range(direction.size):
        here = start
        while donors[here] == 0:
            donors[here] = done
            k = direction[here]
            if k >= _OUT:
                break
            carried = area[here]
            here += around[k]
            area[here] += carried
            donors[here] -= 1


@kernel("void(float32[::1], float32[::1], uint8[::1], float64[::1], uint8[::1], int32[::1], int64)")
def _spread(filled, ways, takes, cells, donors, ready, cols):  # type: ignore[no-untyped-def]
    """Hand on each cell's water once all its donors have handed on theirs.

    Flat arrays; unknown cells, as those of the rim are, neither give nor take. ``donors`` is all
    zero, ``ready`` room to work in.
    """
    around = _around(cols)
    for here in range(filled.size):
        height, level = filled[here], True
        if height == height:
            for k in range(8):
                beside = here + around[k]
                if filled[beside] < height:
                    level = False
                    donors[beside] += takes[beside]
            if level and ways[here] < _OUT:
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


@kernel("void(float32[::1], float32[::1], float32[::1], float32[::1], int64)")
def _channel_height(filled, direction, channel, base, cols):  # type: ignore[no-untyped-def]
    """Walk down to a cell whose channel is known, then again, telling all cells on the way."""
    around = _around(cols)
    unknown = np.float32(-np.inf)
    for start in range(filled.size):
        here = start
        while base[here] == unknown:
            if channel[here] == 1:
                base[here] = filled[here]
            elif direction[here] < _OUT:
                here += around[int(direction[here])]
            else:
                base[here] = np.nan
        found, end = base[here], here
        here = start
        while here != end:
            base[here] = found
            here += around[int(direction[here])]
