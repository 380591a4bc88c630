"""Pictures of the ground for the map page, in the page's frame. Pure; writes nothing.

Pictures are data URLs. Layers come in their colours; what the page reads values from (see
``map_species``) comes as grey PNG, a code a pixel.
"""

from __future__ import annotations

import base64
import io
import math
import re
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio.warp
from affine import Affine
from numpy.typing import NDArray
from PIL import Image
from rasterio.enums import Resampling

from siteplanner.base.crs import web_map
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.symbology import colours

RELIEF_PIXELS = 1400
LAYER_PIXELS = 600
#: More pixels than this a cell, along a side, would show nothing more of a small property.
MOST_PIXELS_A_CELL = 8
#: Grey (0-255) of the darkest shade: what lies on the relief must be read.
RELIEF_DARKEST = 90
RAMP_STEPS = 64
#: Codes of areas pack as well by run lengths (zlib's Z_RLE) as by the slowest search.
_RUNS = {"compress_level": 6, "compress_type": 3}


@dataclass(frozen=True)
class MapFrame:
    """The part of the world that the page shows, metres of ``crs``.

    That is EPSG:3857, or its kin where the property may lie on both sides of the 180th meridian.
    """

    west: float
    south: float
    width: float
    height: float
    crs: str = "EPSG:3857"

    @classmethod
    def around(cls, shapes: gpd.GeoSeries, margin: float = 0.25) -> MapFrame:
        """Frame the shapes in a square with a margin, a share of the longer side."""
        west, south, east, north = shapes.total_bounds
        middle = gpd.GeoSeries.from_xy([(west + east) / 2], [(south + north) / 2], crs=shapes.crs)
        crs = web_map(float(middle.to_crs(4326).x.iloc[0]))
        west, south, east, north = shapes.to_crs(crs).total_bounds
        side = math.ceil((1 + 2 * margin) * max(east - west, north - south))
        west, south = math.floor((west + east - side) / 2), math.floor((south + north - side) / 2)
        return cls(west, south, side, side, crs)

    def pixels(self, longest: int, grid: Grid) -> tuple[tuple[int, int], Affine]:
        """Give shape (rows, columns) and transform of a picture of a grid in the frame.

        It has at most ``longest`` pixels a side, and no more than help.
        """
        size = max(max(self.width, self.height) / longest, _cell(grid) / MOST_PIXELS_A_CELL)
        shape = (max(1, round(self.height / size)), max(1, round(self.width / size)))
        top = self.south + self.height
        wide, high = self.width / shape[1], self.height / shape[0]
        return shape, Affine(wide, 0, self.west, 0, -high, top)


def _cell(grid: Grid) -> float:
    """Size of a grid's cell in metres of the frame, which are shorter away from the equator."""
    return grid.cell / math.cos(math.radians(grid.centre_lonlat[1]))


def grey_image(codes: NDArray[np.uint8]) -> str:
    """Give codes 0-255 as a grey PNG data URL, which a browser reads back exactly."""
    return image_url(Image.fromarray(codes), "PNG", **_RUNS)


def number(value: Any, digits: int) -> float | int | None:
    """Round a value for the page; None where it is unknown."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) if digits else round(value)


def text(value: Any) -> str:
    """Give a value of a table as text; empty where it is unknown."""
    missing = value is None or (isinstance(value, float) and math.isnan(value))
    return "" if missing else str(value)


def minus(said: str) -> str:
    """Write a hyphen before a number, but not one inside a word or range, as a minus sign."""
    return re.sub(r"(?<![^\s(])-(?=\d)", "\u2212", said)


def as_base64(data: bytes) -> str:
    """Give bytes as base64 text."""
    return base64.b64encode(data).decode("ascii")


def warp(values: FloatGrid, grid: Grid, frame: MapFrame, longest: int, classes: bool) -> FloatGrid:
    """Bring a grid to the frame, float32 (rows, columns), NaN where nothing is known."""
    shape, step = frame.pixels(longest, grid)
    shrinks = step.a > _cell(grid)
    way = Resampling.average if shrinks else Resampling.bilinear
    here = np.full(shape, np.nan, dtype=np.float32)
    rasterio.warp.reproject(
        values,
        here,
        src_transform=grid.transform,
        src_crs=grid.crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=step,
        dst_crs=frame.crs,
        dst_nodata=np.nan,
        resampling=Resampling.nearest if classes else way,
        num_threads=1,
    )
    return here


def relief(hillshade: FloatGrid, grid: Grid, frame: MapFrame) -> str:
    """Give the hillshade as a JPEG data URL, lightened so that what lies on it is read."""
    shade = warp(hillshade, grid, frame, RELIEF_PIXELS, classes=False)
    light = np.where(
        np.isnan(shade), 238, RELIEF_DARKEST + shade * ((255 - RELIEF_DARKEST) / 255)
    ).round()
    return image_url(Image.fromarray(light.clip(0, 255).astype(np.uint8)), "JPEG", quality=72)


def layer(
    info: LayerInfo, values: FloatGrid, grid: Grid, boundary: gpd.GeoSeries, frame: MapFrame
) -> dict[str, Any]:
    """Give a layer as a picture with its legend; unknown cells are clear."""
    here = warp(values, grid, frame, LAYER_PIXELS, classes=bool(info.classes))
    inside = values[grid.cover(boundary) & np.isfinite(values)]
    record: dict[str, Any] = {
        "name": info.name,
        "title": info.title,
        "unit": info.unit,
        "method": info.method,
        "source": info.source,
    }
    if info.classes:
        tints = colours.ramp(info.colours, len(info.classes))
        record["titles"] = list(info.classes)
        codes = np.where(np.isfinite(here), here + 1, 0).clip(0, len(tints))
        cells = np.bincount(inside.astype(int), minlength=len(tints)) / max(1, inside.size)
        record["classes"] = [
            {"title": title, "colour": tint, "percent": round(100 * float(share))}
            for title, tint, share in zip(info.classes, tints, cells, strict=False)
            if share > 0
        ]
    else:
        low, high = colours.ends(inside)
        span = max(float(high - low), 1e-9) if inside.size else 1.0
        tints = colours.ramp(info.colours, RAMP_STEPS)
        steps = np.floor((here - low) / span * RAMP_STEPS).clip(0, RAMP_STEPS - 1) + 1
        codes = np.where(np.isfinite(steps), steps, 0)
        record |= {"low": _shown(low, span), "high": _shown(high, span)}
        record["beyond"] = bool(inside.size and (inside.min() < low or inside.max() > high))
    record["tints"] = tints
    record["image"] = _palette_image(codes.astype(np.uint8), tints)
    return record


def _shown(value: float, span: float) -> float | int | None:
    """Round a legend's end to a hundredth of its span or so."""
    return number(value, max(0, 2 - math.ceil(math.log10(span))))


def _palette_image(codes: NDArray[np.uint8], tints: list[str]) -> str:
    """Give codes (0 clear, 1 … n the tints) as a PNG data URL."""
    picture = Image.fromarray(codes, mode="P")
    rgb = bytes.fromhex("ffffff" + "".join(tint.lstrip("#") for tint in tints))
    picture.putpalette(rgb)
    return image_url(picture, "PNG", transparency=0)


def image_url(picture: Image.Image, form: str, **options: Any) -> str:
    """Give a picture as a data URL."""
    buffer = io.BytesIO()
    picture.save(buffer, form, **options)
    return f"data:image/{form.lower()};base64,{as_base64(buffer.getvalue())}"
