"""Person-hours by month: what nursery and planting take, beside what their people can do."""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from siteplanner.planting.access import for_steep_crew
from siteplanner.season.nursery.batches import Batch
from siteplanner.site.planting import WorkRates

#: Columns of hours, and whose they are.
_NURSERY, _CREW = ("sow_h", "prick_out_h", "fill_h"), ("plant_h",)
COLUMNS = (
    "year", "month", *_NURSERY, *_CREW, "steep_crew_h",
    "nursery_available_h", "crew_available_h", "short",
)  # fmt: skip
_PLANTING = "plant"


def hours_by_month(
    batches: Sequence[Batch], jobs: pd.DataFrame, blocks: pd.DataFrame, rates: WorkRates
) -> pd.DataFrame:
    """Sum the person-hours of every month in which something is sown, pricked out or planted.

    ``jobs`` has ``year, month, place, job, quantity``: those whose ``job`` begins with "plant"
    count, in trees, at the hours a tree of their block; ``blocks`` has ``block, trees,
    person_hours, access_class``. A job at no block takes what a tree takes on average. Planting
    has guarding, mulching and watering in it. Tubes are filled in the month in which they are
    pricked out into or sown. Batches without dates are left out.

    Returns :data:`COLUMNS`, in order of time: hours of sowing, pricking out, filling tubes and
    planting by the site's own crew; those of the steep-ground crew, which has its own people;
    what nursery and crew can do in a month; and ``short``: who is short of how many hours, "" where
    all can be done. Rates: common practice, no source (``[work]``).
    """
    found = pd.DataFrame(
        [*_nursery(batches, rates), *_planting(jobs, blocks)],
        columns=["year", "month", "work", "hours"],
    )
    kinds = [*_NURSERY, *_CREW, "steep_crew_h"]
    table = (
        found.pivot_table(index=["year", "month"], columns="work", values="hours", aggfunc="sum")
        .reindex(columns=kinds)
        .fillna(0.0)
        .astype(float)
        .rename_axis(columns=None)
        .reset_index()
        .astype({"year": np.int64, "month": np.int64})
    )
    table["nursery_available_h"] = (
        rates.nursery_people * rates.nursery_days_a_month * rates.hours_a_day
    )
    table["crew_available_h"] = rates.people * rates.days_a_month * rates.hours_a_day
    lacks = {
        "nursery": table[list(_NURSERY)].sum(axis=1) - table["nursery_available_h"],
        "crew": table[list(_CREW)].sum(axis=1) - table["crew_available_h"],
    }
    table["short"] = [
        ", ".join(
            f"{who} {hours:.0f} h" for who, hours in zip(lacks, row, strict=True) if _is(hours)
        )
        for row in zip(*lacks.values(), strict=True)
    ]
    return table[list(COLUMNS)]


def _is(lacking: float) -> bool:
    """Whether so many lacking hours are worth a word."""
    return lacking >= 0.5


def _nursery(batches: Sequence[Batch], rates: WorkRates) -> Iterable[tuple[int, int, str, float]]:
    """Year, month, kind and hours of what each dated batch takes."""
    for batch in batches:
        if batch.dates is None:
            continue
        sow, potted, order = batch.dates.sow, batch.dates.prick_out, batch.order
        if potted is None:
            yield sow.year, sow.month, "sow_h", order.tubes * rates.sow_tube_min / 60
            potted = sow
        else:
            yield sow.year, sow.month, "sow_h", order.trays * rates.sow_tray_min / 60
            pricked = order.tubes * rates.prick_out_min / 60
            yield potted.year, potted.month, "prick_out_h", pricked
        yield potted.year, potted.month, "fill_h", order.tubes * rates.fill_tube_min / 60


def _planting(jobs: pd.DataFrame, blocks: pd.DataFrame) -> Iterable[tuple[int, int, str, float]]:
    """Year, month, kind and hours of each planting job."""
    mine = jobs[jobs["job"].astype(str).str.startswith(_PLANTING) & (jobs["year"] > 0)]
    trees = blocks["trees"].sum()
    mean = blocks["person_hours"].sum() / trees if trees else 0.0
    each = (blocks["person_hours"] / blocks["trees"].where(blocks["trees"] > 0)).fillna(mean)
    each = pd.Series(each.to_numpy(), index=blocks["block"])
    steep = set(blocks["block"][for_steep_crew(blocks["access_class"])])
    hours = mine["quantity"] * each.reindex(mine["place"]).fillna(mean).to_numpy()
    for job, taken in zip(mine.itertuples(), hours, strict=True):
        kind = "steep_crew_h" if job.place in steep else "plant_h"
        yield int(job.year), int(job.month), kind, float(taken)


def words_on_hours(hours: pd.DataFrame) -> list[str]:
    """Name every month that cannot be done, and what is short; ``hours`` as above."""
    said = []
    for who, kinds, remedy in (
        ("the nursery's people", _NURSERY,
         "More people or days ([work] nursery_people, nursery_days_a_month), or planting spread "
         "over more years ([years] number, tubes), make it fit."),
        ("the crew", _CREW,
         "More people or days ([work] people, days_a_month), or planting spread over more years "
         "([years] number, crew_days), make it fit."),
    ):  # fmt: skip
        can = hours["crew_available_h" if kinds is _CREW else "nursery_available_h"]
        takes = hours[list(kinds)].sum(axis=1)
        over = hours[[_is(lacking) for lacking in takes - can]]
        if over.empty:
            continue
        months = "; ".join(
            f"{_month(row.year, row.month)} {takes[row.Index]:,.0f} hours of "
            f"{can[row.Index]:,.0f}, {takes[row.Index] - can[row.Index]:,.0f} short"
            for row in over.itertuples()
        )
        said.append(
            f"More work than {who} can do in a month: {months}. {remedy} The rates are common "
            "practice: yours are better."
        )
    return said


def _month(year: int, month: int) -> str:
    """Name a month; years without a date are numbered from 1.

    >>> _month(2028, 9), _month(2, 7)
    ('September 2028', 'July of year 2')
    """
    name = calendar.month_name[month]
    return f"{name} {year}" if year >= 1900 else f"{name} of year {year}"
