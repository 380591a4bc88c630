"""What a mix may use of each species and spend, where the site file limits it to what there is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.text import count
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


def left_for_mix(
    stock: dict[str, int] | None,
    budget: float | None,
    waiting: NDArray[np.int64],
    names: Sequence[str],
    cost: NDArray[np.float64],
) -> tuple[dict[str, int] | None, float | None, list[str]]:
    """Stock and budget that blocks which stay leave for new places; and say what they take.

    ``waiting`` (species,) are the trees of these blocks that are still to be planted, ``cost``
    (species,) is that of one in the ground. They come first: what they take is promised.
    """
    if not waiting.any() or (stock is None and budget is None):
        return stock, budget, []
    said = f"Blocks that stay as they are take {count(int(waiting.sum()), 'plant')} first"
    if budget is not None:
        spent = float(waiting @ cost)
        said += f", which cost {spent:,.0f} of the budget of {budget:,.0f}"
        if spent > budget:
            said += f": {spent - budget:,.0f} too much, so nothing is left for new places"
        budget = max(budget - spent, 0.0)
    told = [f"{said}. Trees in the ground take none."]
    if stock is not None:
        wants = dict(zip(names, waiting.tolist(), strict=True))
        lacks = {n: w - stock.get(n, 0) for n, w in wants.items() if w > stock.get(n, 0)}
        if lacks:
            listed = ", ".join(f"{name} {lack:,}" for name, lack in lacks.items())
            told.append(
                f"Blocks that stay as they are need more than is on hand or expected: {listed}. "
                "Raise or order these, or mark a block planned, so that it is laid out anew."
            )
        stock = {name: max(number - wants.get(name, 0), 0) for name, number in stock.items()}
    return stock, budget, told
