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

    ``stock``: plants on hand from elsewhere, by botanical name. ``of_batches``: plants on hand
    that were raised in a batch of this nursery, ``batch, species, plants``, one row a batch.
    ``counts``: ``batch, species, place, stage, count, date``, one row a count, in the order of
    the file; species and place may be empty.
    """

    stock: dict[str, int] = field(default_factory=dict)
    of_batches: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["batch", "species", "plants"])
    )
    counts: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            columns=["batch", "species", "place", "stage", "count", "date"]
        )
    )


def read_hand(site: Site, species: Collection[str], notes: list[str] | None = None) -> Hand:
    """Read the files that ``[nursery]`` names as ``stock`` and ``counts``.

    Decimal commas are read as such and listed in ``notes``. Raises :class:`~siteplanner.InputError`
    with every error: a file or column that is missing, a species that the table does not list, a
    stage or number that is none.
    """
    errors = Errors()
    held, counts = _NO_STOCK, Hand().counts
    if site.nursery.stock:
        with errors.gather():
            held = _stock(site.folder / site.nursery.stock, species, notes)
    if site.nursery.counts:
        with errors.gather():
            counts = _counts(site.folder / site.nursery.counts, notes)
    errors.raise_any()
    raised = held[held["batch"] != ""]
    of_batches = raised.groupby(["batch", "species"], sort=False)["plants"].sum().reset_index()
    return Hand(_by_species(held[held["batch"] == ""]), of_batches, counts)


def read_stock(
    path: Path, species: Collection[str], notes: list[str] | None = None
) -> dict[str, int]:
    """Read all plants on hand by botanical name, wherever they were raised.

    ``notes`` and what it raises are those of :func:`read_hand`.
    """
    return _by_species(_stock(path, species, notes))


_NO_STOCK = pd.DataFrame(columns=["species", "plants", "batch"])


def _by_species(held: pd.DataFrame) -> dict[str, int]:
    sums = held.groupby("species", sort=False)["plants"].sum()
    return {str(name): int(plants) for name, plants in sums.items()}


def _stock(path: Path, species: Collection[str], notes: list[str] | None) -> pd.DataFrame:
    """One row of ``species, plants, batch`` a row of the file; batch is empty where not given."""
    frame = read_cells(path, ["species", "plants"], ("plants",), notes)
    errors = Errors()
    found = []
    batches = frame.get("batch", pd.Series("", index=frame.index))
    for row, name, plants, batch in zip(
        frame.index, frame["species"], frame["plants"], batches, strict=True
    ):
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
        found.append((name, number or 0, batch))
    errors.raise_any()
    return pd.DataFrame(found, columns=_NO_STOCK.columns)


def _counts(path: Path, notes: list[str] | None) -> pd.DataFrame:
    frame = read_cells(path, ["batch", "stage", "count"], ("count",), notes)
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
