"""Mothers: dealt evenly, neighbours of a species from different ones."""

import numpy as np
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from siteplanner.planting.mix.mothers import deal_mothers


@given(st.integers(1, 300), st.lists(st.integers(0, 8), min_size=1, max_size=4), st.integers(0, 99))
@settings(max_examples=examples(40))
def test_every_mother_gets_its_share(trees, mothers, seed):
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 100, (2, trees))
    kinds = random.integers(0, len(mothers), trees)
    dealt = deal_mothers(x, y, kinds, np.array(mothers))
    for kind, number in enumerate(mothers):
        mine = dealt[kinds == kind]
        if number == 0:
            assert (mine == -1).all()
        elif len(mine):
            shares = np.bincount(mine, minlength=number)
            assert shares.max() - shares.min() <= 1


def same_mother_share(x, y, kinds, dealt):
    """Share of the trees with a mother whose nearest tree of the species has the same one."""
    same = whole = 0
    for kind in np.unique(kinds):
        mine = np.flatnonzero((kinds == kind) & (dealt >= 0))
        if len(mine) < 2:
            continue
        points = np.column_stack([x[mine], y[mine]])
        _, near = cKDTree(points).query(points, k=2)
        same += int((dealt[mine] == dealt[mine][near[:, 1]]).sum())
        whole += len(mine)
    return same / whole if whole else 0.0


def test_neighbours_have_different_mothers():
    x, y = (a.ravel() * 3.0 for a in np.meshgrid(np.arange(40), np.arange(40)))
    kinds = np.random.default_rng(1).integers(0, 3, 1600)
    dealt = deal_mothers(x, y, kinds, np.array([6, 6, 2]))
    by_chance = np.random.default_rng(2).permutation(dealt)
    assert same_mother_share(x, y, kinds, by_chance) > 0.15
    assert same_mother_share(x, y, kinds, dealt) < 0.06
