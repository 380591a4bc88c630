"""Water's way in tiles, equal to ``ground.water.flow`` on the whole grid to the last bit.

Each step sends every tile once over its cells, gathers what little its edge tells, answers the
question for all edges together in memory, and lets the next step finish the tiles with that:

1. Filling (after Barnes 2016): inside a tile each cell of the edge is a water of its own; where
   two waters meet, and how high, makes a graph that is small enough for the memory. The lowest
   way out through it gives the filled height of every edge cell.
2. Level ground: the fewest steps to where it falls, exchanged along the edges until none gets
   shorter.
3. Accumulation (after Barnes 2017): water that enters a tile through an edge cell leaves it
   through one other; adding up along these links gives what enters where.

Barnes' papers from memory; that the result is that of the whole grid is what the tests show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.strips import over_rows
from siteplanner.ground.water._flood import flood
from siteplanner.ground.water._flow import LEVEL, accumulate, steepest
from siteplanner.ground.water._neighbours import OUT, rimmed
from siteplanner.tiled import _tile_flow as kernels
from siteplanner.tiled.over_tiles import Made, Workers
from siteplanner.tiled.rasters import Raster, Target
from siteplanner.tiled.tiles import Box, Lines, rim_of

_INSIDE = np.s_[1:-1, 1:-1]


@dataclass(frozen=True)
class Filled:
    """Filled heights: the raster, and their values along the tiles' edges."""

    heights: Raster
    edges: Lines


def fill(heights: Raster, boxes: Sequence[Box], target: Target, workers: Workers) -> Filled:
    """Fill hollows into ``target``, float32 with NaN where ``heights`` are unknown."""
    shape = heights.shape
    ground = Lines(shape, boxes, 0, np.float32, np.nan)

    def meetings(box: Box) -> tuple[Made, tuple[Any, _Meetings]]:
        around = heights.read(box.expanded(1))
        inside = np.ascontiguousarray(around[_INSIDE])
        return {}, (ground.crossing(box, inside), _meetings(box, around, inside, shape[1]))

    told = workers.over("Finding where hollows spill", boxes, meetings)
    for box, (pieces, _) in zip(boxes, told, strict=True):
        ground.lay(box, pieces)
    found = [meetings for _, meetings in told]
    edges = _edge_levels(ground, found, Lines(shape, boxes, 0, np.float32, np.nan), shape[1])

    def filled(box: Box) -> tuple[Made, None]:
        around = _ringed(heights.read(box), edges, box)
        out, _ = flood(around)
        return {"filled": np.ascontiguousarray(out[2:-2, 2:-2])}, None

    workers.over("Filling hollows", boxes, filled, {"filled": target})
    return Filled(target.raster, edges)


def _ringed(inside: NDArray[Any], lines: Lines, box: Box) -> NDArray[Any]:
    """Give a tile's values with those of its neighbours' edges around them."""
    around = lines.ring(box)
    around[_INSIDE] = inside
    return around


@dataclass(frozen=True)
class _Meetings:
    """Pairs of edge cells (numbered over the whole grid, -1 is outside) whose waters meet."""

    one: NDArray[np.int64]
    other: NDArray[np.int64]
    height: NDArray[np.float32]


def _meetings(
    box: Box, around: NDArray[np.float32], inside: NDArray[np.float32], whole_cols: int
) -> _Meetings:
    filled, came_from = flood(inside)
    # Water that is unknown, or beside a void inside the tile, is outside at once: label 0.
    label = np.full(filled.shape, kernels.UNKNOWN)
    label[came_from == OUT] = 0
    rows, columns = rim_of(box)
    r, c = rows - box.top + 1, columns - box.left + 1
    known = ~np.isnan(filled[r, c])
    rows, columns, r, c = rows[known], columns[known], r[known], c[known]
    label[r, c] = np.arange(1, r.size + 1)
    kernels.label_roots(came_from, label)
    one, other, height = kernels.spills(filled, label)
    # Edge cells that lie beside unknown ground, in whatever tile, let water out.
    unknown = np.isnan(around)
    out = np.zeros(r.size, bool)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            out |= unknown[r + down, c + right]
    one = np.concatenate([one, label[r[out], c[out]]])
    other = np.concatenate([other, np.zeros(int(out.sum()), np.int32)])
    height = np.concatenate([height, filled[r[out], c[out]]])
    keep = kernels.needed(one, other, height, r.size + 1)
    number = np.append(-1, rows * whole_cols + columns)
    return _Meetings(number[one[keep]], number[other[keep]], height[keep])


