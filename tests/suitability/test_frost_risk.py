"""The odds of a killing frost: what widens them, how they are said, how cells and zones agree."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner import load_site
from siteplanner.reading.inputs import read_inputs
from siteplanner.season.frost_odds import station_minima
from siteplanner.suitability.frost_risk import (
    Gumbel,
    Odds,
    fit_gumbel,
    gumbel_of,
    odds,
    one_in,
    widened,
)

STATION = gumbel_of(-3.5, 0.9)


def odds_of(dies_below=-6.0, difference=-2.0, error=0.0, tolerance=0.0, station=STATION, years=3):
    return odds(station, difference, error, dies_below, tolerance, years=years, range_only=False)


def test_without_doubt_the_odds_are_those_of_the_distribution():
    found = odds_of()
    assert found.chance == pytest.approx(float(STATION.chance_below(-4.0)))
    assert found.low == pytest.approx(found.high)
    assert found.over == pytest.approx(1 - (1 - found.chance) ** 3)


def test_each_doubt_widens_the_range():
    sure = odds_of(station=gumbel_of(-3.5, 0.9, 0))
    for doubtful in (
        odds_of(error=1.0),
        odds_of(tolerance=1.0),
        odds_of(station=gumbel_of(-3.5, 0.9, 10)),
    ):
        assert doubtful.high - doubtful.low > sure.high - sure.low + 0.02
        assert doubtful.low < sure.chance < doubtful.high


@pytest.mark.parametrize("winters", [10, 20, 40])
@pytest.mark.parametrize("dies_below", [-4.5, -5.0, -6.0])
def test_the_error_of_the_stations_mean_counts_once(winters, dies_below):
    """At the station itself all the doubt is its short record: the bootstrap of that alone.

    The place's error is that of the station's mean, s / sqrt(n), as the layer has it.
    """
    station = gumbel_of(-3.5, 0.9, winters)
    found = odds_of(dies_below, 0.0, 0.9 / np.sqrt(winters), station=station)
    drawn = station.location - station.scale * np.random.default_rng(1).gumbel(
        size=(20_000, winters)
    )
    fits = [gumbel_of(m, s) for m, s in zip(drawn.mean(1), drawn.std(1, ddof=1), strict=True)]
    chance = [float(one.chance_below(dies_below)) for one in fits]
    low, high = np.quantile(chance, (1 / 6, 5 / 6))
    assert found.high - found.low == pytest.approx(high - low, rel=0.12)
    assert found.chance == pytest.approx(np.mean(chance), abs=0.01)


def test_long_records_doubt_less():
    short, long = (odds_of(station=gumbel_of(-3.5, 0.9, n)) for n in (8, 80))
    assert long.high - long.low < 0.5 * (short.high - short.low)


@settings(max_examples=examples(50))
@given(st.floats(-12, 0), st.floats(-6, 3), st.floats(0, 3), st.floats(0, 3))
def test_tenderer_or_colder_is_never_safer(dies_below, difference, error, tolerance):
    found = odds_of(dies_below, difference, error, tolerance)
    tender = odds_of(dies_below + 0.5, difference, error, tolerance)
    colder = odds_of(dies_below, difference - 0.5, error, tolerance)
    assert 0 <= found.low <= found.high <= 1
    assert found.chance <= found.over + 1e-12
    assert found.chance <= tender.chance + 1e-12 and found.chance <= colder.chance + 1e-12


def test_simulated_winters_meet_the_odds():
    rng = np.random.default_rng(2)
    minima = STATION.location - STATION.scale * rng.gumbel(size=200_000)
    met = np.mean(minima - 2.0 < -6.0)
    assert odds_of().chance == pytest.approx(met, abs=0.004)


def test_places_own_winters_add_their_variance():
    """Winters drawn at the station and at the place, against the widened distribution."""
    rng = np.random.default_rng(4)
    drawn = STATION.location - STATION.scale * rng.gumbel(size=200_000)
    drawn += 0.8 * rng.standard_normal(200_000)
    wide = widened(STATION, 0.8)
    assert wide.mean == pytest.approx(drawn.mean(), abs=0.01)
    for celsius in (-7.5, -6.0, -5.0):  # the cold end, which kills
        met = np.mean(drawn < celsius)
        assert float(wide.chance_below(celsius)) == pytest.approx(met, abs=0.015)
        assert float(STATION.chance_below(celsius)) < met
    same = widened(STATION, 0.0)
    assert (same.location, same.scale) == pytest.approx((STATION.location, STATION.scale))


def test_two_in_three_true_chances_lie_in_the_stated_range():
    """Drawn places, records and tolerances; the range holds about as many as it says."""
    held = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        difference, bears = -2 + 0.9 * rng.normal(), -6.5 + 1.0 * rng.normal()
        true = float(widened(STATION, 0.7).chance_below(bears - difference))
        read = fit_gumbel(STATION.location - STATION.scale * rng.gumbel(size=30))
        record = widened(read, 0.7)
        error = np.hypot(0.9, record.mean_error)  # a place's error has that of the record in it
        told = odds_of(-6.5, -2.0, error, 1.0, record)
        held.append(told.low <= true <= told.high)
    assert np.mean(held) == pytest.approx(2 / 3, abs=0.08)


def test_fit_wants_two_winters_that_differ():
    with pytest.raises(ValueError, match="two different"):
        fit_gumbel([-3.0])
    with pytest.raises(ValueError, match="two different"):
        fit_gumbel([-3.0, -3.0, -3.0])


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0001, "less than 1 winter in 150"),
        (0.125, "1 winter in 8"),
        (0.031, "1 winter in 30"),
        (0.5, "1 winter in 2"),
        (0.58, "every other winter"),
        (0.8, "most winters"),
        (0.97, "nearly every winter"),
    ],
)
def test_odds_are_said_as_people_read_them(chance, words):
    assert one_in(chance) == words


def test_tolerance_from_memory_never_yields_a_bare_figure():
    assert Odds(0.125, 0.05, 0.25, 0.3, True).words() == "between 1 winter in 20 and 1 winter in 4"
    assert Odds(0.125, 0.05, 0.25, 0.3, False).words() == (
        "1 winter in 8 (1 winter in 20 to 1 winter in 4)"
    )


@pytest.fixture(scope="module")
def sample():
    from pathlib import Path

    return read_inputs(load_site(Path(__file__).parents[2] / "sample_site" / "site.toml"))


def test_short_record_is_given_a_wide_distribution(sample):
    from dataclasses import replace

    short = replace(sample.climate, winter_minima=pd.Series([-3.0, -3.1], index=[2023, 2024]))
    assert station_minima(short).scale == pytest.approx(1.5 * np.sqrt(6) / np.pi)
    assert isinstance(station_minima(sample.climate), Gumbel)
