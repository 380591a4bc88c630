"""Who stands where: the best assignment there is, nurses beside slow trees, clumps."""

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from siteplanner.planting.mix import transport
from siteplanner.planting.mix.assign import clumped, place_species
from siteplanner.planting.mix.nurses import nurse
from siteplanner.planting.mix.transport import assign


def nursed_share(x, y, kinds, pioneer, spacing_m):
    """Share of the trees that are no pioneers with a pioneer within 1.5 spacings; 1 if none."""
    standing = kinds >= 0
    is_nurse = standing & np.append(pioneer, False)[kinds]
    slow = standing & ~is_nurse
    if not slow.any():
        return 1.0
    if not is_nurse.any():
        return 0.0
    away, _ = cKDTree(np.column_stack([x, y])[is_nurse]).query(np.column_stack([x, y])[slow])
    return float((away <= 1.5 * spacing_m).mean())


def worth(value, choice):
    return int(value[np.arange(len(value)), choice].sum(dtype=np.int64))


@given(st.lists(st.integers(0, 25), min_size=1, max_size=6), st.integers(0, 999))
@settings(max_examples=examples(60))
def test_no_assignment_is_better(number, seed):
    """Against scipy's solver of the plain assignment problem, a column for each tree."""
    number = np.array(number)
    if not number.sum():
        return
    value = np.random.default_rng(seed).integers(-40, 40, (number.sum(), len(number)))
    choice = assign(value.astype(np.int32), number)
    assert np.bincount(choice, minlength=len(number)).tolist() == number.tolist()
    columns = np.repeat(np.arange(len(number)), number)
    rows, best = linear_sum_assignment(-value[:, columns])
    assert worth(value, choice) == value[rows, columns[best]].sum()


def test_it_stays_the_best_when_prices_come_from_a_sample(monkeypatch):
    monkeypatch.setattr(transport, "_SAMPLE", 50)
    random = np.random.default_rng(8)
    value = random.integers(0, 1000, (900, 5)).astype(np.int32)
    number = np.array([400, 250, 150, 90, 10])
    columns = np.repeat(np.arange(5), number)
    rows, best = linear_sum_assignment(-value[:, columns])
    assert worth(value, assign(value, number)) == value[rows, columns[best]].sum()


def greedy(scores, trees):
    """Place by place, the best species that has trees left."""
    left = trees.copy()
    total = 0.0
    for row in scores:
        kind = np.where(left > 0, row, -1).argmax()
        left[kind] -= 1
        total += row[kind]
    return total


def test_it_beats_greedy_placing_on_patchy_ground():
    random = np.random.default_rng(4)
    x, y = random.uniform(0, 300, (2, 4000))
    scores = np.stack([50 + 50 * clumped(x, y, 60, s) for s in range(8)], axis=1)
    trees = random.multinomial(4000, np.full(8, 1 / 8))
    still = np.zeros(scores.shape, np.float32)
    placed = place_species(scores, trees, 0, still)
    ours = scores[np.arange(4000), placed].sum()
    assert ours > 1.02 * greedy(scores, trees)


def test_a_species_never_stands_where_it_may_not():
    random = np.random.default_rng(2)
    scores = random.uniform(0, 100, (500, 4))
    scores[:, 1:][random.random((500, 3)) < 0.6] = np.nan
    trees = np.array([200, 60, 60, 60])
    placed = place_species(scores, trees, 3)
    standing = placed >= 0
    assert np.isfinite(scores[standing, placed[standing]]).all()
    assert np.bincount(placed[standing]).tolist() == trees.tolist()


def field(side=40):
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(side) * 3.0, np.arange(side)))
    return x, y * 3.0


def like_neighbours(kinds, side=40):
    square = kinds.reshape(side, side)
    return (square[:, 1:] == square[:, :-1]).mean()


def test_species_asked_to_clump_stand_together_and_others_spread():
    x, y = field()
    scores = np.full((1600, 4), 70.0)
    trees = np.full(4, 400)
    spread = place_species(scores, trees, 1)
    taste = np.stack([clumped(x, y, 15, s) for s in range(4)], axis=1)
    together = place_species(scores, trees, 1, taste)
    assert like_neighbours(spread) == pytest.approx(0.25, abs=0.04)
    assert like_neighbours(together) > 0.6


def test_slow_trees_get_a_nurse_and_numbers_stay():
    x, y = field()
    random = np.random.default_rng(7)
    kinds = random.permutation(np.repeat([0, 1, 2, -1], [240, 700, 600, 60]))
    pioneer = np.array([True, False, False])
    scores = np.full((1600, 3), 60.0)
    scores[x > 60, 2] = np.nan
    kinds[(kinds == 2) & (x > 60)] = 1
    before = np.bincount(kinds + 1)
    after = nurse(x, y, kinds, scores, pioneer, 3.0)
    assert np.bincount(after + 1).tolist() == before.tolist()
    assert not ((after == 2) & (x > 60)).any()
    was, now = (nursed_share(x, y, k, pioneer, 3.0) for k in (kinds, after))
    assert was < 0.8 and now > 0.93


def test_a_nurse_is_not_bought_with_much_suitability():
    x, y = field(20)
    scores = np.full((400, 2), 90.0)
    scores[x > 27, 0] = 10.0
    kinds = np.where(x > 27, 1, 0)
    assert nurse(x, y, kinds, scores, np.array([True, False]), 3.0).tolist() == kinds.tolist()
