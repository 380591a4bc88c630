"""Sun and drought against the worked examples of FAO-56 (Allen et al. 1998) and others."""

import numpy as np
import pandas as pd
import pvlib
import pytest
from ground.surfaces import grid_of, plane

from siteplanner.ground.soil.drought import water_year
from siteplanner.ground.sun import irradiation
from siteplanner.ground.sun.evapotranspiration import (
    clear_sky,
    hargreaves,
    lost_to_the_sky,
    penman_monteith,
    psychrometric,
    soil_heat,
    solar_radiation,
)
from siteplanner.ground.sun.irradiation import (
    MID_MONTH,
    daylight,
    declination,
    heat_load,
    nearness,
    sky_radiation,
    sun,
    sunset_angle,
)
from siteplanner.reading.climate.weather import (
    StationAir,
    vapour_of_humidity,
    vapour_pressure,
    wind_at_2_m,
)


def eq_24(day):
    """FAO-56's declination, radians, which its printed examples rest on."""
    return 0.409 * np.sin(2 * np.pi * np.asarray(day) / 365 - 1.39)


@pytest.fixture
def fao_56_sun(monkeypatch):
    """The sun's course of FAO-56's examples: eq. 24 in place of the better declination."""
    monkeypatch.setattr(irradiation, "declination", eq_24)


def test_declination_is_that_of_an_ephemeris_within_a_hundredth_of_a_degree():
    # NREL's SPA (Reda & Andreas 2004), good to 0.0003 degrees, as pvlib carries it out.
    noons = pd.date_range("2026-01-01 12:00", periods=365, freq="D", tz="UTC")
    seconds = np.array([noon.timestamp() for noon in noons])
    theirs = pvlib.spa.solar_position_numpy(seconds, 0, 0, 0, 1013, 12, 69, 0.5667, 1, sst=True)[2]
    days = np.arange(1, 366)
    assert np.degrees(declination(days)) == pytest.approx(theirs, abs=0.01)
    # FAO-56 eq. 24 is more than a degree off in autumn (October, in the north).
    assert np.abs(np.degrees(eq_24(days)) - theirs)[273:304].max() > 1


@pytest.mark.usefixtures("fao_56_sun")
def test_fao56_example_8_radiation_outside_the_air():
    # 3 September (J 246) at 20 degrees south.
    assert nearness(246) == pytest.approx(0.985, abs=0.0005)
    assert eq_24(246) == pytest.approx(0.120, abs=0.0005)
    assert sunset_angle(-20, eq_24(246)) == pytest.approx(1.527, abs=0.0005)
    assert sky_radiation(-20, 246) == pytest.approx(32.2, abs=0.05)


@pytest.mark.usefixtures("fao_56_sun")
def test_fao56_example_9_daylight():
    assert daylight(-20, 246) == pytest.approx(11.7, abs=0.05)


@pytest.mark.usefixtures("fao_56_sun")
def test_fao56_example_10_radiation_and_daylight():
    # Rio de Janeiro, 22.9 degrees south, 15 May (J 135).
    assert sky_radiation(-22.9, 135) == pytest.approx(25.1, abs=0.05)
    assert daylight(-22.9, 135) == pytest.approx(10.9, abs=0.05)


@pytest.mark.usefixtures("fao_56_sun")
def test_fao56_example_17_and_18_radiation():
    # Bangkok, 13 deg 44 min north, 15 April; Uccle, 50 deg 48 min north, 6 July.
    assert sky_radiation(13 + 44 / 60, 105) == pytest.approx(38.06, abs=0.005)
    assert daylight(13 + 44 / 60, 105) == pytest.approx(12.31, abs=0.005)
    assert sky_radiation(50.8, 187) == pytest.approx(41.09, abs=0.005)


def test_fao56_examples_3_5_13_and_14_air_and_soil():
    assert vapour_pressure([24.5, 15]).mean() == pytest.approx(2.39, abs=0.005)
    # Example 5 has the warmest hour's humidity with the coolest's; here one mean for both.
    assert vapour_pressure([18, 25]) == pytest.approx([2.064, 3.168], abs=0.0005)
    assert vapour_of_humidity(18, 25, 68) == pytest.approx(0.68 * (2.064 + 3.168) / 2, abs=0.001)
    # 14.1 in the month before and 18.8 in the month after.
    assert soil_heat([14.1, 16.1, 18.8])[1] == pytest.approx(0.33, abs=0.005)
    assert wind_at_2_m(3.2, 10) == pytest.approx(2.4, abs=0.05)


