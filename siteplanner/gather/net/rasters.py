"""Rasters of the network, read by parts through the door alone, and patches cut out of them.

A driver that opens addresses itself would go past all that the door holds to, so that none is
given an address: it is given a file whose every byte comes through the door.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyproj
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.io import MemoryFile
from rasterio.warp import reproject, transform_bounds
from rasterio.windows import Window

from siteplanner.gather.area import Box
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import AbsentError, Answer, ServiceError, error_inside
from siteplanner.reading.files.drivers import listening

_BLOCK = 1 << 16
#: First bytes of a TIFF and a BigTIFF, either byte order.
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
#: Drivers look for files beside, write some beside, and may use several threads: none of it here.
_DRIVER = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_NUM_THREADS": "1",
}


@dataclass(frozen=True)
class Patch:
    """A part of a raster: values float64 (rows, columns), NaN where none; ``on`` as ISO date.

    Values are as the file holds them: ``scale`` and ``offset`` are what it says of their unit,
    which not every service's files say rightly.
    """

    values: NDArray[np.float64]
    transform: Affine
    crs: pyproj.CRS
    dtype: str
    address: str
    on: str
    scale: float = 1.0
    offset: float = 0.0

    @property
    def bounds(self) -> Box:
        """West, south, east, north, in the patch's CRS."""
        rows, columns = self.values.shape
        west, north = self.transform @ (0, 0)
        east, south = self.transform @ (columns, rows)
        return west, south, east, north


