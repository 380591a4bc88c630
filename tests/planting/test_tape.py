"""Contour rows by the tape: even steps, as many trees as asked for, none too near at bends."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
import shapely.affinity
from affine import Affine
from examples import examples
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pyproj import CRS
from scipy.ndimage import distance_transform_edt, map_coordinates
from scipy.spatial import cKDTree
from shared_data import shared

from siteplanner.base.grid import Grid
from siteplanner.planting.rows._tape import set_along
from siteplanner.planting.rows.contour import LEAST_GRADIENT, WIDEST
from siteplanner.planting.rows.layout import draw_rows, number_rows, set_out
from siteplanner.planting.rows.patterns import Relief, patterns

UTM = CRS.from_epsg(32756)
GRID = Grid(UTM, Affine(2, 0, 0, 0, -2, 600), (300, 300))
ROWS, COLS = np.mgrid[:300, :300]
X, Y = (COLS + 0.5) * 2, 600 - (ROWS + 0.5) * 2
FIELD = shapely.affinity.rotate(shapely.box(110, 110, 490, 490), 17)
#: Trees in a row are not nearer than where rows are widest; bends may take 5 % of that.
NEAREST = 0.95 / WIDEST

GROUNDS = {
    "plane": 0.25 * X + 0.1 * Y,
    "cone": -0.3 * np.hypot(X - 300, Y - 300),
    "bowl": 0.0008 * ((X - 300) ** 2 + (Y - 300) ** 2),
    "hills": 15 * np.sin(X / 60) * np.cos(Y / 80) + 0.1 * X,
    "knolls": 8 * np.sin(X / 12) * np.cos(Y / 15) + 0.2 * X,
}


def laid(heights, spacing, area=FIELD, grid=GRID, **options):
    """Trees and rows of a block of contour rows, as a plan has them."""
    block = gpd.GeoDataFrame(
        {"block": ["A1"], "zone": ["A"], "pattern": ["contour"], "spacing_m": [spacing],
         "bearing_deg": [20.0]}, geometry=[area], crs=grid.crs,
    )  # fmt: skip
    dem = heights.astype(np.float32)
    nothing = gpd.GeoDataFrame({"setback_m": []}, geometry=[], crs=grid.crs)
    places = set_out(block, patterns(), nothing, relief=Relief(dem, grid), **options)
    places = number_rows(places, block)
    trees = gpd.GeoDataFrame(
        {"block": "A1", "zone": "A", "row": places.row},
        geometry=gpd.points_from_xy(places.x, places.y), crs=grid.crs,
    )  # fmt: skip
    return np.column_stack([places.x, places.y]), draw_rows(trees, block, dem, grid)


def ground_steps(line, heights, grid=GRID):
    """Slope distances from tree to tree of a row, from the heights themselves."""
    xy = shapely.get_coordinates(line)
    inverse = ~grid.transform
    at = [inverse.e * xy[:, 1] + inverse.f - 0.5, inverse.a * xy[:, 0] + inverse.c - 0.5]
    up = map_coordinates(heights.astype(float), at, order=1)
    return np.hypot(np.hypot(*np.diff(xy, axis=0).T), np.diff(up))


def nearest(xy):
    return cKDTree(xy).query(xy, k=2)[0][:, 1].min()


def check_tape(rows, heights, grid=GRID, few=0.0):
    """The tape that each row is told lies from tree to tree, and has a place for every tree."""
    long = rows[rows["trees"] > 1]
    assert len(long)
    off, unfit = [], 0.0
    for row in long.itertuples():
        steps = ground_steps(row.geometry, heights, grid)
        off.append(np.median(np.abs(steps / row.ground_spacing_m - 1)))
        unfit += abs(steps.sum() / row.ground_spacing_m + 1 - row.trees)
    assert np.median(off) < 0.02
    assert np.mean(np.array(off) > 0.1) <= few
    assert unfit < 0.001 * long["trees"].sum()


@pytest.mark.parametrize("spacing", [3.0, 4.0])
@pytest.mark.parametrize("ground", GROUNDS)
def test_contour_rows_keep_stocking_distance_and_tape(ground, spacing):
    heights = GROUNDS[ground]
    xy, rows = laid(heights, spacing)
    # 10 000 / s² a hectare of map, as the pattern says.
    assert len(xy) * spacing**2 / FIELD.area == pytest.approx(1, abs=0.01)
    assert nearest(xy) >= NEAREST * spacing
    check_tape(rows, heights)
    steps = np.concatenate([ground_steps(r, heights) for r in rows.geometry[rows["trees"] > 1]])
    told = np.repeat(rows["ground_spacing_m"], rows["trees"] - 1)
    assert np.mean(np.abs(steps / told - 1) > 0.1) < 0.01


def test_stocking_along_the_ground_is_of_its_surface():
    slope = 0.5
    xy, _ = laid(slope * X, 3.0, along_ground=True)
    surface = FIELD.area * np.hypot(1, slope)
    assert len(xy) * 9 / surface == pytest.approx(1, abs=0.01)


def test_distances_along_the_ground_are_kept_on_the_ground():
    heights = 2 * GROUNDS["knolls"]
    xy, rows = laid(heights, 3.0, along_ground=True)
    up = map_coordinates(heights, [(600 - xy[:, 1]) / 2 - 0.5, xy[:, 0] / 2 - 0.5], order=1)
    # Heights are smoothed a little before they are used.
    assert nearest(np.column_stack([xy, up])) >= 0.97 * NEAREST * 3.0
    check_tape(rows, heights, few=0.002)


def test_ground_too_small_for_a_tree_has_none():
    xy, rows = laid(GROUNDS["hills"], 30.0, shapely.Point(260, 333).buffer(0.5))
    assert len(xy) == len(rows) <= 1


def turns(heights, within_m, cell=2.0):
    """Cells so near to where the ground turns from falling to rising, or is level."""
    steps = np.stack(np.gradient(heights, cell))
    turn = np.hypot(*steps) < LEAST_GRADIENT
    turn[:-1] |= (steps[:, :-1] * steps[:, 1:]).sum(axis=0) < 0
    turn[:, :-1] |= (steps[:, :, :-1] * steps[:, :, 1:]).sum(axis=0) < 0
    return distance_transform_edt(~turn, cell) <= within_m


wave = st.tuples(st.floats(1, 6), st.floats(15, 80), st.floats(0, np.pi), st.floats(0, 2 * np.pi))


@given(
    waves=st.lists(wave, min_size=1, max_size=3),
    rise=st.floats(0.05, 0.4),
    spacing=st.floats(2.5, 6),
)
@example(waves=[(5.28125, 15.0, 0.0, 0.0)], rise=0.125, spacing=3.0)
@example(waves=[(5.5, 15.0, 0.0, 0.0)], rise=0.05, spacing=5.0)
@example(waves=[(4.0, 15.0, 0.0, 0.0)], rise=0.125, spacing=4.0)
@settings(max_examples=examples(40), deadline=None)
def test_any_hills_keep_distance_and_tape(waves, rise, spacing):
    heights = rise * X
    for high, length, turn, phase in waves:
        heights = heights + high * np.sin((X * np.cos(turn) + Y * np.sin(turn)) / length + phase)
    area = shapely.Point(300, 300).buffer(90)
    xy, rows = laid(heights, spacing, area)
    assert nearest(xy) >= NEAREST * spacing
    # Along crests and valley floors a strip is left that is too narrow for another row.
    inside = shapely.contains_xy(area, X, Y)
    strips = np.mean(turns(heights, spacing / 2)[inside])
    stocking = len(xy) * spacing**2 / area.area
    assert 0.94 - strips <= stocking <= 1.06
    check_tape(rows, heights, few=0.02)


def test_a_row_is_cut_where_its_step_changes_and_no_tree_is_lost():
    # One straight line that asks for a tree every 2 m, then for one every 4 m.
    x = np.arange(0, 241.0)
    rate = np.where(x < 120, 0.5, 0.25)
    xy, row, tape = set_along(np.column_stack([x, 0 * x]), np.zeros(241, np.int64), rate)
    assert len(xy) == pytest.approx(rate.sum(), abs=1)
    assert len(np.unique(row)) >= 2
    for one in np.unique(row):
        mine = xy[row == one, 0]
        assert np.diff(mine) == pytest.approx(tape[row == one][1:], rel=1e-6)
    assert np.diff(xy[:, 0])[[2, -2]] == pytest.approx([2, 4], abs=0.05)


def test_steps_round_a_bend_are_as_long_as_the_others():
    # A right angle: 100 m east, then 100 m north, a corner every metre.
    leg = np.arange(101.0)
    xy = np.r_[np.column_stack([leg, 0 * leg]), np.column_stack([0 * leg[1:] + 100, leg[1:]])]
    places, _, _ = set_along(xy, np.zeros(len(xy), np.int64), np.full(len(xy), 0.26))
    steps = np.hypot(*np.diff(places, axis=0).T)
    assert np.ptp(steps) < 0.02 * steps.mean()


@pytest.mark.parametrize("spacing", [3.0, 4.0])
def test_real_hills_with_terraces(spacing):
    """A lidar DEM of farmed hills: bends and benches of every size."""
    with rasterio.open(shared("dem/si_lidar1m_epsg3794.tif")) as file:
        heights, to_map, edge = file.read(1), file.transform, file.bounds
    heights = heights.reshape(500, 2, 500, 2).mean((1, 3))
    grid = Grid(UTM, to_map * Affine.scale(2), heights.shape)
    area = shapely.affinity.rotate(
        shapely.box(edge.left + 250, edge.bottom + 250, edge.right - 250, edge.top - 250), 10
    )
    xy, rows = laid(heights, spacing, area, grid)
    assert nearest(xy) >= NEAREST * spacing
    assert 0.92 < len(xy) * spacing**2 / area.area < 1.01
    check_tape(rows, heights, grid, few=0.005)
