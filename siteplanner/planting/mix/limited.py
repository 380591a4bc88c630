"""What a mix may use of each species, where the site file limits it to what there is."""

from __future__ import annotations

import pandas as pd

from siteplanner.reading.nursery_counts import Hand
from siteplanner.reading.on_hand import plants_there
from siteplanner.site.site_file import Site


def stock_of_mix(
    hand: Hand, facts: pd.DataFrame, site: Site
) -> tuple[dict[str, int] | None, list[str]]:
    """Give the most that there is of each species, None for no limit; and say what follows.

    ``facts`` is as in :func:`~siteplanner.reading.on_hand.plants_there`.
    """
    if site.mix.from_counts:
        if not hand.stock and hand.counts.empty and hand.of_batches.empty:
            return None, ["Nothing is counted or on hand yet, so from_counts changes nothing."]
        there = plants_there(hand, facts, site.nursery)
        none = [n for n in facts["botanical_name"] if not there.get(n) and n not in site.mix.never]
        said = [
            f"The mix is made for the {sum(there.values()):,} plants that are on hand or "
            "expected of what was counted (from_counts)."
        ]
        if none:
            said.append(f"Not counted and not on hand, so not planted: {', '.join(none)}.")
        return there, said
    if site.mix.stock_only:
        of_batches = hand.of_batches.groupby("species")["plants"].sum()
        names = {*hand.stock, *of_batches.index}
        return {n: hand.stock.get(n, 0) + int(of_batches.get(n, 0)) for n in names}, []
    return None, []
