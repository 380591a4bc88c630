"""Terrain on surfaces whose answer is known."""

import numpy as np
import pyproj
import pytest
from examples import examples
from ground.surfaces import angle_between, grid_of, hills, middles, plane
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.base.bearings import convergence
from siteplanner.ground.relief.landform import topographic_position
from siteplanner.ground.relief.terrain import (
    curvature,
    hillshade,
    slope_and_aspect,
    terrace_smoothed_dem,
    void_filled,
)
from siteplanner.reading.height_step import step_of


@settings(max_examples=examples(60))
@given(
    slope=st.floats(0.1, 80),
    aspect=st.floats(0, 360),
    cell=st.sampled_from([0.5, 2.0, 30.0]),
    voids=st.integers(0, 2**32 - 1),
)
def test_a_plane_with_voids_has_one_slope_and_aspect_up_to_its_edges(slope, aspect, cell, voids):
    dem = plane((9, 11), cell, slope, aspect)
    grid = grid_of(dem.shape, cell)
    # Scattered voids, each with whole ground on its other side.
    rows, cols = np.random.default_rng(voids).integers(2, (7, 9), (2, 2)).T
    dem[rows, cols] = np.nan
    steep, facing = slope_and_aspect(dem, grid)
    known = ~np.isnan(dem)
    assert np.isnan(steep[~known]).all() and np.isnan(facing[~known]).all()
    whole = known.copy()
    whole[1:-1, 1:-1] &= np.isfinite(_thin(dem))
    # Heights near 1000 m carry 6e-5 m of rounding, which a cell turns into an angle.
    allow = np.degrees(2e-4 / cell) + 1e-4
    assert np.abs(steep - slope)[whole].max() < allow
    assert (
        angle_between(facing[whole], aspect + convergence(grid)).max()
        < allow / np.tan(np.radians(slope)) + 1e-3
    )


def _thin(dem):
    """Sum of a cell and its neighbours: NaN where any is missing."""
    return sum(np.roll(dem, (r, c), (0, 1)) for r in (-1, 0, 1) for c in (-1, 0, 1))[1:-1, 1:-1]


def test_level_ground_has_no_aspect():
    dem = np.full((5, 5), 12.5, np.float32)
    slope, aspect = slope_and_aspect(dem, grid_of(dem.shape))
    assert (slope == 0).all() and np.isnan(aspect).all()


def test_east_rising_plane():
    dem = np.tile(np.arange(6, dtype=np.float32), (4, 1))
    grid = grid_of(dem.shape)
    slope, aspect = slope_and_aspect(dem, grid)
    assert slope == pytest.approx(45, abs=1e-5)
    assert aspect == pytest.approx(270 + convergence(grid), abs=1e-4)


def test_steep_slopes_and_all_quarters_match_the_arctangent():
    dem = hills((60, 70), seed=4, cell=2.0, relief=300, rough=1.0)
    slope, aspect = slope_and_aspect(dem, grid_of(dem.shape, 2.0))
    z = np.pad(dem.astype(float), 1, mode="reflect", reflect_type="odd")
    down, right = (1, 2, 1), (-1, 0, 1)
    east = sum(
        w * s * z[1 + r : 61 + r, 1 + c : 71 + c]
        for w, r in zip(down, right, strict=True)
        for s, c in ((1, 1), (-1, -1))
    )
    south = sum(
        w * s * z[1 + r : 61 + r, 1 + c : 71 + c]
        for w, c in zip(down, right, strict=True)
        for s, r in ((1, 1), (-1, -1))
    )
    inside = np.s_[1:-1, 1:-1]
    expected = np.degrees(np.arctan(np.hypot(east, south) / 16))
    assert expected.max() > 60
    assert np.abs(slope - expected)[inside].max() < 2e-4
    facing = np.degrees(np.arctan2(-east, south)) + convergence(grid_of(dem.shape, 2.0))
    steep = expected[inside] > 1
    assert angle_between(aspect[inside], facing[inside])[steep].max() < 0.01


def test_aspect_counts_from_true_north():
    # Ground that falls due grid north, 150 km east of the zone's meridian.
    dem = plane((5, 5), 10.0, 20, 0)
    grid = grid_of(dem.shape, 10.0, east_of_meridian=150_000)
    _, aspect = slope_and_aspect(dem, grid)
    lon, lat = grid.centre_lonlat
    back = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    west, south, east, north = grid.bounds
    further = back.transform((west + east) / 2, (south + north) / 2 + 100)
    bearing, _, _ = pyproj.Geod(ellps="WGS84").inv(lon, lat, *further)
    assert abs(bearing) > 1
    assert angle_between(aspect, bearing).max() < 0.01


