"""What a species does on the ground: columns of the species table, each of them optional.

``survival_on_frosty`` (``dry, wet, steep, rocky``): share expected to live on that kind of ground,
0.05-1, where it is not ``expected_survival``. ``goes_in_year``: 1 when it can be planted in the
open from the start, otherwise the year by which nurse plants shelter it. ``shade``: the light it
grows in (``sun``, ``sun or part shade`` …). ``nitrogen_fixing`` and ``coppices``: yes or no.
``fire_response``: what a fire leaves. ``browse_liked``: how often stock and wild animals eat it.
In words: ``timber``, ``food_part`` and ``food_risk``, ``habitat_value``, ``stock_poison``,
``disease``, ``native_region`` and ``weed_regions``.

``disease`` that begins with ``rules out`` bars a species (see ``[decisions] bar_diseased``).
An empty cell is unknown.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.errors import Errors
from siteplanner.reading.species.cells import numbers_of, words_of

#: Marks of a zone that make its kind of ground; a zone without any is ordinary ground.
GROUND_MARKS = ("frosty", "dry", "wet", "steep", "rocky")
SURVIVAL_ON = {f"survival_on_{mark}": (0.05, 1.0) for mark in GROUND_MARKS}
NUMBERS = {**SURVIVAL_ON, "goes_in_year": (1.0, 15.0)}
CHOICES = {
    "nitrogen_fixing": ("yes", "no"),
    "coppices": ("yes", "no"),
    "fire_response": ("resprouts", "from seed", "resprouts and from seed", "killed"),
    "browse_liked": ("rarely", "sometimes", "often"),
}
TEXTS = (
    "timber",
    "food_part",
    "food_risk",
    "habitat_value",
    "stock_poison",
    "disease",
    "native_region",
    "weed_regions",
)
COLUMNS = (*NUMBERS, *CHOICES, *TEXTS)
#: Begins the disease of a species that is not to be planted because of it.
RULES_OUT = "rules out"

#: Facts whose source one column may give together, such as ``nature source``.
SOURCE_GROUPS = {
    "survival": ("expected_survival", *SURVIVAL_ON),
    "nature": ("goes_in_year", *CHOICES, "timber", "food_part", "food_risk", "habitat_value"),
    "harm": ("stock_poison", "disease", "native_region", "weed_regions"),
}


def nature_facts(path: Path, raw: pd.DataFrame, errors: Errors) -> pd.DataFrame:
    """Read these facts of a species table; ``raw`` holds its cells as text.

    Returns ``COLUMNS``: numbers (NaN when unknown) and texts ("" when unknown). Errors are
    added to ``errors``.
    """
    blank = pd.Series("", index=raw.index)
    return pd.DataFrame(
        {
            **numbers_of(path, raw, NUMBERS, errors),
            **words_of(path, raw, CHOICES, errors),
            **{column: raw.get(column, blank) for column in TEXTS},
        }
    )


def with_harm(cautions: pd.Series[str], known: pd.DataFrame) -> pd.Series[str]:
    """Cautions with the stock poison and disease of ``known`` (see :func:`nature_facts`) added.

    So they are on every sheet that has the cautions. Poison is not added where the cautions
    speak of it already, nor a disease where they do. What begins with ``none known`` and "" add
    nothing; what is not known is asked for.
    """
    poison = known["stock_poison"]
    safe = (poison == "") | poison.str.startswith("none known")
    unknown = poison.str.startswith("not known")
    said = ("poison for stock: " + poison).where(~unknown, "safe for stock or not: ask")
    spoken = cautions.str.lower()
    more = said.where(~safe & ~spoken.str.contains("poison"), "")
    disease = known["disease"]
    ill = ("disease: " + disease).where((disease != "") & ~spoken.str.contains("disease"), "")
    parts = pd.concat([cautions, more, ill], axis=1)
    return parts.apply(lambda row: "; ".join(text for text in row if text), axis=1)


def waits_for_shelter(facts: pd.DataFrame, named: Collection[str] = ()) -> NDArray[np.bool_]:
    """Which species of a table go in only when nurse plants shelter them, shape (species,).

    Those with a ``goes_in_year`` after the first, and those that are ``named``.
    """
    late = facts["goes_in_year"] > 1 if "goes_in_year" in facts else False
    return np.asarray(facts["botanical_name"].isin(list(named)) | late)
