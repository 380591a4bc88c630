"""Sun on planes, in a crater and in a mirrored world."""

import numpy as np
import pvlib
import pytest
from ground.surfaces import grid_of, hills, middles, plane
from scipy.ndimage import map_coordinates

from siteplanner.ground.relief.terrain import slope_and_aspect
from siteplanner.ground.sun import irradiation as module
from siteplanner.ground.sun.irradiation import (
    MID_MONTH,
    MONTH_DAYS,
    horizon_and_sky,
    month_ratio,
    sun,
)


def light_on(latitude, slope=0.0, aspect=0.0, horizon=0.0, clear_air=0.75):
    """Light of each month's middle day on a plane, by the minute, with sun height and bearing.

    Level ground walled in to the same height all round has ``horizon`` > 0.
    """
    lat, tilt, facing = np.radians([latitude, slope, aspect])
    hour = np.radians((np.arange(1440) + 0.5) / 4 - 180)
    found = []
    for day in MID_MONTH:
        delta = pvlib.solarposition.declination_spencer71(day)
        sine = np.sin(lat) * np.sin(delta) + np.cos(lat) * np.cos(delta) * np.cos(hour)
        height = np.arcsin(sine)
        cosine = (np.sin(delta) - sine * np.sin(lat)) / (np.cos(height) * np.cos(lat))
        bearing = np.arccos(np.clip(cosine, -1, 1))
        bearing = np.where(hour > 0, 2 * np.pi - bearing, bearing)
        on_plane = sine * np.cos(tilt) + np.cos(height) * np.sin(tilt) * np.cos(bearing - facing)
        up = sine > 0
        near = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
        beam = np.where(up, near * clear_air ** (1 / np.maximum(sine, 1e-6)), 0)
        diffuse = np.where(up, near * sine * (0.271 - 0.294 * beam / near), 0).sum()
        sky = (1 + np.cos(tilt)) / 2 if slope else np.cos(np.radians(horizon)) ** 2
        seen = (on_plane > 0) & (height > np.radians(horizon))
        found.append((beam * on_plane * seen).sum() + diffuse * sky)
    return np.array(found)


def percent(latitude, **ground):
    """Year, December and June, percent of level ground."""
    here, level = light_on(latitude, **ground), light_on(latitude)
    year = (here * MONTH_DAYS).sum() / (level * MONTH_DAYS).sum()
    return 100 * year, 100 * here[11] / level[11], 100 * here[5] / level[5]


@pytest.mark.parametrize("latitude", [-42.0, 0.0, 47.0])
@pytest.mark.parametrize(("slope", "aspect"), [(12, 200), (25, 0), (30, 95), (40, 180), (20, 300)])
def test_planes_match_the_sun_followed_by_the_minute(latitude, slope, aspect):
    shape = (3, 3)
    steep, facing = np.full(shape, slope, np.float32), np.full(shape, aspect, np.float32)
    dem = plane(shape, 2.0, slope, aspect)
    year, summer, winter = sun(dem, steep, facing, grid_of(shape, 2.0), latitude)[:3]
    expected_year, december, june = percent(latitude, slope=slope, aspect=aspect)
    bright, dark = (june, december) if latitude >= 0 else (december, june)
    assert year[1, 1] == pytest.approx(expected_year, abs=0.6)
    assert summer[1, 1] == pytest.approx(bright, abs=0.6)
    assert winter[1, 1] == pytest.approx(dark, abs=1.5)


def test_open_level_ground_has_all_the_light():
    dem = np.full((4, 4), 7, np.float32)
    grid = grid_of(dem.shape)
    for layer in sun(dem, *slope_and_aspect(dem, grid), grid, -42.0)[:3]:
        assert layer == pytest.approx(100, abs=1e-3)


def test_a_crater_hides_the_low_sun():
    # Rim at 150 m, as high as 25 degrees seen from the middle of the floor.
    x, y = middles((121, 121), 5.0)
    dem = np.where(np.hypot(x, y) < 150, 0, 150 * np.tan(np.radians(25))).astype(np.float32)
    grid = grid_of(dem.shape, 5.0)
    made = [layer[60, 60] for layer in sun(dem, *slope_and_aspect(dem, grid), grid, -42.0)[:3]]
    # The look-up may meet the rim up to a cell and a thirty-sixth of the way late, and, between
    # two cells, up to a cell early.
    earliest = np.degrees(np.arctan(150 * np.tan(np.radians(25)) / 145))
    latest = np.degrees(np.arctan(150 * np.tan(np.radians(25)) / (150 * 37 / 36 + 7)))
    high = percent(-42.0, horizon=latest)
    low = percent(-42.0, horizon=earliest)
    for ours, at_most, at_least in zip(made, high, low, strict=True):
        assert at_least - 1 < ours < at_most + 1
    assert made[2] < 50 < made[0] < made[1]


def test_shade_ends_at_its_reach():
    dem = np.zeros((3, 60), np.float32)
    dem[:, 30] = 40
    grid = grid_of(dem.shape, 5.0)
    level = np.zeros(dem.shape, np.float32)
    year = sun(dem, level, level * np.nan, grid, -42.0, shade_reach=50.0)[0]
    assert (year[:, :20] > 99.99).all() and (year[:, 21:30] < 99).all()


