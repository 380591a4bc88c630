"""What lies under the drawing: hillshade, contours, and any layer of the plan.

A picture comes with where it lies and its key; lines come as features with a label.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import contourpy
import numpy as np
import pyproj
import rasterio
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageColor
from rasterio.errors import RasterioError
from shapely.geometry import mapping

from siteplanner.base.errors import input_error
from siteplanner.base.grid import Grid
from siteplanner.base.plan_folder import FEATURES
from siteplanner.ground.relief.terrain import hillshade, slope_and_aspect
from siteplanner.handover.contours import contour_step
from siteplanner.reading.dem import read_dem
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.inputs import read_boundary
from siteplanner.reading.published import read_published
from siteplanner.site.site_file import Site

#: The longer side of a picture, pixels, at the most.
_PIXELS = 1600
#: The ground fills a picture about so wide, m: contours lie far enough apart on it.
_WIDE_M = 0.5
#: Layers of the plan's features that may lie under the drawing: title, and column of the label.
_FEATURES = {
    "zones": ("Zones of the plan", "zone"),
    "blocks": ("Blocks of the plan", "block"),
    "rows": ("Rows of the plan", ""),
}
_AGAIN = "plan again, then choose the layer"

Heights = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Picture:
    """A PNG, where it lies (west, south, east, north in the working CRS), and its key.

    ``key`` has a colour and its words for each class or step.
    """

    png: bytes
    extent: tuple[float, float, float, float]
    key: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Relief:
    """The ground that is drawn on: its heights (m) on their grid, and the hillshade."""

    heights: Heights
    grid: Grid
    shade: Picture


def relief(site: Site) -> Relief:
    """Read a site's heights and draw their hillshade. Raises :class:`~siteplanner.InputError`."""
    notes: list[str] = []
    crs = working_crs(site, notes)
    read = read_dem(site, crs, read_boundary(site, crs, notes).union_all())
    slope, aspect = slope_and_aspect(read.dem, read.grid)
    light = hillshade(slope, aspect)
    known = np.isfinite(light)
    grey = np.where(known, 96 + light * 0.62, 255).astype(np.uint8)
    alpha = np.where(known, 255, 0).astype(np.uint8)
    shade = Picture(_png(Image.fromarray(np.dstack([grey, alpha]), "LA")), read.grid.bounds)
    return Relief(read.dem, read.grid, shade)


def contours(heights: Heights, grid: Grid) -> dict[str, Any]:
    """Draw contours: the step between them (m) and lines, each with its height as a label.

    The step follows the median slope. Lines are simplified by half a cell.
    """
    known = heights[np.isfinite(heights)]
    if min(heights.shape) < 2 or not known.size:
        return {"step": 0, "features": []}
    rise = np.hypot(*np.gradient(heights, grid.cell))
    scale = max(heights.shape) * grid.cell / _WIDE_M
    step = contour_step(math.degrees(math.atan(float(np.nanmedian(rise)))), scale)
    x, y = grid.transform @ (0.5, 0.5)
    lines = contourpy.contour_generator(
        x + np.arange(heights.shape[1]) * grid.cell,
        y - np.arange(heights.shape[0]) * grid.cell,
        np.ma.masked_invalid(heights),
    )
    found = []
    for number in range(math.ceil(known.min() / step), math.floor(known.max() / step) + 1):
        drawn = [shapely.LineString(xy) for xy in lines.lines(number * step) if len(xy) > 2]
        if drawn:
            shape = shapely.simplify(shapely.MultiLineString(drawn), grid.cell / 2)
            bold = number % 5 == 0
            found.append(_feature(shape, f"{number * step:g} m" if bold else "", bold))
    return {"step": step, "features": found}


def _feature(shape: shapely.Geometry, label: str, bold: bool = False) -> dict[str, Any]:
    rounded = shapely.set_precision(shape, 0.01, mode="pointwise")
    return {"geometry": mapping(rounded), "label": label, "bold": bold}


def plan_layers(plan: Path, files: Iterable[str]) -> list[dict[str, str]]:
    """List what a plan has to lie under the drawing: id, title, unit and kind, by title.

    ``files`` are the names on the plan's own list.
    """
    rasters = []
    for name in files:
        if name.startswith("layers/") and name.endswith(".tif"):
            try:
                with rasterio.open(plan / name) as raster:
                    tags = raster.tags()
            except RasterioError:
                continue
            title = tags.get("title") or Path(name).stem
            one = {"id": Path(name).stem, "title": title, "unit": tags.get("unit", "")}
            rasters.append({**one, "kind": "picture"})
    vectors = [
        {"id": name, "title": title, "unit": "", "kind": "lines"}
        for name, (title, _) in _FEATURES.items()
        if FEATURES in files
    ]
    return vectors + sorted(rasters, key=lambda one: one["title"])


