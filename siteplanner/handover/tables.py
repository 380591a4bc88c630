"""Plain tables: the counts as CSV."""

from __future__ import annotations

import csv
from pathlib import Path

from siteplanner.plan import Plan

COUNT_COLUMNS = ("zone", "paddock", "species", "common_name", "trees", "infill", "order")
_TEXT = COUNT_COLUMNS[:4]
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_counts(plan: Plan, path: Path) -> None:
    """Write trees, infill and order by zone, paddock and species; one header, no total rows.

    UTF-8, a line feed ends each line. Text that a spreadsheet would run as a formula gets a leading
    apostrophe.
    """
    counts = plan.counts
    columns = [
        [unformula(str(cell)) for cell in counts[name]]
        if name in _TEXT
        else [int(cell) for cell in counts[name]]
        for name in COUNT_COLUMNS
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COUNT_COLUMNS)
        table.writerows(zip(*columns, strict=True))


def unformula(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would take for a formula."""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
