"""Rates of work: by slope, by what a tree gets and by crew."""

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.counts import materials
from siteplanner.planting.rates import Gear, gear_of, person_hours, planting_hours
from siteplanner.site.planting import ContractorRates, CrewRates, WorkRates

VOLUNTEERS = CrewRates()
BARE, FULL = Gear(0, 0, 0, 0), gear_of(WorkRates())


def hours(trees=100, slope=0.0, gear=FULL, crew=VOLUNTEERS, slower=0.02):
    return float(person_hours(np.array([trees]), np.array([slope]), gear, crew, slower)[0])


def test_volunteers_plant_thirty_to_sixty_trees_a_person_day_with_guards_and_stakes():
    # Common practice, no source: 30 to 60 a person-day.
    rates = WorkRates()
    a_day = 100 / hours(gear=Gear(1, 2, 0, 0)) * rates.hours_a_day
    assert 30 <= a_day <= 60
    assert 30 <= 100 / hours() * rates.hours_a_day < a_day


def test_a_flat_and_a_cliff_have_not_one_rate():
    level, bank, cliff = (hours(slope=slope) for slope in (0, 30, 60))
    assert bank == pytest.approx(level / 0.6)
    assert cliff == pytest.approx(level / 0.2)
    assert hours(slope=np.nan) == level


def test_contractors_are_faster_and_keep_their_rates_where_one_is_written():
    assert hours(crew=ContractorRates()) < hours()
    rates = WorkRates.model_validate({"contractors": {"guard_min": 3.0}})
    assert rates.contractors.plant_min == ContractorRates().plant_min != CrewRates().plant_min


def test_contracted_blocks_and_a_contracted_site_take_contractors_hours():
    trees, slope = np.array([100, 100]), np.zeros(2)
    mixed = planting_hours(trees, slope, WorkRates(), np.array([False, True]))
    hired = planting_hours(trees, slope, WorkRates(crew="contractors"))
    assert mixed[1] == hired[0] == hired[1] < mixed[0]


def test_what_the_user_counted_goes_before_the_single_steps():
    rates = WorkRates(trees_a_person_day=120, people=5, guards_a_tree=3)
    got = materials(np.array([1200]), np.array([5.0]), rates)
    assert got["crew_days"].item() == pytest.approx(1200 / 600)


@given(
    trees=st.integers(0, 10_000),
    slope=st.floats(0, 90),
    gear=st.builds(Gear, *[st.floats(0, 50)] * 4),
    more=st.integers(0, 3),
)
@settings(max_examples=examples(100))
def test_hours_add_up_and_rise_with_slope_and_gear(trees, slope, gear, more):
    base = hours(trees, slope, gear)
    assert hours(2 * trees, slope, gear) == pytest.approx(2 * base)
    assert hours(trees, min(90, slope + 5), gear) >= base
    fuller = [gear.guards, gear.stakes, gear.mulch_l, gear.water_l]
    fuller[more] += 1
    assert hours(trees, slope, Gear(*fuller)) >= base >= hours(trees, slope, BARE)
