"""Counts: trees, what to allow for infill and what is still to order; and what goes with them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.planting.rates import planting_hours
from siteplanner.site.planting import WorkRates

#: Deaths may be half to one and a half times what is expected (our own range, no source).
DEATHS = (0.5, 1.5)


def count_trees(trees: pd.DataFrame, species: pd.DataFrame) -> pd.DataFrame:
    """Count trees per zone, paddock and species.

    ``trees`` has ``zone, paddock, species`` one row a tree, and may have more (see
    :func:`split`); ``species`` has ``botanical_name, common_name, expected_survival``. Returns
    ``zone, paddock, species, common_name, trees, infill, order``: see :func:`split`.
    """
    counts = split(trees, ["zone", "paddock", "species"], species)
    return counts[["zone", "paddock", "species", "common_name", "trees", "infill", "order"]]


def split(trees: pd.DataFrame, keys: Sequence[str], species: pd.DataFrame) -> pd.DataFrame:
    """Count trees by any of their columns, ``species`` among them; no totals.

    Returns the keys, ``common_name, trees, infill, order, order_least, order_most``. An order is
    rounded up once for each species and falls to its trees in their order, so that however the
    same trees are split, the parts' orders add up to the whole's: a part's own lies within a
    plant of what it asks for where its trees follow each other. ``trees`` may have ``survival``,
    where a species' differs with the ground; each survival of a species then rounds by itself.
    Where it has ``to_come``, a tree that is in the ground already is among ``trees`` and in no
    order: its infill is ordered from counts of what lives. ``infill`` is what the order has
    beyond the trees to come.
    """
    facts = species.set_index("botanical_name")
    expected = facts["expected_survival"].reindex(trees["species"]).to_numpy(dtype=float)
    survival = trees["survival"].to_numpy(dtype=float) if "survival" in trees else expected
    coming = np.ones(len(trees), dtype=bool)
    if "to_come" in trees:
        coming = trees["to_come"].to_numpy(dtype=bool)
    alike = pd.DataFrame(
        {"species": trees["species"].to_numpy(), "survival": survival, "to_come": coming}
    )
    before = alike.groupby(list(alike.columns), sort=False).cumcount().to_numpy()
    lives = {"order": survival}
    for column, deaths in zip(("order_least", "order_most"), DEATHS, strict=True):
        lives[column] = np.maximum(1 - (1 - survival) * deaths, 0.05)
    orders = {
        c: (ordered(before + 1, live) - ordered(before, live)) * coming for c, live in lives.items()
    }
    counts = trees[[*dict.fromkeys(keys)]].assign(trees=1, coming=coming.astype(int), **orders)
    sums = ["trees", "coming", *orders]
    counts = counts.groupby(list(keys), sort=True)[sums].sum().reset_index()
    counts["common_name"] = facts["common_name"].reindex(counts["species"]).to_numpy()
    counts["infill"] = counts["order"] - counts.pop("coming")
    counts["order_least"] = np.minimum(counts["order_least"], counts["order"])
    counts["order_most"] = np.maximum(counts["order_most"], counts["order"])
    return counts


def ordered(trees: NDArray[Any], survival: NDArray[np.float64]) -> NDArray[np.int64]:
    """How many to order so that ``trees`` live: trees / survival, rounded up.

    Common practice, no source; the survival is an assumption of the species table.
    """
    # Rounding guards 85 / 0.85 and the like from coming out as 100.00000000000001.
    return np.ceil(np.round(trees / survival, 9)).astype(np.int64)


def materials(
    trees: NDArray[np.int64],
    slope: NDArray[np.float64],
    rates: WorkRates,
    contracted: NDArray[np.bool_] | bool = False,
) -> pd.DataFrame:
    """What goes with so many trees on ground of a slope (degrees), one row for each.

    ``guards, stakes`` whole numbers, ``mulch_m3, water_m3, weed_m2`` (spots round the trees,
    by hand, mulch or mat: no herbicide is counted on), ``person_hours`` of planting with all that
    a tree gets (see ``siteplanner.planting.rates``; ``contracted`` as there) and ``crew_days``.
    """
    guards = np.ceil(trees * rates.guards_a_tree - 1e-9).astype(np.int64)
    hours = planting_hours(trees, slope, rates, contracted)
    return pd.DataFrame(
        {
            "guards": guards,
            "stakes": np.ceil(guards * rates.stakes_a_guard - 1e-9).astype(np.int64),
            "mulch_m3": trees * rates.mulch_l_a_tree / 1000,
            "water_m3": trees * rates.water_l_a_tree / 1000,
            "weed_m2": trees * np.pi * rates.weed_m**2 / 4,
            "person_hours": hours,
            "crew_days": hours / (rates.people * rates.hours_a_day),
        }
    )
