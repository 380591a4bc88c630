"""Mothers: dealt evenly, neighbours of a species from different ones."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.mothers import deal_mothers, same_mother_share


@given(st.integers(1, 300), st.lists(st.integers(0, 8), min_size=1, max_size=4), st.integers(0, 99))
@settings(max_examples=40, deadline=None)
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
            assert shares.max() <= -(-len(mine) // number)


def test_neighbours_have_different_mothers():
    x, y = (a.ravel() * 3.0 for a in np.meshgrid(np.arange(40), np.arange(40)))
    kinds = np.random.default_rng(1).integers(0, 3, 1600)
    dealt = deal_mothers(x, y, kinds, np.array([6, 6, 2]))
    by_chance = np.random.default_rng(2).permutation(dealt)
    assert same_mother_share(x, y, kinds, by_chance) > 0.15
    assert same_mother_share(x, y, kinds, dealt) < 0.06