def test_hillshade_is_brightest_facing_the_light():
    slopes = np.full((1, 4), 30, np.float32)
    aspects = np.array([[315, 45, 135, np.nan]], np.float32)
    slopes[0, 3] = 0
    bright = hillshade(slopes, aspects)
    cosine = np.cos(np.radians([[15, 0, 75, 45]]))
    cosine[0, 1] = np.cos(np.radians(45)) * np.cos(np.radians(30))
    assert bright == pytest.approx(255 * cosine, abs=0.01)


@settings(max_examples=examples(30))
@given(seed=st.integers(0, 999), half=st.integers(1, 12), voids=st.integers(0, 40))
def test_position_is_height_above_the_mean_of_the_clipped_window(seed, half, voids):
    dem = hills((23, 31), seed)
    rng = np.random.default_rng(seed)
    dem[rng.integers(0, 23, voids), rng.integers(0, 31, voids)] = np.nan
    ours = topographic_position(dem, grid_of(dem.shape, 10.0), 10.0 * half)
    for row, col in rng.integers(0, (23, 31), (25, 2)):
        around = dem[max(0, row - half) : row + half + 1, max(0, col - half) : col + half + 1]
        if np.isnan(dem[row, col]):
            assert np.isnan(ours[row, col])
        else:
            expected = dem[row, col] - np.nanmean(around.astype(float))
            assert ours[row, col] == pytest.approx(expected, abs=1e-4)


def test_position_does_not_depend_on_how_the_rows_are_shared_out(monkeypatch):
    dem = hills((300, 200), seed=3)
    grid = grid_of(dem.shape, 10.0)
    shared = {}
    for cores in (1, 2, 3):
        monkeypatch.setattr("siteplanner.base.strips.os.cpu_count", lambda n=cores: n)
        monkeypatch.setattr("siteplanner.base.strips._WORTH_A_THREAD", 1)
        shared[cores] = topographic_position(dem, grid, 70.0).tobytes()
    assert shared[1] == shared[2] == shared[3]


@pytest.mark.parametrize("way", [0, 30, 135, 250])
def test_curvature_of_spur_gully_brow_and_foot_of_a_slope(way):
    x, y = middles((7, 7))
    away = np.radians(way)
    along, beside = x * np.sin(away) + y * np.cos(away), x * np.cos(away) - y * np.sin(away)
    for bend, down, across in (
        (-0.01 * beside**2, 0, 0.02),  # spur
        (0.01 * beside**2, 0, -0.02),  # gully
        (-0.01 * along**2, 0.02, 0),  # brow
        (0.01 * along**2, -0.02, 0),  # foot of a slope
    ):
        dem = (bend - 0.3 * along).astype(np.float32)
        profile, plan = curvature(dem, grid_of(dem.shape))
        assert profile[3, 3] == pytest.approx(down, abs=1e-4)
        assert plan[3, 3] == pytest.approx(across, abs=1e-4)


def test_curvature_of_a_bowl_floor_is_hollow_and_unknown_stays_unknown():
    x, y = middles((5, 5))
    dem = (0.05 * (x**2 + y**2)).astype(np.float32)
    dem[0, 0] = np.nan
    profile, plan = curvature(dem, grid_of(dem.shape))
    assert profile[2, 2] == pytest.approx(-0.1, abs=1e-5) == plan[2, 2]
    assert np.isnan(profile[0, 0]) and np.isfinite(profile.ravel()[1:]).all()


@pytest.mark.parametrize(("step", "slope"), [(1.0, 3), (0.3048, 1), (0.1, 0.2)])
def test_terraces_of_rounded_heights_are_smoothed_by_half_a_step_at_most(step, slope):
    true = plane((120, 120), 5.0, slope, 200)
    rounded = (np.round(true / step) * step).astype(np.float32)
    grid = grid_of(true.shape, 5.0)
    assert step_of(rounded) == pytest.approx(step, rel=1e-3)
    steep, _ = slope_and_aspect(rounded, grid)
    smooth = terrace_smoothed_dem(rounded, steep, grid, step_of(rounded))
    assert np.abs(smooth - rounded).max() <= step / 2 * 1.001
    inside = np.s_[20:-20, 20:-20]
    off = np.abs(smooth - true)[inside]
    assert off.mean() < 0.35 * np.abs(rounded - true)[inside].mean()
    bent = [np.abs(curvature(z, grid)[0][inside]).mean() for z in (smooth, rounded)]
    assert bent[0] < 0.3 * bent[1]


def test_heights_without_steps_stay_as_they_are():
    dem = hills((50, 60), seed=2)
    dem[3, 4] = np.nan
    assert step_of(dem) == 0
    grid = grid_of(dem.shape)
    smooth = terrace_smoothed_dem(dem, slope_and_aspect(dem, grid)[0], grid, 0.0)
    assert smooth.tobytes() == dem.tobytes()


def test_filled_heights_are_marked():
    dem = np.array([[1, 2, np.nan]], np.float32)
    marks = void_filled(dem, np.array([[False, True, False]]))
    assert np.array_equal(marks, [[0, 1, np.nan]], equal_nan=True)
