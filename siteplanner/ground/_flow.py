"""Compiled kernels of water's way: flood the DEM, find the steepest way, add up, walk down.

Work arrays carry a rim of one unknown cell all round, so that every cell has eight neighbours
at fixed distances in the flat array and nothing need be asked at the edges.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplanner.compiled import kernel, part
from siteplanner.grid import FloatGrid

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
    came_from = np.empty(filled.shape, np.uint8)
    _flood(filled.ravel(), came_from.ravel(), filled.shape[1])
    return filled, came_from


def across_level(filled: FloatGrid, direction: NDArray[np.uint8]) -> None:
    """Give each LEVEL cell its way along the fewest steps to where its level ground falls.

    Level ground falls where a cell has a lower neighbour or lets water off the map. Of several
    neighbours as near the first side counts, clockwise from east, then the first corner: no
    order of visits is left to matter, so that ground worked out in pieces comes out the same.
    Both grids with a rim; ``direction`` is changed in place.
    """
    _across_level(filled.ravel(), direction.ravel(), direction.shape[1])


def breached(heights: FloatGrid, filled: FloatGrid, far: int) -> FloatGrid:
    """Cut a straight way from the bottom of each hollow to lower ground within ``far`` cells.

    ``filled`` is that of :func:`flood`, with its rim. The nearest lower cell counts; what
    stands higher on the way to it is lowered to the hollow's bottom.
    """
    cut = rimmed(heights, np.nan)
    _breach(cut, filled, far)
    return cut[1:-1, 1:-1]


def accumulate(
    direction: NDArray[np.uint8], cells: NDArray[np.int32] | None = None
) -> NDArray[np.int32]:
    """Add ``cells`` (1 each unless given) up along the directions; all grids with a rim."""
    area = np.ones(direction.shape, np.int32) if cells is None else cells.copy()
    _accumulate(direction.ravel(), direction.shape[1], area.ravel())
    return area


def strips_along(size: NDArray[np.uint8], wide: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Tell the largest ``size`` of a stream within its width, in cells, ``wide[size]``."""
    out = np.zeros(size.shape, np.uint8)
    _strips(size, wide, out)
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
    cells = np.ones(filled.shape) if cells is None else cells.copy()
    _spread(filled, direction, cells, rim)
    return cells


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
    _channel_height(filled, direction, channel, base)
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


@kernel("void(float32[::1], uint8[::1], int64)")
def _flood(dem, came_from, cols):  # type: ignore[no-untyped-def]
    around = _around(cols)
    size_of_all = dem.size
    for here in range(size_of_all):
        came_from[here] = _NOT_YET if dem[here] == dem[here] else _OUT
    for here in range(size_of_all):
        if came_from[here] == _OUT:
            for k in range(8):
                beside = here + around[k]
                if 0 <= beside < size_of_all and came_from[beside] == _NOT_YET:
                    came_from[beside] = _OPEN
    queue = np.empty(size_of_all, np.int32)
    head = tail = 0
    for here in range(size_of_all):
        if came_from[here] == _OPEN:
            came_from[here] = _OUT
            queue[tail] = here
            tail += 1
    # A cell waits once at most. Memory that is not written to is not taken from the machine.
    waiting = np.empty(size_of_all, np.int32)
    keys, cells = np.empty(size_of_all, np.float32), np.empty(size_of_all, np.int32)
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


@kernel("void(float32[:, ::1], float32[:, ::1], int64)")
def _breach(dem, filled, far):  # type: ignore[no-untyped-def]
    rows, cols = dem.shape
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            bottom = dem[row, col]
            if not filled[row, col] > bottom:
                continue
            nearest, down, right = far * far + 1, 0, 0
            for r in range(max(1, row - far), min(rows - 1, row + far + 1)):
                for c in range(max(1, col - far), min(cols - 1, col + far + 1)):
                    away = (r - row) * (r - row) + (c - col) * (c - col)
                    if away < nearest and dem[r, c] < bottom:
                        nearest, down, right = away, r - row, c - col
                if nearest <= 2:
                    break
            # Beside lower ground the cell is no bottom.
            if nearest <= 2 or nearest > far * far:
                continue
            steps = max(abs(down), abs(right))
            for step in range(1, steps):
                r = row + int(np.rint(step * down / steps))
                c = col + int(np.rint(step * right / steps))
                dem[r, c] = min(dem[r, c], bottom)


