"""Kernels for water in tiles: what a tile tells the others, and the answer for all.

Grids have a rim of one cell, as in ``ground/_neighbours.py``. What looks at all cells alike is
numpy's; what goes from cell to cell is compiled.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order

from siteplanner.base.grid import BoolGrid, FloatGrid
from siteplanner.base.kernels import kernel
from siteplanner.ground.water._flow import LEVEL
from siteplanner.ground.water._neighbours import AROUND, OUT, SIDES_FIRST, around
from siteplanner.tiled.tiles import Box, rim_of

#: Steps to where level ground falls, where no way is known yet.
FAR = np.int32(2**31 - 2)
#: What is to be found out by following the water, and what is told of water that goes nowhere.
UNKNOWN, NOWHERE = np.int32(-2), np.int32(-1)
_AROUND_FIRST = 4  # directions 0 to 3 meet every pair of neighbours once


def label_roots(came_from: NDArray[np.uint8], label: NDArray[np.int32]) -> None:
    """Tell for each cell which root its flood came from; roots know theirs, the rest is UNKNOWN.

    Both grids with a rim; ``came_from`` as ``flood`` leaves it.
    """
    rows, cols = label.shape
    ways, known, distances = came_from.ravel(), label.ravel(), around(label.shape)
    for row in range(rows):
        cells = np.arange(row * cols, (row + 1) * cols, dtype=np.int32)
        _follow(ways, cells, known, distances)


def leaves_at(way: NDArray[np.uint8], stop: BoolGrid) -> NDArray[np.int32]:
    """Tell for each cell of the edge, as ``rim_of`` lists them, where its water leaves the tile.

    That is a cell of the rim, by its flat index. Water goes ``NOWHERE`` when it leaves the map
    or meets a cell where ``stop`` is true.
    """
    known = np.full(way.size, UNKNOWN)
    known[np.flatnonzero(stop | (way >= OUT))] = NOWHERE
    rim, starts = _ring(way.shape, 0), _ring(way.shape, 1)
    known[rim] = rim
    _follow(way.ravel(), starts, known, around(way.shape))
    return known[starts]


def _ring(shape: tuple[int, ...], away: int) -> NDArray[np.int32]:
    """Flat indices of the cells so far from a grid's edge, in the order of ``rim_of``."""
    rows, cols = rim_of(Box(away, shape[0] - away, away, shape[1] - away))
    return (rows * shape[1] + cols).astype(np.int32)


def spills(
    filled: FloatGrid, label: NDArray[np.int32]
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float32]]:
    """List where the waters of two roots meet: both labels, and the height it takes."""
    heights, labels = filled.ravel(), label.ravel()
    found = []
    for far in around(label.shape)[:_AROUND_FIRST]:
        here = np.flatnonzero(labels[:-far] != labels[far:])
        height = np.maximum(heights[here], heights[here + far])
        here, height = here[height == height], height[height == height]
        found.append((labels[here], labels[here + far], height))
    one, other, height = (np.concatenate(pieces) for pieces in zip(*found, strict=True))
    return one, other, height


def needed(
    one: NDArray[Any], other: NDArray[Any], height: NDArray[np.float32], nodes: int
) -> NDArray[np.int64]:
    """List the meetings, lowest first, that join two waters that no lower one has joined."""
    order = np.argsort(height, kind="stable")
    joins = np.zeros(order.size, np.bool_)
    ends = (end[order].astype(np.int32, copy=False) for end in (one, other))
    _join(*ends, np.arange(nodes, dtype=np.int32), joins)
    return order[joins]


def levels(
    one: NDArray[Any], other: NDArray[Any], height: NDArray[np.float32], nodes: int
) -> NDArray[np.float32]:
    """Tell to which height each water must rise to reach node 0, the outside, as all can.

    The lowest way out runs along the meetings that are needed, which make a tree; the highest
    of them counts.
    """
    kept = needed(one, other, height, nodes)
    one, other, height = one[kept], other[kept], height[kept]
    tree = coo_array((np.ones(kept.size, np.int8), (one, other)), shape=(nodes, nodes))
    before = breadth_first_order(tree.tocsr(), 0, directed=False)[1]
    before[0] = 0
    out = np.full(nodes, -np.inf, np.float32)
    out[np.where(before[other] == one, other, one)] = height
    while before.any():  # each round looks twice as far towards the outside
        out = np.maximum(out, out[before])
        before = before[before]
    return out


def along_links(link: NDArray[np.int64], amount: NDArray[np.int32]) -> None:
    """Add amounts up along links from node to node (-1: none), in place."""
    waits = np.bincount(link[link >= 0], minlength=link.size)
    ready = np.flatnonzero((waits == 0) & (link >= 0))
    while ready.size:
        to = link[ready]
        np.add.at(amount, to, amount[ready])
        np.subtract.at(waits, to, 1)
        ready = np.unique(to[(waits[to] == 0) & (link[to] >= 0)])


