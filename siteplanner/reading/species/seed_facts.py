"""A species' nursery facts: columns of the species table, each of them optional.

**What is gathered.** ``fruit`` (its kind, such as ``woody capsule``), ``dioecious`` (seed only on
female plants), ``fruiting_months`` (when it is ripe, such as ``12-3`` or ``1-2; 9``),
``ripe_sign``, ``gather_unit`` (the unit that people gather, such as ``branchlet`` or ``handful of
pods``), ``viable_seeds_a_unit`` (seeds in it that would grow), ``units_a_plant`` (an ordinary
year's crop of one full-grown plant), ``extraction`` (how the seed comes out),
``have_seed`` (``yes`` where you have seed of it already).

**What is weighed and kept.** ``seed_weighed`` (what a gram is of, such as ``seed with chaff``),
``seeds_per_gram`` (of seed alone), ``purity`` (0-1, seed by weight in what is weighed),
``viable_seeds_per_gram`` (of what is weighed; goes before the three other figures), ``storage``
(one of ``CHOICES``), ``storage_years``.

**How it is sown.** ``pretreatment`` in words, with ``pretreatment_c`` (°C of its first step) and
``pretreatment_hours`` or, where it takes weeks before sowing, ``pretreatment_weeks``;
``sowing_depth_mm`` (0: on the surface), ``light`` (to germinate), ``germination_c`` (warmth of
the mix, °C), ``germination`` (0-1 of sound seed, treated so), ``weeks_to_germinate`` and
``weeks_to_prick_out`` (both from sowing; the latter empty where seed is sown straight into
tubes), ``months_to_plant_out`` (from sowing).

An empty cell is unknown.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from siteplanner.base.errors import Errors
from siteplanner.reading.species.cells import numbers_of, words_of

#: Numeric facts, each with the least and greatest value that can be.
NUMBERS = {
    "viable_seeds_a_unit": (0.01, 1_000_000.0),
    "units_a_plant": (0.1, 1_000_000.0),
    "seeds_per_gram": (0.01, 200_000.0),
    "purity": (0.001, 1.0),
    "viable_seeds_per_gram": (0.001, 200_000.0),
    "storage_years": (0.01, 100.0),
    "pretreatment_c": (-30.0, 150.0),
    "pretreatment_hours": (0.01, 400.0),
    "pretreatment_weeks": (0.1, 104.0),
    "sowing_depth_mm": (0.0, 200.0),
    "germination_c": (0.0, 45.0),
    "germination": (0.001, 1.0),
    "weeks_to_germinate": (0.1, 104.0),
    "weeks_to_prick_out": (0.1, 104.0),
    "months_to_plant_out": (0.5, 60.0),
}
SOW_FRESH = "sow fresh"
HAVE_SEED = "have_seed"
CHOICES = {
    HAVE_SEED: ("yes", "no"),
    "dioecious": ("yes", "no", "partly"),
    "storage": (SOW_FRESH, "moist and cool", "dry and cool", "dry and airtight", "dry and frozen"),
    "light": ("light", "dark", "either"),
}
TEXTS = ("fruit", "ripe_sign", "gather_unit", "extraction", "seed_weighed", "pretreatment")
COLUMNS = (*NUMBERS, "fruiting_months", *CHOICES, *TEXTS)

#: Facts whose source one column may give together, such as ``gathering source``.
SOURCE_GROUPS = {
    "gathering": (
        "fruit",
        "dioecious",
        "fruiting_months",
        "ripe_sign",
        "gather_unit",
        "viable_seeds_a_unit",
        "units_a_plant",
        "extraction",
    ),
    "keeping": ("seed_weighed", "purity", "storage", "storage_years"),
    "sowing": (
        "pretreatment",
        "pretreatment_c",
        "pretreatment_hours",
        "pretreatment_weeks",
        "sowing_depth_mm",
        "light",
        "germination_c",
        "germination",
        "weeks_to_germinate",
        "weeks_to_prick_out",
        "months_to_plant_out",
    ),
}


def nursery_facts(path: Path, raw: pd.DataFrame, errors: Errors) -> pd.DataFrame:
    """Read the nursery facts of a species table; ``raw`` holds its cells as text.

    Returns ``COLUMNS``: numbers (NaN when unknown), ``fruiting_months`` as tuples of month
    numbers (empty when unknown), texts. Errors are added to ``errors``.
    """
    blank = pd.Series("", index=raw.index)
    months = []
    for row, cell in raw.get("fruiting_months", blank).items():
        try:
            months.append(months_of(cell))
        except ValueError:
            months.append(())
            errors.add(
                path,
                f"{raw['botanical_name'][row]}, fruiting_months",
                f"{cell!r} is not a list of months",
                "write months as numbers, such as 12-3 or 1-2; 9",
            )
    return pd.DataFrame(
        {
            **numbers_of(path, raw, NUMBERS, errors),
            "fruiting_months": pd.Series(months, index=raw.index, dtype=object),
            **words_of(path, raw, CHOICES, errors),
            **{column: raw.get(column, blank) for column in TEXTS},
        }
    )


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
