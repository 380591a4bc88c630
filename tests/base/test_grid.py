"""Cells and shapes."""

import numpy as np
import pyproj
import pytest
import shapely
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.grid import Grid

GRID = Grid(pyproj.CRS.from_epsg(32756), Affine(5, 0, 600_000, 0, -5, 5_350_100), (20, 30))
WEST, SOUTH, EAST, NORTH = GRID.bounds


@given(
    st.lists(
        st.tuples(st.floats(WEST, EAST), st.floats(SOUTH, NORTH), st.floats(3, 80)), max_size=5
    )
)
def test_each_cell_has_the_number_of_the_last_shape_that_holds_its_centre(circles):
    shapes = [shapely.Point(x, y).buffer(radius) for x, y, radius in circles]
    x = WEST + 5 * (np.arange(30) + 0.5)
    y = NORTH - 5 * (np.arange(20) + 0.5)
    expected = np.zeros(GRID.shape, dtype=np.int32)
    unsure = np.zeros(GRID.shape, dtype=bool)
    for number, shape in enumerate(shapes, start=1):
        expected[shapely.contains_xy(shape, *np.meshgrid(x, y))] = number
        rim = shapely.distance(shape.boundary, shapely.points(*np.meshgrid(x, y)))
        unsure |= rim < 1e-6
    found = GRID.number(shapes)
    assert found.dtype == np.int32
    assert (found == expected)[~unsure].all()
    assert (GRID.cover(shapes) == (expected > 0))[~unsure].all()


def test_points_come_back_from_degrees_and_the_middle_is_the_middle():
    x, y = np.array([600_010.0, 600_140.0]), np.array([5_350_020.0, 5_350_090.0])
    back = pyproj.Transformer.from_crs("EPSG:4326", GRID.crs, always_xy=True)
    assert np.allclose(back.transform(*GRID.lonlat(x, y)), [x, y], atol=1e-6)
    assert GRID.centre_lonlat == pytest.approx(GRID.lonlat(600_075.0, 5_350_050.0))
