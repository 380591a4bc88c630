"""The water year: what goes in comes out, and more sun or less soil means more want."""

from types import SimpleNamespace

import numpy as np
import pytest
from ground.surfaces import grid_of, plane
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.ground.soil.drought import (
    annual_rainfall,
    outflow,
    site_drainage,
    water_balance,
    water_year,
)
from siteplanner.ground.sun.evapotranspiration import (
    clear_sky,
    hargreaves,
    lost_to_the_sky,
    psychrometric,
    reference_evapotranspiration,
    soil_heat,
)
from siteplanner.ground.sun.irradiation import (
    MID_MONTH,
    MONTH_DAYS,
    month_ratio,
    sky_radiation,
    sun,
)
from siteplanner.reading.climate.weather import StationAir, vapour_of_humidity, vapour_pressure

CLIMATE = SimpleNamespace(
    tmin_c=np.array([11, 11, 9, 7, 5, 3, 2, 3, 4, 6, 8, 9.5]),
    tmax_c=np.array([23, 23, 20, 17, 14, 11, 11, 12, 14, 16, 19, 21.0]),
    rain_mm=np.array([40, 38, 45, 60, 70, 75, 80, 82, 75, 68, 60, 50.0]),
    air=None,
)

months = st.lists(st.floats(0, 300), min_size=12, max_size=12)


@given(rain=months, et0=months, capacity=st.floats(0, 500))
def test_water_is_neither_made_nor_lost(rain, et0, capacity):
    rain, et0 = np.array(rain), np.array(et0)
    stored, used = water_year(rain, et0, capacity)
    assert (stored >= 0).all() and (stored <= capacity + 1e-9).all()
    assert (used >= np.minimum(rain, et0) - 1e-9).all() and (used <= et0 + 1e-9).all()
    before = np.roll(stored, 1)
    spilt = rain + before - used - stored
    assert (spilt[1:] > -1e-6).all()
    full = stored >= capacity - 1e-9
    assert np.abs(spilt[1:][~full[1:]]).max(initial=0) < 1e-6
    # A year without surplus may close only slowly; then the first month still carries a rest.
    if rain.sum() > et0.sum():
        assert spilt[0] > -1e-5


def test_a_soil_that_never_refills_settles_where_the_year_closes():
    rain, et0 = np.full(12, 20.0), np.tile([10.0, 90.0], 6)
    stored, used = water_year(rain, et0, 100)
    assert used.sum() == pytest.approx(rain.sum(), abs=1e-4)
    assert stored.max() < 100


def test_warmer_days_with_wider_range_want_more_and_polar_cold_wants_none():
    assert hargreaves(5, 25, 30) > hargreaves(10, 20, 30) > hargreaves(5, 15, 30)
    assert hargreaves(-40, -30, 10) == 0
    summer = reference_evapotranspiration(CLIMATE, -42.0)
    assert summer.argmax() in (0, 11) and summer.argmin() in (5, 6)


def balance(
    water=120.0,
    year=100.0,
    summer=100.0,
    winter=100.0,
    drainage=2.0,
    wetness=(6, 6),
    slope=0.0,
    latitude=-42.0,
    climate=CLIMATE,
):
    """Deficit, driest month's water and months waterlogged of the first of two cells."""
    grid = grid_of((1, 2))
    soil = [np.full((1, 2), v, np.float32) for v in (water, drainage)]
    light = [np.full((1, 2), v, np.float32) for v in (year, summer, winter)]
    index, steep = np.array([wetness], np.float32), np.full((1, 2), slope, np.float32)
    made = water_balance(*soil, index, steep, *light, grid, latitude, climate)
    return [float(layer[0, 0]) for layer in made]


def deficit(**ground):
    return balance(**ground)[0]


