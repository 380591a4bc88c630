"""A grid cut into tiles: boxes of cells, a tile's own Grid, and lines of cells on its edges."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from siteplanner.base.grid import Grid


class Box(NamedTuple):
    """Rows ``top`` to ``bottom`` and columns ``left`` to ``right``, the last of each left out."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.bottom - self.top, self.right - self.left

    def expanded(self, cells: int) -> Box:
        """Give the box with so many cells more on each side."""
        return Box(self.top - cells, self.bottom + cells, self.left - cells, self.right + cells)

    def within(self, shape: tuple[int, int]) -> Box:
        """Give the part of the box that lies in a grid of this shape."""
        rows, cols = shape
        return Box(
            max(self.top, 0), min(self.bottom, rows), max(self.left, 0), min(self.right, cols)
        )

    def seen_from(self, outer: Box) -> tuple[slice, slice]:
        """Slices that cut this box out of an array of ``outer``."""
        return (
            slice(self.top - outer.top, self.bottom - outer.top),
            slice(self.left - outer.left, self.right - outer.left),
        )


def cut(shape: tuple[int, int], side: int) -> list[Box]:
    """Cut a grid into tiles of ``side`` cells, in reading order; the last ones may be smaller."""
    rows, cols = shape
    return [
        Box(top, min(top + side, rows), left, min(left + side, cols))
        for top in range(0, rows, side)
        for left in range(0, cols, side)
    ]


@dataclass(frozen=True)
class Part(Grid):
    """The Grid of a box of a larger one.

    What a layer asks of the grid's middle (its latitude, where north lies) is answered for the
    whole grid, or each tile would turn its aspects a little differently.
    """

    whole: Grid = field(kw_only=True)

    @property
    def centre_lonlat(self) -> tuple[float, float]:
        """(longitude, latitude) of the whole grid's middle, degrees, WGS 84."""
        return self.whole.centre_lonlat


def part_of(grid: Grid, box: Box) -> Part:
    """Give the Grid of a box that lies in ``grid``."""
    place = grid.transform @ Affine.translation(box.left, box.top)
    return Part(grid.crs, place, box.shape, whole=grid)


def rim_of(box: Box) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the cells along a box's inner edge, each cell once."""
    wide = box.right - box.left
    across, down = np.arange(wide), np.arange(0, (box.bottom - box.top) * wide, wide)
    edge = np.unique(np.concatenate([across, down[-1] + across, down, down + wide - 1]))
    return edge // wide + box.top, edge % wide + box.left


class Lines:
    """Values of a whole grid along the lines of cells that run beside its tiles' edges.

    For each tile these are the cells at ``away`` cells from it, which belong to its neighbours;
    with 0, the cells that touch it. A tile puts what it knows of its own cells on the lines and
    takes from them what its neighbours know. Values not told are ``beyond``.
    """

    def __init__(
        self, shape: tuple[int, int], boxes: Sequence[Box], away: int, dtype: Any, beyond: Any
    ) -> None:
        rows, cols = shape
        self.away, self.dtype, self.beyond = away, dtype, beyond
        across = {r for b in boxes for r in (b.top - 1 - away, b.bottom + away)}
        down = {c for b in boxes for c in (b.left - 1 - away, b.right + away)}
        self.rows = {r: np.full(cols, beyond, dtype) for r in sorted(across) if 0 <= r < rows}
        self.cols = {c: np.full(rows, beyond, dtype) for c in sorted(down) if 0 <= c < cols}

    def crossing(self, box: Box, values: NDArray[Any]) -> list[tuple[bool, int, NDArray[Any]]]:
        """Cut out of a tile's values (those of ``box``) what lies on lines, for :meth:`lay`."""
        rows = [
            (True, row, values[row - box.top].astype(self.dtype))
            for row in self.rows
            if box.top <= row < box.bottom
        ]
        cols = [
            (False, col, values[:, col - box.left].astype(self.dtype))
            for col in self.cols
            if box.left <= col < box.right
        ]
        return rows + cols

    def lay(self, box: Box, pieces: list[tuple[bool, int, NDArray[Any]]]) -> None:
        """Put a tile's pieces onto the lines that they were cut for."""
        for is_row, place, piece in pieces:
            if is_row:
                self.rows[place][box.left : box.right] = piece
            else:
                self.cols[place][box.top : box.bottom] = piece

    def ring(self, box: Box) -> NDArray[Any]:
        """Give an array of the box, ``away`` + 1 cells wider, the lines as its outermost cells."""
        around = box.expanded(self.away + 1)
        out = np.full(around.shape, self.beyond, self.dtype)
        for row, place in ((around.top, 0), (around.bottom - 1, -1)):
            if row in self.rows:
                _copy(out[place], self.rows[row], around.left)
        for col, place in ((around.left, 0), (around.right - 1, -1)):
            if col in self.cols:
                _copy(out[:, place], self.cols[col], around.top)
        return out

    def around(self, box: Box) -> NDArray[Any]:
        """Give the outermost cells of :meth:`ring` in a row."""
        ring = self.ring(box)
        return np.concatenate([ring[0], ring[-1], ring[1:-1, 0], ring[1:-1, -1]])

    def total(self) -> Any:
        """Sum of all values on the lines."""
        lines = [*self.rows.values(), *self.cols.values()]
        return sum(int(line.sum(dtype=np.int64)) for line in lines)

    def set_cells(self, rows: NDArray[Any], cols: NDArray[Any], values: NDArray[Any]) -> None:
        """Put values of single cells onto the lines that run through them."""
        for row, line in self.rows.items():
            here = rows == row
            line[cols[here]] = values[here]
        for col, line in self.cols.items():
            here = cols == col
            line[rows[here]] = values[here]

    def seams(self) -> Iterator[tuple[NDArray[Any], NDArray[Any], bool, int]]:
        """Give each two lines that touch across an edge, whether they are rows, and the first's."""
        for row, line in self.rows.items():
            if row + 1 in self.rows:
                yield line, self.rows[row + 1], True, row
        for col, line in self.cols.items():
            if col + 1 in self.cols:
                yield line, self.cols[col + 1], False, col


def _copy(target: NDArray[Any], line: NDArray[Any], start: int) -> None:
    """Copy the part of a line that begins at ``start``; what lies off the grid stays."""
    first, last = max(start, 0), min(start + target.size, line.size)
    target[first - start : last - start] = line[first:last]