@pytest.mark.usefixtures("fao_56_sun")
def test_fao56_examples_2_4_10_and_11_parts_of_the_heat_balance():
    assert psychrometric(1800) == pytest.approx(0.054, abs=0.0005)
    assert psychrometric(1800) / 0.665e-3 == pytest.approx(81.8, abs=0.05)
    # Example 4: psychrometer, wet bulb 19.5, dry bulb 25.6, 87.9 kPa, ventilated (eq. 15, 16).
    drier = 0.000662 * 87.9 * (25.6 - 19.5)
    assert vapour_pressure(19.5) - drier == pytest.approx(1.91, abs=0.005)
    # Rio de Janeiro in May: 7.1 hours of sun.
    outside, longest = sky_radiation(-22.9, 135), daylight(-22.9, 135)
    assert solar_radiation(7.1, longest, outside) == pytest.approx(14.45, abs=0.02)
    assert clear_sky(outside, 0.0) == pytest.approx(18.8, abs=0.05)
    assert lost_to_the_sky(19.1, 25.1, 2.1, 14.5 / 18.8) == pytest.approx(3.5, abs=0.05)


@pytest.mark.usefixtures("fao_56_sun")
def test_fao56_example_17_a_month_in_bangkok():
    air = StationAir(np.array([2.0]), np.array([2.85]), None, np.array([8.5]), 2.0)
    # The example takes the soil's heat from the month before alone: 0.14 a degree (eq. 44).
    made = penman_monteith(25.6, 34.8, air, 105, 13 + 44 / 60, 0.14 * (30.2 - 29.2))
    assert made == pytest.approx(5.72, abs=0.005)


def test_fao56_example_18_a_day_in_uccle():
    vapour = (vapour_pressure(12.3) * 0.84 + vapour_pressure(21.5) * 0.63) / 2
    assert vapour == pytest.approx(1.409, abs=0.0005)
    wind = np.array([wind_at_2_m(2.78, 10)])
    assert wind == pytest.approx(2.079, abs=0.0015)
    air = StationAir(wind, np.array([vapour]), np.array([22.07]), None, 100.0)
    assert penman_monteith(12.3, 21.5, air, 187, 50.8) == pytest.approx(3.88, abs=0.005)


def test_fao56_example_20_a_month_in_lyon():
    # Missing data: vapour pressure of the coldest hour, wind 2 m/s, sun from temperatures.
    vapour = vapour_pressure(14.8)
    assert vapour == pytest.approx(1.68, abs=0.005)
    air = StationAir(np.array([2.0]), np.array([vapour]), np.array([22.29]), None, 200.0)
    assert penman_monteith(14.8, 26.6, air, 196, 45 + 43 / 60) == pytest.approx(4.56, abs=0.01)


def test_monthly_daylight_tables():
    # 20 N: Bautista et al. (2009); 46 N: Mimikou & Baltas (2002).
    at_20 = [10.9, 11.3, 11.9, 12.5, 12.9, 13.2, 13.1, 12.7, 12.1, 11.5, 11.0, 10.8]
    at_46 = [8.9, 10.1, 11.6, 13.3, 14.7, 15.5, 15.2, 13.9, 12.3, 10.7, 9.2, 8.5]
    assert daylight(20, MID_MONTH) == pytest.approx(at_20, abs=0.15)
    assert daylight(46, MID_MONTH) == pytest.approx(at_46, abs=0.15)


def test_hargreaves_with_the_examples_radiation():
    # Inputs of FAO-56 examples 15 and 17; results computed from eq. 52, not printed there.
    assert hargreaves(14.8, 26.6, 40.6) == pytest.approx(5.04, abs=0.005)
    assert hargreaves(25.6, 34.8, 38.06) == pytest.approx(5.20, abs=0.005)
    assert hargreaves(19, 25, 32) == pytest.approx(2.93, abs=0.005)


def test_water_year_of_the_regression_case():
    # Thornthwaite & Mather (1955, 1957), exponential form; invented rain, computed result.
    rain = [80, 60, 50, 40, 35, 30, 25, 30, 60, 90, 95, 90]
    et0 = np.array(
        [10.96, 13.07, 29.35, 45.61, 59.16, 75.04, 93.21, 93.40, 64.31, 44.49, 26.03, 17.72]
    )
    stored, used = water_year(rain, et0, 100)
    ends = [100, 100, 100, 94.5, 74.3, 47.3, 23.9, 12.7, 12.2, 57.7, 100, 100]
    assert stored == pytest.approx(ends, abs=0.06)
    assert used.sum() == pytest.approx(449.46, abs=0.02)
    assert (et0 - used).sum() == pytest.approx(122.89, abs=0.02)


