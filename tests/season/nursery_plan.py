"""A small plan with its nursery, for tests: the hand-made plan and an invented species table."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
from made_plan import SPECIES, made_plan

from siteplanner.plan import Plan
from siteplanner.reading.nursery_counts import Hand
from siteplanner.season.nursery.year import nursery_year
from siteplanner.season.plantings import COLUMNS, Calendar
from siteplanner.season.windows import Window
from siteplanner.site.nursery import Nursery
from siteplanner.site.planting import Mix

SOUTH = np.array([16, 16, 14, 11, 8, 6, 5, 6, 8, 10, 12, 14.0])
FACTS = {
    "seeds_per_gram": [600.0, 6000, 70, 1100, 140, 120],
    "purity": [0.9, 0.5, 0.95, 0.8, 0.9, 0.9],
    "germination": [0.6, 0.6, 0.7, 0.5, 0.55, 0.6],
    "weeks_to_germinate": [3.0, 3, 2, 5, 4, 4],
    "weeks_to_prick_out": [9.0, 10, np.nan, 11, 10, np.nan],
    "months_to_plant_out": [11.0, 11, 9, 12, 13, 12],
    "pretreatment_weeks": [np.nan, np.nan, np.nan, 6, np.nan, np.nan],
    "storage_years": [8.0, 4, 15, 3, 8, 5],
    "fruiting_months": [(2, 3, 4), tuple(range(1, 13)), (1, 2), (3, 4, 5), (12, 1, 2, 3), ()],
    "fruit": ["woody capsule", "woody capsule", "pod", "dry capsule", "woody capsule", ""],
    "pretreatment": ["", "", "near-boiling water", "cold for 6 weeks", "", ""],
}


def with_its_nursery(
    plan: Plan | None = None, hand: Hand | None = None, sources: int = 2, **rules: object
) -> Plan:
    """Work the nursery out for a plan (by default the hand-made one) as the planner does."""
    plan = plan or made_plan()
    rules = {"plant_on": date(2028, 10, 2)} | rules
    facts = plan.species[["botanical_name", "code", "common_name", "cautions"]].assign(**FACTS)
    eucalypt = facts["botanical_name"].iloc[0]
    mothers = gpd.GeoDataFrame(
        {
            "species": [eucalypt] * sources,
            "name": [f"old tree {n + 1}" for n in range(sources)],
            "fruiting_months": ["2-4"] * sources,
            "permit": ["P 17"] * sources,
        },
        geometry=gpd.points_from_xy([0.0] * sources, [0.0] * sources),
    )
    inputs = SimpleNamespace(
        hand=hand or Hand(),
        climate=SimpleNamespace(tmin_c=SOUTH - 4, tmax_c=SOUTH + 4),
        species=SimpleNamespace(facts=facts),
        seed_sources=mothers,
        grid=plan.grid,
    )
    site = SimpleNamespace(nursery=Nursery(**rules), mix=Mix(), folder=Path("site"))
    suitability = SimpleNamespace(score=None, on_grid=lambda score: plan.suitability)
    layout = SimpleNamespace(
        trees=plan.trees, tree_species=plan.tree_species, to_come=np.ones(len(plan.trees), bool)
    )
    plantings = one_planting(plan, site.nursery)
    year = nursery_year(inputs, suitability, layout, plantings, CALENDAR, site)
    return replace(plan, nursery=year, warnings=(*plan.warnings, *year.warnings))


#: A single window, open from the first day of planting on.
CALENDAR = Calendar((Window(275, 317, "in spring"),), np.array([0]), 2028, None)


def one_planting(plan: Plan, rules: Nursery) -> pd.DataFrame:
    """Everything that the plan orders, planted in one window."""
    days = (None, None)
    if rules.plant_on is not None:
        days = (rules.plant_on, rules.plant_on + timedelta(weeks=rules.planting_weeks))
    ordered = plan.counts.groupby("species", sort=False)["order"].sum()
    rows = [(name, 0, 2028, False, int(plants), *days) for name, plants in ordered.items()]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    return frame.astype({"plant_from": object, "plant_until": object})


def hand(stock: dict[str, int] | None = None, *counts: tuple) -> Hand:
    """Make what was written down: stock, and counts as (batch, stage, count, date)."""
    rows = [(batch, "", "", stage, count, day) for batch, stage, count, day in counts]
    return Hand(stock or {}, counts=pd.DataFrame(rows, columns=Hand().counts.columns))


__all__ = ["SPECIES", "hand", "with_its_nursery"]
