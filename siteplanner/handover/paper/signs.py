"""Signs for species that differ in shape, so that they print in black; colour comes on top."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import Color, HexColor, black, linearlyInterpolatedColor, white
from reportlab.lib.rl_accel import fp_str
from reportlab.pdfgen.canvas import Canvas

from siteplanner.base.symbology.kinds import MARKERS

#: Corners of the closed shapes, for a radius of 1.
_CORNERS = {
    **{shape: MARKERS[shape] for shape in ("square", "triangle", "diamond")},
    "downward": ((0, -1.1), (-1, 0.75), (1, 0.75)),
}
_UPRIGHT = [((0.0, -1.0), (0.0, 1.0))]
_LEVEL = [((-1.0, 0.0), (1.0, 0.0))]
_SLANTED = [((-0.85, -0.85), (0.85, 0.85)), ((-0.85, 0.85), (0.85, -0.85))]
#: Strokes of the open signs.
_STROKES = {
    "plus": _UPRIGHT + _LEVEL,
    "cross": _SLANTED,
    "star": _UPRIGHT + _LEVEL + _SLANTED,
    "upright": _UPRIGHT,
    "level": _LEVEL,
}

_TEE = [((-1.0, 0.9), (1.0, 0.9)), ((0.0, 0.9), (0.0, -1.0))]
_VEE = [((-0.9, 0.9), (0.0, -0.9)), ((0.0, -0.9), (0.9, 0.9))]
_STROKES |= {"tee": _TEE, "vee": _VEE}

#: How much of a species' colour is in its dark and in its pale shade.
_DARK, _PALE = 0.5, 0.45

#: A mark: shape, whether it is filled, and its size as a share of the sign's.
Mark = tuple[str, bool, float]


def _one(shape: str, filled: bool = False) -> tuple[Mark, ...]:
    return ((shape, filled, 1.0),)


def _dotted(shape: str) -> tuple[Mark, ...]:
    return ((shape, False, 1.15), ("circle", True, 0.35))


#: Every sign, a stack of marks. The first are the easiest to tell apart.
SIGNS: tuple[tuple[Mark, ...], ...] = (
    _one("circle"),
    _one("triangle", True),
    _one("square"),
    _one("cross"),
    _one("circle", True),
    _one("diamond"),
    _one("plus"),
    _one("square", True),
    _one("triangle"),
    _one("star"),
    _one("diamond", True),
    _one("downward"),
    _one("upright"),
    _one("downward", True),
    _one("level"),
    _dotted("circle"),
    _dotted("square"),
    (("circle", False, 1.1), ("plus", False, 1.1)),
    _one("tee"),
    _dotted("triangle"),
    (("square", False, 1.0), ("cross", False, 1.0)),
    _one("vee"),
    _dotted("diamond"),
    _dotted("downward"),
)


def signs(trees: NDArray[np.int64]) -> list[int]:
    """Give each species, with so many ``trees`` (species,), a number of ``SIGNS``.

    The commonest species takes the first. Past the last sign they start again.
    """
    rank = np.argsort(np.argsort(-trees, kind="stable"), kind="stable")
    return [int(n) % len(SIGNS) for n in rank]


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
    at = np.array(list(places), dtype=np.float64).reshape(-1, 1, 2)
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
    dark, pale = _shades(colour)
    found = []
    for shape, filled, share in SIGNS[sign]:
        open_ended = shape in _STROKES
        wide = max(0.25, 0.28 * radius) if open_ended else max(0.2, 0.18 * radius)
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
    if shape in _CORNERS:
        corners = np.array(_CORNERS[shape], dtype=np.float64)
        return corners, "%.2f %.2f m" + (len(corners) - 1) * " %.2f %.2f l" + " h"
    strokes = np.array(_STROKES[shape], dtype=np.float64).reshape(-1, 2)
    return strokes, " ".join(len(strokes) // 2 * ["%.2f %.2f m %.2f %.2f l"])


@cache
def _shades(colour: str) -> tuple[Color, Color]:
    """A dark and a pale shade of a colour; black and white of black."""
    full = HexColor(colour)
    if colour == "#000000":
        return black, white
    dark = linearlyInterpolatedColor(black, full, 0, 1, _DARK)
    return dark, linearlyInterpolatedColor(white, full, 0, 1, _PALE)
