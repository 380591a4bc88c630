"""Compiled kernels of standing water: fill the DEM's hollows, or cut the banks that dam them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid
from siteplanner.base.kernels import kernel, part
from siteplanner.ground.water._neighbours import AROUND, NOT_YET, OUT, around, rimmed


def flood(heights: FloatGrid) -> tuple[FloatGrid, NDArray[np.uint8]]:
    """Fill hollows; also tell, per cell, from which neighbour the flood came (8: none).

    ``heights`` float32 (rows, cols), NaN where unknown; both results have a rim of one cell. A
    cell that is reached from a lower or level one keeps its height, which settles it at once;
    only a cell that has lower, dry ground beside it waits in the heap for its turn as the
    lowest spill (priority-flood after Barnes et al. 2014, with a heap for spills alone).
    """
    filled = rimmed(heights, np.nan)
    unknown = np.isnan(filled)
    came_from = np.where(unknown, np.uint8(OUT), np.uint8(NOT_YET))
    outlets = _beside(unknown)
    came_from.ravel()[outlets] = OUT
    # A cell waits once at most. Memory that is not written to is not taken from the machine.
    queue, waiting, cells = np.empty((3, filled.size), np.int32)
    queue[: outlets.size] = outlets
    keys = np.empty(filled.size, np.float32)
    flat = filled.ravel(), came_from.ravel()
    _flood(*flat, around(filled.shape), queue, outlets.size, waiting, keys, cells)
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


@kernel(
    f"void(float32[::1], uint8[::1], {AROUND}, int32[::1], int64, int32[::1], float32[::1],"
    "int32[::1])"
)
def _flood(dem, came_from, around, queue, tail, waiting, keys, cells):  # type: ignore[no-untyped-def]
    """Flood from the first ``tail`` cells of the ``queue``; the last three are room to work in."""
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
                if came_from[beside] != NOT_YET:
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
                if came_from[here + around[k]] == NOT_YET:
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
