"""The frost tables as CSV: odds by zone and species, dates by zone."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from siteplanner.handover.tables.counts import cell
from siteplanner.plan import Plan

NOTE = "an estimate from terrain and a few readings, not a forecast"


def write_frost(plan: Plan, folder: Path) -> None:
    """Write ``frost.csv`` and ``frost_dates.csv`` into a folder, where they were worked out.

    Odds are chances in one winter (``over_years``: in the years of establishment), empty where
    only a range is known. Each row says in a last column that it is an estimate.
    """
    for table, name in ((plan.frost, "frost.csv"), (plan.frost_dates, "frost_dates.csv")):
        if len(table):
            text = _csv(table.assign(note=NOTE))
            (folder / name).write_text(text, encoding="utf-8", newline="")


def _csv(table: pd.DataFrame) -> str:
    """Comma-separated text: numbers to four digits, unknown ones empty, text made safe."""
    lines = [",".join(table.columns)]
    for row in table.itertuples(index=False):
        cells = []
        for value in row:
            if isinstance(value, str):
                cells.append(cell(value))
            else:
                cells.append("" if pd.isna(value) else f"{value:.4g}")
        lines.append(",".join(cells))
    return "".join(f"{line}\n" for line in lines)
