"""The hours of nursery and crews by month, as CSV."""

from __future__ import annotations

from pathlib import Path

from siteplanner.base.tables import write_table
from siteplanner.plan import Plan


def write_hours(plan: Plan, path: Path) -> None:
    """Write person-hours by month (``siteplanner.season.hours.COLUMNS``); no total row."""
    write_table(path, plan.hours, ".1f")
