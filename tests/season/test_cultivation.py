"""Cultivation: rip what is dry enough, mound what is wet, and say what gets neither."""

import geopandas as gpd
import numpy as np
import pytest
from conftest import SITE
from test_sallow_fell import FELL, RAIN, calendar_under

from siteplanner.planting.zones.describe import GroundSummary
from siteplanner.season.cultivation import (
    cultivation,
    dry_enough,
    months_before,
    words_on_cultivation,
)
from siteplanner.season.windows import STORED_MM, Moisture, Window
from siteplanner.site.planting import WorkRates

DAYS = np.arange(365)
#: Wet from May to October, the store empty from mid-January to February, full in winter.
WET = (DAYS >= 120) & (DAYS < 300)
STORED = np.interp(DAYS, [0, 15, 60, 150, 300, 364], [30, 0, 0, 100, 100, 35])
SEASONS = Moisture(np.ones(365, bool), WET, 200, STORED)
NEVER = Moisture(np.ones(365, bool), np.ones(365, bool), 200, np.full(365, STORED_MM))
WINTER = Window(170, 211, "in winter")  # from 19 June


def ground(texture="loam", drainage="well drained", slope_to=5.0):
    return GroundSummary(
        slope=2, slope_from=1, slope_to=slope_to, facing="", winter_minimum=-5, water_deficit=100,
        soil_depth=1, stoniness=0, height_above_nearest_drainage=5, sun_exposure=100,
        drainage=drainage, texture=texture, unknown=(),
    )  # fmt: skip


def found(grounds, marks, moisture=SEASONS, rip_m=100.0, pattern="square", status="planned"):
    blocks = gpd.GeoDataFrame(
        {"block": [f"A{n}" for n in range(1, len(grounds) + 1)], "pattern": pattern, "trees": 50,
         "status": status},
        geometry=[None] * len(grounds),
    )  # fmt: skip
    metres = np.full(len(grounds), rip_m)
    marks = [frozenset({"any", *mark}) for mark in marks]
    return cultivation(blocks, grounds, marks, metres, moisture, WorkRates())


def test_dry_ground_is_ripped_a_boggy_flat_mounded_and_steep_ground_left_to_the_spade():
    boggy = ground("clay", "very poorly drained")
    got = found([ground(), boggy, ground(slope_to=20)], [(), ("wet", "frosty"), ("wet",)])
    assert got["how"].tolist() == ["rip", "mound", "none"]
    assert got["mounds"].tolist() == [0, 50, 0]
    mounded, neither = words_on_cultivation(got)
    assert "blocks A2 (the ground is very poorly drained)" in mounded
    assert "may need a consent" in mounded and "buried services" in mounded
    assert neither == (
        "Neither ripped nor mounded: blocks A3 (steeper than 15°, not for a machine): loosen each "
        "spot by hand."
    )


def test_clay_is_ripped_while_it_is_drier_than_loam_and_not_at_all_where_it_stays_wet():
    assert dry_enough(SEASONS, clay=True).sum() < dry_enough(SEASONS, clay=False).sum()
    # Before 19 June: loam until the rains of May; clay until 25 mm are stored, on 23 March.
    assert months_before("rip", False, WINTER, SEASONS) == 2
    assert months_before("rip", True, WINTER, SEASONS) == 3
    got = found([ground("clay"), ground("loam")], [(), ()], NEVER)
    assert got["how"].tolist() == ["mound", "none"]
    assert "never dry enough to rip by the water balance" in words_on_cultivation(got)[1]


@pytest.mark.parametrize("how", ["rip", "mound"])
def test_it_is_done_when_the_ground_is_dry_and_in_time_to_settle(how):
    for first in range(1, 366, 13):
        before = months_before(how, True, Window(first, first, ""), SEASONS)
        assert 0 < before <= 12
        month = (np.datetime64("2023-01-01") + np.timedelta64(first - 1, "D")).astype(
            "datetime64[M]"
        ) - np.timedelta64(before, "M")
        begin = int((month.astype("datetime64[D]") - month.astype("datetime64[Y]")).astype(int))
        days = (begin + np.arange(31)) % 365
        assert dry_enough(SEASONS, clay=True)[days].any()


def test_what_is_in_the_ground_already_is_not_spoken_of():
    got = found([ground("clay", "poorly drained")], [("wet",)], status="planted")
    assert got["how"].tolist() == ["none"] and not words_on_cultivation(got)


def test_a_pattern_or_rows_that_no_machine_follows_are_named():
    assert "pattern" in found([ground()], [()], rip_m=0.0, pattern="clusters")["why"].iloc[0]
    assert "too short" in found([ground()], [()], rip_m=0.0)["why"].iloc[0]


@pytest.mark.parametrize("rain", RAIN)
@pytest.mark.parametrize(("site", "latitude"), [(SITE, -42.0), (FELL / "site.toml", 57.5)])
def test_both_samples_rip_in_the_dry_time_of_any_climate(site, latitude, rain):
    calendar, moisture, *_ = calendar_under(site, latitude, RAIN[rain])
    for number in calendar.of_block:
        for clay in (False, True):
            if not dry_enough(moisture, clay).any():
                continue
            before = months_before("rip", clay, calendar.windows[number], moisture)
            opens = calendar.month(number, 2028)[1]
            month = (opens - 1 - before) % 12
            begin = int(np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])[month])
            assert dry_enough(moisture, clay)[(begin + np.arange(31)) % 365].any()