class RemoteFile(io.RawIOBase):
    """A file at an address, its blocks fetched as they are read; ``failed`` says why one was not.

    A driver cannot pass an exception on, not even that somebody stopped the program: it is told of
    an end of file, and whoever opened it asks for ``failed`` afterwards.
    """

    def __init__(self, door: Door, address: str, sends: str) -> None:
        self.door, self.address, self.sends = door, address, sends
        head = door.head(address, sends)
        length = head.headers.get("content-length", "")
        if not length.isdigit():
            raise ServiceError("it does not say how long the file is")
        self.length, self.tag, self.on = int(length), head.headers.get("etag"), head.on.isoformat()
        self.blocks: dict[int, bytes] = {}
        self.failed: BaseException | None = None
        self._at = 0

    def readable(self) -> bool:
        """It can be read."""
        return True

    def seekable(self) -> bool:
        """Any part of it can be read."""
        return True

    def tell(self) -> int:
        """Where the next byte is read."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Say where the next byte is read."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self.length}[whence]
        self._at = base + offset
        return self._at

    def read(self, size: int = -1) -> bytes:
        """Give the next bytes, none after a failure."""
        end = self.length if size < 0 else min(self._at + size, self.length)
        if self.failed is not None or end <= self._at:
            return b""
        first, last = self._at // _BLOCK, (end - 1) // _BLOCK
        try:
            self._fetch(first, last)
        except BaseException as error:
            self.failed = error
            return b""
        held = b"".join(self.blocks[n] for n in range(first, last + 1))
        found = held[self._at - first * _BLOCK : end - first * _BLOCK]
        self._at = end
        return found

    def _fetch(self, first: int, last: int) -> None:
        """Fetch the blocks that are missing, each run of them by one request."""
        most = self.door.manners.most_mb * 1e6
        wanted = [n for n in range(first, last + 1) if n not in self.blocks]
        while wanted:
            run = [n for place, n in enumerate(wanted) if n == wanted[0] + place]
            wanted = wanted[len(run) :]
            if (len(self.blocks) + len(run)) * _BLOCK > most:
                raise ServiceError(f"more than {most / 1e6:.3g} MB of the file would be needed")
            start, end = run[0] * _BLOCK, min((run[-1] + 1) * _BLOCK, self.length)
            answer = self.door.part(self.address, start, end - 1, self.sends, check=self._same)
            for n in run:
                at = n * _BLOCK - start
                self.blocks[n] = answer.body[at : at + _BLOCK]

    def _same(self, answer: Answer) -> None:
        if self.tag and answer.headers.get("etag", self.tag) != self.tag:
            raise ServiceError("the file changed while it was read; run again")


@contextmanager
def remote_raster(door: Door, address: str, sends: str) -> Iterator[tuple[Any, RemoteFile]]:
    """Open a GeoTIFF at an address. Raises :class:`ServiceError` for whatever goes wrong."""
    file = RemoteFile(door, address, sends)

    def opener(path: str, mode: str = "rb", **options: object) -> RemoteFile:
        if path != address:
            raise FileNotFoundError(path)  # files beside it are not looked for
        file.seek(0)
        return file

    try:
        with (
            listening(),
            rasterio.Env(**_DRIVER),
            rasterio.open(address, opener=opener, driver="GTiff") as source,
        ):
            yield source, file
    except RasterioError:
        raise file.failed or ServiceError("its file is no GeoTIFF that can be read") from None
    if file.failed is not None:
        raise file.failed


def cut(
    source: Any, box: Box, most_cells: int, address: str, on: str, *, coarser: int = 1
) -> Patch:
    """Cut a box (degrees) out of an open raster, whole cells outwards.

    Cells are averaged in squares, ``coarser`` or more of them a side, where there are more than
    ``most_cells``. Raises :class:`AbsentError` where they do not meet.
    """
    crs = _crs(source)
    window = window_of(box, crs, source.transform, source.width, source.height)
    step = max(coarser, math.ceil(math.sqrt(window.width * window.height / most_cells)))
    shape = (math.ceil(window.height / step), math.ceil(window.width / step))
    how = Resampling.nearest if step == 1 else Resampling.average
    read = source.read(1, window=window, out_shape=shape, masked=True, resampling=how)
    values = read.astype(np.float64).filled(np.nan)
    values[~np.isfinite(values)] = np.nan
    wide, high = window.width / shape[1], window.height / shape[0]
    transform = (
        source.transform
        @ Affine.translation(window.col_off, window.row_off)
        @ Affine.scale(wide, high)
    )
    unit = float(source.scales[0]), float(source.offsets[0])
    return Patch(values, transform, crs, source.dtypes[0], address, on, *unit)


def read_cog(door: Door, address: str, box: Box, most_cells: int, *, coarser: int = 1) -> Patch:
    """Read a box out of a GeoTIFF at an address by byte ranges."""
    with remote_raster(door, address, "byte ranges of one file") as (source, file):
        return cut(source, box, most_cells, address, file.on, coarser=coarser)


def read_answer(answer: Answer) -> Patch:
    """Read the whole of a GeoTIFF that came as an answer (see :func:`must_be_tiff`)."""
    try:
        with (
            listening(),
            rasterio.Env(**_DRIVER),
            MemoryFile(answer.body) as file,
            file.open(driver="GTiff") as source,
        ):
            values = source.read(1, masked=True).astype(np.float64).filled(np.nan)
            values[~np.isfinite(values)] = np.nan
            kind, crs = source.dtypes[0], _crs(source)
            return Patch(values, source.transform, crs, kind, answer.address, answer.on.isoformat())
    except RasterioError:
        raise ServiceError("its answer is no GeoTIFF that can be read") from None


def must_be_tiff(answer: Answer) -> None:
    """Refuse an answer that is no TIFF: services send errors as XML, at times with status 200."""
    if not answer.body.startswith(_TIFF):
        raise ServiceError(f"it answered with an error: {error_inside(answer.body)}")


def joined(patches: Sequence[Patch], how: Resampling = Resampling.bilinear) -> Patch:
    """Lay patches of the same heights side by side on the first one's cells.

    Where several know a cell the first decides; a patch on other cells is resampled.
    """
    first = patches[0]
    if len(patches) == 1:
        return first
    boxes = [
        one.bounds
        if one.crs == first.crs
        else transform_bounds(one.crs.to_wkt(), first.crs.to_wkt(), *one.bounds)
        for one in patches
    ]
    lows, highs = np.min(boxes, axis=0)[:2], np.max(boxes, axis=0)[2:]
    left, top = ~first.transform @ (lows[0], highs[1])
    right, bottom = ~first.transform @ (highs[0], lows[1])
    left, top = math.floor(left + 1e-6), math.floor(top + 1e-6)
    shape = (math.ceil(bottom - 1e-6) - top, math.ceil(right - 1e-6) - left)
    transform = first.transform @ Affine.translation(left, top)
    whole = np.full(shape, np.nan)
    for one in patches:
        here = np.full(shape, np.nan)
        reproject(
            one.values, here, src_transform=one.transform, src_crs=one.crs.to_wkt(),
            dst_transform=transform, dst_crs=first.crs.to_wkt(), src_nodata=np.nan,
            dst_nodata=np.nan, resampling=_how(one, first, how),
        )  # fmt: skip
        whole = np.where(np.isnan(whole), here, whole)
    return Patch(whole, transform, first.crs, first.dtype, first.address, first.on)


def _how(one: Patch, first: Patch, otherwise: Resampling) -> Resampling:
    """Copy cells that lie on the same lattice; resample others."""
    column, row = ~first.transform @ (one.transform.c, one.transform.f)
    same = one.crs == first.crs and np.allclose(
        [one.transform.a, one.transform.e], [first.transform.a, first.transform.e], rtol=1e-9
    )
    aligned = abs(column - round(column)) < 1e-3 and abs(row - round(row)) < 1e-3
    return Resampling.nearest if same and aligned else otherwise


def _crs(source: Any) -> pyproj.CRS:
    if source.crs is None:
        raise ServiceError("its file does not say its coordinate reference system")
    return pyproj.CRS.from_wkt(source.crs.to_wkt()).to_2d()


def window_of(box: Box, crs: pyproj.CRS, transform: Affine, columns: int, rows: int) -> Window:
    """Whole cells of a raster that a box (degrees) meets; edges are followed, not corners."""
    bounds = transform_bounds("EPSG:4326", crs.to_wkt(), *box, densify_pts=21)
    if not np.isfinite(bounds).all():
        raise AbsentError("the property is outside its map")
    left, top = ~transform @ (bounds[0], bounds[3])
    right, bottom = ~transform @ (bounds[2], bounds[1])
    left, right = max(math.floor(left), 0), min(math.ceil(right), columns)
    top, bottom = max(math.floor(top), 0), min(math.ceil(bottom), rows)
    if left >= right or top >= bottom:
        raise AbsentError("it has nothing here")
    return Window(left, top, right - left, bottom - top)


#: Reads a box (degrees) of a raster at an address.
Reader = Callable[[Door, str, Box, int], Patch]
