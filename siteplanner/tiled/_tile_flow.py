"""Compiled kernels for water in tiles: what a tile tells the others, and the answer for all.

They are compiled when first called: a plan of one property never calls them. Grids have a rim
of one cell, as in ``ground/_neighbours.py``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from siteplanner.ground._flow import LEVEL
from siteplanner.ground._neighbours import DOWN, OUT, RIGHT, SIDES_FIRST

#: Steps to where level ground falls, where no way is known yet.
FAR = np.int32(2**31 - 2)
_AROUND_FIRST = 4  # directions 0 to 3 meet every pair of neighbours once
_kernel: Any = njit(cache=True, nogil=True, error_model="numpy")


@_kernel
def label_roots(came_from, label):  # type: ignore[no-untyped-def]
    """Tell for each cell which root its flood came from; roots know theirs, others are -1.

    Both grids with a rim; ``came_from`` as ``flood`` leaves it.
    """
    rows, cols = came_from.shape
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            r, c = row, col
            while label[r, c] < 0:
                k = came_from[r, c]
                r += DOWN[k]
                c += RIGHT[k]
            found = label[r, c]
            r, c = row, col
            while label[r, c] < 0:
                label[r, c] = found
                k = came_from[r, c]
                r += DOWN[k]
                c += RIGHT[k]


@_kernel
def spills(filled, label):  # type: ignore[no-untyped-def]
    """List where the waters of two roots meet: both labels, and the height it takes."""
    rows, cols = filled.shape
    count = 0
    for fill in range(2):
        if fill == 1:
            one, other = np.empty(count, np.int32), np.empty(count, np.int32)
            height = np.empty(count, np.float32)
        count = 0
        for row in range(1, rows - 1):
            for col in range(1, cols - 1):
                here = filled[row, col]
                if here != here:
                    continue
                for k in range(_AROUND_FIRST):
                    r, c = row + DOWN[k], col + RIGHT[k]
                    there = filled[r, c]
                    if there != there or label[r, c] == label[row, col]:
                        continue
                    if fill == 1:
                        one[count], other[count] = label[row, col], label[r, c]
                        height[count] = max(here, there)
                    count += 1
    return one, other, height


@_kernel
def _root(parent, node):  # type: ignore[no-untyped-def]
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@_kernel
def needed(one, other, order, nodes):  # type: ignore[no-untyped-def]
    """Tell which meetings, lowest first, join two waters that no lower one has joined."""
    parent = np.arange(nodes)
    keep = np.zeros(one.size, np.bool_)
    for n in order:
        a, b = _root(parent, one[n]), _root(parent, other[n])
        if a != b:
            parent[a] = b
            keep[n] = True
    return keep


@_kernel
def levels(one, other, height, order, nodes):  # type: ignore[no-untyped-def]
    """Tell to which height each water must rise to reach node 0, the outside.

    Waters are joined from the lowest meeting up; the height at which a group joins the outside
    is that of all its members, who are kept as a chain.
    """
    parent = np.arange(nodes)
    after = np.full(nodes, -1, np.int64)
    last = np.arange(nodes)
    out = np.full(nodes, np.nan, np.float32)
    out[0] = -np.inf
    for n in order:
        a, b = _root(parent, one[n]), _root(parent, other[n])
        if a == b:
            continue
        outside = _root(parent, 0)
        if a == outside or b == outside:
            if a == outside:
                a, b = b, a
            member = a
            while member >= 0:
                out[member] = height[n]
                member = after[member]
            parent[a] = b
            continue
        parent[a] = b
        after[last[b]] = a
        last[b] = last[a]
    return out


@_kernel
def steps_to_fall(filled, way, steps):  # type: ignore[no-untyped-def]
    """Put the fewest steps over level ground to where it falls; a rim of known steps counts.

    ``way`` as ``steepest`` leaves it, ``steps`` 0 where it tells a way, else ``FAR`` or, on the
    rim, what is known there. Cells that are known wait in the order of their steps.
    """
    rows, cols = filled.shape
    size = rows * cols
    filled, way, steps = filled.ravel(), way.ravel(), steps.ravel()
    around = (1, cols + 1, cols, cols - 1, -1, -cols - 1, -cols, 1 - cols)
    rim = np.empty(2 * (rows + cols), np.int32)
    count = 0
    for row in range(rows):
        for col in range(cols):
            if row == 0 or col == 0 or row == rows - 1 or col == cols - 1:
                here = row * cols + col
                if steps[here] < FAR:
                    rim[count] = here
                    count += 1
    rim = rim[:count]
    rim = rim[np.argsort(steps[rim], kind="mergesort")]
    queue = np.empty(size, np.int32)
    head = tail = place = 0
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            here = row * cols + col
            if way[here] != LEVEL:
                continue
            for k in range(8):
                beside = here + around[k]
                r, c = row + DOWN[k], col + RIGHT[k]
                if r == 0 or c == 0 or r == rows - 1 or c == cols - 1:
                    continue
                if steps[beside] == 0 and filled[beside] == filled[here]:
                    steps[here] = 1
                    queue[tail] = here
                    tail += 1
                    break
    while head < tail or place < count:
        if place < count and (head == tail or steps[rim[place]] < steps[queue[head]]):
            nearer = rim[place]
            place += 1
        else:
            nearer = queue[head]
            head += 1
        row, col = nearer // cols, nearer % cols
        for k in range(8):
            r, c = row + DOWN[k], col + RIGHT[k]
            if not (0 < r < rows - 1 and 0 < c < cols - 1):
                continue
            here = r * cols + c
            if way[here] != LEVEL or filled[here] != filled[nearer]:
                continue
            if steps[here] > steps[nearer] + 1:
                steps[here] = steps[nearer] + 1
                queue[tail] = here
                tail += 1


@_kernel
def level_ways(filled, way, steps):  # type: ignore[no-untyped-def]
    """Give LEVEL cells the way to the first neighbour, sides first, that is one step nearer."""
    rows, cols = filled.shape
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            if way[row, col] != LEVEL:
                continue
            for n in range(8):
                k = SIDES_FIRST[n]
                r, c = row + DOWN[k], col + RIGHT[k]
                if filled[r, c] == filled[row, col] and steps[r, c] == steps[row, col] - 1:
                    way[row, col] = k
                    break


@_kernel
def leaves_at(way, starts, stop):  # type: ignore[no-untyped-def]
    """Tell for each start, a flat index, at which rim cell its water leaves; -1 for nowhere.

    Water goes nowhere when it leaves the map, or meets a cell where ``stop`` is true. Each
    cell is walked once: it remembers the start that passed it first.
    """
    cols = way.shape[1]
    around = (1, cols + 1, cols, cols - 1, -1, -cols - 1, -cols, 1 - cols)
    way, stop = way.ravel(), stop.ravel()
    passed = np.full(way.size, -1, np.int32)
    out = np.empty(starts.size, np.int64)
    size = way.size
    for n in range(starts.size):
        here = int(starts[n])
        while True:
            if passed[here] >= 0:
                out[n] = out[passed[here]]
                break
            row, col = here // cols, here % cols
            if row == 0 or col == 0 or col == cols - 1 or here >= size - cols:
                out[n] = here
                break
            passed[here] = n
            if way[here] >= OUT or stop[here]:
                out[n] = -1
                break
            here += around[way[here]]
    return out


@_kernel
def along_links(link, amount):  # type: ignore[no-untyped-def]
    """Add amounts up along links from node to node (-1: none), in place."""
    donors = np.zeros(link.size, np.int32)
    for node in range(link.size):
        if link[node] >= 0:
            donors[link[node]] += 1
    for start in range(link.size):
        node = start
        while donors[node] == 0:
            donors[node] = -1
            to = link[node]
            if to < 0:
                break
            amount[to] += amount[node]
            donors[to] -= 1
            node = to
