"""CSV as siteplanner writes all of it: one writer, and what undoes its care for spreadsheets."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from siteplanner.base.text import utf8

#: What a spreadsheet takes a cell for a formula by; some take the wide forms too.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def write_table(path: Path, table: pd.DataFrame, numbers: str | Mapping[str, str] = "") -> None:
    """Write a table as CSV: UTF-8, a line feed ends each line, one header, no index.

    What is unknown (None, NaN) is an empty cell, a day is written year-month-day, and text that
    a spreadsheet would run as a formula is :func:`shielded`. ``numbers`` says how fractions are
    written, such as ``".2f"``, for all columns or by column; without it they have six decimals
    at most and no exponent.
    """
    columns = []
    for name in table.columns:
        style = numbers if isinstance(numbers, str) else numbers.get(name, "")
        columns.append([_cell(value, style) for value in table[name]])
    lines = [",".join(map(_quoted, table.columns)), *map(",".join, zip(*columns, strict=True))]
    path.write_bytes(utf8("".join(f"{line}\n" for line in lines)))


def shielded(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would take for a formula.

    >>> shielded("=1+1"), shielded("1+1")
    ("'=1+1", '1+1')
    """
    return f"'{text}" if _would_run(text) else text


def unshielded(text: str) -> str:
    """Take off the apostrophe that :func:`shielded` put on; other text stays as it is.

    >>> unshielded("'=1+1"), unshielded("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if text.startswith("'") and _would_run(text) else text


def _would_run(text: str) -> bool:
    # Text that has apostrophes before it already gets one more, so that one can be taken off.
    return text.lstrip("'").startswith(FORMULA_STARTS)


def _cell(value: Any, style: str) -> str:
    if isinstance(value, str):
        return _quoted(shielded(value))
    if value is None or value is pd.NA or value != value:
        return ""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (float, np.floating)):
        return format(value, style) if style else _short(float(value))
    return _quoted(str(value))


def _short(number: float) -> str:
    return f"{round(number, 6) + 0.0:.6f}".rstrip("0").rstrip(".")


def _quoted(text: str) -> str:
    # Not the standard writer: it leaves a carriage return unquoted when lines end in a line
    # feed, so that a name with one would break its row.
    if any(c in text for c in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
