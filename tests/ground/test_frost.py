"""Readings brought to one height, the side that faces the pole, the quick criteria, the dates."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from ground.surfaces import grid_of

from siteplanner.ground.cold import frost
from siteplanner.ground.cold.frost_dates import (
    Nights,
    chance_each_night,
    day_words,
    frost_dates,
    frost_dates_of_record,
    growth_starts,
    nights_of,
)
from siteplanner.ground.cold.predictors import facing_pole
from siteplanner.reading.reference_height import to_height

TMIN = np.array([9.6, 9.7, 8.2, 5.8, 3.5, 1.6, 1.1, 1.7, 3.2, 4.8, 6.6, 8.3])
TMAX = np.array([21.9, 21.8, 19.3, 15.8, 12.4, 9.7, 9.2, 10.4, 12.9, 15.4, 17.8, 19.9])


def test_grass_reads_colder_than_the_screen_by_the_stated_rule():
    assert to_height(np.array([-8.0]), 0.05, 1.2, 4.0)[0] == pytest.approx(-4.0)
    assert to_height(np.array([-3.0]), 1.2, 1.2, 4.0)[0] == -3.0
    half = to_height(np.array([-3.0]), 0.5, 1.2, 4.0)[0]
    assert -3.0 < half < -1.0


def test_side_that_faces_the_pole_turns_with_the_hemisphere():
    slope, aspect = (np.array([v], np.float32) for v in ([30, 30, 0], [180, 0, np.nan]))
    south = facing_pole(slope, aspect, -42.0)
    np.testing.assert_allclose(south, [[0.5, -0.5, 0]], atol=1e-6)
    np.testing.assert_array_equal(facing_pole(slope, aspect, 42.0), -south)


def test_drawn_hollow_is_soft_evidence():
    grid = grid_of((50, 50), 10.0)
    west, south, _, north = grid.bounds
    drawn = gpd.GeoDataFrame(
        {"name": ["a"]}, geometry=[shapely.box(west, south, west + 200, north)], crs=grid.crs
    )
    depth = np.full((50, 50), 5.0, np.float32)
    growth = np.zeros_like(depth)
    growth[:, 40:] = 3.0
    pooled, today = frost.pooling(depth, growth, drawn, grid)
    assert pooled[25, 30] == pytest.approx(0.5)
    assert pooled[25, 5] == pytest.approx(1 - 0.5 * 0.7)
    assert 0.5 < pooled[25, 20] < pooled[25, 5]
    assert today[25, 45] == pytest.approx(2 / 7)
    np.testing.assert_array_equal(today[:, :40], pooled[:, :40])


def test_quick_criteria_call_a_hollow_a_pool_and_a_knoll_none():
    y, x = np.mgrid[-60:61, -60:61] * 10.0
    ground = (40 * np.cos(np.hypot(x, y) / 200) + 100).astype(np.float32)
    grid = grid_of(ground.shape, 10.0)
    slope = np.degrees(np.arctan(np.hypot(*np.gradient(ground, 10.0)))).astype(np.float32)
    for dem, middle in ((-ground, 2), (ground, 0)):
        classes = frost.cold_pool_criteria(
            slope, frost.multi_scale_concavity(dem, grid), frost.elevation_percentile(dem, grid)
        )
        assert classes[60, 60] == middle


def test_disagreement_is_told_by_share_of_area():
    depth = np.array([[5, 5, 0, 0, 5]], np.float32)
    criteria = np.array([[2, 0, 2, 0, 1]], np.float32)
    check = frost.cold_air_check(depth, criteria)
    np.testing.assert_array_equal(check, [[1, 2, 3, 0, np.nan]])
    (said,) = frost.disagreement(check, np.ones((1, 5), bool))
    assert "on 50% of the ground" in said
    assert frost.disagreement(np.zeros((1, 5), np.float32), np.ones((1, 5), bool)) == []


def test_nights_follow_the_months_and_the_coldest_night():
    nights = nights_of(TMIN, (TMIN + TMAX) / 2, -3.4)
    monthly = [nights.minimum[d - 16 : d + 15].mean() for d in (15 + 1, 46, 196, 227)]
    np.testing.assert_allclose(monthly, TMIN[[0, 1, 6, 7]], atol=0.4)
    assert nights.deviation == pytest.approx((nights.minimum.min() + 3.4) / 2.2)
    assert 240 < growth_starts(nights) < 290


def test_frost_dates_against_drawn_years():
    """The dates and the late chance are those of years drawn night by night."""
    nights = nights_of(TMIN, (TMIN + TMAX) / 2, -3.4)
    told = frost_dates(nights, -1.5)
    rng = np.random.default_rng(5)
    chance = np.roll(chance_each_night(nights, -1.5, 0.0), -31)  # from February on
    frosts = rng.random((4000, 365)) < chance
    first = (31 + frosts.argmax(axis=1)) % 365 + 1
    last = (31 + 364 - frosts[:, ::-1].argmax(axis=1)) % 365 + 1
    assert told.first == pytest.approx(np.median(first), abs=2)
    assert told.last == pytest.approx(np.median(last), abs=2)
    assert told.late == pytest.approx(np.quantile(last, 0.9), abs=3)
    late = np.roll(chance_each_night(nights, -1.5, -2.0), -(int(told.growth) - 1))[:120]
    met = (rng.random((4000, 120)) < late).any(axis=1).mean()
    assert told.late_chance == pytest.approx(met, abs=0.03)


def test_colder_places_have_the_longer_season_in_both_hemispheres():
    for months in (0, 6):
        nights = nights_of(np.roll(TMIN, months), np.roll((TMIN + TMAX) / 2, months), -3.4)
        mild, cold = frost_dates(nights, 0.0), frost_dates(nights, -3.0)
        assert (cold.first - mild.first + 182) % 365 < 182
        assert (cold.last - mild.last) % 365 < 182
        assert cold.late_chance > mild.late_chance


def test_warm_place_has_no_frost_date():
    warm = Nights(np.full(365, 12.0), np.full(365, 18.0), 2.0)
    found = frost_dates(warm, 0.0)
    assert np.isnan([found.early, found.first, found.last, found.late]).all()
    assert found.late_chance < 1e-6
    assert day_words(found.first) == ""


def test_record_of_daily_minima_is_counted_year_by_year():
    when = pd.date_range("2000-01-01", "2019-12-31")
    smooth = 6 + 6 * np.cos(2 * np.pi * (when.day_of_year - 20) / 365)
    told = frost_dates_of_record(pd.Series(smooth - 1, index=when), 0.0, growth_day=260)
    below = np.flatnonzero(6 + 6 * np.cos(2 * np.pi * (np.arange(1, 366) - 20) / 365) < 1) + 1
    assert told.first == pytest.approx(below[0], abs=1)
    assert told.last == pytest.approx(below[-1], abs=1)
    assert told.late_chance == 0
    assert day_words(196) == "15 July"
