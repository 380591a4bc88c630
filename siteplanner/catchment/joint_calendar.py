"""One calendar for all sites: planting works and the nursery's year, without places of seed."""

from __future__ import annotations

import calendar
from collections.abc import Mapping
from datetime import date
from pathlib import Path

import pandas as pd

from siteplanner.base.tables import write_table
from siteplanner.catchment.planned import Planned
from siteplanner.handover.tables.calendar import write_tasks
from siteplanner.season.nursery.tasks import Task, amount

COLUMNS = ["start", "end", "site", "job", "place", "quantity", "unit", "note"]
#: A plan without a first year numbers its years 1, 2 …: no date can be told.
_FIRST_YEAR = 1900
#: The nursery's jobs: first and last day's columns, and what is counted.
_NURSERY = (
    ("Collect seed", "collect_from", "collect_to"),
    ("Start the seed's pre-treatment", "pretreat_from", "pretreat_from"),
    ("Sow", "sow_on", "sow_on"),
    ("Prick out, and count", "prick_out_on", "prick_out_on"),
    ("Last day to resow a failed batch", "resow_by", "resow_by"),
    ("Harden off: move into the open, water less", "harden_from", "harden_from"),
)


def joint_calendar(sites: Mapping[str, Planned]) -> pd.DataFrame:
    """Put the works and the nursery's jobs of all sites in order of time.

    ``start`` and ``end`` are the first and last day, ISO text; works are planned by the month.
    They are empty where a plan names no first year, which the note tells; those come last.
    ``place`` is a block or paddock, or the nursery's species and permit.
    """
    rows = [
        row for site, plan in sites.items() for row in (*_works(site, plan), *_nursery(site, plan))
    ]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    late = frame["start"].where(frame["start"] != "", "9999")
    order = frame.assign(late=late).sort_values(
        ["late", "end", "job", "site", "place"], kind="stable"
    )
    return order[COLUMNS].reset_index(drop=True)


def _works(site: str, plan: Planned) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for job in plan.jobs.itertuples():
        start, end, note = "", "", job.note
        if job.year >= _FIRST_YEAR:
            last = calendar.monthrange(job.year, job.month)[1]
            start = date(job.year, job.month, 1).isoformat()
            end = date(job.year, job.month, last).isoformat()
        else:
            note = f"year {job.year}, {calendar.month_name[job.month]}; {note}"
        rows.append((start, end, site, job.job, job.place, job.quantity, job.unit, note))
    return rows


def _nursery(site: str, plan: Planned) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for batch in plan.batches.itertuples():
        place = f"{batch.species} ({batch.permit})" if batch.permit else str(batch.species)
        for job, first, last in _NURSERY:
            start, end = getattr(batch, first), getattr(batch, last)
            if start and end:
                note = f"{amount(batch.seed_g)} of seed" if first == "collect_from" else ""
                rows.append((start, end, site, job, place, batch.plants, "plants", note))
    return rows


def write_calendar(frame: pd.DataFrame, name: str, path: Path) -> None:
    """Write ``calendar.csv``, and beside it ``calendar.ics`` where anything has a date.

    In the latter a job of the same days at several sites is one event, with a line for each.
    """
    write_table(path, frame)
    dated = frame[frame["start"] != ""]
    tasks = [
        Task(
            date.fromisoformat(str(start)),
            date.fromisoformat(str(end)),
            str(job),
            tuple(
                f"{row.site}: {row.place}, {row.quantity:,.10g} {row.unit}"
                + (f" ({row.note})" if row.note else "")
                for row in mine.itertuples()
            ),
            tuple(f"{row.site}: {row.place}" for row in mine.itertuples()),
        )
        for (start, end, job), mine in dated.groupby(["start", "end", "job"], sort=True)
    ]
    if tasks:
        write_tasks(tasks, name, f"Works: {name}", tasks[0].start, path.with_suffix(".ics"))


def by_month(sites: Mapping[str, Planned]) -> pd.DataFrame:
    """Trees to plant and crew-days by month: ``year, month, sites, trees, crew_days``."""
    rows = [plan.jobs[plan.jobs["job"] == "plant"].assign(site=s) for s, plan in sites.items()]
    by = pd.concat(rows, ignore_index=True).groupby(["year", "month"], sort=True)
    return pd.DataFrame(
        {
            "sites": by["site"].nunique(),
            "trees": by["quantity"].sum(),
            "crew_days": by["crew_days"].sum().round(1),
        }
    ).reset_index()
