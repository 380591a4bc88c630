"""Patterns: how planting places are set out over a block.

A pattern is a function ``pattern(area, spacing_m, bearing_deg) -> (x, y, row)``: the places
inside the polygon ``area`` (map metres) and the number of the row, 0 … n-1, that each stands
in. The places of a row follow each other as they are walked. Rows run along ``bearing_deg``
(clockwise from grid north). A pattern that has a keyword ``ground`` is given the heights
(:class:`Relief`), one that has ``row_spacing_m`` the distance between rows that was asked for, one
that has ``along_ground`` whether spacing is measured along the ground; to others the block is
shown as it would be measured along the ground. Other packages add patterns through the
entry-point group ``siteplanner.patterns``.

Except where a pattern says otherwise it stocks a map hectare with 10 000 / s² trees.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid

Places = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]
Pattern = Callable[..., Places]
GROUP = "siteplanner.patterns"
#: Row spacing of a rectangular pattern unless given, in spacings (common practice, no source).
ROW_SPACING = 1.5


@dataclass(frozen=True)
class Relief:
    """Heights for patterns that follow the ground: ``dem`` float32 on ``grid``."""

    dem: FloatGrid
    grid: Grid


def square(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> Places:
    """Rows ``spacing_m`` apart, trees ``spacing_m`` apart in the row: 10 000 / s² a hectare.

    >>> x, y, row = square(shapely.box(1, 1, 8, 8), 3.0, 0.0)
    >>> x.tolist(), y.tolist(), row.tolist()
    ([4.0, 4.0, 7.0, 7.0], [4.0, 7.0, 4.0, 7.0], [0, 0, 1, 1])
    """
    return lattice(area, spacing_m, spacing_m, bearing_deg, 0.0)


def triangular(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> Places:
    """Equilateral triangles of side ``spacing_m``: 1.1547 times as many trees as the square."""
    return lattice(area, spacing_m, spacing_m * np.sqrt(3) / 2, bearing_deg, 0.5)


def rectangular(
    area: shapely.Polygon,
    spacing_m: float,
    bearing_deg: float,
    *,
    row_spacing_m: float | None = None,
) -> Places:
    """Trees ``spacing_m`` apart in rows ``row_spacing_m`` apart: 10 000 / (s × r) a hectare."""
    return lattice(area, spacing_m, row_spacing_m or ROW_SPACING * spacing_m, bearing_deg, 0.0)


def strip(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> Places:
    """Staggered rows along a narrow block, whatever the bearing: for banks and shelter belts.

    Rows run along the longer side of the block's smallest enclosing rectangle; stocking is
    that of the triangular pattern.
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(area))
    sides = np.diff(corners, axis=0)[:2] if len(corners) >= 4 else np.array([[0.0, 1.0]])
    east, north = sides[np.hypot(*sides.T).argmax()]
    return triangular(area, spacing_m, float(np.degrees(np.arctan2(east, north)) % 180))


def lattice(
    area: shapely.Polygon, in_row: float, between: float, bearing_deg: float, stagger: float
) -> Places:
    """Places on rows along a bearing, every second row moved by ``stagger`` of ``in_row``."""
    turn = np.radians(bearing_deg)
    along = np.array([np.sin(turn), np.cos(turn)])
    across = np.array([np.cos(turn), -np.sin(turn)])
    corners = shapely.get_coordinates(area)
    # A lattice fixed to the CRS's origin would shift with rounding; fix it to the block.
    origin = np.floor(corners.min(axis=0))
    local = corners - origin
    u, v = local @ along, local @ across
    steps = np.arange(np.floor(u.min() / in_row) - 1, np.ceil(u.max() / in_row) + 1)
    lines = np.arange(np.floor(v.min() / between), np.ceil(v.max() / between) + 1)
    uu = steps[None, :] * in_row + (lines[:, None] % 2) * stagger * in_row
    vv = np.broadcast_to(lines[:, None] * between, uu.shape)
    x = origin[0] + uu * along[0] + vv * across[0]
    y = origin[1] + uu * along[1] + vv * across[1]
    row = np.broadcast_to(np.arange(len(lines))[:, None], uu.shape)
    shapely.prepare(area)
    inside = shapely.contains_xy(area, x, y)
    return x[inside], y[inside], numbered(row[inside])


def numbered(row: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number rows 0 … n-1 in their order, leaving none out."""
    return np.unique(row, return_inverse=True)[1].astype(np.int64)


def lay(
    pattern: Pattern,
    area: shapely.Polygon,
    spacing_m: float,
    bearing_deg: float,
    *,
    relief: Relief | None = None,
    row_spacing_m: float | None = None,
    fall_deg: float = 0.0,
    slope_deg: float = 0.0,
    along_ground: bool = False,
) -> Places:
    """Call a pattern with what it can use of the ground.

    ``fall_deg`` is the block's mean fall direction, ``slope_deg`` its mean slope. With
    ``along_ground`` distances are measured along that mean slope, so that more trees stand on
    a map hectare: 1 / cos(slope) times as many.
    """
    takes = inspect.signature(pattern).parameters
    offered: dict[str, Any] = {
        "ground": relief,
        "row_spacing_m": row_spacing_m,
        "along_ground": along_ground,
    }
    used = {name: value for name, value in offered.items() if name in takes}
    if not along_ground or "along_ground" in takes or slope_deg <= 0:
        return pattern(area, spacing_m, bearing_deg, **used)
    turn = np.radians(fall_deg)
    fall = np.array([np.sin(turn), np.cos(turn)])
    longer = 1 / np.cos(np.radians(slope_deg))
    middle = np.round(shapely.get_coordinates(shapely.centroid(area))[0])

    def stretched(xy: NDArray[np.float64], by: float) -> NDArray[np.float64]:
        """Move points away from the line along the contour through the middle."""
        return np.asarray(xy + ((xy - middle) @ fall)[:, None] * (by - 1) * fall)

    ahead = np.array([[np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))]])
    east, north = (ahead + (ahead @ fall)[:, None] * (longer - 1) * fall)[0]
    shown = shapely.transform(area, lambda xy: stretched(xy, longer))
    bearing = float(np.degrees(np.arctan2(east, north)) % 180)
    x, y, row = pattern(shown, spacing_m, bearing, **used)
    back = stretched(np.column_stack([x, y]), 1 / longer)
    # A place on the very edge may be rounded across it.
    inside = shapely.contains_xy(area, back[:, 0], back[:, 1])
    return back[inside, 0], back[inside, 1], numbered(row[inside])


def patterns() -> dict[str, Pattern]:
    """All patterns by name; a package cannot take a built-in one's name."""
    from siteplanner.planting.rows.contour import contour
    from siteplanner.planting.rows.scatter import clumps, enrichment, natural

    found: dict[str, Pattern] = {}
    for entry in sorted(entry_points(group=GROUP), key=lambda e: e.name):
        found[entry.name] = entry.load()
    ours = (square, rectangular, triangular, contour, natural, clumps, strip, enrichment)
    return found | {pattern.__name__: pattern for pattern in ours}
