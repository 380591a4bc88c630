"""The frost tables as CSV: odds by zone and species, dates by zone."""

from __future__ import annotations

from pathlib import Path

from siteplanner.base.tables import write_table
from siteplanner.plan import Plan

NOTE = "an estimate from terrain and a few readings, not a forecast"


def write_frost(plan: Plan, folder: Path) -> None:
    """Write ``frost.csv`` and ``frost_dates.csv`` into a folder, where they were worked out.

    ``siteplanner.season.frost_odds.ODDS_COLUMNS`` describes the columns of the first; figures are
    empty where only a range is known. Each row says in a last column that it is an estimate.
    """
    for table, name in ((plan.frost, "frost.csv"), (plan.frost_dates, "frost_dates.csv")):
        if len(table):
            write_table(folder / name, table.assign(note=NOTE), ".4g")