def test_a_mirrored_world_has_mirrored_light(monkeypatch):
    dem = hills((40, 50), seed=8, cell=5.0, relief=60)
    grid = grid_of(dem.shape, 5.0)
    north = sun(dem, *slope_and_aspect(dem, grid), grid, 42.0)[:3]
    # North and south swapped: heights, latitude and the sun's course; not its distance.
    real = module.declination
    monkeypatch.setattr(module, "declination", lambda day: -real(day))
    mirrored = np.ascontiguousarray(dem[::-1])
    south = sun(mirrored, *slope_and_aspect(mirrored, grid), grid, -42.0)[:3]
    # June is summer in the north and, with the sun's course swapped, the lit month of the
    # south too; there it is still called winter.
    for ours, theirs in zip(north, (south[0], south[2], south[1]), strict=True):
        assert np.ptp(ours) > 1
        assert np.abs(ours - theirs[::-1]).max() < 0.05


def test_a_turned_grid_sees_the_same_sun(monkeypatch):
    # Grid north pointing to true east is the same ground on a picture turned to the right.
    dem = hills((40, 40), seed=5, cell=5.0, relief=60)
    grid = grid_of(dem.shape, 5.0)
    upright = np.ascontiguousarray(np.rot90(dem, -1))
    expected = sun(upright, *slope_and_aspect(upright, grid), grid, -42.0)
    monkeypatch.setattr("siteplanner.ground.relief.terrain.convergence", lambda grid: 90.0)
    monkeypatch.setattr(module, "convergence", lambda grid: 90.0)
    turned = sun(dem, *slope_and_aspect(dem, grid), grid, -42.0)
    for ours, theirs in zip(turned, expected, strict=True):
        assert np.abs(np.rot90(ours, -1) - theirs).max() < 0.05


def test_unknown_ground_stays_unknown_and_casts_no_shade():
    dem = np.zeros((5, 5), np.float32)
    dem[2, 2] = np.nan
    grid = grid_of(dem.shape)
    year = sun(dem, *slope_and_aspect(dem, grid), grid, -42.0)[0]
    assert np.isnan(year[2, 2]) and np.isnan(year).sum() == 1
    assert year[2, 3] == pytest.approx(100, abs=1e-3)


@pytest.mark.parametrize("latitude", [-42.0, -20.0, 55.0])
@pytest.mark.parametrize(("slope", "aspect"), [(10, 0), (25, 180), (30, 90), (20, 45)])
def test_months_follow_from_year_summer_and_winter(latitude, slope, aspect):
    year, december, june = percent(latitude, slope=slope, aspect=aspect)
    summer, winter = (june, december) if latitude >= 0 else (december, june)
    made = month_ratio(year, summer, winter, latitude)
    exact = 100 * light_on(latitude, slope, aspect) / light_on(latitude)
    assert made[[5, 11]] == pytest.approx([june, december], abs=0.05)
    level = light_on(latitude) * MONTH_DAYS
    assert (made * level).sum() / level.sum() == pytest.approx(year, abs=0.05)
    # In light, not in percent of a dark month's little light: within 3 % of the mean month.
    assert np.abs((made - exact) * light_on(latitude)).max() < 3 * light_on(latitude).mean()


def highest_along(dem, row, col, cell, bearing, reach):
    """Angle up to the highest ground on a line, looked at wherever it crosses a row or column.

    Of rows and columns those that the line crosses more often, none left out; heights between
    two cells on a straight line.
    """
    south, east = -np.cos(np.radians(bearing)), np.sin(np.radians(bearing))
    long = max(abs(south), abs(east))
    away = np.arange(1, reach * long / cell + 1e-9) / long
    down, right = row + away * south, col + away * east
    inside = (down >= 0) & (down <= dem.shape[0] - 1) & (right >= 0) & (right <= dem.shape[1] - 1)
    there = map_coordinates(dem, [down[inside], right[inside]], order=1)
    rise = (there - dem[row, col]) / (away[inside] * cell)
    return np.degrees(np.arctan(rise.max(initial=0)))


@pytest.mark.parametrize("reach", [300.0, 1000.0])
def test_the_horizon_is_that_of_brute_force(reach):
    dem = hills((150, 160), seed=4, cell=10.0, relief=100, rough=0.5)
    grid = grid_of(dem.shape, 10.0)
    _, aspect = slope_and_aspect(dem, grid)
    horizon, sky = horizon_and_sky(dem, np.zeros_like(dem), aspect, grid, shade_reach=reach)
    spots = np.random.default_rng(1).integers(20, 130, (80, 2))
    off = [
        horizon[k, r, c] - highest_along(dem, r, c, 10.0, 10 * k, reach)
        for r, c in spots
        for k in range(36)
    ]
    # Steps that grow with distance may pass over a far, narrow top.
    assert (np.abs(off) < 0.5).mean() > 0.995 and np.abs(off).max() < 1
    assert np.median(horizon) > 5
    # Level ground sees the mean of cos^2 of the horizon, directions being evenly spread.
    assert sky == pytest.approx((np.cos(np.radians(horizon)) ** 2).mean(axis=0), abs=1e-4)
