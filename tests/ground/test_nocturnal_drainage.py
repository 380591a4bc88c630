"""Nocturnal cold-air drainage as layers: the night's length, what it leaves, what is cached."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from ground.surfaces import grid_of

from siteplanner import load_site
from siteplanner.ground.cold import drainage_run
from siteplanner.ground.cold import nocturnal_drainage as drainage
from siteplanner.ground.cold.cold_air import ColdAir
from siteplanner.ground.cold.drainage_run import night_seconds, run_drainage, sky_share
from siteplanner.ground.cold.lanes import share_let_go
from siteplanner.reading.inputs import read_inputs
from siteplanner.reading.shelter import no_shelter


@pytest.fixture(autouse=True)
def own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path / "cache"))


def valley(rows=90, cols=63, cell=5.0):
    """A valley that falls to the south, its floor in the middle column; and its grid."""
    y, x = np.meshgrid(np.arange(rows), np.arange(cols) - cols // 2, indexing="ij")
    dem = 120 - 0.04 * cell * y + 0.003 * (x * cell) ** 2
    return dem.astype(np.float32), grid_of((rows, cols), cell)


def layers_of(dem, grid, shelter=None, mature_shelter=None, **settings):
    none = no_shelter(grid.crs)
    made = drainage.nocturnal_cold_air_drainage(
        dem,
        grid,
        -42.0,
        none if shelter is None else shelter,
        none if mature_shelter is None else mature_shelter,
        **settings,
    )
    names = [
        info.name.removeprefix("cold_air_")
        for info in drainage.nocturnal_cold_air_drainage.__layers__
    ]
    return dict(zip(names, made, strict=True))


def belt(grid, row, height=8.0, porosity=0.3):
    """A shelterbelt across the whole grid along the top edge of a row of cells."""
    west, _, east, north = grid.bounds
    line = shapely.LineString([(west, north - row * grid.cell), (east, north - row * grid.cell)])
    return gpd.GeoDataFrame(
        {"height_m": [height], "porosity": [porosity]}, geometry=[line], crs=grid.crs
    )


def test_length_of_the_night():
    """FAO-56 eqs 25, 34: cos(sunset) = -tan(lat) tan(declination); 23.44 degrees at solstice."""
    angle = np.arccos(-np.tan(np.radians(-42)) * np.tan(np.radians(23.44)))
    assert night_seconds(-42) / 3600 == pytest.approx(24 - 24 / np.pi * angle, abs=0.001)
    assert night_seconds(-42) / 3600 == pytest.approx(15, abs=0.3)
    assert night_seconds(42) == pytest.approx(night_seconds(-42), rel=0.01)
    assert night_seconds(0) / 3600 == pytest.approx(12, abs=0.01)
    assert night_seconds(-42, 355) < night_seconds(-42) - 5 * 3600


def test_sky_is_whole_on_a_plain_and_half_hidden_below_a_long_wall():
    plain = np.zeros((40, 40), np.float32)
    assert sky_share(plain, 10.0).min() == 1
    wall = plain.copy()
    wall[:, 20:] = 1e5
    # Horizons of 90 degrees over half of the circle; the two along the wall see past it.
    assert sky_share(wall, 10.0)[20, 19] == pytest.approx(1 - 7 / 16, abs=0.03)


def test_air_gathers_on_the_floor_and_flows_south():
    dem, grid = valley()
    found = layers_of(dem, grid)
    depth, middle = found["depth"], 31
    assert depth[60, middle] > 3 * depth[60, 5]
    assert found["direction"][60, middle] == pytest.approx(180, abs=5)
    assert found["direction"][60, 10] < 180 < found["direction"][60, 52]
    assert found["lines"][30:80, middle].mean() > 0.8
    assert found["lines"][30:80].mean() < 0.1
    assert 0 < found["arrival"][60, middle] < 15
    assert np.isnan(found["arrival"][depth < 2.0]).all()
    assert (found["speed"][1:-1, 1:-1] > 0).all()


def test_unknown_ground_stays_unknown_and_drains():
    dem, grid = valley()
    dem[40:45, 28:35] = np.nan
    found = layers_of(dem, grid)
    assert np.isnan(found["depth"][40:45, 28:35]).all()
    assert np.isfinite(found["depth"][:38]).all()


def test_planning_cells_finer_than_five_metres_are_joined_and_come_back():
    fine, grid = valley(180, 126, 2.5)
    coarse = layers_of(*valley())
    depth = layers_of(fine, grid)["depth"]
    assert depth.shape == (180, 126)
    joined = depth.reshape(90, 2, 63, 2).mean(axis=(1, 3))
    assert np.abs(joined - coarse["depth"])[5:-5, 5:-5].mean() < 0.15 * coarse["depth"].mean()


def test_mature_rows_hold_air_back_and_a_lane_lets_it_go():
    dem, grid = valley()
    found = layers_of(dem, grid, mature_shelter=belt(grid, 60), lane_m=25.0)
    assert found["growth"][50:58, 26:37].mean() > 0.7
    assert np.abs(found["growth"][:20]).max() < 0.2
    assert found["lanes"][58:62, 29:34].any()
    assert not found["lanes"][:50].any()
    without = layers_of(dem, grid)
    assert not without["growth"].any() and not without["lanes"].any()
    standing = layers_of(dem, grid, shelter=belt(grid, 60))
    np.testing.assert_array_equal(standing["depth"], found["depth"])


def test_lanes_let_go_is_a_share_of_what_is_held():
    growth = np.array([[2.0, 1.0, 0.1]])
    assert share_let_go(growth, np.array([[1.0, 0.5, 9.0]])) == pytest.approx(0.5)
    assert share_let_go(np.zeros((1, 3)), growth) == 0


def test_second_run_takes_the_cached_drainage_and_other_ground_does_not(monkeypatch):
    dem, grid = valley()
    first = layers_of(dem, grid)
    runs = []
    monkeypatch.setattr(
        drainage_run, "run_drainage", lambda *a, **k: runs.append(a) or run_drainage(*a, **k)
    )
    again = layers_of(dem, grid)
    assert runs == []
    for name, values in first.items():
        np.testing.assert_array_equal(again[name], values)
    layers_of(dem, grid, loss_w_m2=12.0)
    dem[3, 3] += 1
    layers_of(dem, grid)
    layers_of(dem, grid, shelter=belt(grid, 60))
    assert len(runs) == 3 * 3  # a night, and two for the effect of the edge


@pytest.mark.long
def test_halving_the_cell_hardly_changes_the_pools_of_the_sample(sample_site):
    site = read_inputs(load_site(sample_site))
    air, seconds = ColdAir(), night_seconds(-42)
    area = []
    for cell_m in (12.0, 6.0):
        made = run_drainage(site.dem, site.grid.cell, seconds, air, cell_m=cell_m)
        assert abs(made.imbalance) < 1e-6
        cell = -(-cell_m // site.grid.cell) * site.grid.cell
        area.append(float((made.depth >= 2.0).sum()) * cell**2)
    assert area[1] == pytest.approx(area[0], rel=0.1)


def test_height_above_the_cold_air_is_nil_within_it_and_capped():
    dem, grid = valley()
    found = layers_of(dem, grid)
    above = drainage.height_above_cold_air(dem, found["depth"], found["growth"], grid, cap_m=30.0)
    assert above[60, 31] == 0
    assert above.max() == 30
    assert above[60, 8] > above[60, 20]


@pytest.fixture
def sample_site():
    from pathlib import Path

    return Path(__file__).parents[2] / "sample_site" / "site.toml"
