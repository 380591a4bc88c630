"""A species' nursery facts: columns of the species table, each of them optional.

``seeds_per_gram`` (clean seed), ``purity`` (0-1, seed by weight in seed as it is weighed),
``germination`` (0-1), ``weeks_to_germinate`` and ``weeks_to_prick_out`` (both from sowing; the
latter empty where seed is sown straight into tubes), ``months_to_plant_out`` (from sowing),
``fruiting_months`` (such as ``12-3`` or ``1-2; 9``), ``fruit`` (such as ``woody capsule``),
``pretreatment`` and ``pretreatment_weeks`` (before sowing), ``storage_years``. An empty cell is
unknown.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from siteplanner.base.errors import Errors

#: Numeric facts, each with the least and greatest value that can be.
NUMBERS = {
    "seeds_per_gram": (0.01, 200_000.0),
    "purity": (0.001, 1.0),
    "germination": (0.001, 1.0),
    "weeks_to_germinate": (0.1, 104.0),
    "weeks_to_prick_out": (0.1, 104.0),
    "months_to_plant_out": (0.5, 60.0),
    "pretreatment_weeks": (0.1, 104.0),
    "storage_years": (0.01, 100.0),
}
TEXTS = ("fruit", "pretreatment")
COLUMNS = (*NUMBERS, "fruiting_months", *TEXTS)


def nursery_facts(path: Path, raw: pd.DataFrame, errors: Errors) -> pd.DataFrame:
    """Read the nursery facts of a species table; ``raw`` holds its cells as text.

    Returns ``COLUMNS``: numbers (NaN when unknown), ``fruiting_months`` as tuples of month
    numbers (empty when unknown), texts. Errors are added to ``errors``.
    """
    blank = pd.Series("", index=raw.index)
    names = raw["botanical_name"]
    found: dict[str, object] = {}
    for column, (low, high) in NUMBERS.items():
        cells = raw.get(column, blank)
        numbers = pd.to_numeric(cells, errors="coerce")
        for row in raw.index[(cells != "") & ~numbers.between(low, high)]:
            errors.add(
                path,
                f"{names[row]}, {column}",
                f"{cells[row]!r} is not valid",
                f"write a number from {low:g} to {high:g}, or leave it empty when unknown",
            )
        found[column] = numbers.astype(np.float64)
    months = []
    for row, cell in raw.get("fruiting_months", blank).items():
        try:
            months.append(months_of(cell))
        except ValueError:
            months.append(())
            errors.add(
                path,
                f"{names[row]}, fruiting_months",
                f"{cell!r} is not a list of months",
                "write months as numbers, such as 12-3 or 1-2; 9",
            )
    found["fruiting_months"] = pd.Series(months, index=raw.index, dtype=object)
    return pd.DataFrame({**found, **{column: raw.get(column, blank) for column in TEXTS}})


def months_of(text: object) -> tuple[int, ...]:
    """Turn ``12-3`` or ``1-2; 9`` into month numbers, in the order they follow each other.

    An empty text gives no months. Raises ValueError for anything that names no months.

    >>> months_of("11-2; 9")
    (11, 12, 1, 2, 9)
    """
    months: list[int] = []
    words = "" if text is None or text != text else str(text)
    for part in words.replace(",", ";").split(";"):
        if not part.strip():
            continue
        ends = [int(end) for end in part.replace("–", "-").split("-")]
        if len(ends) > 2 or not all(1 <= end <= 12 for end in ends):
            raise ValueError(f"{part!r} is not a list of months")
        months += [(ends[0] - 1 + n) % 12 + 1 for n in range((ends[-1] - ends[0]) % 12 + 1)]
    return tuple(dict.fromkeys(months))
