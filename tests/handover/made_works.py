"""Works of round figures for the plan made by hand: a guard a tree, a crew-day a hundred."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd

from siteplanner.plan import Plan
from siteplanner.season.costs import COLUMNS, UNKNOWN
from siteplanner.season.works import BLOCK_COLUMNS, YEAR_COLUMNS, Works


def with_works(plan: Plan, wait: int | None = None) -> Plan:
    """Give a plan works in 2028; trees of the species numbered ``wait`` wait until 2030."""
    waits = plan.tree_species == (-1 if wait is None else wait)
    trees = plan.trees.assign(year=np.where(waits, 2030, 2028))
    later = trees["block"][waits].value_counts().reindex(plan.blocks["block"], fill_value=0)
    number = plan.blocks["trees"]
    blocks = pd.DataFrame({name: np.zeros(len(number)) for name in BLOCK_COLUMNS}).assign(
        block=plan.blocks["block"],
        zone=plan.blocks["zone"],
        paddock=plan.blocks["paddock"],
        access_class="volunteers",
        window="in winter",
        year=2028,
        later=np.where(later > 0, 2030, 0),
        trees=number,
        trees_later=later.to_numpy(),
        order=number,
        guards=number,
        stakes=2 * number,
        crew_days=number / 100,
    )
    empty = {field.name: plan.rows[:0] for field in fields(Works)}
    paddock = trees["block"].map(plan.blocks.set_index("block")["paddock"])
    common = trees["species"].map(plan.species.set_index("botanical_name")["common_name"])
    by_year = (
        trees.drop(columns="geometry")
        .assign(paddock=paddock, common_name=common)
        .groupby(list(YEAR_COLUMNS[:5]), as_index=False)
        .size()
        .rename(columns={"size": "trees"})
    )
    costs = pd.DataFrame(
        [(2028, "fence", 100.0, "m", 8.0, 800.0, 80.0, 0.4, ""),
         (2028, "mounds", 40.0, "mounds", np.nan, np.nan, np.nan, np.nan, UNKNOWN)],
        columns=list(COLUMNS),
    )  # fmt: skip
    works = Works(**{**empty, "blocks": blocks, "by_year": by_year, "costs": costs})
    return replace(plan, trees=trees, works=works)
