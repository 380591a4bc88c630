"""Sheets of a workbook: columns of cells, written as what they are, with sums as formulas."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from siteplanner.base.text import xml_text

_LONGEST = 32_767


@dataclass(frozen=True)
class Formula:
    """A formula and the value that it has now."""

    text: str
    value: float


@dataclass(frozen=True)
class Column:
    """A column of a table: its head, cells, format, width, and whether it is summed."""

    head: str
    cells: Sequence[Any]
    format: str = "text"
    width: float = 12
    total: bool = False


def text_of(value: object) -> str:
    """Give a value as text that a cell can hold."""
    return xml_text(str(value))[:_LONGEST]


def formats_of(book: Workbook) -> dict[str, Any]:
    """Add the formats of all cells to a workbook; give them by name."""
    plain: dict[str, Any] = {"valign": "top", "font_name": "Arial", "font_size": 10}
    kinds: dict[str, dict[str, Any]] = {
        "text": {"text_wrap": True},
        "whole": {"num_format": "#,##0"},
        "one": {"num_format": "#,##0.0"},
        "two": {"num_format": "#,##0.00"},
        # Hectares; an area under 100 m2 has digits enough to be seen.
        "area": {"num_format": "[=0]0.00;[<0.01]0.0000;#,##0.00"},
        "share": {"num_format": "0.0%"},
        "year": {"num_format": "0"},
    }
    total: dict[str, Any]
    total, left = {"bold": True, "top": 1}, {"align": "left"}
    head = plain | {"bold": True, "text_wrap": True, "bottom": 2}
    return {
        **{name: book.add_format(plain | kind) for name, kind in kinds.items()},
        **{f"{name} total": book.add_format(plain | k | total) for name, k in kinds.items()},
        **{f"{name} left": book.add_format(plain | k | left) for name, k in kinds.items()},
        "head": book.add_format(head),
        "number head": book.add_format(head | {"align": "right"}),
        "title": book.add_format(plain | {"bold": True, "font_size": 16}),
        "bold": book.add_format(plain | {"bold": True}),
    }


def put(sheet: Worksheet, row: int, column: int, value: Any, kind: Any) -> None:
    """Write a value as what it is; text never becomes a formula, NaN stays empty."""
    if isinstance(value, Formula):
        sheet.write_formula(row, column, value.text, kind, value.value)
    elif isinstance(value, str):
        sheet.write_string(row, column, text_of(value), kind)
    elif value is None or (isinstance(value, float) and not math.isfinite(value)):
        sheet.write_blank(row, column, None, kind)
    else:
        sheet.write_number(row, column, value, kind)


def _now(value: Any) -> float:
    return value.value if isinstance(value, Formula) else value


def write_table(sheet: Worksheet, columns: list[Column], formats: dict[str, Any]) -> None:
    """Write a table with a frozen header and, where columns ask, their sums."""
    top = 0
    length = len(columns[0].cells)
    last = top + length
    fit_height(sheet, top, [(column.head, 0.8 * column.width) for column in columns])
    for row in range(length):
        fit_height(sheet, top + 1 + row, [(c.cells[row], c.width) for c in columns])
    for at, column in enumerate(columns):
        sheet.set_column(at, at, column.width)
        side = "head" if column.format == "text" else "number head"
        sheet.write_string(top, at, text_of(column.head), formats[side])
        for row, value in enumerate(column.cells, top + 1):
            put(sheet, row, at, value, formats[column.format])
        if column.total:
            cells = f"{xl_rowcol_to_cell(top + 1, at)}:{xl_rowcol_to_cell(last, at)}"
            now = math.fsum(_now(v) for v in column.cells)
            total = Formula(f"=SUM({cells})", now) if length else 0
            put(sheet, last + 1, at, total, formats[f"{column.format} total"])
        elif any(c.total for c in columns):
            word = "All" if at == 0 else ""
            sheet.write_string(last + 1, at, word, formats["text total"])
    sheet.freeze_panes(top + 1, 1)
    if length:
        sheet.autofilter(top, 0, last, len(columns) - 1)
    for_print(sheet, top)


def fit_height(sheet: Worksheet, row: int, cells: Sequence[tuple[Any, float]]) -> None:
    """Make a row as high as its longest wrapped text: not every program does so by itself."""
    lines = [
        sum(math.ceil((len(part) + 1) / width) for part in value.splitlines()[:20])
        for value, width in cells
        if isinstance(value, str)
    ]
    sheet.set_row(row, 13.5 * max(1, *lines, 1))


def for_print(sheet: Worksheet, top: int) -> None:
    """Set a sheet up for A4, with the row ``top`` on each page."""
    sheet.set_paper(9)  # A4
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(top)
    sheet.set_footer("&L&A&RPage &P of &N")


def texts(values: pd.Series) -> list[str]:
    """Give each value as text."""
    return [str(value) for value in values]
