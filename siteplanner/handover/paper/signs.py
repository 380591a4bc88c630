"""Draws the species' signs (``base.symbology.signs``) on paper."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor
from reportlab.lib.rl_accel import fp_str
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
    places: Sequence[tuple[float, float]],
    radius: float,
    colour: str = "#000000",
) -> None:
    """Draw one sign at places (x, y), all in points.

    Filled signs are dark and open ones pale, whatever the ``colour`` (#rrggbb), so that a print in
    black tells them apart.
    """
    at = np.array(places, dtype=np.float64).reshape(-1, 1, 2)
    code = ["q"]
    for head, corners, steps, paint in _marks(sign, radius, colour):
        # Thousands of outlines of a few corners: written in one go, as a path's own steps are slow.
        points = (at + corners).ravel().tolist()
        path = "\n".join([steps] * len(at)) % tuple(points)
        code += [*head, path, paint]
    canvas._code += [*code, "Q"]


@cache
def _marks(
    sign: int, radius: float, colour: str
) -> list[tuple[list[str], NDArray[np.float64], str, str]]:
    """Marks of a sign as a PDF draws them: colour and width, corners, steps of the path, paint."""
    dark, pale = (HexColor(shade) for shade in shades(colour))
    found = []
    for shape, filled, share in SIGNS[sign]:
        open_ended = shape in STROKES
        least, line = (0.25, OPEN_LINE) if open_ended else (0.2, CLOSED_LINE)
        wide = max(least, line * radius)
        outline, steps = _outline(shape)
        head = [f"{fp_str(*(dark if filled else pale).rgb())} rg", f"{fp_str(wide)} w"]
        found.append((head, share * radius * outline, steps, "S" if open_ended else "B*"))
    found[0][0].insert(0, f"{fp_str(*dark.rgb())} RG")
    return found


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
