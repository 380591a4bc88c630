"""No tall nurse smothers what it nurses: distance by crown."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.mix.smother import reach_of, smothered, unsmothered

FACTS = pd.DataFrame(
    {
        "mature_height_m": [18.0, 4.0, 8.0, 6.0, 28.0],
        "crown_m": [8.0, 3.0, 6.0, 4.0, 14.0],
        "shade": ["sun", "sun", "sun", "sun or part shade", "sun"],
    }
)
PIONEER = np.array([True, True, False, False, False])
REACH = reach_of(FACTS, PIONEER)


def field(side=20, spacing=3.0):
    x, y = (a.ravel() for a in np.meshgrid(np.arange(side), np.arange(side)))
    return x * spacing, y * spacing


def test_only_a_taller_nurse_smothers_and_only_what_needs_light():
    # The birch-like nurse reaches 4 m over the 8 m tree; not over the taller one, nor over what
    # bears shade; the low nurse reaches nobody.
    assert np.argwhere(REACH > 0).tolist() == [[0, 2]]
    assert REACH[0, 2] == 4.0
    unknown = reach_of(FACTS.assign(crown_m=np.nan), PIONEER)
    assert not unknown.any()
    assert reach_of(FACTS.drop(columns="shade"), PIONEER)[0, 3] == 4.0


def test_distance_decides():
    kinds = np.array([0, 2])
    for away, under in ((3.9, True), (4.1, False)):
        got = smothered(np.array([0.0, away]), np.zeros(2), kinds, REACH)
        assert got.tolist() == [False, under]


def test_trees_change_places_until_next_to_none_is_smothered():
    x, y = field()
    kinds = np.random.default_rng(2).permutation(np.repeat([0, 1, 2, 4], [120, 120, 40, 120]))
    scores = np.full((400, 5), 70.0)
    was = smothered(x, y, kinds, REACH).sum()
    after = unsmothered(x, y, kinds, scores, REACH)
    assert was > 20 and smothered(x, y, after, REACH).sum() <= was / 10
    assert np.bincount(after).tolist() == np.bincount(kinds).tolist()


def test_no_tree_is_freed_by_going_where_it_may_not_stand():
    x, y = field()
    kinds = np.random.default_rng(2).permutation(np.repeat([0, 2], [300, 100]))
    scores = np.full((400, 5), 70.0)
    scores[x > 30, 2] = np.nan
    kinds[(x > 30) & (kinds == 2)] = 0
    after = unsmothered(x, y, kinds, scores, REACH)
    assert not ((after == 2) & (x > 30)).any()
    assert smothered(x, y, after, REACH).sum() < smothered(x, y, kinds, REACH).sum()


@given(st.integers(0, 999), st.sampled_from([2.0, 3.0, 4.5]))
@settings(max_examples=20)
def test_numbers_stay_and_it_is_never_worse(seed, spacing):
    random = np.random.default_rng(seed)
    x, y = field(12, spacing)
    kinds = random.integers(-1, 5, 144)
    after = unsmothered(x, y, kinds, np.full((144, 5), 70.0), REACH)
    assert (
        np.bincount(after + 1, minlength=6).tolist() == np.bincount(kinds + 1, minlength=6).tolist()
    )
    pairs = [_pairs(x, y, k) for k in (kinds, after)]
    assert pairs[1] <= pairs[0]


def _pairs(x, y, kinds):
    """How many times a tree stands within the reach of a nurse, by brute force."""
    away = np.hypot(x[:, None] - x, y[:, None] - y)
    reach = np.pad(REACH, ((0, 1), (0, 1)))
    return int((away < reach[kinds][:, kinds]).sum())


def test_spacing_wider_than_the_crowns_reach_needs_no_change():
    x, y = field(spacing=4.5)
    kinds = np.random.default_rng(2).integers(0, 5, 400)
    assert unsmothered(x, y, kinds, np.full((400, 5), 70.0), REACH) is kinds
    assert smothered(x, y, kinds, REACH).sum() == pytest.approx(0)
