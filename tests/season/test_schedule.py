"""Dates of a batch: backwards from planting, in either hemisphere."""

import math
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.reading.species.seed_facts import months_of
from siteplanner.season.nursery.schedule import (
    add_months,
    collecting_window,
    schedule,
    season,
    warm_day,
)
from siteplanner.site.nursery import Nursery

SOUTH = [16, 16, 14, 11, 8, 6, 5, 6, 8, 10, 12, 14]
NORTH = SOUTH[6:] + SOUTH[:6]
DAYS = st.dates(date(2001, 1, 1), date(2090, 12, 31))


def made(plant_on=date(2028, 10, 2), mean_c=SOUTH, fruiting=(1, 2, 3), **changed):
    facts = {"months_to_plant_out": 12, "weeks_to_germinate": 3, "weeks_to_prick_out": 9}
    facts |= {"pretreatment_weeks": math.nan, "keeps_years": math.nan, "fresh": False}
    rules = Nursery(plant_on=plant_on, **{k: v for k, v in changed.items() if k not in facts})
    facts |= {k: v for k, v in changed.items() if k in facts}
    until = plant_on + timedelta(weeks=rules.planting_weeks)
    return schedule(plant_on, until, rules, mean_c, fruiting_months=fruiting, **facts)


def test_seed_to_plantable_tubestock_takes_about_twelve_months():
    # Common practice, no source.
    rules = Nursery(plant_on=date(2028, 10, 2))
    days = made(months_to_plant_out=rules.months_to_plant_out)
    assert days.sow == date(2027, 10, 2)
    assert days.plantable == days.plant == date(2028, 10, 2)


def test_a_silent_tray_is_doubtful_after_months_and_given_up_after_twelve():
    # Common practice, no source.
    days = made()
    assert days.doubtful == add_months(days.sow, 4)
    assert days.give_up == add_months(days.sow, 12)


def test_seed_is_collected_in_the_fruiting_season_before_it_must_be_cleaned():
    days = made()
    assert (days.collect_from, days.collect_to) == (date(2027, 1, 1), date(2027, 3, 31))
    assert made(fruiting=()).collect_from is None


def test_no_sowing_in_cold_months_and_the_other_hemisphere_is_the_same_half_a_year_on():
    south, north = made(date(2028, 9, 4)), made(date(2029, 3, 4), NORTH, (7, 8, 9))
    assert south.moved_for_cold and south.sow == date(2027, 10, 1)
    assert north.moved_for_cold and north.sow == date(2028, 4, 1)
    assert (north.collect_from, north.collect_to) == (date(2027, 7, 1), date(2027, 9, 30))
    # Four weeks late in the tube are made up in the planting season, not five months back.
    assert south.plant <= south.plantable <= south.plant_until


def test_sowing_goes_back_to_autumn_only_where_spring_would_be_too_late():
    # Nothing may be hurried: sown on 1 October, it would not be plantable by 25 September.
    late = made(date(2028, 9, 4), hurry=1.0, planting_weeks=3)
    # Three weeks before the cold of May, so that it is up by then.
    assert late.moved_for_cold and late.sow == date(2027, 4, 9)
    assert late.show == date(2027, 4, 30)


def test_fresh_seed_is_sown_within_a_week_of_collecting():
    # Wanted in October, ripe from January to March: sown in April, not kept for seven months.
    days = made(fruiting=(1, 2, 3), fresh=True)
    assert days.collect_to == date(2027, 3, 31)
    assert days.sow == date(2027, 4, 7)
    assert days.moved_to_keep and not days.sown_cold and days.resow_by is None
    assert made(fruiting=(1, 2, 3), keeps_years=0.1).sow == days.sow
    assert made(fruiting=(5, 6), fresh=True).sown_cold


def test_fresh_seed_that_needs_chilling_goes_into_it_at_once_and_comes_out_in_warmth():
    days = made(fruiting=(2, 3), fresh=True, pretreatment_weeks=8)
    assert days.collect_to == date(2027, 3, 31)
    assert days.pretreat == date(2027, 4, 7)
    assert days.sow == date(2027, 10, 1)  # eight weeks would be over in June, too cold to sow


def test_seed_that_would_be_too_old_is_sown_sooner():
    kept = made(fruiting=(2, 3), keeps_years=1)
    short = made(fruiting=(2, 3), keeps_years=0.4)
    assert kept.sow == date(2027, 10, 2) and not kept.moved_to_keep
    # 0.4 years from 31 March is late August, which is too cold, and April would be too late to
    # come up before May: so as soon as it is clean.
    assert short.sow == date(2027, 4, 28) and short.moved_to_keep


@given(
    DAYS,
    st.floats(1, 36),
    st.lists(st.integers(1, 12), unique=True, min_size=1, max_size=11),
    st.floats(0.05, 3),
    st.one_of(st.just(math.nan), st.floats(1, 60)),
    st.sampled_from([SOUTH, NORTH, [25] * 12]),
)
def test_no_seed_is_older_than_it_keeps_unless_it_cannot_be_cleaned_sooner(
    plant_on, months, fruiting, keeps, weeks, mean_c
):
    days = made(
        plant_on, mean_c, fruiting,
        months_to_plant_out=months, keeps_years=keeps, pretreatment_weeks=weeks,
    )  # fmt: skip
    waits = (days.pretreat or days.sow) - days.collect_to
    if keeps <= 0.25:
        assert waits == timedelta(weeks=1)
    else:
        cleaned = timedelta(weeks=Nursery().clean_weeks)
        assert waits <= max(cleaned, timedelta(days=365.25 * keeps + 1))


