"""Reads numbers as people write them: with a decimal comma, or a lone dash for none."""

from __future__ import annotations

import re
from collections.abc import Iterable

import pandas as pd

_COMMA = re.compile(r"([+-]?\d+),(\d+)")
#: 1,250 is a thousand and a quarter to some and one and a quarter to others.
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
DASHES = ("-", "–", "—")
#: More cells than these are left out of a note.
_NAMED = 5


def plain_number(cell: object) -> object:
    """Write a number with a decimal comma with a point, and a lone dash as ""; else as it is.

    A comma that may also divide thousands is left, to be refused.

    >>> plain_number("0,6"), plain_number("-"), plain_number("1,250"), plain_number("wet, cold")
    ('0.6', '', '1,250', 'wet, cold')
    """
    if not isinstance(cell, str):
        return cell
    text = cell.strip()
    if text in DASHES:
        return ""
    match = _COMMA.fullmatch(text)
    return f"{match[1]}.{match[2]}" if match and not _EITHER.fullmatch(text) else cell


def with_plain_numbers(
    file: str, frame: pd.DataFrame, columns: Iterable[str], labels: Iterable[str], notes: list[str]
) -> pd.DataFrame:
    """Bring numbers in ``columns`` to a decimal point, and a lone dash to an empty cell.

    ``labels`` name the rows; what was read otherwise than it is written is listed in ``notes``.
    """
    labels = list(labels)
    commas, dashes = [], []
    frame = frame.copy()
    for column in columns:
        if frame[column].dtype.kind in "biuf":
            continue
        given = frame[column].tolist()
        read = [plain_number(cell) for cell in given]
        for place, (cell, number) in enumerate(zip(given, read, strict=True)):
            if number is cell:
                continue
            if number == "":
                dashes.append(f"{labels[place]}, {column}")
                read[place] = None
            else:
                commas.append(f"{labels[place]}, {column}: {str(cell).strip()}")
        if frame[column].dtype != object or read != given:
            frame[column] = pd.Series(read, frame.index, dtype=object)
    for found, words in (
        (commas, "the comma is read as the decimal point"),
        (dashes, "a lone dash is read as not known"),
    ):
        if found:
            more = f" and {len(found) - _NAMED} more" if len(found) > _NAMED else ""
            notes.append(f"{file}: {words} in {'; '.join(found[:_NAMED])}{more}.")
    return frame
