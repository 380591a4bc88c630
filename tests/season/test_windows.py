"""Planting windows: from rain, evapotranspiration and the plan's own frost dates."""

from datetime import date

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.ground.cold.frost_dates import FrostDates
from siteplanner.season.windows import SHORTEST_DAYS, Window, moisture_of, window_for

NAN = float("nan")
#: Twelve months from January: a place in the south whose winter is wet and summer dry, and one
#: whose summer is wet and winter dry (both invented).
SUMMER_DRY = ([20, 20, 30, 60, 90, 100, 100, 95, 80, 60, 40, 25],
              [160, 130, 110, 70, 45, 30, 32, 45, 70, 100, 125, 150])  # fmt: skip
SUMMER_WET = ([150, 150, 120, 60, 20, 10, 8, 8, 15, 50, 100, 140],
              [150, 130, 120, 90, 70, 55, 60, 80, 110, 140, 150, 155])  # fmt: skip
SOUTH = np.array([19, 19, 17, 14, 11, 8, 7, 8, 10, 12, 15, 17.0])
HARDLY = FrostDates(NAN, NAN, NAN, NAN, 250.0, NAN)


def moisture(rain_and_et0, mean=SOUTH):
    return moisture_of(*(np.array(part, float) for part in rain_and_et0), mean)


def days(window):
    first, last = window.dates(2027)
    return first, last


def chosen(kind, climate, frost=HARDLY, rooting=8, weeks=6):
    return window_for(kind, moisture(climate), frost, rooting_weeks=rooting, weeks=weeks)


def test_a_dry_summer_is_planted_from_the_break_in_autumn():
    window = chosen("dry", SUMMER_DRY)
    first, _ = days(window)
    # Rain passes evapotranspiration between mid-April (60 of 70 mm) and mid-May (90 of 45 mm).
    assert date(2027, 4, 15) < first < date(2027, 5, 15)
    assert window.fits


def test_a_summer_rain_site_is_not_sent_into_its_dry_season():
    for kind in ("dry", "any", "wet", "frosty"):
        window = chosen(kind, SUMMER_WET)
        first, last = days(window)
        # Moist while rain is over half of ET0: from about mid-October to about mid-May.
        assert window.fits and (first.month >= 10 or first.month <= 4), (kind, first)
        assert last.month >= 10 or last.month <= 5


def test_frosty_ground_waits_for_its_own_last_frost():
    early = FrostDates(100, 130, 290, 310, 250.0, 0.3)  # last frost on 17 October
    first, _ = days(chosen("frosty", (np.array(SUMMER_DRY[0]) + 60, SUMMER_DRY[1]), early))
    assert first == date(2027, 11, 1)
    assert first > date(2027, 10, 17)


def test_where_no_window_fits_the_reason_is_said():
    late = FrostDates(60, 92, 330, 365, 250.0, 0.9)  # frost from 2 April to 26 November
    window = chosen("frosty", SUMMER_DRY, late)
    assert not window.fits
    assert "frost lasts to about 26 November" in window.why_not
    assert "of the 8 that roots need" in window.why_not
    desert = chosen("any", ([5] * 12, [100] * 12))
    assert "watered" in desert.why_not


def test_stored_water_keeps_the_ground_moist_after_the_rain():
    # 400 mm fall about June, nothing else; 2 mm evaporate a day: 100 mm stored last 50 days.
    rain, et0 = np.zeros(12), np.array([62, 56, 62, 60, 62, 60, 62, 62, 60, 62, 60, 62.0])
    rain[5] = 400
    wet = moisture((rain, et0))
    end_of_rain = int(np.flatnonzero(wet.wet).max())
    end_of_moisture = int(np.flatnonzero(wet.moist).max())
    assert 40 <= end_of_moisture - end_of_rain <= 52


def test_the_same_climate_half_a_year_on_is_planted_half_a_year_on():
    turned = [list(np.roll(part, 6)) for part in SUMMER_DRY]
    for kind in ("dry", "any", "wet"):
        south = chosen(kind, SUMMER_DRY)
        north = window_for(
            kind, moisture(turned, np.roll(SOUTH, 6)), HARDLY, rooting_weeks=8, weeks=6
        )
        assert (north.first - south.first) % 365 == pytest.approx(182, abs=4)


def test_dates_begin_with_the_users_own_first_day_or_a_year_later():
    window = Window(121, 162, "in May")  # 1 May to 11 June
    assert window.dates(2028) == (date(2028, 5, 1), date(2028, 6, 11))
    assert window.dates(2028, date(2028, 5, 20)) == (date(2028, 5, 20), date(2028, 6, 11))
    assert window.dates(2028, date(2028, 10, 2))[0] == date(2029, 5, 1)
    over = Window(350, 26, "over New Year")
    assert over.dates(2027) == (date(2027, 12, 16), date(2028, 1, 26))


@settings(max_examples=examples(120), deadline=None)
@given(
    st.sampled_from(["frosty", "wet", "dry", "any"]),
    st.lists(st.floats(0, 200), min_size=12, max_size=12),
    st.lists(st.floats(5, 200), min_size=12, max_size=12),
    st.integers(1, 365),
    st.integers(1, 365),
    st.integers(2, 16),
)
def test_a_window_that_fits_is_moist_free_of_frost_and_long_enough(
    kind, rain, et0, first, last, rooting
):
    frost = FrostDates(first, first, last, last, 250.0, 0.2)
    wet = moisture((rain, et0))
    window = window_for(kind, wet, frost, rooting_weeks=rooting, weeks=6)
    length = (window.last - window.first) % 365 + 1
    assert 1 <= window.first <= 365 and 1 <= window.last <= 365 and length <= 42
    if not window.fits:
        assert window.why_not.strip()
        return
    assert length >= SHORTEST_DAYS
    inside = (np.arange(window.first - 1, window.first - 1 + length)) % 365
    assert wet.moist[inside].all()
    assert (wet.weeks_ahead()[inside] >= rooting).all()
    if kind == "frosty":
        freezing = (inside + 1 - first) % 365 <= (last - first) % 365
        assert not freezing.any()
