"""Contours of the ground, at a step that the drawing's scale and the slope have room for. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import contourpy
import geopandas as gpd
import numpy as np
import shapely

from siteplanner.base.grid import FloatGrid, Grid

HEIGHTS = "terrace_smoothed_dem"
"""Layer that contours are drawn from; a plan may be without it."""
#: Steps between contours, m, and how far apart they lie on paper at the least, mm.
_STEPS, _APART_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0), 9.0


def contour_step(slope_deg: float, scale: float) -> float:
    """Round step between contours, m, at which they lie 9 mm apart or more on paper.

    >>> contour_step(10.0, 1000)
    2.0
    """
    least = math.tan(math.radians(max(slope_deg, 0.1))) * scale * _APART_MM / 1000
    return next((step for step in _STEPS if step >= least), _STEPS[-1])


def contours(
    layers: Mapping[str, FloatGrid], grid: Grid, bounds: Sequence[float], scale: float
) -> gpd.GeoDataFrame:
    """Contours over an area (west, south, east, north), for a drawing at 1 to ``scale``.

    ``layers`` are a plan's. Returns ``height_m`` and ``geometry`` (MultiLineString), one row a
    height, none where the plan has no heights. The step follows the median slope of the area.
    """
    levels, shapes = contour_lines(layers, grid, bounds, scale)
    return gpd.GeoDataFrame({"height_m": levels}, geometry=shapes, crs=grid.crs)


def contour_lines(
    layers: Mapping[str, FloatGrid], grid: Grid, bounds: Sequence[float], scale: float
) -> tuple[list[float], list[shapely.MultiLineString]]:
    """Heights (m) and lines of the contours that :func:`contours` gives, without a table."""
    if HEIGHTS not in layers:
        return [], []
    west, south, east, north = bounds
    rows, cols = grid.rows_cols(np.array([west, east]), np.array([north, south]))
    high, wide = grid.shape
    top, left = max(int(rows[0]) - 2, 0), max(int(cols[0]) - 2, 0)
    part = (slice(top, min(int(rows[1]) + 3, high)), slice(left, min(int(cols[1]) + 3, wide)))
    heights, slope = layers[HEIGHTS][part], layers["slope"][part]
    known = heights[np.isfinite(heights)]
    if min(heights.shape) < 2 or not len(known) or not np.isfinite(slope).any():
        return [], []
    step = contour_step(float(np.nanmedian(slope)), scale)
    x0, y0 = grid.transform @ (left + 0.5, top + 0.5)
    cell = grid.cell
    lines = contourpy.contour_generator(
        x0 + np.arange(heights.shape[1]) * cell,
        y0 - np.arange(heights.shape[0]) * cell,
        np.ma.masked_invalid(heights),
    )
    levels, shapes = [], []
    for number in range(math.ceil(known.min() / step), math.floor(known.max() / step) + 1):
        found = [shapely.LineString(xy) for xy in lines.lines(number * step) if len(xy) > 1]
        if found:
            levels.append(number * step)
            shapes.append(shapely.simplify(shapely.MultiLineString(found), scale * 2e-4))
    return levels, shapes
