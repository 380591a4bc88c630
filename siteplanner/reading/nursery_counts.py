"""What people wrote down: plants on hand, and what was counted in the nursery."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import day, read_cells, whole
from siteplanner.site.site_file import Site

#: Stages at which plants are counted, in the order in which they are reached.
STAGES = ("germinated", "pricked out", "plantable")


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
                f"{plants!r} is not a number of plants",
                "write a whole number",
            )
        if name not in species:
            errors.add(
                path,
                f"row {row + 2}, species",
                f"{name!r} is not in the species table",
                near(name, species),
            )
        stock[name] = stock.get(name, 0) + (number or 0)
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
            errors.add(path, f"{where}, count", f"{count!r} is not a count", "write a whole number")
        if stage not in STAGES:
            errors.add(path, f"{where}, stage", f"{stage!r} is not a stage", near(stage, STAGES))
        if when and counted is None:
            errors.add(
                path, f"{where}, date", f"{when!r} is not a date", "write it as year-month-day"
            )
        found.append((batch, species, place, stage, number, counted))
    errors.raise_any()
    return pd.DataFrame(found, columns=Hand().counts.columns)
