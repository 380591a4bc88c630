"""Writes everything about the nursery into a plan's folder."""

from __future__ import annotations

from pathlib import Path

from siteplanner.handover.paper.labels import write_labels
from siteplanner.handover.paper.nursery_chart import write_nursery_pdf
from siteplanner.handover.tables.calendar import write_calendar
from siteplanner.handover.tables.nursery import write_tables
from siteplanner.plan import Plan


def write_nursery(plan: Plan, folder: Path) -> None:
    """Write the nursery's tables, sheets, labels and, when there are dates, its calendar."""
    year = plan.nursery
    write_tables(year, folder)
    write_nursery_pdf(year, plan.name, folder / "nursery.pdf")
    if year.batches:
        write_labels(year, plan.name, folder / "labels.pdf")
    if year.first_day is not None:
        write_calendar(year, plan.name, folder / "nursery.ics")
