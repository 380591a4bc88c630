"""What is foretold of trees that were not counted, against what became of them, by simulation."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given
from hypothesis import strategies as st

from siteplanner.after.survival_estimates import Counted, Trees, foretell

#: Sites: blocks, zones, rows a block, trees a row, rows counted a block.
MANY_ROWS = {"blocks": 8, "zones": 2, "rows": 30, "sizes": [10], "counted": [6]}
FEW_TREES = {"blocks": 5, "zones": 1, "rows": 20, "sizes": [2, 3, 4, 5, 6], "counted": range(2, 7)}
MIXED = {"blocks": 12, "zones": 2, "rows": 15, "sizes": [4, 5, 6, 7, 8], "counted": range(3, 7)}
LARGE = {"blocks": 40, "zones": 4, "rows": 20, "sizes": [4, 5, 6, 7, 8], "counted": range(2, 7)}


def alike(draw, mean, correlation):
    """Shares of groups whose trees' fates are so correlated: Beta, or all the mean."""
    if correlation == 0:
        return mean
    worth = 1 / correlation - 1
    return draw.beta(np.maximum(mean * worth, 1e-12), np.maximum((1 - mean) * worth, 1e-12))


def grown(draw, site, survival, of_blocks, of_rows):
    """Trees planted and alive in rows, (blocks, rows), and whether they were counted."""
    blocks, rows = site["blocks"], site["rows"]
    share = alike(draw, np.full(blocks, survival), of_blocks)
    fate = alike(draw, np.repeat(share[:, None], rows, axis=1), of_rows)
    planted = draw.choice(site["sizes"], (blocks, rows))
    seen = np.arange(rows) < draw.choice(list(site["counted"]), blocks)[:, None]
    return planted, draw.binomial(planted, fate), seen


def asked(planted, alive, seen, zones):
    """The site as ``foretell`` takes it; a wrong belief of 85 % at survivals other than that."""
    left = np.where(seen, 0, planted)
    size = (left**2).sum(axis=1) / np.maximum(left.sum(axis=1), 1)
    blocks, many = np.arange(len(planted)), planted[seen].astype(float)
    believed = np.full(len(planted), 0.85)
    trees = Trees(blocks % zones, left.sum(axis=1), np.maximum(size, 1.0), believed, 20.0)
    return trees, Counted(np.nonzero(seen)[0], many, alive[seen].astype(float), many)


