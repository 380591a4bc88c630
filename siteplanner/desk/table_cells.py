"""Changes cells of a CSV table; remarks, rows and cells that are not named stay as they are."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass

from siteplanner.reading.files.text import separator

#: What marks the text of a program that wants it (Excel's), and is kept.
_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class _Record:
    """One row of a table: its text as it is, its line end, and its cells (none for a remark)."""

    text: str
    end: str
    cells: list[str]


def with_cells(data: bytes, key: str, changes: Mapping[tuple[str, str], str]) -> bytes:
    r"""Give a table (UTF-8) with some cells changed.

    ``changes`` has the new text by the row's ``key`` (what its column of that name holds) and the
    column; a column that is not there is added at the end. A row that there is not is left out.

    >>> with_cells(b"# Mine\nname;n\na; 1\nb;2\n", "name", {("a", "seed"): "yes"}).decode()
    '# Mine\nname;n;seed\na; 1;yes\nb;2;\n'
    """
    mark = _MARK if data.startswith(_MARK) else b""
    text = data.removeprefix(mark).decode("utf-8")
    mark_between = separator(text)
    records = _records(text, mark_between)
    head = next(record for record in records if record.cells)
    header = [cell.strip() for cell in head.cells]
    while header and not header[-1]:
        header.pop()
    wide = header + [c for c in dict.fromkeys(c for _, c in changes) if c not in header]
    out = []
    for record in records:
        if record is head:
            new = head.cells[: len(header)] + wide[len(header) :]
        elif record.cells:
            new = record.cells + [""] * (len(wide) - len(record.cells))
            name = new[header.index(key)].strip()
            for at, column in enumerate(wide):
                new[at] = changes.get((name, column), new[at])
        else:
            new = record.cells
        out.append(record.text if new == record.cells else _written(new, mark_between, record.end))
    return mark + "".join(out).encode("utf-8")


def _records(text: str, mark_between: str) -> list[_Record]:
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(lines, strict=True, delimiter=mark_between)
    found, last = [], 0
    for row in reader:
        whole = "".join(lines[last : reader.line_num])
        last = reader.line_num
        end = whole[len(whole.rstrip("\r\n")) :]
        given = any(cell.strip() for cell in row) and not row[0].strip().startswith("#")
        found.append(_Record(whole, end, row if given else []))
    return found


def _written(cells: list[str], mark_between: str, end: str) -> str:
    out = io.StringIO(newline="")
    # Python's own rule for quotes knows only the line end that it writes.
    broken = any(mark in cell for cell in cells for mark in "\r\n")
    style = "unix" if broken else "excel"  # all in quotes, or as few as can be
    csv.writer(out, style, delimiter=mark_between, lineterminator=end).writerow(cells)
    return out.getvalue()
