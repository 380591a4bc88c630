"""Person-hours by month: nursery and planting beside what their people can do."""

from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.season.hours import COLUMNS, hours_by_month, words_on_hours
from siteplanner.site.planting import WorkRates

BLOCKS = pd.DataFrame(
    {
        "block": ["A1", "B1", "S1"],
        "trees": [1000, 500, 200],
        "person_hours": [200.0, 200.0, 50.0],
        "access_class": [
            "volunteers",
            "experienced people only",
            "steep-ground crew only: Kestrels",
        ],
    }
)


def batch(sow, prick_out=None, trays=0, tubes=0):
    dates = SimpleNamespace(sow=sow, prick_out=prick_out)
    return SimpleNamespace(dates=dates, order=SimpleNamespace(trays=trays, tubes=tubes))


def jobs(*rows):
    return pd.DataFrame(rows, columns=["year", "month", "place", "job", "quantity"])


def month(table, year, number):
    (row,) = table[(table["year"] == year) & (table["month"] == number)].to_dict("records")
    return row


def test_each_step_is_summed_in_its_own_month():
    batches = [
        batch(date(2027, 9, 3), date(2027, 11, 20), trays=4, tubes=1200),
        batch(date(2027, 11, 2), tubes=600),
        SimpleNamespace(dates=None, order=SimpleNamespace(trays=9, tubes=9)),
    ]
    work = jobs(
        (2028, 9, "A1", "plant", 500.0),
        (2028, 9, "A1", "guard", 500.0),
        (2028, 9, "B1", "plant", 250.0),
        (2028, 10, "S1", "plant", 200.0),
        (2029, 9, "A1", "plant infill", 100.0),
    )
    rates = WorkRates(sow_tray_min=15, sow_tube_min=0.5, fill_tube_min=0.5, prick_out_min=1)
    table = hours_by_month(batches, work, BLOCKS, rates)
    assert tuple(table.columns) == COLUMNS
    assert list(zip(table["year"], table["month"], strict=True)) == [
        (2027, 9), (2027, 11), (2028, 9), (2028, 10), (2029, 9),
    ]  # fmt: skip
    assert month(table, 2027, 9)["sow_h"] == 1.0
    november = month(table, 2027, 11)
    assert (november["sow_h"], november["prick_out_h"], november["fill_h"]) == (5.0, 20.0, 15.0)
    # Half of A1 and half of B1: a tree of the steeper block takes twice as long.
    assert month(table, 2028, 9)["plant_h"] == pytest.approx(100 + 100)
    assert month(table, 2028, 10)["plant_h"] == 0
    assert month(table, 2028, 10)["steep_crew_h"] == pytest.approx(50)
    assert month(table, 2029, 9)["plant_h"] == pytest.approx(20)


def test_a_month_that_cannot_be_done_is_named_with_what_is_short():
    rates = WorkRates(
        people=5, days_a_month=5, hours_a_day=6, nursery_people=1, nursery_days_a_month=10,
        prick_out_min=0.6, fill_tube_min=0,
    )  # fmt: skip
    batches = [batch(date(2027, 9, 3), date(2027, 11, 20), trays=1, tubes=10_000)]
    work = jobs((2028, 9, "A1", "plant", 1000.0), (2028, 7, "A1", "plant", 100.0))
    table = hours_by_month(batches, work, BLOCKS, rates)
    assert month(table, 2027, 11)["nursery_available_h"] == 60
    assert month(table, 2028, 9)["crew_available_h"] == 150
    assert month(table, 2027, 11)["short"] == "nursery 40 h"
    assert month(table, 2028, 9)["short"] == "crew 50 h"
    assert month(table, 2028, 7)["short"] == ""
    nursery, crew = words_on_hours(table)
    assert "November 2027 100 hours of 60, 40 short" in nursery
    assert "September 2028 200 hours of 150, 50 short" in crew and "July" not in crew
    enough = rates.model_copy(update={"people": 10, "nursery_people": 2})
    assert words_on_hours(hours_by_month(batches, work, BLOCKS, enough)) == []


def test_nothing_dated_sums_planting_alone_and_nothing_planned_gives_no_rows():
    undated = [SimpleNamespace(dates=None, order=SimpleNamespace(trays=2, tubes=500))]
    work = jobs((1, 7, "A1", "plant", 1000.0), (0, 7, "A1", "plant", 10.0))
    table = hours_by_month(undated, work, BLOCKS, WorkRates(people=1))
    assert table[["year", "month", "plant_h"]].to_numpy().tolist() == [[1, 7, 200.0]]
    assert "July of year 1" in words_on_hours(table)[0]
    empty = hours_by_month([], jobs(), BLOCKS[:0], WorkRates())
    assert tuple(empty.columns) == COLUMNS and empty.empty and words_on_hours(empty) == []


@given(
    st.lists(
        st.tuples(
            st.integers(2027, 2029),
            st.integers(1, 12),
            st.sampled_from(["A1", "B1", "S1", "elsewhere"]),
            st.just("plant"),
            st.integers(0, 5000),
        ),
        max_size=12,
    )
)
@settings(max_examples=examples(50))
def test_the_months_have_all_hours_of_all_jobs(rows):
    table = hours_by_month([], jobs(*rows), BLOCKS, WorkRates())
    mean = 450 / 1700
    each = {"A1": 0.2, "B1": 0.4, "S1": 0.25, "elsewhere": mean}
    wanted = sum(each[place] * trees for _, _, place, _, trees in rows)
    assert table[["plant_h", "steep_crew_h"]].sum().sum() == pytest.approx(wanted)
    assert not table.duplicated(["year", "month"]).any()
    assert (table["plant_h"] <= table["crew_available_h"] + 0.5)[table["short"] == ""].all()
