"""Climate: months, and the coldest night of each winter, of a station or a wide cell."""

import json
from datetime import datetime

import numpy as np
import pandas as pd
import pytest
from gather.fake_services import (
    LAT,
    LON,
    Said,
    cold,
    days,
    door_of,
    near_station,
    outline,
    path_of,
    power_answer,
    put_normals,
    put_power,
    put_record,
    put_stations,
    services_of,
    station_rows,
)

from siteplanner.base.bearings import decimal_year, declination
from siteplanner.gather.area import Area
from siteplanner.gather.climate.means import CELL_C, FAR_STATION_C, Climate
from siteplanner.gather.climate.stations import daily_minima
from siteplanner.gather.climate.winters import winter_minima
from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.north_and_time import north_and_time

AREA = Area(outline())
ONE, TWO = "XX000000001", "XX000000002"


def climate(services, elevation=325.0):
    return Climate(door_of(services), services, AREA, elevation)


def table(found, folder):
    found.write(folder / "t.csv")
    return pd.read_csv(folder / "t.csv")


def coldest(year):
    winter = [one for one in days(year, year) if 4 <= one.month <= 10]
    return min(cold(one) for one in winter)


def test_the_station_s_coldest_night_of_each_winter(fake, services, tmp_path):
    near_station(fake, services)
    found = climate(services).winters()
    read = table(found, tmp_path).set_index("year")["min_c"]
    assert read.to_dict() == {year: coldest(year) for year in range(2009, 2026)}
    assert found.settings == {"station_elevation_m": 320.0} and found.service.licence == "CC0"
    assert "6 km away, 5 m lower" in found.how_sure and not found.notes


def test_flagged_rows_and_winters_with_gaps_are_left_out(fake, services, tmp_path):
    near_station(fake, services)
    rows = station_rows()
    rows[rows.index(next(r for r in rows if ",20150711,TMIN" in r))] = (
        f"{ONE},20150711,TMIN,-999,,X,a,0900"
    )
    short = [r for r in rows if not (",2016" in r and 5 <= int(r.split(",")[1][4:6] or 0) <= 6)]
    put_record(fake, services, ONE, short)
    read = table(climate(services).winters(), tmp_path).set_index("year")["min_c"]
    assert read[2015] == min(
        cold(one) for one in days(2015, 2015)
        if 4 <= one.month <= 10 and one != datetime(2015, 7, 11)
    )  # fmt: skip
    assert 2016 not in read.index and 2017 in read.index


def test_a_file_reads_the_same_without_its_header():
    with_it, without = (
        daily_minima("\n".join(station_rows(header=header)).encode()) for header in (True, False)
    )
    assert with_it.equals(without) and len(with_it) > 6000
    assert with_it["2020-07-04"] == cold(datetime(2020, 7, 4))


@pytest.mark.parametrize(
    ("lat", "lon", "height", "used", "warned"),
    [
        (LAT, LON + 0.28, 425.0, True, False),  # 23 km, 100 m
        (LAT, LON + 0.32, 325.0, True, True),  # 26 km
        (LAT, LON, 450.0, True, True),  # 125 m
        (LAT, LON + 0.75, 325.0, False, True),  # 62 km
        (LAT + 0.57, LON, 325.0, False, True),  # 63 km
        (LAT, LON, 640.0, False, True),  # 315 m
        (LAT, LON, -999.9, False, True),  # its height is not known
    ],
)
def test_a_station_must_be_near_in_distance_and_height(
    fake, services, lat, lon, height, used, warned
):
    put_stations(fake, services, [(ONE, lat, lon, height, "SKERRY")])
    put_record(fake, services, ONE, station_rows())
    put_power(fake, services)
    found = climate(services).winters()
    assert (found.service.service == services.ghcn.service) == used
    assert bool(found.notes) == warned
    if used:
        assert found.settings.get("minima_error_c", 0) == (FAR_STATION_C if warned else 0)


