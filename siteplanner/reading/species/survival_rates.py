"""Expected survival learnt from counts and saved in the site's folder, when asked."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import read_cells
from siteplanner.reading.species.nature import GROUND_MARKS, SURVIVAL_ON
from siteplanner.reading.species.table import SpeciesTable

SAVED_RATES = "expected_survival.csv"
RATE_COLUMNS = (
    "species", "ground", "expected_survival", "low", "high", "counted", "alive", "causes",
    "learnt_from",
)  # fmt: skip
ORDINARY = "ordinary"


def kind_of_ground(marks: Collection[str]) -> str:
    """Name the kind of ground by the marks of a zone, always in the same order.

    Ground is frosty or dry, not both, as in a zone's title.

    >>> kind_of_ground({"wet", "any", "frosty"}), kind_of_ground({"any"})
    ('frosty wet', 'ordinary')
    """
    found = [m for m in GROUND_MARKS if m in marks and not (m == "dry" and "frosty" in marks)]
    return " ".join(found) or ORDINARY


def with_saved_rates(
    table: SpeciesTable, path: Path, notes: list[str] | None = None
) -> tuple[SpeciesTable, str]:
    """Put saved expectations in place of the species table's; also says what was done.

    A row with a ``ground`` counts on that kind of ground alone; one without (or a file without
    the column) counts on all ground that has no row of its own. Decimal commas are listed in
    ``notes``. Raises :class:`~siteplanner.InputError`.
    """
    saved = read_rates(path, table.facts["botanical_name"], notes)
    # The table's own least: below it nobody plants.
    shares = {key: max(0.05, share) for key, share in saved.items()}
    names = table.facts["botanical_name"]
    everywhere = names.map({name: share for (name, ground), share in shares.items() if not ground})
    facts = table.facts.assign(
        expected_survival=everywhere.fillna(table.facts["expected_survival"]).astype(float)
    )
    # What was counted on all ground goes before what the table expects of one kind.
    facts.loc[everywhere.notna(), [c for c in SURVIVAL_ON if c in facts]] = np.nan
    on_ground = {key: share for key, share in shares.items() if key[1]}
    many = len({name for name, _ in shares})
    said = f"Expected survival of {many} species comes from counts ({path.name})"
    said += ", by kind of ground." if on_ground else "."
    return dataclasses.replace(table, facts=facts, survival_on_ground=on_ground), said


def read_rates(
    path: Path, names: Collection[str], notes: list[str] | None = None
) -> dict[tuple[str, str], float]:
    """Read saved expectations by species and kind of ground ("" for any).

    Decimal commas are read as such and listed in ``notes``. Raises
    :class:`~siteplanner.InputError`.
    """
    cells = read_cells(path, ["species", "expected_survival"], ("expected_survival",), notes)
    known = set(names)
    errors = Errors()
    saved: dict[tuple[str, str], float] = {}
    grounds = cells["ground"] if "ground" in cells else pd.Series("", cells.index)
    shares = pd.to_numeric(cells["expected_survival"], errors="coerce")
    for row, name, ground, share in zip(
        cells.index, cells["species"], grounds, shares, strict=True
    ):
        kind = kind_of_ground(ground.split()) if ground else ""
        if name not in known:
            what = f"{name!r} is not in the species table"
            errors.add(path, f"row {row + 2}, species", what, near(name, known))
        elif not 0 <= share <= 1:
            what = f"{cells['expected_survival'][row]!r} is not valid"
            errors.add(path, f"{name}, expected_survival", what, "write a share from 0 to 1")
        if kind != ground:
            what = f"{ground!r} is no kind of ground"
            remedy = f"write {ORDINARY}, or some of {', '.join(GROUND_MARKS)} in this order"
            errors.add(path, f"row {row + 2}, ground", what, remedy)
        if (name, ground) in saved:
            where = f"{name}, {ground}" if ground else name
            errors.add(path, where, "it is listed twice", "keep one row of it")
        saved[name, ground] = float(share)
    errors.raise_any()
    return saved
