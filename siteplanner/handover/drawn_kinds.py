"""Which kinds of things a plan draws, and in which order, for map, sheets and GIS."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from siteplanner.base.symbology.kinds import (
    BLOCK,
    CONTOUR,
    HOLLOW,
    KINDS,
    PADDOCK,
    SETBACK,
    Symbology,
)
from siteplanner.handover.contours import HEIGHTS
from siteplanner.plan import Plan

#: Symbology of all that a plan draws besides zones and trees, in the order of the keys.
DRAWN: dict[str, Symbology] = {
    **KINDS,
    "setback": SETBACK,
    "hollow": HOLLOW,
    "paddock": PADDOCK,
    "block": BLOCK,
    "contour": CONTOUR,
}
_FORMS = {"Polygon": "areas", "LineString": "lines", "LinearRing": "lines", "Point": "points"}


def drawn_kinds(plan: Plan) -> dict[str, list[str]]:
    """Give the kinds that the plan draws, each with its forms: areas, lines, points."""
    forms: dict[str, set[str]] = {"boundary": {"areas"}}
    for kind, shape in zip(plan.no_plant["kind"], plan.no_plant.geometry, strict=True):
        parts = shapely.get_parts(shape)
        forms.setdefault(kind, set()).update(_FORMS[part.geom_type] for part in parts)
    own = {"setback": plan.setbacks, "hollow": plan.hollows, "paddock": plan.paddocks,
           "block": plan.blocks}  # fmt: skip
    forms |= {kind: {"areas"} for kind, table in own.items() if len(table)}
    if HEIGHTS in plan.layers:
        forms["contour"] = {"lines"}
    return {kind: sorted(forms[kind]) for kind in DRAWN if kind in forms}


def in_drawing_order(things: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give features with areas first, then lines, then points, so that no area hides a line."""
    return things.iloc[np.argsort(drawing_rank(things.geometry.to_numpy()), kind="stable")]


def drawing_rank(shapes: Any) -> Any:
    """Rank a shape, or an array of shapes: what has a higher one is drawn over the others."""
    return -shapely.get_dimensions(shapes)
