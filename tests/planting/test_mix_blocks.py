"""Shares hold in each block: a zone's trees are shared out among its blocks."""

import numpy as np
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.base.program import Program
from siteplanner.planting.mix import blocks
from siteplanner.planting.mix.assign import place_species
from siteplanner.planting.mix.blocks import into_blocks, words_on_blocks
from siteplanner.planting.mix.mix import choose_mix
from siteplanner.planting.mix.supply import Candidates, gather
from siteplanner.site.planting import Mix


def shared(scores, block, pioneer, **rules):
    """A zone's mix, shared out: supply, kinds, rules, the mix's trees and those of each block."""
    names = tuple("abcdefgh"[: scores.shape[1]])
    roles = tuple(("pioneer",) if p else ("habitat",) for p in pioneer)
    kinds = Candidates(names, np.full(len(names), 0.8), roles)
    held = Mix(**({"least_species": 1, "smallest_share": 0.0, "pioneer_share": 0.0} | rules))
    supply = gather(scores, kinds, held)
    trees = choose_mix(supply, kinds, held).trees
    return supply, kinds, held, trees, into_blocks(supply, scores, block, trees, kinds, held)


def test_no_block_is_mostly_what_suits_it_best():
    # Each block suits one species best by far: over the zone the shares are met all the same.
    block = np.repeat(np.arange(4), 100)
    scores = np.full((400, 4), 60.0)
    scores[np.arange(400), block] = 95.0
    _, _, _, trees, got = shared(scores, block, [True] * 4, largest_share=0.3)
    assert trees.max() / trees.sum() <= 0.3
    assert got.max() <= 30 and got.sum(axis=0).tolist() == trees.tolist()
    # What suits a block best has as much of it as may be.
    assert np.diag(got).tolist() == [30] * 4


def test_each_block_has_its_pioneers():
    block = np.repeat(np.arange(2), 50)
    scores = np.full((100, 3), 60.0)
    scores[:50, 0] = 95.0
    *_, got = shared(scores, block, [True, False, False], largest_share=0.5, pioneer_share=0.4)
    assert (got[:, 0] >= 20).all()


def test_blocks_alike_have_like_mixes():
    block = np.repeat(np.arange(5), 40)
    *_, trees, got = shared(np.full((200, 4), 70.0), block, [True] * 4)
    assert np.abs(got - trees / 5).max() <= 1


def test_a_block_that_one_species_alone_suits_is_named():
    block = np.repeat([0, 1], [180, 20])
    scores = np.full((200, 5), 80.0)
    scores[180:, 1:] = 0.0
    _, kinds, held, trees, got = shared(scores, block, [True] * 5, largest_share=0.3)
    assert got[1].tolist() == [20, 0, 0, 0, 0]
    [said] = words_on_blocks(["A1", "A2"], got, kinds, held, "A", trees)
    assert said.startswith(
        "Zone A: shares hold over the zone, but not in each block: a exceeds 30% of the trees in "
        "block A2 (14 trees more)"
    )


@given(
    sizes=st.lists(st.integers(1, 40), min_size=1, max_size=4),
    seed=st.integers(0, 999),
    least=st.sampled_from([0, 30, 45]),
)
@settings(max_examples=examples(40))
def test_numbers_add_up_can_be_placed_and_hold_where_all_suits(sizes, seed, least):
    block = np.repeat(np.arange(len(sizes)), sizes)
    scores = np.random.default_rng(seed).integers(least, 100, (len(block), 6)).astype(float)
    supply, _, _, trees, got = shared(scores, block, [True] * 3 + [False] * 3, pioneer_share=0.3)
    assert got.sum(axis=0).tolist() == trees.tolist()
    allowed = np.where(supply.where(), scores, np.nan)
    for number, mine in enumerate(got):
        placed = place_species(allowed[block == number], mine, 0)
        at = np.flatnonzero(block == number)[placed >= 0]
        assert np.isfinite(allowed[at, placed[placed >= 0]]).all()
    if least >= 40 and trees.max() <= 0.35 * trees.sum():  # every species may stand everywhere
        assert (got <= np.ceil(0.35 * got.sum(axis=1, keepdims=True))).all()


def test_without_a_search_the_flow_alone_gives_whole_numbers(monkeypatch):
    solve = Program.solve

    def no_search(program, *, whole=True, **more):
        if whole and more["nodes"] == blocks._NODES:
            raise RuntimeError("no solution")
        return solve(program, whole=whole, **more)

    random = np.random.default_rng(6)
    block = np.repeat(np.arange(5), [31, 17, 44, 9, 23])
    scores = random.integers(30, 100, (124, 5)).astype(float)
    searched = shared(scores, block, [True, True, False, False, False], pioneer_share=0.4)
    monkeypatch.setattr(Program, "solve", no_search)
    alone = shared(scores, block, [True, True, False, False, False], pioneer_share=0.4)
    for *_, trees, got in (searched, alone):
        assert got.sum(axis=0).tolist() == trees.tolist()
        assert got.sum(axis=1).tolist() == np.bincount(block[supplied(scores)]).tolist()


def supplied(scores):
    """Places on which some species suits."""
    return (scores >= 40).any(axis=1)
