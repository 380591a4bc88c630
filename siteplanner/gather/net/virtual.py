"""Virtual rasters (VRT): one XML file that names many tiles, read without letting a driver do it.

A driver would open whatever address such a file names.
"""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urljoin
from xml.etree import ElementTree

import numpy as np
import pyproj
import rasterio
from affine import Affine
from rasterio.windows import Window

from siteplanner.gather.area import Box
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import Answer, ServiceError, error_inside
from siteplanner.gather.net.lines import place_of, same_host
from siteplanner.gather.net.rasters import Patch, remote_raster, window_of

_MOST_BYTES = 32_000_000
_NO_VRT = "its list of tiles (VRT) cannot be understood"


@dataclass(frozen=True)
class _Tile:
    address: str
    source: tuple[float, float, float, float]
    place: tuple[float, float, float, float]


def read_vrt(door: Door, address: str, box: Box, most_cells: int) -> Patch:
    """Read a box (degrees) out of a virtual raster whose tiles lie on the same host.

    Raises :class:`ServiceError`, :class:`AbsentError` where they do not meet.
    """
    answer = door.get(address, "the name of a file", check=_must_be_vrt, most_bytes=_MOST_BYTES)
    try:
        root = ElementTree.fromstring(answer.body)
        columns, rows = int(root.attrib["rasterXSize"]), int(root.attrib["rasterYSize"])
        transform = Affine.from_gdal(*map(float, _text(root, "GeoTransform").split(",")))
        crs = pyproj.CRS.from_wkt(rasterio.CRS.from_user_input(_text(root, "SRS")).to_wkt())
        band = root.find("VRTRasterBand")
        if band is None:
            raise ValueError("no band")
        none = float(band.findtext("NoDataValue", "nan"))
        tiles = [_tile(one, address) for one in band if one.tag.endswith("Source")]
    except (ElementTree.ParseError, KeyError, ValueError, TypeError,
            rasterio.errors.CRSError):  # fmt: skip
        raise ServiceError(_NO_VRT) from None
    window = window_of(box, crs, transform, columns, rows)
    if window.width * window.height > most_cells:
        raise ServiceError("it would be too many cells")
    values = np.full((window.height, window.width), np.nan)
    kind = ""
    for tile in tiles:
        kind = _fill(door, tile, window, values, none) or kind
    moved = transform @ Affine.translation(window.col_off, window.row_off)
    return Patch(values, moved, crs, kind, address, answer.on.isoformat())


def _must_be_vrt(answer: Answer) -> None:
    start = answer.body[:4000]
    if b"<VRTDataset" not in start or b"<!DOCTYPE" in start or b"<!ENTITY" in answer.body:
        raise ServiceError(f"it answered with an error: {error_inside(answer.body)}")


def _text(root: ElementTree.Element, name: str) -> str:
    text = root.findtext(name)
    if not text:
        raise ValueError(name)
    return text


def _tile(element: ElementTree.Element, address: str) -> _Tile:
    """One tile of the list; only on the list's own host, and only cell by cell."""
    name = _text(element, "SourceFilename").strip().removeprefix("/vsicurl/")
    found = urljoin(address, name)
    if not same_host(found, address):
        raise ServiceError(f"its list of tiles names another place ({place_of(found).host})")
    source, place = (_rectangle(element.find(part)) for part in ("SrcRect", "DstRect"))
    if source[2:] != place[2:]:
        raise ServiceError(_NO_VRT)
    return _Tile(found, source, place)


def _rectangle(element: ElementTree.Element | None) -> tuple[float, float, float, float]:
    if element is None:
        raise ValueError("no rectangle")
    x, y, wide, high = (float(element.attrib[n]) for n in ("xOff", "yOff", "xSize", "ySize"))
    return x, y, wide, high


def _fill(door: Door, tile: _Tile, window: Window, values: np.ndarray, none: float) -> str:
    """Put a tile's part of the window into ``values``; give the kind of its numbers."""
    x, y, wide, high = tile.place
    left, right = max(x, window.col_off), min(x + wide, window.col_off + window.width)
    top, bottom = max(y, window.row_off), min(y + high, window.row_off + window.height)
    if left >= right or top >= bottom:
        return ""
    shape = (round(bottom - top), round(right - left))
    part = Window(
        round(left - x + tile.source[0]), round(top - y + tile.source[1]), shape[1], shape[0]
    )
    with remote_raster(door, tile.address, "byte ranges of one file") as (source, _):
        read = source.read(1, window=part, masked=True).astype(np.float64).filled(np.nan)
        kind = str(source.dtypes[0])
    read[read == none] = np.nan
    if read.shape != shape:
        raise ServiceError("a tile is smaller than its list of tiles says")
    row, column = round(top - window.row_off), round(left - window.col_off)
    values[row : row + shape[0], column : column + shape[1]] = read
    return kind