def steps_to_fall(filled: FloatGrid, way: NDArray[np.uint8], steps: NDArray[np.int32]) -> None:
    """Put the fewest steps over level ground to where it falls; a rim of known steps counts.

    ``way`` as ``steepest`` leaves it, ``steps`` 0 where it tells a way, else ``FAR`` or, on the
    rim, what is known there.
    """
    flat, distances = (filled.ravel(), way.ravel(), steps.ravel()), around(way.shape)
    nearest = _from_rim(*flat, _ring(way.shape, 1), distances)
    queue = np.empty(way.size, np.int32)
    _steps_to_fall(*flat, nearest, queue, distances)


def _from_rim(
    filled: NDArray[np.float32],
    way: NDArray[np.uint8],
    steps: NDArray[np.int32],
    edge: NDArray[np.int32],
    distances: tuple[int, ...],
) -> NDArray[np.int32]:
    """Give level cells of the edge the steps that the rim offers; list these, nearest first."""
    edge = edge[way[edge] == LEVEL]
    best = np.full(edge.size, FAR)
    for far in distances:
        level = filled[edge + far] == filled[edge]
        best = np.minimum(best, np.where(level, steps[edge + far], FAR - 1) + 1)
    steps[edge] = best
    nearest = np.argsort(best, kind="stable")
    return edge[nearest[: np.count_nonzero(best < FAR)]]


def level_ways(filled: FloatGrid, way: NDArray[np.uint8], steps: NDArray[np.int32]) -> None:
    """Give LEVEL cells the way to the first neighbour, sides first, that is one step nearer."""
    distances = around(way.shape)
    sides_first = tuple(distances[k] for k in SIDES_FIRST)
    _level_ways(filled.ravel(), way.ravel(), steps.ravel(), sides_first)


@kernel(f"void(uint8[::1], int32[::1], int32[::1], {AROUND})")
def _follow(way, starts, known, around):  # type: ignore[no-untyped-def]
    """Tell all cells on the way from each start what the first of them knows that knows."""
    for n in range(starts.size):
        here = start = starts[n]
        while known[here] == UNKNOWN:
            here += around[way[here]]
        found, end = known[here], here
        here = start
        while here != end:
            known[here] = found
            here += around[way[here]]


@kernel("void(int32[::1], int32[::1], int32[::1], boolean[::1])")
def _join(one, other, parent, joins):  # type: ignore[no-untyped-def]
    """Tell of each pair whether it joins two sets, and join them; each node begins as one.

    Both ends climb to their sets' roots by turns, the one with the lower parent first, which is
    hung under the other's parent in passing: no parent is lower than its children (Rem's
    algorithm, after Dijkstra 1976, from memory).
    """
    for n in range(one.size):
        low, high = one[n], other[n]
        while parent[low] != parent[high]:
            if parent[low] > parent[high]:
                low, high = high, low
            above = parent[low]
            parent[low] = parent[high]
            if above == low:
                joins[n] = True
                break
            low = above


@kernel(f"void(float32[::1], uint8[::1], int32[::1], int32[::1], int32[::1], {AROUND})")
def _steps_to_fall(filled, way, steps, nearest, queue, around):  # type: ignore[no-untyped-def]
    """Go from the places where level ground falls, one step farther each time.

    Cells of the edge that know steps from elsewhere, ``nearest`` first, come in when it is their
    turn: so no cell is queued twice, and ``queue`` has room for all.
    """
    place = head = tail = 0
    for here in range(way.size):
        if way[here] == LEVEL:
            height = filled[here]
            for k in range(8):
                beside = here + around[k]
                if steps[beside] == 0 and filled[beside] == height:
                    steps[here] = 1
                    queue[tail] = here
                    tail += 1
                    break
    while True:
        if place < nearest.size and (head == tail or steps[nearest[place]] < steps[queue[head]]):
            here = nearest[place]
            place += 1
        elif head < tail:
            here = queue[head]
            head += 1
        else:
            break
        height, farther = filled[here], steps[here] + 1
        for k in range(8):
            beside = here + around[k]
            if steps[beside] > farther and filled[beside] == height and way[beside] == LEVEL:
                steps[beside] = farther
                queue[tail] = beside
                tail += 1


@kernel(f"void(float32[::1], uint8[::1], int32[::1], {AROUND})")
def _level_ways(filled, way, steps, sides_first):  # type: ignore[no-untyped-def]
    for here in range(way.size):
        if way[here] == LEVEL:
            height, nearer = filled[here], steps[here] - 1
            for n in range(8):
                beside = here + sides_first[n]
                if filled[beside] == height and steps[beside] == nearer:
                    way[here] = SIDES_FIRST[n]
                    break
