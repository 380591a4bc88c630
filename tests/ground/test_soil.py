"""Soil polygons to layers: known values, unknown ones, and the water that is held."""

import geopandas as gpd
import numpy as np
import pytest
from ground.surfaces import grid_of
from shapely.geometry import box

from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES, texture_class_of
from siteplanner.ground.soil import soils as soil

GRID = grid_of((4, 6), 10.0)
NAMES = [info.name for info in soil.soil_map.__layers__]


@pytest.fixture
def soils():
    """West third clay, middle third all unknown, east third without a polygon."""
    west, south, east, north = GRID.bounds
    third = (east - west) / 3
    return gpd.GeoDataFrame(
        {
            "unit": ["A", "B"],
            "texture": ["loam", None],
            "drainage": ["poorly drained", None],
            "depth_m": [0.6, np.nan],
            "ph": [5.5, np.nan],
            "stones_percent": [15.0, np.nan],
        },
        geometry=[
            box(west, south, west + third, north),
            box(west + third, south, west + 2 * third, north),
        ],
        crs=GRID.crs,
    )


def test_known_values_fill_their_cells_and_unknown_stays_unknown(soils):
    expected = {
        "soil_depth": 0.6,
        "soil_ph": 5.5,
        "stoniness": 15.0,
        "texture_class": TEXTURE_CLASSES.index("loam"),
        "drainage_class": DRAINAGE_CLASSES.index("poorly drained"),
    }
    layers = dict(zip(NAMES, soil.soil_map(soils, GRID), strict=True))
    for name, value in expected.items():
        made = layers[name]
        assert made.dtype == np.float32 and made.shape == GRID.shape
        assert made[:, :2] == pytest.approx(value)
        assert np.isnan(made[:, 2:]).all()


def test_no_polygons_means_nothing_is_known(soils):
    assert all(np.isnan(layer).all() for layer in soil.soil_map(soils.iloc[:0], GRID))


def field(grid, *pieces):
    """Soils of (west, east, depth) strips over the height of the grid."""
    west, south, _, north = grid.bounds
    return gpd.GeoDataFrame(
        {
            "unit": [str(n) for n in range(len(pieces))],
            "texture": ["loam" if depth > 1 else "clay" for _, _, depth in pieces],
            "drainage": None,
            "depth_m": [depth for _, _, depth in pieces],
            "ph": np.nan,
            "stones_percent": 0.0,
        },
        geometry=[box(west + a, south, west + b, north) for a, b, _ in pieces],
        crs=grid.crs,
    )


def test_a_sliver_counts_for_the_area_it_covers():
    # A strip of 2 m that holds the middle of no cell of 10 m, between two others.
    soils = field(GRID, (0, 16, 1.0), (16, 18, 2.0), (18, 60, 1.0))
    depth, _, _, texture, _, filled = soil.soil_map(soils, GRID)
    assert depth[0] == pytest.approx([1, 1.2, 1, 1, 1, 1])
    assert (texture == TEXTURE_CLASSES.index("clay")).all() and (filled == 0).all()
    # No soil is lost: the sum over cells is the sum over polygons.
    assert depth.sum() * GRID.cell_area == pytest.approx((soils["depth_m"] * soils.area).sum())


def test_small_gaps_are_filled_from_the_nearest_and_flagged_wide_ones_stay_unknown():
    grid = grid_of((4, 30), 2.0)
    soils = field(grid, (0, 20, 1.0), (28, 40, 3.0), (54, 60, 2.0))
    depth, _, _, _, _, filled = soil.soil_map(soils, grid)
    assert depth[1, :10] == pytest.approx(1) and depth[1, 14:20] == pytest.approx(3)
    assert set(depth[1, 10:14]) == {1, 3}
    assert (filled[:, 10:14] == 1).all() and (filled[:, :10] == 0).all()
    assert np.isnan(depth[:, 20:27]).all() and np.isnan(filled[:, 20:27]).all()


def test_the_later_of_two_overlapping_polygons_counts():
    depth = soil.soil_map(field(GRID, (0, 40, 1.0), (20, 60, 2.0)), GRID)[0]
    assert depth[0] == pytest.approx([1, 1, 2, 2, 2, 2])
    island = soil.soil_map(field(GRID, (0, 60, 1.0), (20, 30, 2.0)), GRID)[0]
    assert island[0] == pytest.approx([1, 1, 2, 1, 1, 1])


def test_available_water_takes_stones_off():
    # (0.28 - 0.14) x 600 mm x 0.85 with Table 3's rounded loam is 71.4 mm.
    loam = np.array([[TEXTURE_CLASSES.index("loam"), np.nan, 3, 3]], np.float32)
    depth = np.array([[0.6, 0.6, np.nan, 0.6]], np.float32)
    stones = np.array([[15, 15, 15, 100]], np.float32)
    held = soil.available_water(loam, depth, stones)
    assert held.dtype == np.float32
    assert held[0, 0] == pytest.approx(71.4, abs=2.5)
    assert np.isnan(held[0, 1:3]).all() and held[0, 3] == 0


def test_more_organic_matter_holds_more_water_in_sand():
    sand = np.zeros((1, 1), np.float32)
    one = np.ones((1, 1), np.float32)
    poor = soil.available_water(sand, one, one * 0, organic_matter=0.5)
    assert soil.available_water(sand, one, one * 0, organic_matter=5.0) > poor


def test_shares_that_do_not_make_a_whole_have_no_class():
    sand, silt, clay = [40, 50, -10, np.nan, 40.2], [40, 40, 60, 30, 40], [20, 20, 50, 70, 20]
    assert texture_class_of(sand, silt, clay).tolist() == [3, -1, -1, -1, 3]
