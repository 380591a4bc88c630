"""Upkeep: weeding and guards go on until trees need them no more, and no longer."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from siteplanner.season.upkeep import (
    BROWSES_TO_M,
    FENCE_M,
    Planted,
    fence_words,
    growth_of,
    upkeep_of,
)
from siteplanner.site.upkeep import Upkeep

JULY, SEPTEMBER = 2028 * 12 + 6, 9


def jobs(growth, rules=None, *, month0=JULY, guards=None, start=SEPTEMBER):
    growth = np.array(growth, float)
    number = float(len(growth)) if guards is None else guards
    planted = Planted("A1", month0, growth, 100.0, number, 2 * number, start)
    return list(upkeep_of(planted, rules or Upkeep()))


def named(found, job):
    return [(month // 12, month % 12 + 1, quantity) for month, _, what, quantity, *_ in found
            if what == job]  # fmt: skip


def test_weeds_are_kept_down_until_each_tree_stands_over_them():
    # From 0.3 m: at 0.6 m a year 1.5 m is reached after two seasons, at 0.4 m a year after three.
    found = named(jobs([0.6] * 60 + [0.4] * 40), "weed control again")
    assert found == [
        (2028, 9, 100.0), (2028, 12, 100.0), (2029, 9, 100.0), (2029, 12, 100.0),
        (2030, 9, 40.0), (2030, 12, 40.0),
    ]  # fmt: skip


def test_what_is_planted_amid_the_season_meets_its_weeds_at_once():
    found = named(jobs([0.6], month0=2028 * 12 + 10), "weed control again")
    assert [(year, month) for year, month, _ in found] == [
        (2028, 12), (2029, 3), (2029, 9), (2029, 12),
    ]  # fmt: skip


def test_guards_come_off_when_trees_have_outgrown_who_browses():
    rules = Upkeep(browsed_by=("rabbits", "small deer"))
    found = jobs([0.5] * 10, rules)
    # 1.2 m from 0.3 m at 0.5 m a year: after two years.
    assert named(found, "remove guards") == [(2030, 7, 10.0)]
    assert [when[:2] for when in named(found, "check guards")] == [
        (2029, 1), (2029, 7), (2030, 1), (2030, 7),
    ]  # fmt: skip
    assert named(found, "replace stakes") == [(2029, 7, 2.0)]
    [note] = [note for *_, job, _, _, note in found if job == "remove guards"]
    assert note.startswith("trees have outgrown rabbits and small deer")
    taller = jobs([0.5] * 10, Upkeep(browsed_by=("small deer", "cattle")))
    assert named(taller, "remove guards") == [(2032, 7, 10.0)]


def test_no_guard_stays_on_until_it_strangles():
    found = jobs([0.1] * 10, Upkeep(browsed_by=("large deer",), guard_years=5))
    assert named(found, "remove guards") == [(2033, 7, 10.0)]
    assert "100% of the trees may still be browsed by large deer" in found[-1][-1]


def test_bare_trees_behind_a_fence_are_looked_at_too():
    found = jobs([0.5] * 10, Upkeep(browsed_by=("small deer",)), guards=0.0)
    assert len(named(found, "check trees")) == 4
    assert not named(found, "remove guards") and not named(found, "replace stakes")


def test_what_is_not_known_is_asked_for():
    found = jobs([np.nan, 0.35])
    notes = {job: note for *_, job, _, _, note in found}
    assert "growth of 50% of the trees is not known: ask" in notes["weed control again"]
    assert "animals (which ones is not known: ask)" in notes["check guards"]


def test_who_sprays_is_told_of_label_permit_and_water():
    note = next(n for *_, job, _, _, n in jobs([0.5], Upkeep(weeds="spray")) if "weed" in job)
    for word in ("trained person", "label", "permit", "not near water", "local law"):
        assert word in note


def test_a_fence_is_as_high_as_who_browses_asks_for():
    assert fence_words(Upkeep()).endswith("not known: ask")
    said = fence_words(Upkeep(browsed_by=("large deer", "possums")))
    assert said == "for large deer at least 1.8 m high; possums climb over it: guard the trees"
    assert set(FENCE_M) == set(BROWSES_TO_M) - {"possums"}


def test_growth_follows_the_species_table():
    facts = pd.DataFrame({"growth_rate": ["fast", "slow", ""]})
    assert growth_of(facts, Upkeep())[:2].tolist() == [0.6, 0.2]
    assert np.isnan(growth_of(facts, Upkeep())[2])
    assert np.isnan(growth_of(facts.drop(columns="growth_rate"), Upkeep())).all()


def test_settings_that_end_no_weeding_are_refused():
    with pytest.raises(ValidationError, match="more than planted_m"):
        Upkeep(planted_m=2.0)


@given(
    st.lists(st.floats(0.05, 1.5), min_size=1, max_size=30),
    st.lists(st.sampled_from(sorted(BROWSES_TO_M)), max_size=3, unique=True),
    st.integers(1, 4),
    st.integers(0, 11),
    st.integers(1, 12),
)
def test_all_comes_after_planting_and_less_and_less_is_weeded(growth, animals, times, month, start):
    rules = Upkeep(browsed_by=tuple(animals), weedings_a_year=times)
    found = jobs(growth, rules, month0=2028 * 12 + month, start=start)
    assert all(when > 2028 * 12 + month for when, *_ in found)
    weeded = [quantity for _, _, job, quantity, *_ in found if job == "weed control again"]
    assert weeded == sorted(weeded, reverse=True) and weeded[0] == 100.0
    removed = [when for when, _, job, *_ in found if job == "remove guards"]
    checks = [when for when, _, job, *_ in found if job in ("check guards", "replace stakes")]
    assert len(removed) == 1 and max(checks) <= removed[0]
