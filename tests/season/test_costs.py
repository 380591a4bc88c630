"""Costs by year and line: sums that agree, and prices that nobody knows are asked for."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from siteplanner.season.costs import UNKNOWN, cost_table, words_on_costs
from siteplanner.site.planting import Mix
from siteplanner.site.upkeep import Prices

BLOCKS = pd.DataFrame(
    {"block": ["A1", "A2"], "trees": [100, 300], "cost": [500.0, 1800.0], "mulch_m3": [2.0, 6.0],
     "water_m3": [0.5, 1.5]}
)  # fmt: skip
PADDOCKS = pd.DataFrame({"paddock": ["West"], "fence_m": [300], "gates": [2]})
JOBS = pd.DataFrame(
    [
        (2028, "West", "access and fence", 300.0), (2028, "A1", "rip", 400.0),
        (2028, "A2", "mound", 300.0), (2028, "A1", "plant", 100.0), (2028, "A2", "plant", 150.0),
        (2028, "A1", "guard", 100.0), (2030, "A2", "plant", 150.0),
        (2029, "A1", "plant infill", 10.0), (2029, "A1", "weed control again", 80.0),
    ],
    columns=["year", "place", "job", "quantity"],
)  # fmt: skip


def table(mix=None, **prices):
    site = SimpleNamespace(prices=Prices(**prices), mix=mix or Mix())
    return cost_table(JOBS, BLOCKS, PADDOCKS, 2.0, site).set_index(["year", "line"])


def test_each_line_is_its_quantity_at_its_price():
    got = table(fence_m=8.0, gate=150.0, rip_m=0.5, mound=1.5, mulch_m3=40.0, weed_m2=0.25)
    cost = got["cost"]
    assert cost[2028, "fence"] == 2400 and cost[2028, "gates"] == 300
    assert cost[2028, "ripping"] == 200 and cost[2028, "mounds"] == 450
    assert cost[2028, "mulch"] == pytest.approx(40 * (2 + 3))
    assert cost[2029, "weed control after planting"] == 20
    # A tree costs what its block's trees cost: 5 in A1, 6 in A2.
    assert cost[2028, "trees in the ground"] == 100 * 5 + 150 * 6
    assert got["quantity"][2028, "trees in the ground"] == 250
    assert cost[2030, "trees in the ground"] == 900 and cost[2029, "infill"] == 50


def test_costs_by_hectare_and_tree_add_up():
    got = table(fence_m=8.0)
    assert got["cost_per_ha"].sum() == pytest.approx(got["cost"].sum() / 2.0)
    assert got["cost_per_tree"].sum() == pytest.approx(got["cost"].sum() / 400)


def test_all_trees_are_paid_for_once():
    trees = table().xs("trees in the ground", level="line")
    assert trees["cost"].sum() == BLOCKS["cost"].sum()


def test_a_price_that_nobody_knows_is_asked_for():
    got = table(fence_m=8.0)
    assert np.isnan(got["cost"][2028, "ripping"])
    assert got["note"][2028, "ripping"] == UNKNOWN and got["quantity"][2028, "ripping"] == 400
    assert "from memory: use your own" in got["note"][2028, "trees in the ground"]
    assert "from memory" not in table(Mix(tree_cost=5))["note"][2028, "trees in the ground"]
    [said] = words_on_costs(got.reset_index(), "crowns")
    assert said.startswith("Costs (costs.csv) come to 4,750 crowns without") and "ripping" in said
