"""How people handle seed: what they gather, how much of it, and how it is kept and sown."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from siteplanner.reading.species.seed_facts import HAVE_SEED
from siteplanner.season.nursery.lots import Lot
from siteplanner.season.nursery.orders import ceil

WOODY_CAPSULE = "woody capsule"
#: So many heaped handfuls fill a bag or bucket of ten litres (from memory).
HANDFULS_A_BAG = 100
#: Words for something hot enough to start a fire.
_HOT = ("oven", "kiln")
HOT_CAUTION = (
    "an oven or kiln is for getting seed out only: never heat loose seed, never leave it alone, "
    "and keep paper and cloth away from it (fire)"
)


@dataclass(frozen=True)
class Handling:
    """How a batch's seed is handled; "" and NaN where the species table does not say.

    ``units`` is how many of ``gather_unit`` the batch needs, ``units_a_plant`` an ordinary year's
    crop of one full-grown plant; the rest is as in ``reading.species.seed_facts``.
    """

    fruit: str
    dioecious: str
    ripe_sign: str
    gather_unit: str
    units: float
    units_a_plant: float
    extraction: str
    seed_weighed: str
    storage: str
    storage_years: float
    pretreatment: str
    sowing_depth_mm: float
    light: str
    germination_c: float
    note: str
    have_seed: bool

    def can_give(self, parents: int, crop_share: float) -> float:
        """Units that so many mother trees can give, when ``crop_share`` of the crop is taken."""
        return parents * self.units_a_plant * crop_share


def handling_of(facts: Mapping[str, Any], growing: float) -> Handling:
    """Handling of a batch of which ``growing`` seeds are to come up.

    ``facts`` is a row of the species table.
    """

    def number(name: str) -> float:
        return float(facts.get(name, math.nan))

    def text(name: str) -> str:
        return str(facts.get(name, ""))

    return Handling(
        fruit=text("fruit"),
        dioecious=text("dioecious"),
        ripe_sign=text("ripe_sign"),
        gather_unit=text("gather_unit"),
        units=growing / number("viable_seeds_a_unit"),
        units_a_plant=number("units_a_plant"),
        extraction=text("extraction"),
        seed_weighed=text("seed_weighed"),
        storage=text("storage"),
        storage_years=number("storage_years"),
        pretreatment=text("pretreatment"),
        sowing_depth_mm=number("sowing_depth_mm"),
        light=text("light"),
        germination_c=number("germination_c"),
        note=text("nursery_note"),
        have_seed=text(HAVE_SEED) == "yes",
    )


def not_known(handling: Handling, lot: Lot) -> tuple[str, ...]:
    """Name what a keeper has to ask about before gathering and sowing."""
    missing = {
        "seed source": not lot.place,
        "permit": bool(lot.place) and not lot.permit,
        "fruiting months": not lot.months,
        "how much to gather": math.isnan(handling.units) or not handling.gather_unit,
        "storage": not handling.storage,
        "years it keeps": math.isnan(handling.storage_years),
        "pre-treatment": not handling.pretreatment,
        "sowing depth": math.isnan(handling.sowing_depth_mm),
    }
    return tuple(f"{name} not known: ask" for name, unknown in missing.items() if unknown)


def gathered(units: float, unit: str) -> str:
    """Say how many units to gather, to two figures: ``30 branchlets of capsules``.

    Many handfuls are given in bags too.

    >>> gathered(27.3, "branchlet of capsules"), gathered(0.2, "cone")
    ('28 branchlets of capsules', '1 cone')
    >>> gathered(431.0, "handful of pods")
    '440 handfuls of pods (5 bags of 10 l)'
    """
    head, _, rest = unit.partition(" ")
    step = 10 ** max(0, math.floor(math.log10(max(units, 1))) - 1)
    number = max(1, math.ceil(units / step) * step)
    words = f"{number:,} {head}{'s' * (number > 1)} {rest}".rstrip()
    if head == "handful" and number >= HANDFULS_A_BAG:
        bags = ceil(number / HANDFULS_A_BAG)
        words += f" ({bags} bag{'s' * (bags > 1)} of 10 l)"
    return words


def with_caution(words: str) -> str:
    """Add to words on an oven or kiln the caution, and ask for what they leave out.

    >>> with_caution("shake in a bag")
    'shake in a bag'
    """
    if not any(word in words.lower() for word in _HOT):
        return words
    asked = [] if "°" in words else ["temperature"]
    asked += [] if any(word in words for word in ("minute", "hour")) else ["time"]
    said = [words, *(f"{name} not known: ask" for name in asked), HOT_CAUTION]
    return "; ".join(said)
