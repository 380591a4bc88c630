"""The working grid: where each cell is on the earth, and moves between cells and shapes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pyproj
import rasterio.features
import rasterio.transform
from affine import Affine
from numpy.typing import ArrayLike, NDArray

FloatGrid = NDArray[np.float32]
BoolGrid = NDArray[np.bool_]


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square cells in a projected CRS with metres.

    ``transform`` maps (column, row) to (easting, northing) of cell corners; ``shape`` is
    (rows, columns). A layer on this grid is a float32 array of ``shape``, NaN where unknown.
    """

    crs: pyproj.CRS
    transform: Affine
    shape: tuple[int, int]

    @property
    def cell(self) -> float:
        """Cell size in metres."""
        return float(self.transform.a)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(west, south, east, north) of the grid's outer edge, metres."""
        return rasterio.transform.array_bounds(*self.shape, self.transform)

    @property
    def cell_area(self) -> float:
        """Map area of one cell, square metres."""
        return self.cell * self.cell

    @property
    def centre_lonlat(self) -> tuple[float, float]:
        """(longitude, latitude) of the grid's middle, degrees, WGS 84."""
        west, south, east, north = self.bounds
        lon, lat = self.lonlat((west + east) / 2, (south + north) / 2)
        return float(lon), float(lat)

    def lonlat(self, x: ArrayLike, y: ArrayLike) -> tuple[Any, Any]:
        """Longitude and latitude (degrees, WGS 84) of points on the grid, shaped as they are."""
        to_degrees = pyproj.Transformer.from_crs(self.crs, "EPSG:4326", always_xy=True)
        lon, lat = to_degrees.transform(x, y)
        return lon, lat

    def rows_cols(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of the cell that holds each point; may lie outside the shape."""
        inverse = ~self.transform
        cols = np.floor(inverse.a * np.asarray(x) + inverse.c).astype(np.int64)
        rows = np.floor(inverse.e * np.asarray(y) + inverse.f).astype(np.int64)
        return rows, cols

    def sample(
        self, layer: NDArray[np.generic], x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> NDArray[np.generic]:
        """Values of the cells that hold the points; points must lie inside the grid."""
        rows, cols = self.rows_cols(x, y)
        return layer[rows, cols]

    def cover(self, shapes: Iterable[object], *, all_touched: bool = False) -> BoolGrid:
        """Tell which cells have their centre (or, ``all_touched``, any part) in the shapes."""
        listed = [(shape, 1) for shape in shapes]
        if not listed:
            return np.zeros(self.shape, dtype=bool)
        burnt = rasterio.features.rasterize(
            listed,
            out_shape=self.shape,
            transform=self.transform,
            all_touched=all_touched,
            dtype="uint8",
        )
        return burnt.astype(bool)

    def number(self, shapes: Iterable[object]) -> NDArray[np.int32]:
        """Give each cell the number, from 1, of the shape that holds its centre; 0 for none.

        Where shapes overlap the later one counts.
        """
        listed = [(shape, number) for number, shape in enumerate(shapes, start=1)]
        if not listed:
            return np.zeros(self.shape, dtype=np.int32)
        burnt = rasterio.features.rasterize(
            listed, out_shape=self.shape, transform=self.transform, dtype="int32"
        )
        return np.asarray(burnt)

    def coarser(self, factor: int) -> Grid:
        """Give the grid whose cells are ``factor`` times as wide, same top-left corner."""
        rows, cols = self.shape
        return Grid(
            self.crs,
            self.transform @ Affine.scale(factor),
            (-(-rows // factor), -(-cols // factor)),
        )


def cells_of_each(number: NDArray[np.int32], count: int) -> list[NDArray[np.int64]]:
    """Flat indices, row by row, of the cells of each shape of :meth:`Grid.number`, 1 … ``count``.

    >>> [cells.tolist() for cells in cells_of_each(np.array([[2, 0], [1, 2]], np.int32), 3)]
    [[2], [0, 3], []]
    """
    cells = np.flatnonzero(number)
    mine = number.ravel()[cells]
    order = np.argsort(mine, kind="stable")
    ends = np.searchsorted(mine[order], np.arange(1, count + 2))
    return [cells[order[a:b]] for a, b in pairwise(ends)]
