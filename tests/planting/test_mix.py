"""The mix: rules held, numbers that can be placed, and brute force on small cases."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.mix import choose_mix, gather
from siteplanner.site import Mix


def zone(*groups):
    """Scores of a zone: (places, [score of each species]) a group."""
    return np.concatenate([np.tile(np.array(s, float), (n, 1)) for n, s in groups])


def mix(scores, survival, pioneer, **rules):
    held = Mix(
        **(
            {"least_species": 1, "largest_share": 1, "smallest_share": 0, "pioneer_share": 0}
            | rules
        )
    )
    survival = np.array(survival, float)
    supply = gather(scores, survival, held)
    return supply, choose_mix(supply, survival, np.array(pioneer), held)


def test_shares_and_number_of_species_hold():
    scores = zone((100, [90, 80, 70, 60]))
    _, got = mix(
        scores,
        [0.9] * 4,
        [False, False, True, False],
        least_species=4,
        largest_share=0.4,
        smallest_share=0.1,
        pioneer_share=0.3,
    )
    trees = got.trees.sum(axis=0)
    assert trees.sum() == 100 and not got.given_up
    assert trees.max() <= 40 and trees.min() >= 10 and trees[2] >= 30
    # The best species takes the most, the rules' least goes to the worst.
    assert trees.tolist() == [40, 20, 30, 10]


def test_places_where_nothing_fits_stay_empty():
    supply, got = mix(zone((10, [90, 20]), (5, [10, 20])), [0.9, 0.9], [True, True])
    assert (supply.group < 0).sum() == 5
    assert got.trees.sum() == 10


def test_rules_that_clash_are_given_up_in_order_and_said():
    _, got = mix(
        zone((50, [90, 0])),
        [0.9, 0.9],
        [False, True],
        pioneer_share=0.5,
        least_species=2,
        largest_share=0.6,
    )
    assert got.given_up == (
        "the share of pioneers",
        "the least number of species",
        "the largest share of one species",
    )
    assert got.trees.sum() == 50


@given(
    sizes=st.lists(st.integers(1, 6), min_size=1, max_size=3),
    scores=st.lists(st.integers(0, 100), min_size=9, max_size=9),
    largest=st.sampled_from([0.5, 0.7, 1.0]),
    pioneers=st.sampled_from([0.0, 0.3]),
)
@settings(max_examples=40, deadline=None)
def test_no_other_mix_is_worth_more(sizes, scores, largest, pioneers):
    survival, pioneer = np.array([0.9, 0.7, 0.8]), np.array([True, False, True])
    grid = np.array(scores, float).reshape(3, 3)[: len(sizes)]
    supply, got = mix(
        zone(*zip(sizes, grid, strict=True)),
        survival,
        pioneer,
        largest_share=largest,
        pioneer_share=pioneers,
    )
    if got.given_up or not len(supply.size):
        return

    def worth(trees):
        return float(np.nansum(trees * np.nan_to_num(supply.fit) / 100 * survival))

    best = 0.0
    options = []
    for size, fits in zip(supply.size, np.isfinite(supply.fit), strict=True):
        ways = [
            c
            for c in itertools.product(range(size + 1), repeat=3)
            if sum(c) <= size and all(f or not n for f, n in zip(fits, c, strict=True))
        ]
        options.append(ways)
    if np.prod([len(o) for o in options]) > 20_000:
        return
    for way in itertools.product(*options):
        trees = np.array(way)
        total, by_kind = trees.sum(), trees.sum(axis=0)
        if by_kind.max() <= largest * total + 1e-9 and by_kind[pioneer].sum() >= (
            pioneers * total - 1e-9
        ):
            best = max(best, worth(trees))
    assert worth(got.trees) >= best * (1 - 2e-3)
    assert (got.trees.sum(axis=1) <= supply.size).all()
    assert not got.trees[np.isnan(supply.fit)].any()


def test_mixes_are_the_same_every_time():
    scores = np.random.default_rng(3).integers(0, 100, (400, 8)).astype(float)
    first, second = (mix(scores, [0.8] * 8, [True] * 8, largest_share=0.3)[1] for _ in range(2))
    assert first.trees.tolist() == second.trees.tolist()
    assert first.trees.sum() > 300


def test_an_empty_zone_has_an_empty_mix():
    _, got = mix(np.zeros((5, 2)), [0.9, 0.9], [True, True])
    assert got.trees.shape == (0, 2)


@pytest.mark.parametrize("least", [2, 3])
def test_a_species_in_the_mix_has_its_smallest_share(least):
    _, got = mix(
        zone((100, [90, 50, 50])), [0.9] * 3, [True] * 3, least_species=least, smallest_share=0.2
    )
    used = got.trees.sum(axis=0)
    assert (used > 0).sum() == least and used[used > 0].min() >= 20