@kernel("void(uint8[:, ::1], float64[::1], uint8[:, ::1])")
def _strips(size, wide, out):  # type: ignore[no-untyped-def]
    rows, cols = size.shape
    for row in range(rows):
        for col in range(cols):
            which = size[row, col]
            if which == 0:
                continue
            far = wide[which]
            for r in range(max(0, row - int(far)), min(rows, row + int(far) + 1)):
                span = int(np.sqrt(far * far - (r - row) * (r - row)))
                for c in range(max(0, col - span), min(cols, col + span + 1)):
                    out[r, c] = max(out[r, c], which)


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


@kernel("void(float32[::1], uint8[::1], int64)")
def _across_level(filled, direction, cols):  # type: ignore[no-untyped-def]
    """Go from the places where level ground falls, one step farther each time.

    While it works, a way also holds the number of steps, modulo 3 and plus 1, in its upper
    bits: neighbours differ by one step at most, so that tells which of them is nearer.
    """
    around = _around(cols)
    queue = np.empty(direction.size, np.int32)
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


@kernel("void(uint8[::1], int64, int32[::1])")
def _accumulate(direction, cols, area):  # type: ignore[no-untyped-def]
    """Walk down from each source, on past each cell whose donors have all arrived."""
    around = _around(cols)
    donors = np.zeros(direction.size, np.uint8)
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


@kernel("void(float32[:, ::1], float32[:, ::1], float64[:, ::1], int64)")
def _spread(filled, direction, cells, rim):  # type: ignore[no-untyped-def]
    """Hand on each cell's water once all its donors have handed on theirs."""
    rows, cols = filled.shape
    top, bottom, left, right = rim, rows - rim, rim, cols - rim
    donors = np.zeros((rows, cols), np.uint8)
    for row in range(rows):
        for col in range(cols):
            lower = False
            for k in range(8):
                r, c = row + _DOWN[k], col + _RIGHT[k]
                if 0 <= r < rows and 0 <= c < cols and filled[r, c] < filled[row, col]:
                    lower = True
                    if top <= r < bottom and left <= c < right:
                        donors[r, c] += 1
            if not lower and direction[row, col] < _OUT:
                k = int(direction[row, col])
                r, c = row + _DOWN[k], col + _RIGHT[k]
                if top <= r < bottom and left <= c < right:
                    donors[r, c] += 1
    ready = np.empty(rows * cols, np.int32)
    done = np.uint8(255)
    for start in range(rows * cols):
        if donors[start // cols, start % cols] != 0:
            continue
        ready[0] = start
        size = 1
        while size > 0:
            size -= 1
            row, col = ready[size] // cols, ready[size] % cols
            donors[row, col] = done
            height = filled[row, col]
            total = 0.0
            for k in range(8):
                r, c = row + _DOWN[k], col + _RIGHT[k]
                if 0 <= r < rows and 0 <= c < cols and filled[r, c] < height:
                    total += (height - filled[r, c]) * (2 - k % 2)
            way = direction[row, col]
            for k in range(8):
                r, c = row + _DOWN[k], col + _RIGHT[k]
                if not (top <= r < bottom and left <= c < right):
                    continue
                if total > 0:
                    if not filled[r, c] < height:
                        continue
                    share = (height - filled[r, c]) * (2 - k % 2) / total
                elif k == way:
                    share = 1.0
                else:
                    continue
                cells[r, c] += cells[row, col] * share
                donors[r, c] -= 1
                if donors[r, c] == 0:
                    ready[size] = r * cols + c
                    size += 1


@kernel("void(float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1])")
def _channel_height(filled, direction, channel, base):  # type: ignore[no-untyped-def]
    """Walk down to a cell whose channel is known, then again, telling all cells on the way."""
    rows, cols = filled.shape
    unknown = np.float32(-np.inf)
    for row in range(rows):
        for col in range(cols):
            r, c = row, col
            found = base[r, c]
            while found == unknown:
                k = direction[r, c]
                if channel[r, c] == 1:
                    found = filled[r, c]
                elif k < _OUT:
                    r += _DOWN[int(k)]
                    c += _RIGHT[int(k)]
                    found = base[r, c]
                else:
                    found = np.float32(np.nan)
            r, c = row, col
            while base[r, c] == unknown:
                base[r, c] = found
                k = direction[r, c]
                if channel[r, c] == 1 or not k < _OUT:
                    break
                r += _DOWN[int(k)]
                c += _RIGHT[int(k)]
