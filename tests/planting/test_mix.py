"""The mix: the aim, rules that hold or give way, and brute force on small cases."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.mix.mix import choose_mix
from siteplanner.planting.mix.shares import share_out
from siteplanner.planting.mix.supply import Candidates, aim_of, gather
from siteplanner.site.planting import Mix


def zone(*groups):
    """Scores of a zone: (places, [score of each species]) a group."""
    return np.concatenate([np.tile(np.array(s, float), (n, 1)) for n, s in groups])


def kinds(survival, pioneer=None, **more):
    roles = tuple(("pioneer",) if p else ("habitat",) for p in pioneer or [True] * len(survival))
    names = tuple("abcdefghijklmnop"[: len(survival)])
    return Candidates(names, np.array(survival, float), roles, **more)


def held(**rules):
    free = {"least_species": 1, "largest_share": 1, "smallest_share": 0, "pioneer_share": 0}
    return Mix(**(free | rules))


def mix(scores, survival, pioneer=None, *, aim=None, stock=None, budget=None, cost=None, **rules):
    which = kinds(survival, pioneer, aim=aim, cost=cost)
    supply = gather(scores, which, held(**rules))
    return supply, choose_mix(supply, which, held(**rules), stock=stock, budget=budget)


def test_the_aim_is_met_where_the_ground_allows():
    _, got = mix(zone((100, [90, 60, 50])), [0.9, 0.5, 0.7], aim=np.array([50.0, 30.0, 20.0]))
    assert got.trees.tolist() == [50, 30, 20]
    assert got.target_deviation == 0 and not got.clashes


def test_survival_settles_what_the_aim_leaves_open():
    # The third is aimed at and does not fit: its share goes where more trees live.
    scores = zone((100, [80, 80, 0]))
    _, got = mix(scores, [0.9, 0.6, 0.9], aim=np.array([30.0, 30.0, 40.0]))
    assert got.trees.tolist() == [50, 50, 0]
    _, got = mix(scores, [0.9, 0.6, 0.9], aim_first=0, largest_share=0.7)
    assert got.trees.tolist() == [70, 30, 0]


def test_what_the_aim_costs_is_shown():
    _, got = mix(zone((100, [90, 90])), [0.9, 0.5], aim=np.array([1.0, 1.0]))
    assert got.trees.tolist() == [50, 50]
    assert got.survivors == pytest.approx(0.9 * (0.9 * 50 + 0.5 * 50), rel=1e-4)
    assert got.most_survivors == pytest.approx(0.9 * 0.9 * 100, rel=1e-4)
    assert (got.target_deviation, got.most_target_deviation) == (0, 50)


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
        aim_first=0,
    )
    assert not got.clashes
    # The best species takes the most, the rules' least goes to the worst.
    assert got.trees.tolist() == [40, 20, 30, 10]


def test_places_where_nothing_fits_stay_empty():
    supply, got = mix(zone((10, [90, 20]), (5, [10, 20])), [0.9, 0.9])
    assert (supply.group < 0).sum() == 5
    assert got.trees.tolist() == [10, 0]


def test_rules_that_clash_give_way_by_as_little_as_can_be_and_say_so():
    _, got = mix(
        zone((40, [90, 0]), (10, [90, 90])),
        [0.9, 0.9],
        [False, True],
        pioneer_share=0.5,
        least_species=3,
        largest_share=0.9,
    )
    assert got.trees.tolist() == [40, 10]
    assert [(c.short, c.unit) for c in got.clashes] == [(1, "species"), (15, "trees")]
    assert (
        got.clashes[1].words == "50% pioneer were asked for (25 trees); the mix has 15 trees "
        "fewer, because species with that role suit only 10 of the 50 places"
    )


def test_must_and_never():
    scores = zone((100, [90, 80, 45]))
    _, got = mix(
        scores, [0.9, 0.8, 0.6], must=("c",), never=("a",), smallest_share=0.1, aim_first=0
    )
    assert got.trees.tolist() == [0, 90, 10]
    _, got = mix(zone((100, [90, 80, 10])), [0.9] * 3, must=("c",))
    assert got.clashes[0].words.startswith("c must be planted")


def test_a_role_keeps_to_its_ground():
    scores = zone((50, [70, 90]), (50, [50, 90]))
    which = Candidates(("a", "b"), np.array([0.9, 0.9]), (("long-term timber",), ("pioneer",)))
    supply = gather(scores, which, held(role_suitability={"long-term timber": 60}))
    assert supply.where()[:, 0].tolist() == [True] * 50 + [False] * 50


def test_stock_and_budget_never_give_way():
    scores = zone((100, [90, 80]))
    _, got = mix(scores, [0.9, 0.8], stock=np.array([30, 20]), smallest_share=0.25)
    assert got.trees.tolist() == [30, 20]
    _, got = mix(scores, [0.9, 0.8], cost=np.array([2.0, 4.0]), budget=130.0)
    assert 126 < got.trees @ [2, 4] <= 130


def beside(stays, scores, survival, pioneer=None, *, aim=None, **rules):
    """The mix of a zone where trees of each species stay, on ground like the other places."""
    which = kinds(survival, pioneer, aim=aim)
    supply = gather(scores, which, held(**rules))
    more = np.repeat(scores[:1], sum(stays), axis=0)
    whole = gather(np.concatenate([scores, more]), which, held(**rules))
    supply = replace(supply, standing=np.array(stays), whole=whole)
    return choose_mix(supply, which, held(**rules))


def test_new_places_make_up_for_trees_that_stay():
    got = beside(
        [50, 0, 0], zone((100, [90, 60, 50])), [0.9, 0.5, 0.7], aim=np.array([50.0, 30.0, 20.0])
    )
    assert got.trees.tolist() == [25, 45, 30]
    assert got.target_deviation == 0 and not got.clashes
    # More than the zone's whole share stays: it is told, and nothing of it is added.
    got = beside([80, 0], zone((20, [90, 90])), [0.9, 0.9], largest_share=0.5)
    assert got.trees.tolist() == [0, 20]
    assert [clash.short for clash in got.clashes] == [30]
    assert got.target_deviation == 30


def test_rules_of_a_mix_count_what_stays():
    scores = zone((60, [90, 90, 90]))
    got = beside([30, 10, 0], scores, [0.9] * 3, largest_share=0.35, aim_first=0)
    assert got.trees[0] <= 5 and got.trees.sum() == 60  # 35 of 100, of which 30 stay
    # A role's share is met by pioneers that stay; a species that stays is one of those asked for.
    got = beside(
        [40, 0], zone((60, [60, 90])), [0.5, 0.9], [True, False], pioneer_share=0.4, aim_first=0,
        least_species=2,
    )  # fmt: skip
    assert got.trees.tolist() == [0, 60] and not got.clashes
    # As little as one tree more of what stays may be planted, but not of what is new.
    got = beside(
        [10, 0, 0], zone((90, [90, 90, 90])), [0.9] * 3, aim=np.array([11.0, 85.0, 4.0]),
        smallest_share=0.1,
    )  # fmt: skip
    assert got.trees[0] >= 1 and (got.trees[2] == 0 or got.trees[2] >= 10)
    got = beside([5, 0], zone((95, [90, 90])), [0.9, 0.9], must=("a",), aim=np.array([0.0, 1.0]))
    assert got.trees.tolist() == [0, 95] and not got.clashes


def test_zones_share_the_stock_where_it_does_most():
    which = kinds([0.9, 0.9])
    both = zone((100, [90, 45])), zone((100, [45, 45]))
    supplies = [gather(scores, which, held(aim_first=0)) for scores in both]
    stock = np.array([120, 200])
    shares, _ = share_out(supplies, which, held(aim_first=0), stock=stock, budget=None)
    assert (np.sum(shares, axis=0) <= stock).all()
    trees = [
        choose_mix(s, which, held(aim_first=0), stock=share).trees
        for s, share in zip(supplies, shares, strict=True)
    ]
    assert trees[0].tolist() == [100, 0] and sum(trees[1]) == 100


@given(
    sizes=st.lists(st.integers(1, 5), min_size=1, max_size=3),
    scores=st.lists(st.integers(0, 100), min_size=9, max_size=9),
    largest=st.sampled_from([0.5, 0.7, 1.0]),
    pioneers=st.sampled_from([0.0, 0.3]),
    aim=st.sampled_from([(1, 1, 1), (5, 3, 2), (0, 1, 4)]),
    aim_first=st.sampled_from([0.0, 0.5, 1.0]),
)
@settings(max_examples=examples(40))
def test_no_other_mix_is_nearer_to_what_was_asked(sizes, scores, largest, pioneers, aim, aim_first):
    """Brute force: every way to put species on the places, by the same price list."""
    pioneer = [True, False, True]
    rules = {"largest_share": largest, "pioneer_share": pioneers, "aim_first": aim_first}
    grid = np.array(scores, float).reshape(3, 3)[: len(sizes)]
    which = kinds([0.9, 0.7, 0.8], pioneer, aim=np.array(aim, float))
    supply = gather(zone(*zip(sizes, grid, strict=True)), which, held(**rules))
    places = supply.places
    if not places:
        return
    got = choose_mix(supply, which, held(**rules))
    share = aim_of(supply, which)

    def price(trees, survivors):
        off = trees - share * places
        step = np.clip(off, 0, 0.5 * share * places)
        step2 = np.clip(off - step, 0, share * places)
        over = 0.5 * step + 0.75 * step2 + np.maximum(off - step - step2, 0)
        left = places - trees.sum()
        rule = np.maximum(trees - largest * trees.sum(), 0).sum()
        rule += max(0, pioneers * trees.sum() - trees[pioneer].sum())
        return (
            aim_first * (over + 0.5 * np.maximum(-off, 0)).sum()
            + 3 * rule + (8 + 3 * pioneers) * left - survivors
        )  # fmt: skip

    ways = []
    for size, fits in zip(supply.size, supply.suitability, strict=True):
        each = [range(size + 1) if np.isfinite(f) else range(1) for f in fits]
        ways.append([w for w in itertools.product(*each) if sum(w) <= size])
    if np.prod([len(w) for w in ways]) > 8000:
        return
    worth = np.nan_to_num(supply.suitability) / 100 * which.survival
    prices = [
        (price(np.sum(way, axis=0), (np.array(way) * worth).sum()), tuple(np.sum(way, axis=0)))
        for way in itertools.product(*ways)
    ]
    best = min(p for p, _ in prices)
    mine = min(p for p, trees in prices if trees == tuple(got.trees))
    assert mine <= best + 1e-3 * places


def test_the_mix_holds_up_when_survival_turns_out_otherwise():
    """Deaths may be half to one and a half times the assumption (our own range)."""
    random = np.random.default_rng(5)
    scores = random.integers(30, 100, (600, 8)).astype(float)
    survival = random.uniform(0.6, 0.9, 8)
    rules = held(least_species=5, largest_share=0.3, smallest_share=0.03)
    which = kinds(survival)
    supply = gather(scores, which, rules)
    mixed = choose_mix(supply, which, rules)
    alone = choose_mix(supply, which, rules.model_copy(update={"aim_first": 0.0}))
    lost, share = [], []
    for _ in range(40):
        drawn = 1 - (1 - survival) * random.uniform(0.5, 1.5, 8)
        lost.append((mixed.trees @ drawn) / (alone.trees @ drawn))
        lived = mixed.trees * drawn
        share.append((lived / lived.sum()).max())
    # It never gives up much, and no species takes over.
    assert min(lost) > 0.85 and max(share) < 0.35
    # Most of the survivors come from ever more species, not from the toughest alone.
    assert (mixed.trees > 0).sum() >= (alone.trees > 0).sum()


def test_mixes_are_the_same_every_time():
    scores = np.random.default_rng(3).integers(0, 100, (400, 8)).astype(float)
    first, second = (mix(scores, [0.8] * 8, largest_share=0.3)[1] for _ in range(2))
    assert first.trees.tolist() == second.trees.tolist()
    assert first.trees.sum() > 300


def test_an_empty_zone_has_an_empty_mix():
    _, got = mix(np.zeros((5, 2)), [0.9, 0.9])
    assert got.trees.tolist() == [0, 0]


@pytest.mark.parametrize("least", [2, 3])
def test_a_species_in_the_mix_has_its_smallest_share(least):
    _, got = mix(
        zone((100, [90, 50, 50])), [0.9] * 3, least_species=least, smallest_share=0.2, aim_first=0
    )
    used = got.trees
    assert (used > 0).sum() == least and used[used > 0].min() >= 20


def test_many_groups_are_told_apart_without_loss_of_truth():
    scores = np.random.default_rng(1).integers(0, 100, (3000, 14)).astype(float)
    which = kinds([0.8] * 14)
    supply = gather(scores, which, held())
    assert not (supply.where() & (scores < 40)).any()


def test_shares_that_cannot_hold_are_not_paid_for_with_empty_places():
    # One species suits: it takes every place, and each share that it breaks is said with why.
    _, got = mix(
        zone((100, [90, 10])),
        [0.9, 0.9],
        [False, True],
        largest_share=0.35,
        pioneer_share=0.4,
        roles={"habitat": 0.9, "shelter": 0.5},
        least_species=1,
    )
    assert got.trees.tolist() == [100, 0]
    assert [clash.words for clash in got.clashes] == [
        "40% pioneer were asked for (40 trees); the mix has 40 trees fewer, because no "
        "species with that role suits this ground",
        "50% shelter were asked for (50 trees); the mix has 50 trees fewer, because no "
        "species with that role suits this ground",
        "no species should exceed 35% of the trees; a does, by 65 trees, because it alone suits "
        "100 of the 100 places",
    ]


def test_too_few_species_for_the_largest_share_are_the_reason():
    _, got = mix(zone((100, [90, 90])), [0.9, 0.9], largest_share=0.35)
    assert got.trees.sum() == 100
    assert got.clashes[0].words.endswith("because only 2 species suit this ground")


def test_a_stock_that_keeps_a_share_from_holding_is_named():
    _, got = mix(
        zone((100, [90, 90])), [0.9, 0.9], [True, False], stock=np.array([10, 100]),
        pioneer_share=0.4, largest_share=0.7,
    )  # fmt: skip
    assert got.trees.tolist() == [10, 90]
    assert [c.words.split("because ")[1] for c in got.clashes] == [
        "there are only 10 plants of these for this zone",
        "the stock of the others is used up",
    ]


def test_the_smallest_share_gives_way_before_a_place_stays_empty():
    # b alone suits five places, fewer than a tenth; b and c have four more places between them.
    scores = zone((91, [90, 0, 0]), (5, [0, 90, 0]), (4, [0, 0, 90]))
    supply, got = mix(scores, [0.9] * 3, smallest_share=0.1)
    assert (supply.group >= 0).all()
    assert got.trees.tolist() == [91, 5, 4]
    assert [c.words for c in got.clashes] == [
        "a species should have at least 10 trees; b has 5, because no more places suit it",
        "a species should have at least 10 trees; c has 4, because no more places suit it",
    ]
    # Ground that two share is not enough for both.
    scores = zone((84, [90, 0, 0]), (6, [0, 90, 0]), (4, [0, 90, 90]), (6, [0, 0, 90]))
    _, got = mix(scores, [0.9] * 3, smallest_share=0.1)
    assert got.trees.sum() == 100 and (got.trees > 0).all()
    assert any("so that no place stays empty" in c.words for c in got.clashes)


@given(
    sizes=st.lists(st.integers(1, 30), min_size=1, max_size=4),
    scores=st.lists(st.integers(0, 100), min_size=16, max_size=16),
    largest=st.sampled_from([0.1, 0.35, 1.0]),
    smallest=st.sampled_from([0.0, 0.1, 0.3]),
    roles=st.sampled_from([{}, {"habitat": 1.0, "shelter": 1.0, "food": 0.8}]),
    least=st.integers(1, 6),
)
@settings(max_examples=examples(60))
def test_without_stock_or_budget_every_place_that_suits_is_planted(
    sizes, scores, largest, smallest, roles, least
):
    grid = np.array(scores, float).reshape(4, 4)[: len(sizes)]
    places = zone(*zip(sizes, grid, strict=True))
    rules = {"largest_share": largest, "smallest_share": smallest, "least_species": least}
    _, got = mix(places, [0.9, 0.7, 0.8, 0.6], [True, False, False, True], roles=roles, **rules)
    assert got.trees.sum() == (places >= 40).any(axis=1).sum()