@pytest.mark.parametrize(
    ("capacity", "lost", "kept", "fitted"),
    [
        (100, 10, 90.5, 90.0),
        (100, 50, 60.7, 59.2),
        (100, 100, 36.8, 35.0),
        (150, 50, 107.5, 106.3),
        (300, 100, 215.0, 214.4),
    ],
)
def test_one_dry_month_as_the_tables_have_it(capacity, lost, kept, fitted):
    # ``fitted``: the U.S. Geological Survey's fit to the tables of Thornthwaite & Mather (1957).
    rain, et0 = np.full(12, 5000.0), np.zeros(12)
    rain[6], et0[6] = 0, lost
    stored, used = water_year(rain, et0, capacity)
    assert stored[6] == pytest.approx(kept, abs=0.06)
    assert stored[6] == pytest.approx(fitted, abs=2)
    assert used[6] == pytest.approx(capacity - stored[6])


@pytest.mark.parametrize(
    ("latitude", "slope", "aspect", "index"),
    [
        (40, 30, 180, 0.9825),
        (40, 30, 0, 0.6416),
        (40, 30, 225, 1.0530),
        (40, 30, 90, 0.6416),
        (40, 30, 270, 0.9825),
        (40, 0, np.nan, 0.9580),
        # The same in the south, mirrored.
        (-40, 30, 0, 0.9825),
        (-40, 30, 315, 1.0530),
    ],
)
def test_heat_load_by_equation_3(latitude, slope, aspect, index):
    # McCune & Keon (2002), J. Veg. Sci. 13:603-606; computed from the equation, not printed.
    made = heat_load(np.float32([[slope]]), np.float32([[aspect]]), latitude)
    assert made[0, 0] == pytest.approx(index, abs=1e-4)


def test_heat_load_by_equation_2_and_where_there_is_none():
    made = heat_load(np.float32([[30, 60]]), np.float32([[45, 45]]), 20.0)
    lat, tilt = np.radians([20, 30])
    # Aspect 45 is the coldest, folded to 180 degrees away from the south-west: 0 here.
    log = -1.236 + 1.350 * np.cos(lat) * np.cos(tilt) - 1.376 * np.sin(tilt) * np.sin(lat)
    log -= 0.331 * np.sin(lat) * np.sin(tilt)
    assert made[0, 0] == pytest.approx(np.exp(log), rel=1e-5)
    assert np.isnan(made[0, 1])
    assert np.isnan(heat_load(np.float32([[10]]), np.float32([[10]]), 65.0)).all()


@pytest.fixture(scope="module", params=[-42.0, -20.0, 55.0])
def followed(request):
    """Latitude and pvlib's sun (NREL's SPA) on the middle day of each month, by ten minutes."""
    latitude = request.param
    found = []
    for day in pd.to_datetime("2026-01-01") + pd.to_timedelta(MID_MONTH - 1, "D"):
        times = pd.date_range(day, periods=144, freq="10min", tz="UTC")
        position = pvlib.solarposition.get_solarposition(times, latitude, 0.0)
        outside = pvlib.irradiance.get_extra_radiation(times, method="spencer").to_numpy()
        found.append((position["zenith"].to_numpy(), position["azimuth"].to_numpy(), outside))
    return latitude, found


def test_radiation_outside_the_air_agrees_with_pvlib(followed):
    latitude, found = followed
    made = sky_radiation(latitude, MID_MONTH)
    theirs = np.array(
        [(out * np.cos(np.radians(high)).clip(0)).sum() * 600 / 1e6 for high, _, out in found]
    )
    # The distance of eq. 23 leaves 0.3 %.
    assert np.abs(made - theirs).max() < 0.15


@pytest.mark.parametrize(("slope", "aspect"), [(25, 0), (25, 180), (30, 90), (20, 300)])
def test_direct_irradiation_on_planes_agrees_with_pvlib(followed, slope, aspect):
    # Their sun and their angle on the plane, the air weakening the beam as ours does.
    latitude, found = followed
    theirs = []
    for high, azimuth, outside in found:
        up = np.cos(np.radians(high))
        on_plane = pvlib.irradiance.aoi_projection(slope, aspect, high, azimuth).clip(0)
        beam = np.where(up > 0.001, 0.75 ** (1 / np.maximum(up, 0.001)), 0)
        theirs.append((outside * beam * on_plane).sum() * 600 / 1e6)
    shape = (3, 3)
    steep, facing = np.full(shape, slope, np.float32), np.full(shape, aspect, np.float32)
    grid = grid_of(shape, 2.0)
    made = sun(plane(shape, 2.0, slope, aspect), steep, facing, grid, latitude)
    months = dict(zip([info.name for info in sun.__layers__], made, strict=True))
    ours = np.array([months[f"direct_irradiation_{month:02d}"][1, 1] for month in range(1, 13)])
    assert np.abs(ours - theirs).max() < 0.15
    assert ours.sum() == pytest.approx(np.sum(theirs), rel=0.01)
