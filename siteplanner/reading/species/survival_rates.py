"""Expected survival learnt from counts and saved in the site's folder, when asked."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import read_cells
from siteplanner.reading.species.table import SpeciesTable

SAVED_RATES = "expected_survival.csv"
RATE_COLUMNS = ("species", "expected_survival", "low", "high", "counted", "learnt_from")


def with_saved_rates(table: SpeciesTable, path: Path) -> tuple[SpeciesTable, str]:
    """Put saved expectations in place of the species table's; also says what was done.

    Raises :class:`~siteplanner.InputError`.
    """
    cells = read_cells(path, ["species", "expected_survival"])
    names = table.facts["botanical_name"]
    errors = Errors()
    saved: dict[str, float] = {}
    shares = pd.to_numeric(cells["expected_survival"], errors="coerce")
    for row, name, share in zip(cells.index, cells["species"], shares, strict=True):
        if name not in set(names):
            errors.add(
                path,
                f"row {row + 2}, species",
                f"{name!r} is not in the species table",
                near(name, names),
            )
        elif not 0 <= share <= 1:
            errors.add(
                path,
                f"{name}, expected_survival",
                f"{cells['expected_survival'][row]!r} is not valid",
                "write a share from 0 to 1",
            )
        if name in saved:
            errors.add(path, name, "it is listed twice", "keep one row of it")
        saved[name] = max(0.05, float(share))  # the table's own least: below, nobody plants
    errors.raise_any()
    facts = table.facts.assign(
        expected_survival=[
            saved.get(name, share)
            for name, share in zip(names, table.facts["expected_survival"], strict=True)
        ]
    )
    said = f"Expected survival of {len(saved)} species comes from counts ({path.name})."
    return dataclasses.replace(table, facts=facts), said