def test_the_next_station_is_taken_where_the_nearest_has_nothing_or_too_little(
    fake, services, tmp_path
):
    put_stations(
        fake, services,
        [(ONE, LAT, LON + 0.1, 320.0, "NEAR"), (TWO, LAT, LON + 0.2, 320.0, "NEXT"),
         ("XX000000003", LAT, LON + 0.01, 320.0, "GONE")],
    )  # fmt: skip
    put_record(fake, services, ONE, station_rows(first=2015))
    put_record(fake, services, TWO, station_rows(TWO))
    found = climate(services).winters()
    assert "NEXT" in found.how_sure
    gone, near = found.notes
    assert "GONE" in gone and "no file" in gone
    assert "NEAR" in near and "11 winters since 2009 are complete, 15 are needed" in near


def test_without_a_station_the_wide_cell_is_labelled_as_one(fake, services, tmp_path):
    put_stations(fake, services, [])
    fake.files[path_of(services.ghcn.inventory)] = b" "
    fake.files[path_of(services.ghcn.stations)] = b" "
    put_power(fake, services)
    found = climate(services).winters()
    read = table(found, tmp_path).set_index("year")["min_c"]
    assert read[2020] == coldest(2020)
    assert found.settings == {"station_elevation_m": 410.0, "minima_error_c": CELL_C}
    for words in ("average of a cell", "mean height 410 m", "the property's is 325 m", "6.5 °C"):
        assert words in found.how_sure
    assert CELL_C >= 6.3  # from memory: off by that and more at 70 stations in cold months


def test_winters_wait_for_the_heights_by_which_a_station_is_chosen(fake, services):
    near_station(fake, services)
    put_power(fake, services)
    with pytest.raises(ServiceError, match="waits for the heights"):
        climate(services, None).winters()
    assert fake.asked == []


def test_a_station_service_that_fails_is_worth_another_run(fake, services):
    put_power(fake, services)
    fake.always[path_of(services.ghcn.inventory)] = Said(503)
    assert "delete this file and run again: GHCN-Daily failed" in climate(services).winters().better
    near_station(fake, services)
    fake.always.clear()
    put_record(fake, services, ONE, station_rows(first=2020))
    assert "run again" not in climate(services).winters().better


def test_runs_of_no_value_are_no_temperatures(fake, services, tmp_path):
    answer = power_answer()
    minima = answer["properties"]["parameter"]["T2M_MIN"]
    gap = [day for day in minima if "20140601" <= day <= "20140731"]
    minima.update(dict.fromkeys(gap, -999.0))
    put_power(fake, services, answer)
    read = table(climate(services).winters(), tmp_path).set_index("year")["min_c"]
    assert 2014 not in read.index and read.min() > -20


def test_months_are_read_by_the_file_s_own_scale(fake, services, tmp_path):
    put_normals(fake, services)
    put_power(fake, services)
    found = climate(services).monthly()
    read = table(found, tmp_path)
    warm = 6 * np.cos(2 * np.pi * np.arange(12) / 12)
    assert np.allclose(read["tmin_c"], 5 + warm, atol=0.06)
    assert np.allclose(read["tmax_c"], 14 + warm, atol=0.06) and (read["rain_mm"] == 60).all()
    assert (read["humidity_percent"] == 74).all() and (read["wind_m_s"] == 2.5).all()
    assert found.settings == {"wind_height_m": 2.0, "station_elevation_m": 410.0}
    assert "NASA POWER" in found.service.service and "LERC" not in found.service.credit


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize("scale", [1.0, pytest.param(0.01, marks=pytest.mark.long)])
def test_a_wrong_scale_is_refused_and_the_wide_cell_stands_in(fake, services, tmp_path, scale):
    put_normals(fake, services, scale)
    put_power(fake, services)
    found = climate(services).monthly()
    assert found.service.service == services.power.service
    assert "its scale is not what it was" in found.notes[0] and "50 km wide" in found.how_sure
    read = table(found, tmp_path)
    assert read["rain_mm"].sum() == pytest.approx(2 * 365.25, abs=0.1)


