"""What people wrote down: plants on hand, and what was counted in the nursery."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.sheet import read_sheet
from siteplanner.site.site_file import Site

STAGES = ("germinated", "pricked out", "plantable")

#: What a spreadsheet takes a cell for a formula by; some take the wide forms too.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@dataclass(frozen=True)
class Hand:
    """What was written down.

    ``stock``: plants on hand by botanical name. ``counts``: ``batch, species, place, stage,
    count, date``, one row a count, in the order of the file; species and place may be empty.
    """

    stock: dict[str, int] = field(default_factory=dict)
    counts: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            columns=["batch", "species", "place", "stage", "count", "date"]
        )
    )


def read_hand(site: Site, species: Collection[str]) -> Hand:
    """Read the files that ``[nursery]`` names as ``stock`` and ``counts``.

    Raises :class:`~siteplanner.InputError` with every error: a file or column that is
    missing, a species that the table does not list, a stage or number that is none.
    """
    errors = Errors()
    stock: dict[str, int] = {}
    counts = Hand().counts
    if site.nursery.stock:
        with errors.gather():
            stock = _stock(site.folder / site.nursery.stock, species)
    if site.nursery.counts:
        with errors.gather():
            counts = _counts(site.folder / site.nursery.counts)
    errors.raise_any()
    return Hand(stock, counts)


def read_cells(path: Path, columns: Collection[str]) -> pd.DataFrame:
    """Read a CSV or XLSX as trimmed text; it must have ``columns``. Empty rows are left out.

    Raises :class:`~siteplanner.InputError`.
    """
    frame = read_sheet(path, remarks=False)
    frame.columns = [str(name).strip().lower() for name in frame.columns]
    errors = Errors()
    for column in sorted({c for c in frame.columns if list(frame.columns).count(c) > 1}):
        errors.add(path, repr(column), "two columns are headed so", "keep one of them")
    for column in columns:
        if column not in frame:
            errors.add(path, column, "the column is missing", near(column, frame.columns))
    errors.raise_any()
    return frame


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


def known(text: str) -> str:
    """Take off the apostrophe that our own tables put before text like a formula."""
    return text[1:] if text[:1] == "'" and text[1:].startswith(FORMULA_STARTS) else text


def _stock(path: Path, species: Collection[str]) -> dict[str, int]:
    frame = read_cells(path, ["species", "plants"])
    errors = Errors()
    stock: dict[str, int] = {}
    for row, name, plants in zip(frame.index, frame["species"], frame["plants"], strict=True):
        number = whole(plants)
        if number is None:
            errors.add(
                path,
                f"row {row + 2}, plants",
                f"{plants!r} is no number of plants",
                "write a whole number",
            )
        if known(name) not in species:
            errors.add(
                path,
                f"row {row + 2}, species",
                f"{name!r} is not in the species table",
                near(name, species),
            )
        stock[known(name)] = stock.get(known(name), 0) + (number or 0)
    errors.raise_any()
    return stock


def _counts(path: Path) -> pd.DataFrame:
    frame = read_cells(path, ["batch", "stage", "count"])
    frame = frame[frame["count"] != ""]
    errors = Errors()
    found = []
    blank = pd.Series("", index=frame.index)
    for row, batch, species, place, stage, count, when in zip(
        frame.index,
        frame["batch"],
        frame.get("species", blank),
        frame.get("place", blank),
        frame["stage"].str.lower().str.replace("_", " ").str.replace("-", " "),
        frame["count"],
        frame.get("date", blank),
        strict=True,
    ):
        where = f"row {row + 2}"
        number, counted = whole(count), day(when)
        if number is None:
            errors.add(path, f"{where}, count", f"{count!r} is no count", "write a whole number")
        if stage not in STAGES:
            errors.add(path, f"{where}, stage", f"{stage!r} is no stage", near(stage, STAGES))
        if when and counted is None:
            errors.add(path, f"{where}, date", f"{when!r} is no date", "write it as year-month-day")
        found.append((batch, known(species), known(place), stage, number, counted))
    errors.raise_any()
    return pd.DataFrame(found, columns=Hand().counts.columns)