def test_run_on_waters_a_valley_floor_and_keeps_it_wet_longer():
    slope, floor = balance(wetness=(4, 8)), balance(wetness=(8, 4))
    assert floor[0] < slope[0] - 5 and floor[1] > slope[1]
    wet = [balance(wetness=(8, 4), drainage=code)[2] for code in range(7)]
    assert wet == sorted(wet) and wet[0] == 0 and 3 <= wet[6] <= 12
    assert balance(wetness=(4, 8), drainage=5)[2] <= wet[5]
    assert np.isnan(balance(drainage=np.nan)[2]) and np.isfinite(balance(drainage=np.nan)[0])


def test_what_runs_off_in_a_year_is_what_was_left_over():
    et0 = reference_evapotranspiration(CLIMATE, -42.0)
    _, used = water_year(CLIMATE.rain_mm, et0, 120.0)
    leaves = outflow(CLIMATE.rain_mm, et0, 120.0)
    assert leaves.sum() == pytest.approx((CLIMATE.rain_mm - used).sum(), rel=1e-3)
    assert (leaves > 0).all() and leaves.argmax() in (7, 8, 9)


def test_the_driest_month_is_a_share_of_the_store():
    et0 = reference_evapotranspiration(CLIMATE, -42.0)
    stored, _ = water_year(CLIMATE.rain_mm, et0, 120.0)
    assert balance()[1] == pytest.approx(100 * stored.min() / 120, rel=1e-5)


def test_the_place_moves_the_soils_drainage_by_one_class():
    def of(code, landform=3, flood=0, wetness=5, slope=12):
        layers = (np.array([[v]], np.float32) for v in (code, landform, flood, wetness, slope))
        return float(site_drainage(*layers)[0, 0])

    assert of(2) == 2 and of(2, landform=5) == 1 and of(2, landform=5, slope=3) == 2
    assert of(2, landform=0) == of(2, flood=1) == of(2, wetness=11) == 3
    assert of(6, landform=0) == 6 and of(0, landform=5) == 0 and np.isnan(of(np.nan))


def test_level_ground_has_the_station_s_own_balance():
    et0 = reference_evapotranspiration(CLIMATE, -42.0)
    _, used = water_year(CLIMATE.rain_mm, et0, 120.0)
    assert deficit() == pytest.approx((et0 - used).sum(), rel=1e-5)
    assert deficit() > 50


def test_a_slope_has_the_balance_of_its_own_months_of_sun():
    ratio = month_ratio(112.0, 101.0, 160.0, -42.0) / 100
    et0 = reference_evapotranspiration(CLIMATE, -42.0) * ratio
    _, used = water_year(CLIMATE.rain_mm, et0, 80.0)
    made = deficit(water=80, year=112, summer=101, winter=160)
    assert made == pytest.approx((et0 - used).sum(), rel=1e-5)


@pytest.mark.parametrize("slope", [20.0, 35.0])
def test_a_square_metre_of_map_holds_more_ground_on_a_slope(slope):
    # Ground = map / cos(slope) (AWF-Wiki, University of Goettingen); evapotranspiration of it
    # as its horizontal equivalent, Allen et al. (2006), seen second-hand.
    et0 = reference_evapotranspiration(CLIMATE, -42.0) / np.cos(np.radians(slope))
    _, used = water_year(CLIMATE.rain_mm, et0, 80.0)
    made = deficit(water=80, slope=slope)
    assert made == pytest.approx((et0 - used).sum(), rel=1e-5)
    assert made > 1.1 * deficit(water=80)