@pytest.mark.usefixtures("at_once")
def test_a_parameter_that_is_missing_or_in_another_unit_is_left_out(fake, services, tmp_path):
    put_normals(fake, services)
    answer = power_answer()
    del answer["properties"]["parameter"]["RH2M"]
    answer["parameters"]["WS2M"]["units"] = "knots"
    put_power(fake, services, answer)
    found = climate(services).monthly()
    assert list(table(found, tmp_path)) == ["month", "tmin_c", "tmax_c", "rain_mm"]
    assert found.settings == {}
    assert any("RH2M is missing" in note for note in found.notes)
    assert any("WS2M is in knots instead of m/s" in note for note in found.notes)


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    ("said", "words"),
    [
        (Said(422, json.dumps({"message": "dates with dashes"}).encode()), "status 422"),
        (Said(429), "status 429"),
        (Said(200, b'{"message": "no data"}'), "no data"),
        (Said(200, b"<html>502</html>"), "502"),
    ],
)
def test_a_service_that_fails_leaves_its_gap_named(fake, services, said, words):
    fake.always[path_of(services.power.address).split("?")[0]] = said
    with pytest.raises(ServiceError) as caught:
        climate(services).monthly()
    assert words in str(caught.value) and "CHELSA" in str(caught.value)
    with pytest.raises(ServiceError, match="GHCN"):
        climate(services).winters()


def test_the_cell_is_asked_for_once_at_a_rounded_point(fake, services):
    put_power(fake, services)
    one = climate(services)
    one.monthly()
    one.winters()
    asked = [path for path in fake.paths() if "daily/point" in path]
    assert len(asked) == 1 and "longitude=160.31&latitude=-42.05&start=20090101" in asked[0]
    assert "end=20251231" in asked[0]


def test_winters_are_by_hemisphere():
    """One cold day in each month: which winter it falls into, south and north."""
    index = pd.date_range("2018-01-01", "2021-12-31")
    daily = pd.Series(10.0, index)
    for month in range(1, 13):
        daily[datetime(2020, month, 15)] = -float(month)
    south, north = (winter_minima(daily, lat, 0.9) for lat in (-42.0, 42.0))
    assert south.to_dict() == {2018: 10, 2019: 10, 2020: -10, 2021: 10}
    assert north[2020] == -4 and north[2021] == -12 and 2022 not in north.index


def test_a_winter_counts_from_nine_days_in_ten_on():
    index = pd.date_range("2020-01-01", "2020-12-31")
    daily = pd.Series(5.0, index)
    winter = index[(index.month >= 4) & (index.month <= 10)]
    assert len(winter) == 214
    daily[winter[:21]] = np.nan
    assert len(winter_minima(daily, -42.0, 0.9)) == 1
    daily[winter[:22]] = np.nan
    assert winter_minima(daily, -42.0, 0.9).empty


def test_far_south_of_nowhere_winter_is_a_word_and_near_the_equator_a_weak_one(fake, services):
    put_power(fake, services)
    tropics = Area(outline().__class__([(160.0, -5.0), (160.01, -5.0), (160.0, -5.01)]))
    found = Climate(door_of(services), services, tropics, 10.0).winters()
    assert any("near the equator" in note for note in found.notes)


def test_declination_and_time_zone_are_dated(tmp_path, fake):
    """15.15 degrees east at -42.05, 147.30, 0.5 km in 2026.9, from the model's own coefficients."""
    assert declination(
        147.30, -42.05, decimal_year(datetime(2026, 11, 25).date()), 500.0
    ) == pytest.approx(15.15, abs=0.01)
    found = north_and_time(AREA, datetime(2026, 11, 28).date(), 300.0)
    read = table(found, tmp_path)
    assert read["what"].tolist() == ["declination", "time zone"]
    assert read["on"].tolist() == ["2026-11-28"] * 2 and float(read["value"][0]) > 15
    with pytest.raises(ServiceError, match="does not hold on 2031"):
        north_and_time(AREA, datetime(2031, 1, 1).date(), None)
    assert services_of(fake).manners.plain_hosts == ("127.0.0.1",)
