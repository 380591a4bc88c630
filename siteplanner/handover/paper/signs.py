"""Draws the species' signs (``base.symbology.signs``) on paper."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas

from siteplanner.base.symbology.signs import (
    CLOSED_LINE,
    CORNERS,
    OPEN_LINE,
    SIGNS,
    STROKES,
    shades,
)


def draw_signs(
    canvas: Canvas,
    sign: int,
    places: Iterable[tuple[float, float]],
    radius: float,
    colour: str = "#000000",
) -> None:
    """Draw one sign at places (x, y), all in points.

    Filled signs are dark and open ones pale, whatever the ``colour`` (#rrggbb), so that a print in
    black tells them apart.
    """
    dark, pale = (HexColor(shade) for shade in shades(colour))
    canvas.saveState()
    canvas.setStrokeColor(dark)
    at = np.array(list(places), dtype=np.float64).reshape(-1, 1, 2)
    for shape, filled, share in SIGNS[sign]:
        open_ended = shape in STROKES
        canvas.setFillColor(dark if filled else pale)
        canvas.setLineWidth(
            max(0.25, OPEN_LINE * radius) if open_ended else max(0.2, CLOSED_LINE * radius)
        )
        outline, code = _outline(shape)
        path = canvas.beginPath()
        # Thousands of outlines of a few corners: written in one go, as a path's own steps are slow.
        points = (at + share * radius * outline).reshape(len(at), -1)
        path._code.append("\n".join([code] * len(points)) % tuple(points.ravel().tolist()))
        canvas.drawPath(path, stroke=1, fill=int(not open_ended))
    canvas.restoreState()


@cache
def _outline(shape: str) -> tuple[NDArray[np.float64], str]:
    """Points (n, 2) of a shape with a radius of 1, and the steps of a PDF path through them."""
    if shape == "circle":
        k = 0.5522847498  # control points of a quarter circle (textbook value)
        quarter = np.array([(1, k), (k, 1), (0, 1)])
        turns = [np.array([(1, 0), (0, 1)]), np.array([(0, 1), (-1, 0)])]
        turns += [-turn for turn in turns]
        points = np.vstack([[(1, 0)], *(quarter @ turn for turn in turns)])
        return points, "%.2f %.2f m" + 4 * (" " + 6 * "%.2f " + "c") + " h"
    if shape in CORNERS:
        corners = np.array(CORNERS[shape], dtype=np.float64)
        return corners, "%.2f %.2f m" + (len(corners) - 1) * " %.2f %.2f l" + " h"
    strokes = np.array(STROKES[shape], dtype=np.float64).reshape(-1, 2)
    return strokes, " ".join(len(strokes) // 2 * ["%.2f %.2f m %.2f %.2f l"])
