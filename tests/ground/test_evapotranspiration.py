"""Evapotranspiration: what the station tells decides how it is worked out."""

import numpy as np
import pandas as pd
import pytest
import shapely
from site_around import SAMPLE, site_around

from siteplanner import load_site
from siteplanner.base.errors import InputError
from siteplanner.ground.sun.evapotranspiration import (
    hargreaves,
    penman_monteith,
    reference_evapotranspiration,
    soil_heat,
)
from siteplanner.ground.sun.irradiation import MID_MONTH, MONTH_DAYS, sky_radiation
from siteplanner.reading.climate.station import read_climate
from siteplanner.reading.climate.weather import vapour_of_humidity, wind_at_2_m

LATITUDE = -42.0


def station(folder, columns, **climate):
    """Climate of the sample with more columns, read through a site file."""
    path = site_around(folder, {"file": "none.tif"}, shapely.box(0, 0, 1000, 1000), "EPSG:32756")
    table = pd.read_csv(folder / "climate.csv").assign(**columns)
    table.to_csv(folder / "climate.csv", index=False)
    if climate:
        lines = "".join(f"{key} = {value}\n" for key, value in climate.items())
        text = path.read_text(encoding="utf-8").replace("[climate]\n", f"[climate]\n{lines}")
        path.write_text(text, encoding="utf-8")
    return read_climate(load_site(path))


def test_temperatures_alone_give_hargreaves(tmp_path):
    climate = station(tmp_path, {"wind_m_s": 3.0, "humidity_percent": 70.0})
    assert climate.air is None
    assert "by Hargreaves" in climate.et0_in_words
    low, high = climate.tmin_c, climate.tmax_c
    daily = hargreaves(low, high, sky_radiation(LATITUDE, MID_MONTH))
    assert reference_evapotranspiration(climate, LATITUDE) == pytest.approx(daily * MONTH_DAYS)


def test_wind_humidity_and_sun_give_penman_monteith(tmp_path):
    columns = {"wind_m_s": 4.0, "humidity_percent": 70.0, "sunshine_h": 6.0}
    climate = station(tmp_path, columns, station_elevation_m=312.0, wind_height_m=5.0)
    assert climate.et0_in_words == "evapotranspiration by Penman-Monteith"
    assert climate.air.wind_m_s == pytest.approx(wind_at_2_m(np.full(12, 4.0), 5.0))
    assert climate.air.vapour_kpa == pytest.approx(
        vapour_of_humidity(climate.tmin_c, climate.tmax_c, 70.0)
    )
    heat = soil_heat((climate.tmin_c + climate.tmax_c) / 2)
    assert heat.sum() == pytest.approx(0, abs=1e-12)
    daily = penman_monteith(climate.tmin_c, climate.tmax_c, climate.air, MID_MONTH, LATITUDE, heat)
    assert reference_evapotranspiration(climate, LATITUDE) == pytest.approx(daily * MONTH_DAYS)
    # Two methods of one quantity: of the same order through the growing season.
    by_temperature = reference_evapotranspiration(station(tmp_path / "other", {}), LATITUDE)
    assert reference_evapotranspiration(climate, LATITUDE)[:4] == pytest.approx(
        by_temperature[:4], rel=0.5
    )


def test_radiation_takes_the_place_of_sunshine(tmp_path):
    columns = {"wind_m_s": 2.0, "humidity_percent": 70.0, "solar_mj": 15.0, "sunshine_h": 6.0}
    climate = station(tmp_path, columns, station_elevation_m=312.0)
    less_sun = station(tmp_path / "other", columns | {"sunshine_h": 1.0}, station_elevation_m=312.0)
    assert (
        reference_evapotranspiration(climate, LATITUDE)
        == reference_evapotranspiration(less_sun, LATITUDE)
    ).all()


def test_penman_monteith_wants_the_stations_elevation(tmp_path):
    with pytest.raises(InputError, match=r"climate.station_elevation_m: it is missing.*give"):
        station(tmp_path, {"wind_m_s": 3.0, "humidity_percent": 70.0, "sunshine_h": 6.0})


def test_impossible_air_is_named(tmp_path):
    with pytest.raises(InputError) as caught:
        station(tmp_path, {"wind_m_s": 3.0, "humidity_percent": 130.0, "sunshine_h": 30.0})
    said = [str(detail) for detail in caught.value.errors]
    assert len(said) == 24
    assert "month 1, humidity_percent: 130.0 is not possible; give the month's mean" in said[0]
    assert (
        "month 1, sunshine_h: 30.0 is not possible; give the month's hours of sunshine" in said[1]
    )


def test_the_sample_tells_temperatures_only():
    assert read_climate(load_site(SAMPLE / "site.toml")).air is None
