"""Rasters of any size on the disk, read and written a box at a time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window

from siteplanner.base.crs import crs_words, with_code
from siteplanner.base.errors import input_error
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.units import length_unit
from siteplanner.handover.gis.rasters import coded, describe
from siteplanner.reading.dem import metres_of_heights
from siteplanner.reading.files.true_metres import degrees, in_metres, not_true
from siteplanner.suitability.classes import NOT_SCORED
from siteplanner.tiled.tiles import Box

_BLOCK, _SMALLEST_BLOCK = 512, 16


@dataclass(frozen=True)
class Raster:
    """One band on the disk; opened anew for each box, so that several threads may read.

    Cells with one of the values ``voids`` are unknown.
    """

    path: Path
    shape: tuple[int, int]
    voids: tuple[float, ...] = ()

    def read(self, box: Box, beyond: float = np.nan) -> FloatGrid:
        """Values of a box as float32, NaN where unknown and ``beyond`` off the raster.

        Raises :class:`~siteplanner.InputError` for a part that cannot be read.
        """
        inside = box.within(self.shape)
        try:
            with rasterio.open(self.path) as file:
                given = file.read(1, window=_window(inside), masked=True)
                scale, offset = file.scales[0], file.offsets[0]
        except RasterioError as error:
            raise input_error(
                self.path,
                f"rows {inside.top + 1} to {inside.bottom}, columns {inside.left + 1} to "
                f"{inside.right}",
                "this part cannot be read",
                "the file may be incomplete or damaged: get it again, or save it again as a "
                "GeoTIFF",
            ) from error
        if (scale, offset) != (1.0, 0.0):
            given = given * scale + offset
        values = given.astype(np.float32).filled(np.nan)
        values[~np.isfinite(values) | np.isin(values, self.voids)] = np.nan
        if inside == box:
            return values
        out = np.full(box.shape, beyond, np.float32)
        out[inside.seen_from(box)] = values
        return out

    def read_plain(self, box: Box) -> NDArray[Any]:
        """Values of a box that lies in the raster, as they are stored."""
        with rasterio.open(self.path) as file:
            return file.read(1, window=_window(box))


@dataclass(frozen=True)
class Target:
    """A raster to be written, a box at a time, one writer at a time."""

    raster: Raster
    info: LayerInfo | None = None

    def write(self, box: Box, values: NDArray[Any]) -> None:
        """Write the values of a box; a layer of categories is written as its codes.

        Raises :class:`~siteplanner.InputError` where the disk does not take them.
        """
        if self.info is not None:
            values = coded(self.info, values)
        try:
            with rasterio.open(self.raster.path, "r+") as file:
                file.write(values, 1, window=_window(box))
        except RasterioError as error:
            raise input_error(
                self.raster.path,
                "",
                f"it cannot be written ({error})",
                "free some space on the disk, or choose another folder",
            ) from error


def new_layer(folder: Path, info: LayerInfo, grid: Grid, side: int) -> Target:
    """Begin a layer's GeoTIFF: compressed, with its description in the tags.

    Its blocks fit into tiles of ``side`` cells, so that each is written once: a compressed one
    that is written again leaves its first room empty.
    """
    path = folder / f"{info.name}.tif"
    number = not info.classes
    with _create(
        path,
        grid,
        "float32" if number else "uint8",
        block=max(_SMALLEST_BLOCK, math.gcd(side, _BLOCK)),
        nodata=np.nan if number else NOT_SCORED,
        compress="DEFLATE",
        zlevel=1 if number else 6,
        predictor=3 if number else 1,
    ) as file:
        describe(file, info)
    return Target(Raster(path, grid.shape), info)


def scratch(path: Path, grid: Grid, dtype: str, nodata: float | None = None) -> Target:
    """Begin a raster that only later steps read: not compressed."""
    _create(path, grid, dtype, nodata=nodata).close()
    return Target(Raster(path, grid.shape))


def _create(path: Path, grid: Grid, dtype: str, block: int = _BLOCK, **options: Any) -> Any:
    rows, cols = grid.shape
    return rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=rows,
        width=cols,
        count=1,
        dtype=dtype,
        crs=grid.crs.to_wkt(),
        transform=grid.transform,
        tiled=True,
        blockxsize=block,
        blockysize=block,
        bigtiff="YES",
        sparse_ok=True,
        **options,
    )


def open_heights(path: Path) -> tuple[Raster, Grid]:
    """Look at a DEM without reading it: a GeoTIFF, a VRT, any raster of one band.

    Raises :class:`~siteplanner.InputError` for what cannot be worked on as it is: layers
    in tiles are told cell by cell, so the DEM must have square cells in metres.
    """
    if not path.exists():
        raise input_error(path, "", "this file does not exist", "check the path")
    try:
        with rasterio.open(path) as file:
            crs, transform, shape = file.crs, file.transform, (file.height, file.width)
            bands, unit = file.count, file.units[0]
    except RasterioError as error:
        raise input_error(
            path, "", f"it cannot be read as a raster ({error})", "save the DEM as a GeoTIFF"
        ) from None
    if bands != 1:
        raise input_error(path, "", f"it has {bands} bands", "give a DEM with one band of heights")
    if crs is None:
        raise input_error(
            path,
            "",
            "it has no coordinate reference system (CRS)",
            "set the DEM's CRS in a GIS and save it again",
        )
    found = pyproj.CRS.from_wkt(crs.to_wkt())
    remedy = (
        "first bring the DEM to square cells in a projected CRS in metres, such as the UTM zone; "
        "a virtual raster (VRT) takes no space"
    )
    if not in_metres(found.to_2d()):
        raise input_error(path, "", f"its CRS {found.name!r} is not projected in metres", remedy)
    straight = transform.b == 0 and transform.d == 0 and transform.a > 0 and transform.e < 0
    if not straight or not np.isclose(transform.a, -transform.e, rtol=1e-6):
        raise input_error(path, "", "its cells are not square with north up", remedy)
    middle = transform @ (shape[1] / 2, shape[0] / 2)
    wrong = not_true(found.to_2d(), *degrees(found.to_2d(), *middle), "the DEM's middle")
    if wrong:
        raise input_error(path, "", f"its CRS {crs_words(found.to_2d())} {wrong}", remedy)
    if (metres := metres_of_heights(found, unit)) != 1:
        in_unit = f"its heights are in {length_unit(metres)}"
        raise input_error(path, "", in_unit, "convert them to metres and save it again")
    return Raster(path, shape), Grid(with_code(found.to_2d()), transform, shape)


def _window(box: Box) -> Window:
    return Window(box.left, box.top, box.right - box.left, box.bottom - box.top)
