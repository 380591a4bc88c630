"""Costs: what the works take and cost, by year and line, for whoever pays for them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from siteplanner.site.site_file import Site

COLUMNS = (
    "year", "line", "quantity", "unit", "unit_price", "cost", "cost_per_ha", "cost_per_tree",
    "note",
)  # fmt: skip
UNKNOWN = "price not known: ask"
TREES, INFILL = "trees in the ground", "infill"
#: What each job is called here, its unit, and its price under [prices]; in the order of the table.
LINES = {
    "access and fence": ("fence", "m", "fence_m"),
    "gate": ("gates", "gates", "gate"),
    "rip": ("ripping", "m", "rip_m"),
    "mound": ("mounds", "mounds", "mound"),
    "weed control": ("weed control before planting", "m²", "weed_m2"),
    "plant": (TREES, "trees", "tree"),
    "mulch": ("mulch", "m³", "mulch_m3"),
    "water": ("water at planting", "m³", "water_m3"),
    "plant infill": (INFILL, "trees", "tree"),
    "weed control again": ("weed control after planting", "m²", "weed_m2"),
    "check guards": ("guards checked", "guards", "guard_check"),
    "replace stakes": ("stakes replaced", "stakes", "stake"),
    "remove guards": ("guards removed", "guards", "guard_removed"),
    "count what lives": ("trees counted", "trees", "count_tree"),
    "seed from above": ("seeding from above", "ha", "seed_ha"),
}


def cost_table(
    jobs: pd.DataFrame,
    blocks: pd.DataFrame,
    paddocks: pd.DataFrame,
    area_ha: float,
    site: Site,
) -> pd.DataFrame:
    """Sum the works by year and line, and price them, ``COLUMNS``; no totals.

    ``jobs`` and ``blocks`` (``block, trees, cost, mulch_m3, water_m3``) and ``paddocks`` are those
    of the works; ``area_ha`` is the planted map area. A line whose price is not known has its
    quantity, no cost (NaN), and says so. ``cost_per_ha`` and ``cost_per_tree`` are of all planted
    ground and all trees, so that the lines' figures add up to the whole plan's. What is later
    than the years planned is left out, as it is of the jobs.
    """
    priced = jobs[jobs["job"].isin(LINES)][["year", "place", "job", "quantity"]]
    frame = pd.concat(
        [priced.assign(cost=np.nan), *_with_trees(priced, blocks, paddocks)], ignore_index=True
    )
    prices = site.prices.model_dump()
    unit = frame["job"].map({job: prices.get(line[2]) for job, line in LINES.items()})
    own = frame["job"].isin(["plant", "plant infill"])
    frame["cost"] = frame["cost"].where(own, frame["quantity"] * unit.astype(float))
    by = frame.groupby(["year", "job"], sort=False)[["quantity", "cost"]]
    # A line is only as known as all its parts.
    table = by.sum(min_count=1).reset_index()
    table = table[table["quantity"] > 0]
    table["order"] = table["job"].map({job: n for n, job in enumerate(LINES)})
    table = table.sort_values(["year", "order"], ignore_index=True)
    table["line"] = [LINES[job][0] for job in table["job"]]
    table["unit"] = [LINES[job][1] for job in table["job"]]
    table["unit_price"] = table["cost"] / table["quantity"]
    trees = float(blocks["trees"].sum())
    table["cost_per_ha"] = table["cost"] / area_ha if area_ha else np.nan
    table["cost_per_tree"] = table["cost"] / trees if trees else np.nan
    table["note"] = [_note(job, cost, site) for job, cost in zip(*_pair(table), strict=True)]
    return table[list(COLUMNS)]


def _pair(table: pd.DataFrame) -> tuple[list[str], list[float]]:
    return table["job"].tolist(), table["cost"].tolist()


def _with_trees(
    jobs: pd.DataFrame, blocks: pd.DataFrame, paddocks: pd.DataFrame
) -> list[pd.DataFrame]:
    """What goes with planting and fences and is no job of its own; trees by their own prices."""
    by_block = blocks.set_index("block")
    trees = by_block["trees"].where(by_block["trees"] > 0).astype(float)
    found = []
    for job in ("plant", "plant infill"):
        mine = jobs[jobs["job"] == job]
        each = (by_block["cost"] / trees).reindex(mine["place"]).to_numpy(dtype=np.float64)
        # The quantities are there already: these rows bring their cost.
        found.append(mine.assign(cost=mine["quantity"] * each, quantity=0.0))
    planted = jobs[jobs["job"] == "plant"]
    for job, column in (("mulch", "mulch_m3"), ("water", "water_m3")):
        each = (by_block[column] / trees).reindex(planted["place"]).to_numpy(dtype=np.float64)
        found.append(planted.assign(job=job, quantity=planted["quantity"] * each, cost=np.nan))
    fenced = jobs[jobs["job"] == "access and fence"]
    gates = paddocks.set_index("paddock")["gates"].reindex(fenced["place"])
    found.append(fenced.assign(job="gate", quantity=gates.to_numpy(dtype=float), cost=np.nan))
    return found


def _note(job: str, cost: float, site: Site) -> str:
    """What the reader must know of a line's price."""
    if job in ("plant", "plant infill"):
        what = "plant, guard, stakes and labour: tree_cost under [mix]"
        if job == "plant infill":
            what = f"as many as were expected to die; {what}"
        if not {"tree_cost", "tree_costs"} & site.mix.model_fields_set:
            what += ", a default from memory: use your own"
        return what
    return "" if np.isfinite(cost) else UNKNOWN


def words_on_costs(table: pd.DataFrame, currency: str) -> list[str]:
    """Say what the plan costs as far as prices are known, and which prices to ask for."""
    unknown = list(dict.fromkeys(table["line"][table["cost"].isna()]))
    if not unknown or table["cost"].notna().sum() == 0:
        return []
    total = f"{table['cost'].sum():,.0f} {currency}".strip()
    return [
        f"Costs (costs.csv) come to {total} without what has no price yet: {', '.join(unknown)}. "
        "Ask for these prices and write them under [prices]."
    ]
