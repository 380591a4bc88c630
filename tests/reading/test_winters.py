"""A station's winters: odd ones named, a trend said; several nights a winter made one value."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from conftest import SITE
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kendalltau

from siteplanner import load_site
from siteplanner.base.errors import Errors
from siteplanner.reading.climate.winters import (
    few_winters,
    mann_kendall,
    odd_winters,
    one_value_a_winter,
    trend_of_winters,
)
from siteplanner.reading.inputs import read_inputs
from siteplanner.season.frost_odds import station_minima


def record(values, first=1990):
    return pd.Series(values, index=range(first, first + len(values)), dtype=float)


def drawn(n, seed=0):
    return -3.5 - 1.2 * np.random.default_rng(seed).gumbel(size=n)


def test_winter_far_off_is_named_with_its_figure_and_the_spread():
    values = drawn(30)
    values[17] = -57.8
    (said,) = odd_winters(record(values), "minima.csv")
    assert said.startswith("minima.csv: winter 2007 has -57.8 °C, far from the others")
    assert f"{values.std(ddof=1):.1f} °C with it" in said
    assert f"{np.delete(values, 17).std(ddof=1):.1f} °C without" in said
    values[17] = 9.5  # a lost minus sign on a cold winter
    assert "winter 2007 has 9.5 °C" in odd_winters(record(values), "minima.csv")[0]


def test_ordinary_records_are_seldom_called_odd():
    named = [bool(odd_winters(record(drawn(n, s)), "m")) for n in (8, 30, 60) for s in range(300)]
    assert np.mean(named) < 0.03
    assert odd_winters(record([-3.0] * 29 + [-3.4]), "m") == []
    assert odd_winters(record([-3.0, -50.0]), "m") == []  # too few to say which is odd


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(-8, 2), min_size=10, max_size=60))
def test_mann_kendall_is_kendalls_tau_against_time(values):
    """Same S as Kendall's tau-b gives, and turned round in time or sign it turns round."""
    s, z, chance = mann_kendall(values)
    assert mann_kendall(values[::-1])[:2] == pytest.approx((-s, -z))
    assert mann_kendall([-v for v in values])[2] == pytest.approx(chance)
    if len(set(values)) > 1:
        n = len(values)
        ties = np.unique(values, return_counts=True)[1]
        pairs = n * (n - 1) / 2
        tau = s / np.sqrt(pairs * (pairs - (ties * (ties - 1) / 2).sum()))
        assert kendalltau(np.arange(n), values).statistic == pytest.approx(tau)


def test_trend_is_found_as_often_as_it_should_be():
    """Without a trend in about one of twenty, with a strong one nearly always."""
    still = [bool(trend_of_winters(record(drawn(40, s)), "m")) for s in range(400)]
    assert np.mean(still) == pytest.approx(0.05, abs=0.03)
    rising = [
        bool(trend_of_winters(record(drawn(40, s) + 0.1 * np.arange(40)), "m")) for s in range(50)
    ]
    assert np.mean(rising) > 0.9


def test_trend_is_said_with_rate_and_what_it_does_to_the_odds():
    (said,) = trend_of_winters(record(-6 + 0.05 * np.arange(40)), "minima.csv")
    assert "have risen by about 0.5 °C in ten years from 1990 to 2029" in said
    assert "overstate those of the next twenty years" in said
    assert "about 1.5 °C above the record's mean" in said  # 2039 against 2009.5
    (said,) = trend_of_winters(record(-2 - 0.05 * np.arange(40)), "minima.csv")
    assert "fallen" in said and "understate" in said and "below" in said
    assert trend_of_winters(record(-6 + 0.05 * np.arange(29)), "m") == []


def nights(rows):
    names, winters, celsius = zip(*rows, strict=True)
    return gpd.GeoDataFrame(
        {"name": names, "winter": winters, "winter_min_c": celsius, "at_reference_c": celsius},
        geometry=[shapely.Point(0, 0)] * len(rows),
    )


def test_several_nights_are_one_value_a_winter(tmp_path):
    frame = nights(
        [("a", 2021.0, c) for c in (-5.0, -4.0, -3.0)]
        + [("b", 2021.0, c) for c in (-2.0, -2.0, -2.0)]
        + [("b", 2022.0, c) for c in (-6.0, -3.0, -3.0)]
    )
    got = one_value_a_winter(frame, 3, tmp_path, Errors())
    # Mean of the nights, and the mean step from it to the lowest: 0.5 °C in 2021, 2 in 2022.
    assert got["at_reference_c"].tolist() == pytest.approx([-4.5, -2.5, -6.0])
    assert got["winter_min_c"].tolist() == [-5, -2, -6]
    assert got[["name", "winter"]].to_numpy().tolist() == [["a", 2021], ["b", 2021], ["b", 2022]]


def test_another_number_of_nights_is_an_error(tmp_path):
    errors = Errors()
    one_value_a_winter(nights([("a", 2021.0, -5.0), ("b", 2021.0, -4.0)]), 2, tmp_path, errors)
    assert "a, winter 2021: it has 1 row, but frost.nights is 2" in str(errors.found[0])
    assert len(errors.found) == 2


def test_a_site_says_what_is_odd_in_its_record(tmp_path):
    """Through the site's own reading, to the notes that a plan shows."""
    for path in SITE.parent.iterdir():
        if path.is_file():
            (tmp_path / path.name).symlink_to(path)
    (tmp_path / "winter_minima.csv").unlink()
    text = (SITE.parent / "winter_minima.csv").read_text(encoding="utf-8")
    (tmp_path / "winter_minima.csv").write_text(
        text.replace("2005,-4.9", "2005,-57.8"), encoding="utf-8"
    )
    notes = read_inputs(load_site(tmp_path / "site.toml")).notes
    assert any("winter 2005 has -57.8 °C, far from the others" in note for note in notes)


@pytest.mark.parametrize(("number", "start"), [(1, "one winter is"), (4, "4 winters are")])
def test_too_few_winters_are_said_with_what_stands_in(number, start):
    (said,) = few_winters(record(drawn(number)), "minima.csv")
    assert said.startswith(f"minima.csv: {start} too few to show how winters differ")
    assumed = station_minima(SimpleNamespace(winter_minima=record(drawn(number))))
    deviation = assumed.scale * np.pi / np.sqrt(6)
    assert f"taken as {deviation:.1f} °C" in said
    assert few_winters(record(drawn(5)), "minima.csv") == []
