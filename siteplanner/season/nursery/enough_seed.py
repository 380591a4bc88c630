"""Whether the seed that the batches ask for is there: nobody known, too much asked, too old."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from siteplanner.base.text import count
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.handling import gathered
from siteplanner.site.nursery import Nursery


def said_of_seed(batches: Sequence[Batch], rules: Nursery) -> list[str]:
    """Warnings on the seed of all batches; what is not known is no ground for one."""
    said = []
    nobody = sorted({b.species for b in batches if not (b.lot.place or b.handling.have_seed)})
    if nobody:
        said.append(
            f"No seed source is known of {', '.join(nobody)}: find mother trees "
            f"({rules.parents} of each where you can), their owners and the permits, or order "
            "seed or plants."
        )
    said += _too_much(batches, rules)
    stale = [b.batch for b in batches if b.seed_stored_too_long]
    if stale:
        said.append(
            f"Batches {', '.join(stale)}: the seed does not keep from collecting until sowing. "
            "Collect later, sow earlier, or buy fresh seed."
        )
    return said


def _too_much(batches: Sequence[Batch], rules: Nursery) -> list[str]:
    """Name each source of which more is asked, in one year, than its mother trees can give."""
    asked: dict[tuple[str, str, int | None], list[Batch]] = defaultdict(list)
    for batch in batches:
        if batch.lot.place:
            until = batch.dates.collect_to if batch.dates else None
            year = until.year if until else None
            asked[batch.species, batch.lot.place, year].append(batch)
    said = []
    for (species, place, year), mine in asked.items():
        seed, parents = mine[0].handling, mine[0].lot.parents
        units = math.fsum(batch.handling.units for batch in mine)
        can = seed.can_give(parents, rules.crop_share)
        if units > can:
            crop = f", crop of {year}" if year else ""
            more = math.ceil(units / (seed.units_a_plant * rules.crop_share)) - parents
            said.append(
                f"{species}, {place}{crop}: {gathered(units, seed.gather_unit)} are asked for, "
                f"but {count(parents, 'mother tree')} can give about {can:,.0f} "
                f"({rules.crop_share:.0%} of an ordinary crop). Find {count(more, 'more tree')}, "
                "gather in other years too, or order plants."
            )
    return said
