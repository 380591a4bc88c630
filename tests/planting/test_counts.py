"""Counts: what to order for what is to live."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.planting.counts import count_trees, materials, split
from siteplanner.site.planting import WorkRates


def species(survival):
    return pd.DataFrame(
        {"botanical_name": ["Acacia a"], "common_name": ["wattle"], "expected_survival": [survival]}
    )


def trees(n):
    return pd.DataFrame({"zone": ["A"] * n, "paddock": ["Top"] * n, "species": ["Acacia a"] * n})


def test_order_for_survival():
    # 2500 alive at 85 % survival: 2942, rounded up (computed, 2500 / 0.85 = 2941.2).
    row = count_trees(trees(2500), species(0.85)).iloc[0]
    assert (row["trees"], row["order"], row["infill"]) == (2500, 2942, 442)


@given(st.integers(1, 3000), st.floats(0.05, 1))
def test_an_order_is_never_short_and_never_a_tree_too_many(n, survival):
    row = count_trees(trees(n), species(survival)).iloc[0]
    assert row["order"] * survival >= n - 1e-6
    assert (row["order"] - 1) * survival < n
    assert row["infill"] == row["order"] - row["trees"]


KEYS = ["zone", "paddock", "block", "row", "species"]


@given(
    st.lists(st.tuples(*(st.sampled_from(["A", "B", "C"]) for _ in KEYS)), min_size=1, max_size=80),
    st.lists(st.sampled_from(KEYS[:-1]), unique=True),
)
def test_totals_are_the_same_however_trees_are_split(rows, keys):
    trees = pd.DataFrame(rows, columns=KEYS)
    facts = pd.DataFrame(
        {
            "botanical_name": ["A", "B", "C"],
            "common_name": ["a", "b", "c"],
            "expected_survival": [0.9, 0.7, 1.0],
        }
    )
    counts = split(trees, [*keys, "species"], facts)
    assert counts["trees"].sum() == len(trees)
    assert (counts["trees"] > 0).all() and not counts.duplicated([*keys, "species"]).any()
    assert (counts["trees"] + counts["infill"] == counts["order"]).all()
    # The parts' orders make up what each species is ordered in the whole: one rounding.
    number = trees["species"].value_counts()
    survival = facts.set_index("botanical_name")["expected_survival"]
    whole = np.ceil((number / survival.reindex(number.index)).round(9))
    assert counts.groupby("species")["order"].sum().reindex(number.index).tolist() == list(whole)
    assert (counts["order_least"] <= counts["order"]).all()
    assert (counts["order"] <= counts["order_most"]).all()


def test_the_orders_of_blocks_make_up_those_of_their_zone():
    # 40 blocks of 3 to 11 trees in three zones; 1 / 0.85 of them, each within a plant.
    sizes = np.random.default_rng(1).integers(3, 12, 40)
    number = np.repeat(np.arange(40), sizes)
    frame = pd.DataFrame({"zone": number // 15, "block": number, "species": "Acacia a"})
    of_blocks = split(frame, ["zone", "block", "species"], species(0.85))
    of_zones = split(frame, ["zone", "species"], species(0.85))
    assert of_blocks.groupby("zone")["order"].sum().tolist() == of_zones["order"].tolist()
    assert of_zones["order"].sum() == np.ceil(sizes.sum() / 0.85)
    assert (np.abs(of_blocks["order"] - sizes / 0.85) < 1).all()


def test_the_range_of_an_order_goes_by_deaths():
    # 85 % survival: 7.5 to 22.5 % die; 1000 / 0.925 = 1081.1, 1000 / 0.775 = 1290.3.
    row = count_trees(trees(1000), species(0.85)).iloc[0]
    assert row["order"] == 1177
    ranged = split(trees(1000), ["species"], species(0.85)).iloc[0]
    assert (ranged["order_least"], ranged["order_most"]) == (1082, 1291)


def test_materials_of_a_thousand_trees():
    got = materials(np.array([1000, 1000, 0]), np.array([5.0, 30.0, 5.0]), WorkRates())
    flat, steep, none = got.iloc[0], got.iloc[1], got.iloc[2]
    assert (flat["guards"], flat["stakes"]) == (1000, 2000)
    assert (flat["mulch_m3"], flat["water_m3"]) == (20.0, 5.0)
    assert flat["weed_m2"] == pytest.approx(785.4, abs=0.1)
    # Five people of six hours a day, 11 minutes a tree with all it gets; at 30 degrees 40 % fewer.
    assert flat["person_hours"] == pytest.approx(1000 * 11 / 60)
    assert flat["crew_days"] == pytest.approx(1000 * 11 / 60 / 30)
    assert steep["crew_days"] == pytest.approx(flat["crew_days"] / 0.6)
    assert none.sum() == 0
