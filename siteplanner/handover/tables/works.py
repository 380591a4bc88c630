"""The works as plain tables: blocks, jobs by date, paddocks' fences, trees of every row."""

from __future__ import annotations

from pathlib import Path

from siteplanner.base.tables import write_table
from siteplanner.plan import Plan


def write_works(plan: Plan, folder: Path) -> None:
    """Write ``blocks.csv``, ``works.csv``, ``fences.csv``, ``rows.csv`` and more; no total rows.

    A table without rows is not written; :class:`siteplanner.season.works.Works` has the columns.
    """
    for name, frame in (
        ("blocks.csv", plan.works.blocks),
        ("works.csv", plan.works.jobs),
        ("fences.csv", plan.works.paddocks),
        ("rows.csv", plan.works.row_counts),
        ("years.csv", plan.works.by_year),
        ("zones.csv", plan.works.zones),
        ("row_spacings.csv", plan.works.row_spacings),
        ("costs.csv", plan.works.costs),
    ):
        if len(frame):
            write_table(folder / name, frame, ".2f")
