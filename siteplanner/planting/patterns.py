"""Patterns: how a grid of planting places is set out over a block.

A pattern is a function ``pattern(area, spacing_m, bearing_deg) -> (x, y, row)``: the places
inside the polygon ``area`` (map metres) and the number of the row, 0 … n-1, that each stands
in. Rows run along ``bearing_deg`` (clockwise from grid north). Other packages add patterns
through the entry-point group ``siteplanner.patterns``.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points

import numpy as np
import shapely
from numpy.typing import NDArray

Places = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]
Pattern = Callable[[shapely.Polygon, float, float], Places]
GROUP = "siteplanner.patterns"


def square(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> Places:
    """Rows ``spacing_m`` apart, trees ``spacing_m`` apart in the row: 10 000 / s² a hectare."""
    return _rows(area, spacing_m, spacing_m, bearing_deg, 0.0)


def triangular(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> Places:
    """Equilateral triangles of side ``spacing_m``: 1.1547 times as many trees as the square."""
    return _rows(area, spacing_m, spacing_m * np.sqrt(3) / 2, bearing_deg, 0.5)


def _rows(
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
    row = np.unique(row[inside], return_inverse=True)[1]
    return x[inside], y[inside], row.astype(np.int64)


def density_per_ha(pattern: str, spacing_m: float) -> float:
    """Stems per map hectare of the built-in patterns; NaN for others."""
    squares = 10_000 / spacing_m**2
    return {"square": squares, "triangular": squares * 2 / np.sqrt(3)}.get(pattern, float("nan"))


def patterns() -> dict[str, Pattern]:
    """All patterns by name; a package cannot take a built-in one's name."""
    found: dict[str, Pattern] = {}
    for entry in sorted(entry_points(group=GROUP), key=lambda e: e.name):
        found[entry.name] = entry.load()
    return found | {"square": square, "triangular": triangular}
