"""Reads tables that people fill in by hand: which cells there are, and what a cell says."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from pathlib import Path

import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.base.tables import unshielded
from siteplanner.reading.files.numbers import with_plain_numbers
from siteplanner.reading.files.sheet import read_sheet


def read_cells(
    path: Path,
    columns: Collection[str],
    numbers: Collection[str] = (),
    notes: list[str] | None = None,
) -> pd.DataFrame:
    """Read a CSV or XLSX as trimmed text; it must have ``columns``. Empty rows are left out.

    Text that our own tables shielded from spreadsheets comes as it was before. Decimal commas and
    lone dashes in ``numbers``, columns that there may be, are read as such and listed in
    ``notes``. Raises :class:`~siteplanner.InputError`.
    """
    frame = read_sheet(path, remarks=False).map(unshielded)
    frame.columns = [str(name).strip().lower() for name in frame.columns]
    errors = Errors()
    for column in sorted({c for c in frame.columns if list(frame.columns).count(c) > 1}):
        errors.add(path, repr(column), "two columns have this name", "keep one of them")
    for column in columns:
        if column not in frame:
            errors.add(path, column, "this column is missing", near(column, frame.columns))
    errors.raise_any()
    written = [name for name in numbers if name in frame]
    rows = [f"row {row + 2}" for row in frame.index]
    told = [] if notes is None else notes
    return with_plain_numbers(path.name, frame, written, rows, told).fillna("")


def whole(text: str) -> int | None:
    """Read a whole number of plants, None when it is none.

    >>> whole("120"), whole("12.5"), whole("lots")
    (120, None, None)
    """
    try:
        number = float(text)
    except ValueError:
        return None
    return int(number) if 0 <= number < 1e9 and number == int(number) else None


def day(text: str) -> date | None:
    """Read a date written 2028-09-04, None when it is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
