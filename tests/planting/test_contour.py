"""Contour rows: circles on a cone, straight lines on a plane, level and evenly apart on hills."""

import numpy as np
import pytest
import shapely
from affine import Affine
from scipy.ndimage import map_coordinates

from siteplanner.base.grid import Grid
from siteplanner.planting.rows.contour import (
    LEAST_GRADIENT,
    NARROWEST,
    WIDEST,
    contour,
    row_spacings,
)
from siteplanner.planting.rows.patterns import Relief

GRID = Grid(None, Affine(2, 0, 0, 0, -2, 600), (300, 300))
ROWS, COLS = np.mgrid[:300, :300]
X, Y = (COLS + 0.5) * 2, 600 - (ROWS + 0.5) * 2
FIELD = shapely.box(100, 100, 500, 500)
SPACING = 4.0


def rows_on(heights, area=FIELD, **options):
    relief = Relief(heights.astype(np.float32), GRID)
    return contour(area, SPACING, 20.0, ground=relief, **options)


def plane(slope_deg, fall_deg):
    turn = np.radians(fall_deg)
    return -np.tan(np.radians(slope_deg)) * (X * np.sin(turn) + Y * np.cos(turn))


def hills():
    return 15 * np.sin(X / 60) * np.cos(Y / 80) + 0.1 * X


@pytest.mark.parametrize("slope", [5, 15, 30, 45])
@pytest.mark.parametrize(
    ("along_ground", "spacing_at"), [(False, lambda c: 1), (True, lambda c: c)]
)
def test_rows_on_a_plane_are_straight_and_at_the_right_distance(slope, along_ground, spacing_at):
    x, y, row = rows_on(plane(slope, 110), along_ground=along_ground)
    down = x * np.sin(np.radians(110)) + y * np.cos(np.radians(110))
    where = np.array([down[row == r].mean() for r in range(row.max() + 1)])
    assert all(np.ptp(down[row == r]) < 0.02 for r in range(row.max() + 1))
    row_spacing = SPACING * spacing_at(np.cos(np.radians(slope)))
    assert np.abs(np.diff(where)) == pytest.approx(row_spacing, rel=2e-3)
    # 10 000 / s² a hectare, within the edge's share.
    expected = FIELD.area / SPACING**2 / spacing_at(np.cos(np.radians(slope)))
    assert abs(len(x) - expected) < FIELD.length / SPACING / 2


def test_rows_on_a_cone_are_circles():
    x, y, row = rows_on(-0.3 * np.hypot(X - 300, Y - 300))
    away = np.hypot(x - 300, y - 300)
    far = away > 40  # the smoothed tip is no cone
    rings = [away[far & (row == r)] for r in range(row.max() + 1)]
    rings = [ring for ring in rings if len(ring) > 3]
    assert max(np.ptp(ring) for ring in rings) < 0.25
    radii = np.sort([ring.mean() for ring in rings])
    radii = radii[np.r_[True, np.diff(radii) > 1]]  # a ring the edge cuts is several rows
    assert np.diff(radii) == pytest.approx(SPACING, rel=0.02)


def test_rows_on_hills_are_level_and_0_75_to_1_5_spacings_apart():
    x, y, row = rows_on(hills())
    z = map_coordinates(hills(), [(600 - y) / 2 - 0.5, x / 2 - 0.5], order=1)
    step = np.hypot(np.diff(x), np.diff(y))
    together = (row[1:] == row[:-1]) & (step < 1.5 * SPACING)
    assert (np.abs(np.diff(z)) / step)[together].max() < LEAST_GRADIENT
    spacings = row_spacings(x, y, row, SPACING)
    assert ((spacings >= NARROWEST) & (spacings <= WIDEST)).mean() > 0.95
    assert np.quantile(spacings, 0.5) == pytest.approx(1, abs=0.1)
    assert abs(len(x) - FIELD.area / 16) < FIELD.length / SPACING / 2 + 0.01 * FIELD.area / 16


def test_rows_merge_where_the_ground_steepens():
    # Slope grows from 0.1 to 0.5 eastwards: more rows must end than begin.
    x, _, row = rows_on(0.1 * X + 0.4 / 800 * np.maximum(X - 100, 0) ** 2 + 0.3 * Y)
    crossed = [len(np.unique(row[(x > e) & (x < e + 4)])) for e in (110, 480)]
    assert crossed[0] != crossed[1]
    lengths = [np.ptp(x[row == r]) for r in np.unique(row)]
    assert min(lengths) < 0.6 * max(lengths)


def test_flat_ground_has_straight_rows_at_the_bearing():
    x, y, row = rows_on(0.01 * X)
    first = np.flatnonzero(row == row[len(row) // 2])
    bearing = np.degrees(np.arctan2(x[first[-1]] - x[first[0]], y[first[-1]] - y[first[0]]))
    assert bearing % 180 == pytest.approx(20, abs=0.01)


def test_rows_stay_inside_an_area_with_a_hole_and_end_there():
    area = FIELD.difference(shapely.Point(300, 300).buffer(70))
    x, y, _ = rows_on(hills(), area)
    assert shapely.contains_xy(area, x, y).all()
    assert abs(len(x) / (area.area / 16) - 1) < 0.03


def test_row_spacings_are_measured_between_rows():
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(20) * 4.0, np.arange(5) * 6.0))
    spacings = row_spacings(x, y, np.repeat(np.arange(5), 20), 4.0)
    assert len(spacings) == 2 * 100 - 2 * 20
    assert spacings == pytest.approx(1.5)


def test_stocking_is_the_same_on_gentle_and_on_steep_ground():
    # A bowl of 5 to 30 % slope: spacings between rows change, trees in the row make up for it.
    x, y, row = rows_on(0.0008 * ((X - 300) ** 2 + (Y - 300) ** 2))
    away = np.hypot(x - 300, y - 300)
    rings = [away[row == r] for r in range(row.max() + 1)]
    rings = sorted((r.mean(), len(r)) for r in rings if len(r) > 8 and 35 < r.mean() < 190)
    radius, trees = np.array(rings).T
    row_spacing = (radius[2:] - radius[:-2]) / 2
    assert row_spacing.min() < 0.85 * SPACING and row_spacing.max() > 1.3 * SPACING
    stocking = trees[1:-1] * SPACING**2 / (2 * np.pi * radius[1:-1] * row_spacing)
    assert np.median(stocking) == pytest.approx(1, abs=0.02)
    assert np.quantile(np.abs(stocking - 1), 0.8) < 0.04
