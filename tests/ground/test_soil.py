"""Soil polygons to layers: known values, unknown ones, and the water that is held."""

import geopandas as gpd
import numpy as np
import pytest
from ground.surfaces import grid_of
from shapely.geometry import box

from siteplanner.ground import soil
from siteplanner.ground.soil import DRAINAGE_CLASSES, TEXTURE_CLASSES, texture_class_of

GRID = grid_of((4, 6), 10.0)


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
    for name, value in expected.items():
        made = getattr(soil, name)(soils, GRID)
        assert made.dtype == np.float32 and made.shape == GRID.shape
        assert made[:, :2] == pytest.approx(value)
        assert np.isnan(made[:, 2:]).all()


def test_no_polygons_means_nothing_is_known(soils):
    assert np.isnan(soil.soil_depth(soils.iloc[:0], GRID)).all()


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