def test_a_batch_too_late_to_resow_says_so():
    days = made(months_to_plant_out=14, weeks_to_germinate=24, hurry=1.0, planting_weeks=0)
    assert days.resow_by is None


def test_seed_that_is_pre_treated_must_go_in_before_it_is_sown_again():
    # Sixteen weeks of cold: what could be sown again on 19 February must go in on 30 October.
    plain, treated = (
        made(date(2028, 10, 2), [15] * 12, weeks_to_germinate=2, **more)
        for more in ({}, {"pretreatment_weeks": 16})
    )
    assert plain.resow_by > treated.show
    assert plain.resow_by - timedelta(weeks=16) <= treated.show
    assert treated.resow_by is None
    early = made(
        date(2028, 10, 2), [15] * 12, weeks_to_germinate=1, pretreatment_weeks=8, planting_weeks=12
    )
    again = early.resow_by + timedelta(weeks=8)
    assert early.show < early.resow_by
    assert again == add_months(early.plant_until, -12 * Nursery().hurry)


@given(
    DAYS,
    st.floats(1, 36),
    st.floats(0.2, 20),
    st.lists(st.integers(1, 12), unique=True),
    st.sampled_from([SOUTH, NORTH, [25] * 12, [3] * 12]),
)
def test_the_order_of_the_work(plant_on, months, weeks, fruiting, mean_c):
    days = made(
        plant_on,
        mean_c,
        fruiting,
        months_to_plant_out=months,
        weeks_to_germinate=weeks,
        weeks_to_prick_out=weeks + 4,
    )
    rules = Nursery()
    assert days.sow <= days.show <= days.prick_out
    assert days.sow <= days.plantable <= days.plant_until + timedelta(days=3)
    assert days.harden <= days.plant <= days.plant_until
    assert days.resow_by is None or days.resow_by > days.show
    if fruiting:
        assert days.collect_from < days.collect_to
        assert days.collect_to + timedelta(weeks=rules.clean_weeks) <= days.sow
        if len(fruiting) < 12:
            assert days.collect_from.month in fruiting and days.collect_to.month in fruiting
    warm_enough = min(mean_c[d.month - 1] for d in (days.sow, days.show)) >= rules.sow_from_c
    # Seven months are warm: what takes longer to come up is sown when it is wanted.
    assert warm_enough or max(mean_c) < rules.sow_from_c or weeks > 17


def test_pre_treatment_comes_between_cleaning_and_sowing():
    days = made(pretreatment_weeks=6, fruiting=(8, 9))
    assert days.pretreat == date(2027, 8, 21)
    # Four weeks of cleaning would cut August short, so it is the season before.
    assert days.collect_to == date(2026, 9, 30)


def test_seed_sown_into_tubes_is_not_pricked_out():
    assert made(weeks_to_prick_out=math.nan).prick_out is None


@pytest.mark.parametrize(
    ("day", "months", "there"),
    [
        (date(2024, 1, 31), 1, date(2024, 2, 29)),
        (date(2023, 1, 31), 1, date(2023, 2, 28)),
        (date(2024, 2, 29), -12, date(2023, 2, 28)),
        (date(2028, 1, 15), -1, date(2027, 12, 15)),
        (date(2028, 1, 1), 0.5, date(2028, 1, 16)),
    ],
)
def test_months_and_leap_years(day, months, there):
    assert add_months(day, months) == there


@given(DAYS, st.integers(-60, 60))
def test_months_there_and_back_move_at_most_to_the_months_end(day, months):
    assert (day - add_months(add_months(day, months), -months)).days in range(4)


@given(DAYS, st.floats(23.5, 89))
def test_seasons_of_the_hemispheres_are_half_a_year_apart(day, latitude):
    assert season(day, latitude) == season(add_months(day, 6), -latitude)


def test_seasons_by_name():
    assert season(date(2028, 1, 15), -42) == "mid summer"
    assert season(date(2028, 1, 15), 42) == "mid winter"
    assert season(date(2028, 9, 1), -42) == "early spring"
    assert season(date(2028, 9, 1), 10) == "September"


def test_a_short_rest_of_a_season_is_passed_over():
    assert collecting_window((1, 2, 3), date(2028, 1, 10)) == (date(2027, 1, 1), date(2027, 3, 31))
    assert collecting_window((1, 2, 3), date(2028, 1, 20)) == (date(2028, 1, 1), date(2028, 1, 20))
    assert collecting_window((12, 1), date(2028, 6, 1)) == (date(2027, 12, 1), date(2028, 1, 31))


def test_a_place_where_it_is_never_warm_keeps_the_day():
    assert warm_day(date(2028, 7, 1), [2.0] * 12, 9.0, date(2029, 1, 1)) == date(2028, 7, 1)


@pytest.mark.parametrize(
    ("text", "months"),
    [("1-3", (1, 2, 3)), ("11–2", (11, 12, 1, 2)), ("1-2; 9", (1, 2, 9)), ("", ()), (None, ())],
)
def test_fruiting_months(text, months):
    assert months_of(text) == months


@pytest.mark.parametrize("text", ["13", "0", "summer", "1-2-3", "-"])
def test_what_names_no_months_is_refused(text):
    with pytest.raises(ValueError):
        months_of(text)