def test_sun_scales_only_what_sun_drives_by_penman_monteith():
    """FAO-56 eq. 6 worked for each month with the slope's own sunlight in eq. 38."""
    low, high = CLIMATE.tmin_c, CLIMATE.tmax_c
    solar = np.array([22, 19, 15, 10, 7, 5.5, 6, 8.5, 12, 16, 20, 22.0])
    air = StationAir(np.full(12, 3.0), vapour_of_humidity(low, high, 70.0), solar, None, 300.0)
    climate = SimpleNamespace(**{**vars(CLIMATE), "air": air})
    ratio = month_ratio(88.0, 96.0, 55.0, -42.0) / 100
    lost = lost_to_the_sky(
        low, high, air.vapour_kpa, solar / clear_sky(sky_radiation(-42.0, MID_MONTH), 300.0)
    )
    mean = (low + high) / 2
    net = 0.77 * solar * ratio - lost - soil_heat(mean)
    rise = 4098 * vapour_pressure(mean) / (mean + 237.3) ** 2
    gamma = psychrometric(300.0)
    dry = (vapour_pressure(low) + vapour_pressure(high)) / 2 - air.vapour_kpa
    daily = (0.408 * rise * net + gamma * 900 / (mean + 273) * 3.0 * dry) / (
        rise + gamma * (1 + 0.34 * 3.0)
    )
    et0 = np.maximum(daily, 0) * MONTH_DAYS
    _, used = water_year(CLIMATE.rain_mm, et0, 80.0)
    made = deficit(water=80, year=88, summer=96, winter=55, climate=climate)
    assert made == pytest.approx((et0 - used).sum(), rel=1e-5)


@pytest.mark.parametrize("latitude", [-78.0, -67.0, 66.6, 70.0, 85.0, 90.0])
def test_the_water_balance_is_known_beyond_the_polar_circles(latitude):
    """Ground under polar night: light of all months by the sun's course, want by the months lit."""
    shape = (3, 3)
    dem, grid = plane(shape, 2.0, 10, 30), grid_of(shape, 2.0)
    steep, facing = np.full(shape, 10, np.float32), np.full(shape, 30, np.float32)
    made = sun(dem, steep, facing, grid, latitude)
    months = dict(zip([info.name for info in sun.__layers__], made, strict=True))
    year, summer, winter = (float(layer[1, 1]) for layer in made[:3])
    assert np.isfinite([year, summer, winter]).all()
    level = sun(plane(shape, 2.0, 0, 0), 0 * steep, facing * np.nan, grid, latitude)
    assert level[2] == pytest.approx(100, abs=1e-3)
    # Months follow from year, summer and winter as elsewhere: no light in the night, and within
    # a few percent of the brightest month's light in the others.
    open_sky = dict(zip([info.name for info in sun.__layers__], level, strict=True))
    names = [f"global_irradiation_{month:02d}" for month in range(1, 13)]
    exact, of_level = (np.array([m[n][1, 1] for n in names]) for m in (months, open_sky))
    ratio = month_ratio(year, summer, winter, latitude) / 100
    assert (exact[of_level == 0] == 0).all() and np.isfinite(ratio).all()
    assert np.abs(ratio * of_level - exact).max() < 0.04 * exact.max()
    cold = SimpleNamespace(**{**vars(CLIMATE), "rain_mm": CLIMATE.rain_mm / 20})
    want = balance(year=year, summer=summer, winter=winter, latitude=latitude, climate=cold)
    assert np.isfinite(want).all() and want[0] > 50


def test_want_grows_with_sun_and_shrinks_with_soil():
    assert deficit(year=110, summer=103, winter=150) > deficit()
    assert deficit(year=85, summer=95, winter=50) < deficit()
    assert deficit(water=30) > deficit(water=120) > deficit(water=300)
    assert deficit(water=0) == pytest.approx(
        np.maximum(reference_evapotranspiration(CLIMATE, -42.0) - CLIMATE.rain_mm, 0).sum(),
        rel=1e-5,
    )


def test_unknown_soil_or_sun_gives_unknown_want():
    assert np.isnan(deficit(water=np.nan)) and np.isnan(deficit(summer=np.nan))
    assert np.isnan(deficit(slope=np.nan))


def test_rainfall_is_the_year_s_sum_where_there_is_ground():
    dem = np.array([[1.0, np.nan]], np.float32)
    rain = annual_rainfall(dem, CLIMATE)
    assert rain.dtype == np.float32
    assert rain[0, 0] == pytest.approx(743) and np.isnan(rain[0, 1])