def _edge_levels(ground: Lines, found: list[_Meetings], edges: Lines, cols: int) -> Lines:
    """Answer the question of filling for all edge cells together, into ``edges``."""
    one, other = [m.one for m in found], [m.other for m in found]
    height = [m.height for m in found]
    for here, there, is_row, at in ground.seams():
        for shift in (-1, 0, 1):
            a = np.arange(max(0, -shift), here.size - max(0, shift))
            b = a + shift
            meet = np.maximum(here[a], there[b])
            known = ~np.isnan(meet)
            a, b = a[known].astype(np.int64), b[known].astype(np.int64)
            one.append(at * cols + a if is_row else a * cols + at)
            other.append((at + 1) * cols + b if is_row else b * cols + at + 1)
            height.append(meet[known])
    ends = np.concatenate([*one, *other])
    cells, numbers = np.unique(np.append(ends, -1), return_inverse=True)
    first, second = np.split(numbers[:-1], 2)
    level = kernels.levels(first, second, np.concatenate(height), cells.size)
    edges.set_cells(cells[1:] // cols, cells[1:] % cols, level[1:])
    return edges


def ways(filled: Filled, boxes: Sequence[Box], store: Target, workers: Workers) -> Lines:
    """Tell each cell's way down, ``LEVEL`` where it has none, into ``store`` (uint8).

    Gives the steps over level ground to where it falls, along the tiles' edges; ``FAR`` off
    the grid.
    """
    steps = Lines(filled.heights.shape, boxes, 0, np.int32, kernels.FAR)

    def first(box: Box) -> tuple[Made, Any]:
        around = _ringed(filled.heights.read(box), filled.edges, box)
        way = _steepest(around)
        found = _steps(around, way, np.full(around.shape, kernels.FAR))
        return {"way": way}, steps.crossing(box, found[_INSIDE])

    def again(box: Box) -> tuple[Made, Any]:
        around = _ringed(filled.heights.read(box), filled.edges, box)
        found = _steps(around, store.raster.read_plain(box), steps.ring(box))
        return {}, steps.crossing(box, found[_INSIDE])

    told = workers.over("Finding flow directions", boxes, first, {"way": store})
    shorter, left = list(boxes), None
    while shorter:
        for box, pieces in zip(shorter, told, strict=True):
            steps.lay(box, pieces)
        before, left = left, steps.total()
        if left == before:
            raise RuntimeError("tiles do not agree on level ground across an edge")
        shorter = _shorter(steps, filled.edges, boxes)
        told = workers.over("Crossing level ground", shorter, again)
    return steps


def _steepest(around: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Ways down of a tile whose heights come with a ring of its neighbours'."""
    inside = around[_INSIDE]
    beside_unknown = np.zeros(inside.shape, bool)
    unknown = np.isnan(around)
    rows, cols = inside.shape
    for down in range(3):
        for right in range(3):
            beside_unknown |= unknown[down : down + rows, right : right + cols]
    way = np.full(around.shape, OUT, np.uint8)
    way[_INSIDE] = np.where(beside_unknown, OUT, LEVEL)
    over_rows(steepest, inside.shape, around, way)
    return np.ascontiguousarray(way[_INSIDE])


def _steps(
    around: NDArray[np.float32], way: NDArray[np.uint8], steps: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Steps to where level ground falls, put inside the ring of the neighbours'."""
    steps[_INSIDE] = np.where(way == LEVEL, kernels.FAR, 0)
    kernels.steps_to_fall(around, rimmed(way, OUT), steps)
    return steps


def _shorter(steps: Lines, heights: Lines, boxes: Sequence[Box]) -> list[Box]:
    """List the tiles with an edge cell that a neighbour across the edge offers fewer steps."""
    tops, lefts = sorted({b.top for b in boxes}), sorted({b.left for b in boxes})
    places: set[tuple[int, int]] = set()
    for (here, there, is_row, at), (low, high, _, _) in zip(
        steps.seams(), heights.seams(), strict=True
    ):
        for shift in (-1, 0, 1):
            a = np.arange(max(0, -shift), here.size - max(0, shift))
            b = a + shift
            level = low[a] == high[b]
            for cells, line in (
                (a[level & (here[a] > there[b].astype(np.int64) + 1)], at),
                (b[level & (there[b] > here[a].astype(np.int64) + 1)], at + 1),
            ):
                along, across = (lefts, tops) if is_row else (tops, lefts)
                mine = int(np.searchsorted(across, line, "right")) - 1
                for other in np.unique(np.searchsorted(along, cells, "right") - 1):
                    places.add((mine, int(other)) if is_row else (int(other), mine))
    wanted = {(tops[row], lefts[col]) for row, col in places}
    return [box for box in boxes if (box.top, box.left) in wanted]


def finish_ways(
    filled: Filled,
    store: Raster,
    steps: Lines,
    boxes: Sequence[Box],
    target: Target,
    workers: Workers,
) -> None:
    """Give level cells their way; codes of ``ground.water.DIRECTIONS``, NaN where unknown."""

    def finished(box: Box) -> tuple[Made, None]:
        around = _ringed(filled.heights.read(box), filled.edges, box)
        way = store.read_plain(box)
        if (way == LEVEL).any():
            held = rimmed(way, OUT)
            kernels.level_ways(around, held, _steps(around, way, steps.ring(box)))
            way = held[_INSIDE]
        return {"way": np.where(np.isnan(around[_INSIDE]), np.float32(np.nan), way)}, None

    workers.over("Finding flow directions on level ground", boxes, finished, {"way": target})


def read_ways(ways: Raster, box: Box) -> NDArray[np.uint8]:
    """Ways of a box with a rim that lets water out; unknown ground does so too."""
    return rimmed(np.nan_to_num(ways.read(box), nan=OUT).astype(np.uint8), OUT)


class Links:
    """Where water that enters a tile through an edge cell leaves it, for all edge cells."""

    def __init__(self, ways: Raster, boxes: Sequence[Box]) -> None:
        self.boxes, self.cols = boxes, ways.shape[1]
        rims = [rim_of(box) for box in boxes]
        numbers = [rows * self.cols + cols for rows, cols in rims]
        self.ends = dict(
            zip(boxes, np.cumsum([0, *(n.size for n in numbers)])[:-1].tolist(), strict=True)
        )
        everywhere = np.concatenate(numbers)
        self._order = np.argsort(everywhere)
        self._sorted = everywhere[self._order]

    def nodes(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Place among all edge cells of cells given by their number on the grid, -1 for none."""
        place = np.minimum(np.searchsorted(self._sorted, numbers), self._sorted.size - 1)
        return np.where(numbers >= 0, self._order[place], -1)

    def of(self, box: Box, values: NDArray[Any]) -> NDArray[Any]:
        """Values of a tile's edge cells out of those of all edge cells."""
        rows, _ = rim_of(box)
        start = self.ends[box]
        return values[start : start + rows.size]

    def leaves(
        self, box: Box, way: NDArray[np.uint8], stop: NDArray[np.bool_]
    ) -> NDArray[np.int64]:
        """Number on the grid of the cell beyond the tile that each edge cell's water comes to."""
        places = kernels.leaves_at(way, stop).astype(np.int64)
        return self._numbered(box, places, way.shape[1])

    def given(
        self, box: Box, area: NDArray[np.int32]
    ) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
        """Numbers of cells beyond the tile that get water from it, and how much."""
        outside = area.copy()
        outside[_INSIDE] = 0
        places = np.flatnonzero(outside)
        return self._numbered(box, places, area.shape[1]), outside.ravel()[places]

    def _numbered(self, box: Box, places: NDArray[np.int64], wide: int) -> NDArray[np.int64]:
        row, col = places // wide - 1 + box.top, places % wide - 1 + box.left
        return np.where(places >= 0, row * self.cols + col, -1)


def entering(
    ways: Raster,
    boxes: Sequence[Box],
    links: Links,
    workers: Workers,
    what: str,
    own: Any = lambda box: None,
) -> NDArray[np.int32]:
    """Add up what enters each tile through each of its edge cells, all edge cells in a row.

    ``own(box)`` gives the int32 amounts of a box's own cells with a rim of 0; 1 each when it
    gives none.
    """

    def told(box: Box) -> tuple[Made, Any]:
        way = read_ways(ways, box)
        amounts = own(box)
        given = accumulate(way, _ones(way) if amounts is None else amounts)
        leaves = links.leaves(box, way, np.zeros(way.shape, bool))
        return {}, (leaves, *links.given(box, given))

    found = workers.over(what, boxes, told)
    link = links.nodes(np.concatenate([leaves for leaves, _, _ in found]))
    amount = np.zeros(link.size, np.int32)
    for _, cells, given in found:
        np.add.at(amount, links.nodes(cells), given)
    kernels.along_links(link, amount)
    return amount


def _ones(way: NDArray[np.uint8]) -> NDArray[np.int32]:
    """One for each cell, none for the rim."""
    return rimmed(np.ones((way.shape[0] - 2, way.shape[1] - 2), np.int32), 0)


def accumulated(
    ways: Raster, box: Box, links: Links, enter: NDArray[np.int32], own: Any = None
) -> NDArray[np.int32]:
    """Add up a box's own amounts (1 each when none are given) and what enters it."""
    way = read_ways(ways, box)
    cells = _ones(way) if own is None else own.copy()
    rows, cols = rim_of(box)
    cells[rows - box.top + 1, cols - box.left + 1] += links.of(box, enter)
    return accumulate(way, cells)[_INSIDE]
