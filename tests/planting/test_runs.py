"""Species in runs along the rows: numbers kept, nobody where it may not stand, runs of 3 to 5."""

from itertools import groupby

import numpy as np
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from siteplanner.planting.mix.runs import in_runs

PIONEER = np.array([True, False, False, True, False, False])


def ground(seed, barred=0.0):
    """Rows of some blocks, a species for every place, and scores; patches bar some species."""
    random = np.random.default_rng(seed)
    long = random.integers(1, 40, 24)
    row = np.repeat(np.arange(24), long)
    block = np.repeat(np.arange(24) // 8, long)
    kinds = random.choice(6, len(row), p=[0.3, 0.25, 0.2, 0.1, 0.1, 0.05])
    kinds[random.random(len(row)) < 0.03] = -1
    patch = np.repeat(random.uniform(45, 100, (len(row) // 11 + 1, 6)), 11, axis=0)[: len(row)]
    scores = patch + 0.0
    scores[np.repeat(random.random((len(row) // 7 + 1, 6)), 7, axis=0)[: len(row)] < barred] = (
        np.nan
    )
    grows = np.flatnonzero(kinds >= 0)
    scores[grows, kinds[grows]] = patch[grows, kinds[grows]]  # nobody stands where it may not
    return kinds, row, block, scores


def places(row, spacing=4.0):
    """Where places stand whose rows lie beside each other."""
    at = np.arange(len(row)) - np.searchsorted(row, row)
    return np.column_stack([at * spacing, row * spacing])


def run(kinds, row, block, scores, pioneer=PIONEER):
    return in_runs(kinds, row, block, scores, pioneer, places(row), 6.0)


@settings(max_examples=examples(40), deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.2, 0.6]))
def test_numbers_stay_and_nobody_stands_where_it_may_not(seed, barred):
    kinds, row, block, scores = ground(seed, barred)
    after = run(kinds, row, block, scores)
    for one in np.unique(block):
        mine = block == one
        assert np.bincount(after[mine] + 1).tolist() == np.bincount(kinds[mine] + 1).tolist()
    assert ((after < 0) == (kinds < 0)).all()
    grows = np.flatnonzero(after >= 0)
    assert np.isfinite(scores[grows, after[grows]]).all()
    assert (run(kinds, row, block, scores) == after).all()


def lengths(kinds, row):
    found = []
    for one in np.unique(row):
        mine = kinds[row == one]
        found += [len(list(group)) for kind, group in groupby(mine[mine >= 0].tolist())]
    return np.array(found)


def test_most_trees_stand_three_to_five_of_a_kind():
    kinds, row, block, scores = ground(3)
    was, now = (lengths(k, row) for k in (kinds, run(kinds, row, block, scores)))
    share = [found[(found >= 3) & (found <= 5)].sum() / found.sum() for found in (was, now)]
    assert share[0] < 0.2 and share[1] > 0.7


def test_a_wet_end_has_what_stands_wet_feet():
    # One row of forty: the last ten places suit species 1 alone.
    kinds = np.array([0, 1] * 20)
    scores = np.full((40, 2), 80.0)
    kinds[30:], scores[30:, 0] = 1, np.nan
    zeros = np.zeros(40, dtype=np.int64)
    after = run(kinds, zeros, zeros, scores, np.array([False, False]))
    assert (after[30:] == 1).all() and (after == 0).sum() == (kinds == 0).sum()


def nursed(kinds, xy):
    is_nurse = np.append(PIONEER, False)[kinds]
    slow = (kinds >= 0) & ~is_nurse
    return (cKDTree(xy[is_nurse]).query(xy[slow])[0] <= 6.0).mean()


def test_trees_keep_a_pioneer_beside_them():
    random = np.random.default_rng(5)
    row = np.repeat(np.arange(20), 20)
    kinds = random.choice(6, 400, p=[0.25, 0.25, 0.2, 0.1, 0.1, 0.1])
    scores, xy = random.uniform(70, 90, (400, 6)), places(row)
    after = run(kinds, row, np.zeros(400, dtype=np.int64), scores)
    assert nursed(after, xy) > 0.93
    assert (np.bincount(after) == np.bincount(kinds)).all()
