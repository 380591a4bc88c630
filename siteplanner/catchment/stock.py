"""Reads what the sites have in common: plants in tubes, and seed."""

from __future__ import annotations

from pathlib import Path

from siteplanner.base.errors import Errors
from siteplanner.reading.files.cells import read_cells, whole

#: Seed is shared out in whole milligrams, so that nothing is lost in rounding.
MG = 1000


def read_tubes(path: Path, notes: list[str] | None = None) -> dict[str, int]:
    """Read plants by botanical name (``species, plants``).

    Decimal commas are read as such and listed in ``notes``, here and in :func:`read_seed`. Raises
    :class:`~siteplanner.InputError` with every error.
    """
    remedy = "write a whole number"
    return _read(path, "plants", "is not a number of plants", remedy, 1, notes)


def read_seed(path: Path, notes: list[str] | None = None) -> dict[str, int]:
    """Read clean seed by botanical name (``species, grams``), in milligrams.

    Raises :class:`~siteplanner.InputError` with every error.
    """
    remedy = "write grams with at most three decimals, such as 12.5"
    return _read(path, "grams", "is not a weight of seed", remedy, MG, notes)


def _read(
    path: Path, column: str, what: str, remedy: str, parts: int, notes: list[str] | None
) -> dict[str, int]:
    frame = read_cells(path, ["species", column], (column,), notes)
    errors = Errors()
    stock: dict[str, int] = {}
    for row, name, text in zip(frame.index, frame["species"], frame[column], strict=True):
        where = f"row {row + 2}"
        number = _parts(text, parts)
        if number is None:
            errors.add(path, f"{where}, {column}", f"{text!r} {what}", remedy)
        if not name:
            errors.add(path, f"{where}, species", "it is empty", "write the botanical name")
        stock[name] = stock.get(name, 0) + (number or 0)
    errors.raise_any()
    return stock


def _parts(text: str, parts: int) -> int | None:
    """Read a number as so many whole parts of one, None when it is not a whole number of them."""
    if parts == 1:
        return whole(text)
    try:
        number = float(text) * parts
    except ValueError:
        return None
    # The nearest whole part, for what floating point makes of 0.3 x 1000.
    return round(number) if 0 <= number < 1e12 and abs(number - round(number)) < 1e-6 else None
