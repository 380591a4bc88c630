"""Landforms of a made valley, ruggedness of a plane, schemes that exist."""

import numpy as np
import pytest
from ground.surfaces import grid_of, hills, middles, plane

from siteplanner.base.symbology.colours import ramp
from siteplanner.ground.relief.landform import (
    LANDFORMS,
    landform,
    rough_ground,
    topographic_position,
)
from siteplanner.ground.relief.terrain import slope_and_aspect
from siteplanner.ground.resolve import offered


def test_each_scale_sees_its_own_forms():
    x, _ = middles((9, 400), 5.0)
    dem = (20 * np.cos(2 * np.pi * x / 1000) + np.cos(2 * np.pi * x / 50)).astype(np.float32)
    near, far = (topographic_position(dem, grid_of(dem.shape, 5.0), m) for m in (25.0, 500.0))
    middle = np.s_[4, 150:250]
    assert np.corrcoef(near[middle], np.cos(2 * np.pi * x[middle] / 50))[0, 1] > 0.95
    assert np.corrcoef(far[middle], np.cos(2 * np.pi * x[middle] / 1000))[0, 1] > 0.95


def test_a_ridge_and_valley_are_told_in_order():
    x, _ = middles((60, 200), 10.0)
    dem = (50 * np.cos(2 * np.pi * x / 1000)).astype(np.float32)
    grid = grid_of(dem.shape, 10.0)
    slope, _ = slope_and_aspect(dem, grid)
    form = landform(topographic_position(dem, grid, 250.0), slope)
    names = [LANDFORMS[int(code)] for code in form[30, 100:151]]
    assert names[0] == "ridge" and names[-1] == "hollow or valley"
    in_order = ["ridge", "upper slope", "middle slope", "lower slope", "hollow or valley"]
    assert list(dict.fromkeys(names)) == in_order


def test_ground_without_relief_is_level_and_unknown_stays_unknown():
    flat = np.zeros((5, 5), np.float32)
    flat[0, 0] = np.nan
    form = landform(flat, np.where(np.isnan(flat), np.nan, 0).astype(np.float32))
    assert np.isnan(form[0, 0]) and (form[~np.isnan(flat)] == 2).all()


def test_ruggedness_of_a_plane_is_that_of_its_rises():
    dem = plane((7, 7), 2.0, 45, 90)
    rugged, rough = rough_ground(dem)
    assert rugged[3, 3] == pytest.approx(np.sqrt(6) * 2, rel=1e-4)
    assert rough[3, 3] == pytest.approx(4, rel=1e-4)
    dem[2, 2] = np.nan
    rugged, rough = rough_ground(dem)
    assert np.isnan(rugged[2, 2]) and rugged[3, 3] == pytest.approx(np.sqrt(5) * 2, rel=1e-4)
    assert np.isfinite(rough_ground(hills((4, 4), 1))[0]).all()


def test_every_layer_names_a_scheme_that_exists_and_a_range():
    for maker in offered(own_only=True):
        for info in maker.makes:
            assert len(ramp(info.colours, 5)) == 5, info.name
            assert info.valid[0] < info.valid[1] and info.method and info.source, info.name