def held(site, survival, of_blocks, of_rows, *, cells, uncounted=0, confidence=0.95):
    """How often the interval of a block's trees holds what lives; (counted, not counted)."""
    draw, found = np.random.default_rng(5), []
    for _ in range(cells // site["blocks"]):
        planted, alive, seen = grown(draw, site, survival, of_blocks, of_rows)
        seen[:uncounted] = False
        fewest, _, most = foretell(*asked(planted, alive, seen, site["zones"]), confidence)
        truth = np.where(seen, 0, alive).sum(axis=1)
        found.append((fewest <= truth) & (truth <= most))
    each = np.array(found)
    return each[:, uncounted:].mean(), each[:, :uncounted].mean() if uncounted else None


@pytest.mark.parametrize(
    ("site", "survival", "of_blocks", "of_rows", "cells"),
    [
        (MANY_ROWS, 0.75, 0.0, 0.0, 800),
        (MANY_ROWS, 0.75, 0.05, 0.2, 1600),
        (LARGE, 0.85, 0.1, 0.1, 800),
    ],
)
def test_95_percent_intervals_of_blocks_hold_what_lives(site, survival, of_blocks, of_rows, cells):
    assert 0.93 <= held(site, survival, of_blocks, of_rows, cells=cells)[0] <= 0.97


def lone(believed, belief, *, left, planted, alive):
    """One block of trees that stand alone, each its own row: rows cannot be alike."""
    one = np.ones(1)
    trees = Trees(np.zeros(1, int), np.array([left]), one, np.array([believed]), belief)
    return trees, Counted(np.zeros(1, int), planted * one, alive * one, one)


@given(st.floats(0.1, 0.9), st.floats(1, 100), st.integers(1, 80), st.floats(0, 1))
def test_lone_trees_are_foretold_by_the_conjugate_rule(believed, belief, planted, share):
    """Beta prior, binomial counts: the beta-binomial of scipy, each end by half its own chance."""
    alive, left = round(share * planted), 50
    lived = belief * believed + alive
    died = belief * (1 - believed) + planted - alive
    assume(min(lived, died) > 1)  # the grid of shares is coarse where their density has no bound
    (low,), (mean,), (high,) = foretell(
        *lone(believed, belief, left=left, planted=planted, alive=alive), 0.9
    )
    assert mean == pytest.approx(left * lived / (lived + died), rel=1e-2, abs=0.05)
    theirs = scipy.stats.betabinom(left, lived, died)
    below = theirs.cdf(np.arange(left + 1)) - theirs.pmf(np.arange(left + 1)) / 2
    assert below[low] >= 0.05 - 0.01 and below[high] <= 0.95 + 0.01
    assert low == 0 or below[low - 1] <= 0.05 + 0.01
    assert high == left or below[high + 1] >= 0.95 - 0.01


def test_no_tree_left_is_no_doubt_and_a_belief_against_all_counts_is_no_error():
    sure = lone(0.2, 20.0, left=0, planted=40, alive=30)
    assert [float(n[0]) for n in foretell(*sure, 0.95)] == [0, 0, 0]
    stubborn = foretell(*lone(0.95, 10_000.0, left=100, planted=4000, alive=400), 0.95)
    assert 50 < stubborn[1][0] < 80 and stubborn[0][0] < stubborn[1][0] < stubborn[2][0]
    open_minded = foretell(*lone(0.95, 0.0, left=100, planted=40, alive=10), 0.95)
    assert open_minded[1][0] == pytest.approx(25, abs=0.5)


def width(alive, *, uncounted=()):
    """Width of the interval of block 0; 200 trees left in each, in rows of 10."""
    blocks = len(alive)
    seen = np.ones((blocks, 6), bool)
    seen[list(uncounted)] = False
    believed = np.full(blocks, 0.85)
    trees = Trees(
        np.zeros(blocks, int), np.full(blocks, 200), np.full(blocks, 10.0), believed, 20.0
    )
    many = np.full(seen.sum(), 10.0)
    counted = Counted(np.nonzero(seen)[0], many, np.asarray(alive, float)[seen], many)
    low, _, high = foretell(trees, counted, 0.95)
    return high[0] - low[0]


def test_rows_and_blocks_that_differ_more_leave_more_doubt():
    even, patchy = [7, 8, 7, 8, 7, 8], [2, 10, 10, 4, 10, 9]  # 45 of 60 live in both
    assert width([even] * 8) < width([patchy] * 8)
    poor, rich = [5, 6, 5, 6, 5, 6], [9, 10, 9, 10, 9, 9]  # 45 of 60 between them, about
    same, unlike = [even] * 9, [even, *[poor, rich] * 4]
    assert 2 * width(same, uncounted=[0]) < width(unlike, uncounted=[0])


@pytest.mark.long
@pytest.mark.parametrize("of_rows", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("of_blocks", [0.0, 0.05, 0.1])
@pytest.mark.parametrize(
    ("site", "survival"),
    [(MANY_ROWS, 0.5), (MANY_ROWS, 0.9), (FEW_TREES, 0.75), (MIXED, 0.85), (LARGE, 0.8)],
)
def test_intervals_hold_what_lives_on_many_kinds_of_site(site, survival, of_blocks, of_rows):
    assert 0.93 <= held(site, survival, of_blocks, of_rows, cells=2400)[0] <= 0.97


@pytest.mark.long
@pytest.mark.parametrize("of_rows", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("of_blocks", [0.0, 0.05, 0.1])
def test_where_nearly_all_live_and_few_were_counted_intervals_are_wide(of_blocks, of_rows):
    """With no more than a tree or two dead the lower end is 0, so one end alone can miss."""
    assert 0.95 <= held(FEW_TREES, 0.95, of_blocks, of_rows, cells=2400)[0] <= 0.99


@pytest.mark.long
@pytest.mark.parametrize("of_rows", [0.0, 0.2])
@pytest.mark.parametrize("of_blocks", [0.0, 0.05, 0.1])
def test_blocks_without_counts_are_foretold_with_caution(of_blocks, of_rows):
    """Never too narrow; too wide where blocks are alike, which few blocks cannot show."""
    assert held(MANY_ROWS, 0.75, of_blocks, of_rows, cells=2400, uncounted=2)[1] >= 0.93
