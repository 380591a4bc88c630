"""Plain tables: the counts as CSV."""

from __future__ import annotations

from pathlib import Path

from siteplanner.plan import Plan
from siteplanner.reading.nursery_counts import FORMULA_STARTS

COUNT_COLUMNS = ("zone", "paddock", "species", "common_name", "trees", "infill", "order")
_TEXT = COUNT_COLUMNS[:4]


def write_counts(plan: Plan, path: Path) -> None:
    """Write trees, infill and order by zone, paddock and species; one header, no total rows.

    UTF-8, a line feed ends each line. Text that a spreadsheet would run as a formula gets a leading
    apostrophe.
    """
    counts = plan.counts
    columns = [
        [cell(str(text)) for text in counts[name]]
        if name in _TEXT
        else [str(int(number)) for number in counts[name]]
        for name in COUNT_COLUMNS
    ]
    rows = [",".join(row) for row in zip(*columns, strict=True)]
    text = "".join(f"{row}\n" for row in [",".join(COUNT_COLUMNS), *rows])
    path.write_text(text, encoding="utf-8", newline="")


def write_dig(plan: Plan, path: Path) -> None:
    """Write the spots where to dig, with empty columns for what is found there."""
    columns = list(plan.dig.columns)
    ours = ("easting", "northing", "longitude", "latitude")  # numbers, which may be negative
    rows = [
        ",".join(
            text if name in ours else cell(text) for name, text in zip(columns, row, strict=True)
        )
        for row in plan.dig.astype(str).to_numpy()
    ]
    text = "".join(f"{row}\n" for row in [",".join(columns), *rows])
    path.write_text(text, encoding="utf-8", newline="")


def write_thermometers(plan: Plan, path: Path) -> None:
    """Write the spots where one more thermometer would lower the frost estimate's error most."""
    spots = plan.thermometers
    rows = [",".join(row) for row in spots.astype(str).to_numpy()]  # numbers of our own alone
    text = "".join(f"{row}\n" for row in [",".join(spots.columns), *rows])
    path.write_text(text, encoding="utf-8", newline="")


def cell(text: str) -> str:
    """Make a CSV cell of text, quoted where its text needs it.

    The standard writer leaves a carriage return unquoted when lines end in a line feed, so
    that a name with one would break its row.

    >>> print(cell("=SUM(A1), x"))
    "'=SUM(A1), x"
    """
    text = unformula(text)
    if any(c in text for c in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def unformula(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would take for a formula.

    >>> unformula("=1+1"), unformula("1+1")
    ("'=1+1", '1+1')
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
