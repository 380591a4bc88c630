"""Slope distances: a row across the slope is not longer than on the map, a row up it is."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from siteplanner.base.grid import Grid
from siteplanner.planting.rows.slope_distance import stretch_along

GRID = Grid(CRS.from_epsg(32756), Affine(2, 0, 0, 0, -2, 200), (100, 100))


def hillside(slope_deg: float) -> np.ndarray:
    """Heights that rise to the north at one slope."""
    north = 200 - (np.arange(100) + 0.5) * 2
    return np.repeat((np.tan(np.radians(slope_deg)) * north)[:, None], 100, axis=1).astype("f4")


def row(bearing_deg: float, step: float = 4.0) -> shapely.LineString:
    turn = np.radians(bearing_deg)
    along = np.arange(-8, 9)[:, None] * step * np.array([np.sin(turn), np.cos(turn)])
    return shapely.LineString(along + 100)


def test_two_metres_up_thirty_degrees():
    # 2 m on the map on 30 degrees: 2.309 m of tape, 2 / cos 30 (computed).
    rows = np.array([row(0, 2.0), row(90, 2.0)])
    assert 2 * stretch_along(rows, hillside(30), GRID) == pytest.approx([2.3094, 2], abs=2e-4)


@given(st.floats(0, 45), st.floats(0, 180))
def test_any_row_on_any_plane(slope, bearing):
    along = np.tan(np.radians(slope)) * np.cos(np.radians(bearing))
    found = stretch_along(np.array([row(bearing)]), hillside(slope), GRID)
    assert found == pytest.approx([np.hypot(1, along)], rel=1e-4)


def test_points_and_unknown_heights_count_as_level():
    dem = hillside(30)
    rows = np.array([shapely.Point(100, 100), row(0)])
    assert list(stretch_along(rows, dem * np.nan, GRID)) == [1, 1]
    dem[:49] = np.nan  # the upper half of the row
    assert stretch_along(rows, dem, GRID)[1] == pytest.approx(1 / np.cos(np.radians(30)), rel=1e-4)
    assert len(stretch_along(rows[:0], dem, GRID)) == 0
