"""Counts: what to order for what is to live."""

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.planting.counts import count_trees


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