def plan_features(plan: Path, name: str, crs: pyproj.CRS) -> dict[str, Any] | None:
    """Give the outlines of one of the plan's layers; None for a name that is not in the list.

    Raises :class:`~siteplanner.InputError` where they cannot be read.
    """
    if name not in _FEATURES:
        return None
    _, label = _FEATURES[name]
    frame = read_published(plan).features(name, (label,) if label else ()).to_crs(crs)
    labels = frame[label].astype(str) if label else [""] * len(frame)
    pairs = zip(frame.geometry, labels, strict=True)
    return {"step": 0, "features": [_feature(shape, words) for shape, words in pairs]}


def plan_picture(plan: Path, name: str, crs: pyproj.CRS) -> Picture:
    """Draw one of the plan's rasters (the stem of its file) in the colours that a GIS gives it.

    Raises :class:`~siteplanner.InputError` where it cannot be read or lies in another CRS.
    """
    path = plan / "layers" / f"{name}.tif"
    try:
        with rasterio.open(path) as raster:
            shrink = max(1.0, max(raster.shape) / _PIXELS)
            shape = tuple(max(1, round(side / shrink)) for side in raster.shape)
            values = raster.read(1, out_shape=shape, masked=True).astype(float).filled(math.nan)
            there, extent = pyproj.CRS.from_wkt(raster.crs.to_wkt()), tuple(raster.bounds)
    except RasterioError as error:
        raise input_error(path, "", f"it cannot be read ({error})", _AGAIN) from None
    if not there.equals(crs, ignore_axis_order=True):
        raise input_error(path, "", "it lies in another CRS than the site now", _AGAIN)
    kind, steps = _look(path.with_suffix(".qml"), values)
    rgba = coloured(values, kind, [value for value, _, _ in steps], [c for _, c, _ in steps])
    return Picture(
        _png(Image.fromarray(rgba, "RGBA")), extent, tuple((c, words) for _, c, words in steps)
    )  # fmt: skip


def coloured(
    values: Heights, kind: str, steps: Sequence[float], colours: Sequence[str]
) -> NDArray[np.uint8]:
    """Give values their colours, uint8 (rows, columns, 4); clear where nothing is known.

    ``steps`` rise. ``kind`` is ``paletted`` (a step is a value), ``DISCRETE`` (the upper end of a
    band) or ``INTERPOLATED`` between steps.

    >>> coloured(np.array([[0.0, 5.0, np.nan]]), "INTERPOLATED", [0, 10], ["#000000", "#c80000"])
    array([[[  0,   0,   0, 255],
            [100,   0,   0, 255],
            [  0,   0,   0,   0]]], dtype=uint8)
    """
    table = np.array([ImageColor.getrgb(one)[:3] for one in colours], dtype=float)
    known = np.isfinite(values)
    if kind == "INTERPOLATED":
        rgb = np.stack([np.interp(values, steps, table[:, n]) for n in range(3)], axis=-1)
    else:
        at = np.searchsorted(steps, np.where(known, values, steps[0]))
        at = at.clip(0, len(steps) - 1)
        if kind == "paletted":
            known = known & (np.asarray(steps)[at] == values)
        rgb = table[at]
    out = np.zeros((*values.shape, 4), dtype=np.uint8)
    out[known, :3] = rgb[known].round()
    out[known, 3] = 255
    return out


def _look(path: Path, values: Heights) -> tuple[str, list[tuple[float, str, str]]]:
    """Steps (value, colour, words) of a raster's style; greys where it has none that is ours."""
    try:
        root = ET.parse(path).getroot()
        entries = [*root.iter("paletteEntry"), *root.iter("item")]
        shader = root.find(".//colorrampshader")
        kind = "paletted" if shader is None else shader.get("colorRampType", "INTERPOLATED")
        steps = [
            (float(one.attrib["value"]), one.attrib["color"], one.get("label", ""))
            for one in entries
        ]
        if steps and all(ImageColor.getrgb(colour) for _, colour, _ in steps):
            return kind, sorted(steps)
    except (OSError, ET.ParseError, KeyError, ValueError):  # edited, or gone: greys do
        pass
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    high = max(high, low + 1e-9)
    return "INTERPOLATED", [(low, "#222222", f"{low:.4g}"), (high, "#eeeeee", f"{high:.4g}")]


def _png(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()
