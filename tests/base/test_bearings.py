"""Bearings from grid north and from true north."""

import numpy as np
import pyproj
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.bearings import WINDS, bearing_of, convergence, wind
from siteplanner.base.grid import Grid


def grid_at(zone: str, west: float, south: float) -> Grid:
    return Grid(pyproj.CRS.from_user_input(zone), Affine(5, 0, west, 0, -5, south + 500), (100, 80))


@pytest.mark.parametrize("zone", ["EPSG:32756", "EPSG:32631"])
@pytest.mark.parametrize("west", [300_000.0, 499_800.0, 640_000.0])
def test_true_north_is_where_a_walk_along_the_meridian_leads(zone, west):
    grid = grid_at(zone, west, 5_350_000.0)
    lon, lat = grid.centre_lonlat
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    (x0, x1), (y0, y1) = to_grid.transform([lon, lon], [lat - 0.005, lat + 0.005])
    on_grid = bearing_of(x1 - x0, y1 - y0)
    off = (on_grid + convergence(grid) + 180) % 360 - 180
    assert off == pytest.approx(0, abs=1e-4)


def test_south_of_the_equator_and_east_of_the_middle_grid_north_lies_west_of_true_north():
    assert convergence(grid_at("EPSG:32756", 640_000.0, 5_350_000.0)) < -0.5
    assert convergence(grid_at("EPSG:32631", 640_000.0, 5_350_000.0)) > 0.5


@given(st.floats(0, 359.99), st.floats(0.1, 1e4))
def test_a_step_on_a_bearing_has_that_bearing(degrees, metres):
    turn = np.radians(degrees)
    found = bearing_of(metres * np.sin(turn), metres * np.cos(turn))
    assert 0 <= found < 360
    assert (found - degrees + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)


def test_each_wind_is_named_at_its_own_bearing_and_up_to_half_way_round():
    for place, name in enumerate(WINDS):
        assert [wind(45 * place + off) for off in (-22, 0, 22)] == [name] * 3
