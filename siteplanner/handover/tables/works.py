"""The works as plain tables: blocks, jobs by date, paddocks' fences, trees of every row."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from siteplanner.handover.tables.counts import cell
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
    ):
        if len(frame):
            write_table(frame, folder / name)


def write_table(frame: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV: UTF-8, a line feed ends each line, numbers to two decimals."""
    columns = [
        [f"{value:.2f}" for value in frame[name]]
        if pd.api.types.is_float_dtype(frame[name])
        else [cell(str(value)) for value in frame[name]]
        for name in frame.columns
    ]
    lines = [",".join(frame.columns), *(",".join(row) for row in zip(*columns, strict=True))]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8", newline="")
