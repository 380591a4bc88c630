"""Signs for species that differ in shape, so that they print in black; colour comes on top.

One table for the sheets, the tags and the map: a species has one sign wherever it is met.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.symbology.kinds import MARKERS

#: Corners of the closed shapes, for a radius of 1.
CORNERS = {
    **{shape: MARKERS[shape] for shape in ("square", "triangle", "diamond")},
    "downward": ((0, -1.1), (-1, 0.75), (1, 0.75)),
}
_UPRIGHT = [((0.0, -1.0), (0.0, 1.0))]
_LEVEL = [((-1.0, 0.0), (1.0, 0.0))]
_SLANTED = [((-0.85, -0.85), (0.85, 0.85)), ((-0.85, 0.85), (0.85, -0.85))]
#: Strokes of the open signs.
STROKES = {
    "plus": _UPRIGHT + _LEVEL,
    "cross": _SLANTED,
    "star": _UPRIGHT + _LEVEL + _SLANTED,
    "upright": _UPRIGHT,
    "level": _LEVEL,
}

_TEE = [((-1.0, 0.9), (1.0, 0.9)), ((0.0, 0.9), (0.0, -1.0))]
_VEE = [((-0.9, 0.9), (0.0, -0.9)), ((0.0, -0.9), (0.9, 0.9))]
STROKES |= {"tee": _TEE, "vee": _VEE}

#: How much of a species' colour is in its dark and in its pale shade.
_DARK, _PALE = 0.5, 0.45
#: Width of a sign's lines, as a share of its radius: of open signs and of closed ones.
OPEN_LINE, CLOSED_LINE = 0.28, 0.18

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


@cache
def shades(colour: str) -> tuple[str, str]:
    """Give a dark and a pale shade of a colour, all #rrggbb; black and white of black.

    >>> shades("#0072b2")
    ('#003959', '#8cc0dc')
    """
    if colour == "#000000":
        return colour, "#ffffff"
    full = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)])
    dark, pale = _DARK * full, 255 + _PALE * (full - 255)
    return _hex(dark), _hex(pale)


def _hex(rgb: NDArray[np.float64]) -> str:
    return "#" + "".join(f"{round(value):02x}" for value in rgb.tolist())
