"""Upkeep: what is done again and again after planting, until trees need it no more.

A tree grows by its species' rate from its height at planting (``[upkeep]``; a rough guess, from
memory). Weeding ends when trees stand over the weeds, guards come off when trees have outgrown
what browses them. Rules are common practice, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.site.upkeep import Upkeep

#: Height of a tree that each animal no longer browses, m (from memory); and of one that nobody
#: has said anything of.
BROWSES_TO_M = {
    "rabbits": 0.6, "hares": 0.75, "small deer": 1.2, "large deer": 1.8, "sheep": 1.5,
    "goats": 1.8, "cattle": 2.0, "horses": 2.5, "wallabies": 1.2, "kangaroos": 1.8,
    "possums": 1.2,
}  # fmt: skip
_UNKNOWN_M = 1.2
#: Height of a fence that keeps each out, m: that for rabbits of 31 mm mesh (Forestry Commission
#: Practice Note 2), the others from memory. What climbs or flies over is not kept out.
FENCE_M = {
    "rabbits": 0.9, "hares": 1.0, "small deer": 1.5, "large deer": 1.8, "sheep": 1.0,
    "goats": 1.2, "cattle": 1.1, "horses": 1.2, "wallabies": 1.2, "kangaroos": 1.8,
}  # fmt: skip
#: What still has to be done for fewer trees than this share is done for none.
_FEW = 0.05
#: No job is dated further than so many years after planting.
_LAST = 15
#: Growth that begins within so many months after planting brings the first weeds.
_SOON = 6
_SPRAY = (
    "spot spray by a trained person, by the label and with the permit it takes: in still air, not "
    "near water; local law decides"
)
#: How spots are cleared before planting, and kept clear after it, by ``[upkeep] weeds``.
CLEARING = {
    "by hand": "spots: by hand, roots and all",
    "mulch": "spots: by hand; the mulch goes on at planting",
    "mat": "spots: by hand; the mat is pegged down at planting",
    "spray": f"spots: {_SPRAY}",
}
WEEDING = {
    "by hand": "spots: by hand, before the weeds seed",
    "mulch": "spots: pull what comes through and top up the mulch, off the stem",
    "mat": "spots: look under the mats, pull what comes through, peg them again",
    "spray": f"spots: {_SPRAY}; cover the tree",
}


@dataclass(frozen=True)
class Planted:
    """Trees of one block planted in one year.

    ``month0`` counts the months of all years to the opening of its window; ``growth_m`` (trees,)
    is what each grows in a year, NaN where its species does not say. ``growth_month`` (1-12) is
    that in which growth, and with it the weeds, begins.
    """

    block: str
    month0: int
    growth_m: NDArray[np.float64]
    weed_m2: float
    guards: float
    stakes: float
    growth_month: int


#: A job: months of all years, place, job, quantity, unit, note.
Job = tuple[int, str, str, float, str, str]


def fence_words(rules: Upkeep) -> str:
    """Say how high a fence must be for those who browse, and whom no fence keeps out.

    >>> fence_words(Upkeep(browsed_by=("rabbits", "small deer")))
    'for rabbits and small deer at least 1.5 m high, with 31 mm netting to 0.9 m'
    """
    if not rules.browsed_by:
        return "which animals it must keep out is not known: ask"
    kept = [animal for animal in rules.browsed_by if animal in FENCE_M]
    words = []
    if kept:
        high = max(FENCE_M[animal] for animal in kept)
        netting = ", with 31 mm netting to 0.9 m" if "rabbits" in kept else ""
        words.append(f"for {' and '.join(kept)} at least {high:g} m high{netting}")
    over = [animal for animal in rules.browsed_by if animal not in FENCE_M]
    if over:
        words.append(f"{' and '.join(over)} climb over it: guard the trees")
    return "; ".join(words)


def growth_of(facts: pd.DataFrame, rules: Upkeep) -> NDArray[np.float64]:
    """Metres that each species grows in a year (species,), NaN where the table does not say."""
    if "growth_rate" not in facts:
        return np.full(len(facts), np.nan)
    return facts["growth_rate"].map(rules.growth_m.model_dump()).to_numpy(dtype=np.float64)


def upkeep_of(planted: Planted, rules: Upkeep) -> Iterator[Job]:
    """Give the jobs that repeat on what was planted, each year for the trees that still need it.

    Trees whose growth is not known are taken to grow as medium ones, and the note says so.
    """
    unknown = float(np.isnan(planted.growth_m).mean()) if len(planted.growth_m) else 0.0
    growth = np.where(np.isnan(planted.growth_m), rules.growth_m.medium, planted.growth_m)
    guess = ""
    if unknown > 0:
        guess = f"; growth of {unknown:.0%} of the trees is not known: ask, taken as medium"
    yield from _weeding(planted, growth, rules, guess)
    yield from _guards(planted, growth, rules, guess)


def _share_below(growth: NDArray[np.float64], years: int, to_m: float, rules: Upkeep) -> float:
    """Share of the trees that are not ``to_m`` tall so many years after planting."""
    if not len(growth):
        return 0.0
    return float((rules.planted_m + growth * years < to_m - 1e-9).mean())


def _weeding(
    planted: Planted, growth: NDArray[np.float64], rules: Upkeep, guess: str
) -> Iterator[Job]:
    """Weed in each growing season until trees are clear of the weeds."""
    if not rules.weedings_a_year:
        return
    first = (planted.growth_month - 1 - planted.month0) % 12 or 12
    apart = max(6 // rules.weedings_a_year, 1)
    for year in range(_LAST):
        small = _share_below(growth, year, rules.clear_of_weeds_m, rules)
        if small < _FEW:
            return
        # What is planted in the midst of a season meets its weeds within weeks.
        begins = 1 if year == 0 and first > _SOON else first + 12 * year
        if first > _SOON and year > 0:
            begins -= 12
        for time in range(rules.weedings_a_year):
            note = f"{WEEDING[rules.weeds]}; until trees are {rules.clear_of_weeds_m:g} m{guess}"
            yield (
                planted.month0 + begins + apart * time, planted.block, "weed control again",
                planted.weed_m2 * small, "m²", note,
            )  # fmt: skip


def _guards(
    planted: Planted, growth: NDArray[np.float64], rules: Upkeep, guess: str
) -> Iterator[Job]:
    """Look at guards, or at bare trees, until these have outgrown what browses them."""
    who = " and ".join(rules.browsed_by) or "animals (which ones is not known: ask)"
    to_m = max((BROWSES_TO_M[animal] for animal in rules.browsed_by), default=_UNKNOWN_M)
    guarded = planted.guards > 0
    number = planted.guards if guarded else float(len(growth))
    unit = "guards" if guarded else "trees"
    years = next((y for y in range(1, _LAST) if _share_below(growth, y, to_m, rules) < _FEW), _LAST)
    off = min(years, rules.guard_years) if guarded else years
    for year in range(off):
        for time in range(rules.guard_checks_a_year):
            month = planted.month0 + 12 * year + (12 * (time + 1)) // rules.guard_checks_a_year
            note = f"look for browsing by {who}, up to {to_m:g} m"
            if guarded:
                note = f"straighten, press in, weed inside; {note}"
            yield month, planted.block, f"check {unit}", number, unit, note
        lost = planted.stakes * rules.stakes_lost
        if guarded and year and lost >= 0.5:
            yield (
                planted.month0 + 12 * year, planted.block, "replace stakes", float(round(lost)),
                "stakes", "those that are rotten or broken; what was expected, count them",
            )  # fmt: skip
    if guarded:
        note = f"trees have outgrown {who}{guess}; take all of it off the site"
        if off < years:
            small = _share_below(growth, off, to_m, rules)
            note = (
                f"a guard left on longer strangles; {small:.0%} of the trees may still be browsed "
                f"by {who}: give these a wider one{guess}; take all of it off the site"
            )
        yield planted.month0 + 12 * off, planted.block, "remove guards", number, "guards", note
