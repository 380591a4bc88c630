"""Species and their signs as the map page has them: names, numbers, SVG paths. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from siteplanner.base.symbology.kinds import MARKERS
from siteplanner.base.symbology.signs import (
    CLOSED_LINE,
    CORNERS,
    OPEN_LINE,
    SIGNS,
    STROKES,
    shades,
    signs,
)
from siteplanner.handover.map.ground import text
from siteplanner.plan import Plan

_TEXTS = ("botanical_name", "code", "common_name", "roles", "cautions", "colour")

#: Corners of a shape or strokes of an open sign, for a radius of 1, y upwards.
Corners = Iterable[tuple[float, float]]


def species_records(plan: Plan) -> list[dict[str, Any]]:
    """Give each species its texts, its number of ``trees`` and the ``marks`` of its sign.

    Marks lie on each other, the lowest first: ``path`` (SVG, radius 1), ``edge``, ``fill`` and
    ``line``, the width of the edge as a share of the radius. Signs are those of the sheets.
    """
    trees = np.bincount(plan.tree_species, minlength=len(plan.species))
    return [
        {word: text(getattr(row, word)) for word in _TEXTS}
        | {"marks": _marks(sign, text(row.colour)), "trees": int(count)}
        for row, sign, count in zip(plan.species.itertuples(), signs(trees), trees, strict=True)
    ]


def outline(marker: str) -> str:
    """Give the outline of one of ``MARKERS`` as an SVG path of radius 1 around the origin."""
    return _closed(MARKERS[marker])


def _marks(sign: int, colour: str) -> list[dict[str, Any]]:
    dark, pale = shades(colour)
    found = []
    for shape, filled, share in SIGNS[sign]:
        lines = STROKES.get(shape)
        if lines:
            path = "".join("M" + "L".join(_point(*xy, share) for xy in line) for line in lines)
        else:
            path = _closed(CORNERS.get(shape, ()), share)
        found.append(
            {
                "path": path,
                "line": OPEN_LINE if lines else CLOSED_LINE,
                "edge": dark,
                "fill": "none" if lines else dark if filled else pale,
            }
        )
    return found


def _closed(corners: Corners, share: float = 1.0) -> str:
    """Give a closed path through corners; none are a circle's."""
    points = [_point(x, y, share) for x, y in corners]
    if points:
        return "M" + "L".join(points) + "Z"
    half = f"a{share:g} {share:g} 0 1 0"
    return f"M{-share:g} 0{half} {2 * share:g} 0{half} {-2 * share:g} 0"


def _point(x: float, y: float, share: float) -> str:
    return f"{x * share:.3g} {0 - y * share:.3g}"
