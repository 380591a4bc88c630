"""Reads the cells of a table that a grower keeps, CSV or XLSX, as text."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import pandas as pd

from siteplanner.base.errors import input_error
from siteplanner.reading.files.archive import must_not_swell
from siteplanner.reading.files.text import AS_CSV, must_hold, separator, table_text


def read_sheet(path: Path, remarks: bool = True) -> pd.DataFrame:
    """Read a CSV or the first sheet of an XLSX as trimmed text, "" where a cell is empty.

    Lines that begin with "#" are remarks and left out, where there may be ``remarks``, as are
    empty rows. The
    index is each row's number in the file, less two, so that the row under a header on the
    first line is 0. Raises :class:`~siteplanner.InputError`.
    """
    must_hold(path)
    rows = _xlsx(path) if path.suffix.lower() == ".xlsx" else _csv(path)
    rows = [(number, [cell.strip() for cell in row]) for number, row in rows]
    rows = [
        (number, row) for number, row in rows if any(row) and not (remarks and row[0][:1] == "#")
    ]
    if not rows:
        raise input_error(path, "", "it has no table", "write a header and one row for each entry")
    header = rows[0][1]
    while header and not header[-1]:
        header.pop()
    twice = sorted({name for name in header if name and header.count(name) > 1})
    if twice:
        raise input_error(path, repr(twice[0]), "two columns have this name", "keep one of them")
    for number, row in rows[1:]:
        if any(row[len(header) :]):
            raise input_error(
                path,
                f"row {number}",
                f"it has {len(row)} cells, the header has {len(header)}",
                "put text with commas in double quotes, and write numbers with a decimal point",
            )
    width = len(header)
    return pd.DataFrame(
        [(row + [""] * width)[:width] for _, row in rows[1:]],
        columns=header,
        index=[number - 2 for number, _ in rows[1:]],
        dtype=str,
    )


def _csv(path: Path) -> list[tuple[int, list[str]]]:
    text = table_text(path)
    reader = csv.reader(io.StringIO(text), strict=True, delimiter=separator(text))
    try:
        found = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise input_error(
            path, f"row {reader.line_num}", f"it cannot be read as a CSV table ({error})", AS_CSV
        ) from None
    return found


def _xlsx(path: Path) -> list[tuple[int, list[str]]]:
    import python_calamine

    if zipfile.is_zipfile(path):
        must_not_swell(path, "save the table as CSV")
    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        sheet = book.get_sheet_by_index(0).to_python(skip_empty_area=False)
    except (python_calamine.CalamineError, OSError, IndexError) as error:
        raise input_error(
            path, "", f"it cannot be read as a workbook ({error})", "save it as XLSX or as CSV"
        ) from None
    return [(number, [_text(cell) for cell in row]) for number, row in enumerate(sheet, 1)]


def _text(cell: object) -> str:
    """Write a cell as a person would: 20, not 20.0."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)
