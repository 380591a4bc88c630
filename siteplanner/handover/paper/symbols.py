"""Draws things on paper by their symbology: line with dashes, area with hatch, marker."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, linearlyInterpolatedColor, white
from reportlab.lib.rl_accel import fp_str
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from siteplanner.base.symbology.kinds import (
    HATCH_DOT_MM,
    HATCH_LINE_MM,
    HATCH_STEP_MM,
    HATCHES,
    MARKER_MM,
    MARKERS,
    PALE,
    SOLID,
    SOLID_OPACITY,
    Symbology,
)


def draw_symbol(
    canvas: Canvas, shape: shapely.Geometry, symbology: Symbology, size: float = 1.0
) -> None:
    """Draw a shape of any form, in points on the page; lines ``size`` times as wide."""
    parts = shapely.get_parts(shape)
    parts = parts[~shapely.is_empty(parts)]
    if not len(parts):
        return
    kinds = shapely.get_type_id(parts)
    areas = parts[kinds == shapely.GeometryType.POLYGON]
    canvas.saveState()
    canvas.setStrokeColor(HexColor(symbology.colour))
    canvas.setFillColor(HexColor(symbology.colour))
    if symbology.fill and len(areas):
        _fill(canvas, areas, symbology, size)
    lines = edges_of(parts)
    if symbology.width_mm and len(lines):
        canvas.setLineWidth(size * symbology.width_mm * mm)
        canvas.setDash([size * length * mm for length in symbology.dash_mm])
        canvas.drawPath(path_of(canvas, lines), stroke=1, fill=0)
    for point in parts[kinds == shapely.GeometryType.POINT]:
        _marker(canvas, point.x, point.y, symbology.marker, size * MARKER_MM / 2 * mm)
    canvas.restoreState()


def hatch(shape: shapely.Geometry, turn: float, step: float) -> NDArray[np.object_]:
    """Give parallel lines (n,) inside a shape, ``step`` apart, turned anticlockwise by ``turn``°.

    They lie where they would for any other shape, so that hatches of neighbours meet.
    """
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    across = np.array([-along[1], along[0]])
    (low, far), (left, right) = _reach(shape, across), _reach(shape, along)
    offsets = np.arange(math.ceil(low / step), math.floor(far / step) + 1) * step
    ends = offsets[:, None, None] * across + np.array([left, right])[None, :, None] * along
    inside = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), shape))
    # Without points, where a line only touches the shape.
    return inside[_are_lines(inside) & ~shapely.is_empty(inside)]


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


def _are_lines(shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
    return shapely.get_dimensions(shapes) == 1


def _reach(shape: shapely.Geometry, way: NDArray[np.float64]) -> tuple[float, float]:
    west, south, east, north = shape.bounds
    corners = np.array([(west, south), (west, north), (east, south), (east, north)]) @ way
    return float(corners.min()), float(corners.max())


def _fill(
    canvas: Canvas,
    areas: NDArray[np.object_],
    symbology: Symbology,
    size: float,
) -> None:
    if symbology.fill == SOLID or symbology.pale:
        # A tint instead of opacity, which forms inside a PDF page cannot have.
        tint = HexColor(symbology.colour) if symbology.fill == SOLID else HexColor(PALE)
        share = SOLID_OPACITY if symbology.fill == SOLID else 1.0
        canvas.setFillColor(linearlyInterpolatedColor(white, tint, 0, 1, share))
        canvas.drawPath(path_of(canvas, edges_of(areas)), stroke=0, fill=1, fillMode=0)
        canvas.setFillColor(HexColor(symbology.colour))
    if symbology.fill == SOLID:
        return
    tile, turn = HATCHES[symbology.fill]
    shape, step = shapely.union_all(shapely.make_valid(areas)), size * HATCH_STEP_MM * mm
    if tile == "dot":
        path = canvas.beginPath()
        for x, y in hatch_dots(shape, turn, step).tolist():
            path.circle(x, y, size * HATCH_DOT_MM / 2 * mm)
        canvas.drawPath(path, stroke=0, fill=1)
        return
    canvas.setLineWidth(size * HATCH_LINE_MM * mm)
    for way in (turn, turn + 90) if tile == "grid" else (turn,):
        canvas.drawPath(path_of(canvas, hatch(shape, way, step)), stroke=1, fill=0)


def edges_of(parts: NDArray[np.object_]) -> NDArray[np.object_]:
    """Give the edges (n,) of areas, those of their holes too, and the lines among some shapes."""
    return np.concatenate([shapely.get_rings(parts), parts[_are_lines(parts)]])


def path_of(canvas: Canvas, lines: NDArray[np.object_]) -> PDFPathObject:
    """Make a path along lines, closed where they are rings.

    Numbers are brought into letters all at once, as a path's own steps are slow.
    """
    path = canvas.beginPath()
    if not len(lines):
        return path
    xy, of_line = shapely.get_coordinates(lines, return_index=True)
    said = fp_str(*xy.ravel().tolist()).split()
    points = [f"{x} {y}" for x, y in zip(said[::2], said[1::2], strict=True)]
    ends = np.cumsum(np.bincount(of_line, minlength=len(lines))).tolist()
    for start, end, ring in zip([0, *ends], ends, shapely.is_ring(lines).tolist(), strict=False):
        path._code_append(f"{points[start]} m")
        path._code_append(" l ".join([*points[start + 1 : end], ""])[:-1])
        if ring:
            path.close()
    return path


def _marker(canvas: Canvas, x: float, y: float, marker: str, radius: float) -> None:
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
