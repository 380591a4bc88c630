"""Draws a look on paper: line with its dashes, area with its hatch, marker."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, white
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from siteplanner.base.symbology import (
    HATCH_DOT_MM,
    HATCH_LINE_MM,
    HATCH_STEP_MM,
    HATCHES,
    MARKER_MM,
    MARKERS,
    SOLID,
    SOLID_OPACITY,
    Look,
)

_LINES = (shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING)


def draw_look(canvas: Canvas, shape: shapely.Geometry, look: Look) -> None:
    """Draw a shape of any form, in points on the page, with its look."""
    parts = shapely.get_parts(shape)
    parts = parts[~shapely.is_empty(parts)]
    kinds = shapely.get_type_id(parts)
    areas = parts[kinds == shapely.GeometryType.POLYGON]
    canvas.saveState()
    canvas.setStrokeColor(HexColor(look.colour))
    canvas.setFillColor(HexColor(look.colour))
    if look.fill and len(areas):
        _fill(canvas, areas, look.fill)
    rings = [ring for area in areas for ring in (area.exterior, *area.interiors)]
    lines = parts[
        np.isin(kinds, (shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING))
    ]
    if look.width_mm and (rings or len(lines)):
        canvas.setLineWidth(look.width_mm * mm)
        canvas.setDash([length * mm for length in look.dash_mm])
        canvas.drawPath(_path(canvas, [*rings, *lines]), stroke=1, fill=0)
    for point in parts[kinds == shapely.GeometryType.POINT]:
        _marker(canvas, point.x, point.y, look.marker)
    canvas.restoreState()


def hatch(shape: shapely.Geometry, turn: float, step: float) -> shapely.Geometry:
    """Give parallel lines inside a shape, ``step`` apart, turned anticlockwise by ``turn``°.

    They lie where they would for any other shape, so that hatches of neighbours meet.
    """
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    across = np.array([-along[1], along[0]])
    (low, far), (left, right) = _reach(shape, across), _reach(shape, along)
    offsets = np.arange(math.ceil(low / step), math.floor(far / step) + 1) * step
    ends = offsets[:, None, None] * across + np.array([left, right])[None, :, None] * along
    return shapely.intersection(shapely.multilinestrings(shapely.linestrings(ends)), shape)


def hatch_dots(shape: shapely.Geometry, turn: float, step: float) -> NDArray[np.float64]:
    """Give places (n, 2) of dots inside a shape, on a square grid turned by ``turn``°."""
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    across = np.array([-along[1], along[0]])
    one, other = (
        np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
        for low, high in (_reach(shape, along), _reach(shape, across))
    )
    places = (one[:, None, None] * along + other[None, :, None] * across).reshape(-1, 2)
    return places[shapely.contains_xy(shape, places[:, 0], places[:, 1])]


def _reach(shape: shapely.Geometry, way: NDArray[np.float64]) -> tuple[float, float]:
    west, south, east, north = shape.bounds
    corners = np.array([(west, south), (west, north), (east, south), (east, north)]) @ way
    return float(corners.min()), float(corners.max())


def _fill(canvas: Canvas, areas: NDArray[np.object_], fill: str) -> None:
    if fill == SOLID:
        rings = [ring for area in areas for ring in (area.exterior, *area.interiors)]
        canvas.saveState()
        canvas.setFillAlpha(SOLID_OPACITY)
        canvas.drawPath(_path(canvas, rings), stroke=0, fill=1, fillMode=0)
        canvas.restoreState()
        return
    tile, turn = HATCHES[fill]
    shape = shapely.multipolygons(shapely.get_parts(shapely.make_valid(shapely.union_all(areas))))
    if tile == "dot":
        path = canvas.beginPath()
        for x, y in hatch_dots(shape, turn, HATCH_STEP_MM * mm).tolist():
            path.circle(x, y, HATCH_DOT_MM / 2 * mm)
        canvas.drawPath(path, stroke=0, fill=1)
        return
    canvas.setLineWidth(HATCH_LINE_MM * mm)
    for way in (turn, turn + 90) if tile == "grid" else (turn,):
        lines = shapely.get_parts(hatch(shape, way, HATCH_STEP_MM * mm))
        lines = lines[np.isin(shapely.get_type_id(lines), _LINES) & ~shapely.is_empty(lines)]
        canvas.drawPath(_path(canvas, list(lines)), stroke=1, fill=0)


def _path(canvas: Canvas, lines: list[shapely.LineString]) -> PDFPathObject:
    path = canvas.beginPath()
    for line in lines:
        (x, y), *rest = shapely.get_coordinates(line).tolist()
        path.moveTo(x, y)
        for x, y in rest:
            path.lineTo(x, y)
        if line.is_ring:
            path.close()
    return path


def _marker(canvas: Canvas, x: float, y: float, marker: str) -> None:
    radius = MARKER_MM / 2 * mm
    path = canvas.beginPath()
    if not MARKERS[marker]:
        path.circle(x, y, radius)
    else:
        (a, b), *rest = MARKERS[marker]
        path.moveTo(x + a * radius, y + b * radius)
        for a, b in rest:
            path.lineTo(x + a * radius, y + b * radius)
        path.close()
    canvas.setStrokeColor(white)
    canvas.setDash([])
    canvas.setLineWidth(0.5)
    canvas.drawPath(path, stroke=1, fill=1)
