"""Survival: intervals, patchiness, infill and what is expected next."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from conftest import SITE, here
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.after import survival_round as after
from siteplanner.after.planted import Planted, draw_rows, read_planted
from siteplanner.after.survival import judge, patchiness, updated, wilson
from siteplanner.after.survival_counts import (
    CAUSES,
    between,
    between_in_words,
    latest,
    read_counts,
)
from siteplanner.base.errors import InputError
from siteplanner.reading.species.survival_rates import with_saved_rates
from siteplanner.reading.species.table import read_species
from siteplanner.site.nursery import Survival
from siteplanner.site.site_file import load_site

RULES = Survival()
GUM, WATTLE = "Eucalyptus ovata", "Acacia dealbata"


def planted_of(*rows):
    trees = pd.DataFrame(rows, columns=["block", "zone", "row", "species", "planted"])
    others = pd.DataFrame([("A", GUM, WATTLE)], columns=["zone", "species", "substitute"])
    return Planted(trees, {"A": ("frosty flat", ""), "B": ("bench", "")}, {GUM: 5}, others, -42.0)


#: Block A1 of zone A: 40 rows of 10; block B1 of zone B: 20 rows of 5.
PLANTED = planted_of(
    *(("A1", "A", row, GUM, 10) for row in range(1, 41)),
    *(("B1", "B", row, GUM, 5) for row in range(1, 21)),
)


def counted(*rows):
    """Counts from (block, zone, row, planted, alive, frost)."""
    frame = pd.DataFrame(rows, columns=["block", "zone", "row", "planted", "alive", "frost"])
    return frame.assign(species=GUM, date=None, **{c: 0 for c in CAUSES if c != "frost"})


@given(st.integers(1, 500), st.floats(0, 1), st.floats(0.5, 0.99))
def test_wilson_is_scipys(trees, share, confidence):
    alive = round(share * trees)
    theirs = scipy.stats.binomtest(alive, trees).proportion_ci(confidence, method="wilson")
    assert wilson(alive, trees, confidence) == pytest.approx(tuple(theirs), abs=1e-9)


def test_wilson_at_the_ends_and_without_trees():
    assert wilson(0, 20)[0] == 0 and wilson(20, 20)[1] == 1
    assert wilson(0, 0) == (0, 1)


def test_intervals_hold_the_truth_as_often_as_they_say():
    # 95 % intervals of 50 trees at survival 0.7: Wilson's hold it in about 95 of 100 counts.
    alive = np.random.default_rng(4).binomial(50, 0.7, 4000)
    held = [low <= 0.7 <= high for low, high in (wilson(a, 50) for a in range(51))]
    assert np.mean(np.array(held)[alive]) == pytest.approx(0.95, abs=0.02)


def test_lone_trees_are_not_patchy_and_rows_that_share_a_fate_are():
    draw = np.random.default_rng(2)
    lone = counted(*(("A1", "A", r, 10, a, 0) for r, a in enumerate(draw.binomial(10, 0.7, 40), 1)))
    assert patchiness(lone) == pytest.approx(1, abs=0.4)
    whole = counted(*(("A1", "A", r, 10, 10 * (r % 2), 0) for r in range(1, 41)))
    # Rows of ten that live or die as one: ten trees tell as much as one, and 40/39 for a mean
    # that comes from the rows themselves.
    assert patchiness(whole) == pytest.approx(10 * 40 / 39)


def test_intervals_of_patchy_rows_hold_the_truth():
    # Rows' own survival scatters (Beta with mean 0.7); 12 of 40 rows are counted, again and again.
    draw, held = np.random.default_rng(6), 0
    for _ in range(300):
        fate = draw.beta(2.8, 1.2, 40)
        alive = draw.binomial(10, fate)
        rows = draw.permutation(40)[:12]
        frame = counted(*(("A1", "A", int(r) + 1, 10, int(alive[r]), 0) for r in rows))
        trees, effect = 120, patchiness(frame)
        low, high = wilson(alive[rows].sum() / effect, trees / effect)
        held += low <= 0.7 <= high
        naive_low, naive_high = wilson(alive[rows].sum(), trees)
        assert (low, high) == (naive_low, naive_high) or high - low > naive_high - naive_low
    assert held / 300 > 0.9


def test_a_belief_of_two_trees_at_a_half_is_laplaces_rule():
    # Rule of succession (alive + 1) / (trees + 2); from memory.
    assert updated(0.5, 2, 7, 10, 0.95)[1] == pytest.approx(8 / 12)
    assert updated(0.8, 20, 0, 0, 0.95)[1] == pytest.approx(0.8)
    assert updated(0.8, 0, 9, 10, 0.95)[1] == pytest.approx(0.9)
    low, mean, high = updated(0.8, 0, 10, 10, 0.95)
    assert 0.6 < low < mean == high == 1


@given(st.floats(0.05, 1), st.floats(0, 100), st.integers(0, 200), st.floats(0, 1))
def test_the_update_lies_between_belief_and_count(expected, believed, trees, share):
    alive = round(share * trees)
    low, mean, high = updated(expected, believed, alive, trees, 0.9)
    seen = alive / trees if trees else expected
    assert min(expected, seen) - 1e-9 <= mean <= max(expected, seen) + 1e-9
    assert 0 <= low <= high <= 1


def test_a_block_counted_to_the_last_tree_leaves_no_doubt():
    rows = [("B1", "B", row, 5, 5 * (row % 2), 0) for row in range(1, 21)]
    rows += [("A1", "A", row, 10, 8, 0) for row in range(1, 7)]
    blocks = judge(counted(*rows), PLANTED, {GUM: 0.8}, RULES).blocks.set_index("block")
    ends = blocks[["dead_at_least", "dead", "dead_at_most"]]
    assert ends.loc["B1"].tolist() == [50, 50, 50]
    assert 12 <= ends.loc["A1", "dead_at_least"] < 80 < ends.loc["A1", "dead_at_most"] <= 352


def test_blocks_weigh_what_stands_in_them():
    # 60 trees counted in each: 90 % of 1,000 trees and 20 % of 100 are 920 of 1,100, 83.6 %.
    blocks = planted_of(
        *(("A1", "A", row, GUM, 10) for row in range(1, 101)),
        *(("A2", "A", row, GUM, 10) for row in range(1, 11)),
    )
    rows = [("A1", "A", row, 10, 9, 0) for row in range(1, 7)]
    rows += [("A2", "A", row, 10, 2, 0) for row in range(1, 7)]
    outcome = judge(counted(*rows), blocks, {GUM: 0.85}, RULES)
    zone = outcome.zones.loc[0]
    assert zone["survival"] == pytest.approx(920 / 1100)
    # Standard error by hand: W^2 p (1 - p) / n summed, 3.6 %; the interval is about twice it.
    error = np.sqrt((10 / 11) ** 2 * 0.9 * 0.1 / 60 + (1 / 11) ** 2 * 0.2 * 0.8 / 60)
    assert (zone["high"] - zone["low"]) / 2 == pytest.approx(1.96 * error, rel=0.1)
    assert zone["differs"] == "" and zone["counted"] == 120 and zone["alive"] == 66
    saved = outcome.grounds.loc[0, "expected_survival"]
    assert 0.83 < saved < 0.85


def alike(draw, mean, correlation, n):
    """Shares of ``n`` groups whose trees' fates are so correlated: Beta, or all the same."""
    if correlation == 0:
        return np.full(n, mean)
    worth = 1 / correlation - 1
    return draw.beta(mean * worth, (1 - mean) * worth, n)


def counts_of(trees, alive, seed):
    """Rows drawn and counted, of ``trees`` as in ``Planted.trees`` with so many ``alive``."""
    drawn = draw_rows(replace(PLANTED, trees=trees.assign(alive=alive)), 60, seed)
    return drawn.assign(date=None, **dict.fromkeys(CAUSES, 0))


@pytest.mark.long
def test_intervals_of_zones_hold_the_truth_of_uneven_blocks():
    """Blocks of 400, 150 and 60 trees, each with a share of its own, 60 trees counted in each."""
    rows = [(f"A{b}", "A", r, GUM, 5) for b, n in ((1, 80), (2, 30), (3, 12)) for r in range(n)]
    planted = planted_of(*((b, z, r + 1, s, n) for b, z, r, s, n in rows))
    share = planted.trees["block"].map({"A1": 0.9, "A2": 0.6, "A3": 0.3}).to_numpy()
    truth, draw, held = float(share.mean()), np.random.default_rng(3), []
    for turn in range(100):
        counts = counts_of(planted.trees, draw.binomial(5, share), turn)
        zone = judge(counts, planted, {GUM: 0.8}, RULES).zones.loc[0]
        held.append(zone["low"] <= truth <= zone["high"])
    assert 0.93 <= np.mean(held) <= 0.98


@pytest.mark.long
@pytest.mark.parametrize(
    ("of_blocks", "of_rows"), [(0.0, 0.0), (0.05, 0.0), (0.15, 0.0), (0.0, 0.2), (0.05, 0.2)]
)
def test_what_is_foretold_of_blocks_comes_true(of_blocks, of_rows):
    """The 95 % interval of a block's dead against the dead of the whole block, from drawn rows.

    Eight blocks of 300 trees in two zones; the fates of trees correlate in blocks and in rows.
    Many more kinds of site are in ``test_foretold.py``.
    """
    rows = [(f"{z}{b}", z, r, GUM, 10) for z in "AB" for b in range(4) for r in range(1, 31)]
    planted, draw = planted_of(*rows), np.random.default_rng(8)
    held = []
    for turn in range(300):
        mean = np.repeat(alike(draw, 0.75, of_blocks, 8), 30)
        fate = [alike(draw, m, of_rows, 1)[0] for m in mean] if of_rows else mean
        alive = draw.binomial(10, fate)
        counts = counts_of(planted.trees, alive, turn)
        blocks = judge(counts, planted, {GUM: 0.85}, RULES).blocks
        dead = 300 - alive.reshape(8, 30).sum(axis=1)
        assert blocks["block"].tolist() == sorted(set(planted.trees["block"]))
        held += list((blocks["dead_at_least"] <= dead) & (dead <= blocks["dead_at_most"]))
    assert 0.93 <= np.mean(held) <= 0.97


def test_infill_brings_the_dead_back_where_few_live():
    # A census: 100 of 400 live in A1, 95 of 100 in B1.
    outcome = judge(
        counted(("A1", "A", 0, 400, 100, 250), ("B1", "B", 0, 100, 95, 0)),
        PLANTED,
        {GUM: 0.8},
        RULES,
    )
    blocks = outcome.blocks.set_index("block")
    # Each ground by itself: 100 of 400 on the frosty flat, 95 of 100 on the bench.
    now = outcome.grounds.set_index("ground")["expected_survival"]
    assert now["frosty"] == pytest.approx((20 * 0.8 + 100) / 420)
    assert now["ordinary"] == pytest.approx((20 * 0.8 + 95) / 120)
    assert blocks["dead"].to_dict() == {"A1": 300, "B1": 5}
    assert blocks["infill"].to_dict() == {"A1": np.ceil(300 / now["frosty"]), "B1": 0}
    species = outcome.species.loc[0]
    assert species["still_to_order"] == species["infill"] - 5
    few = judge(counted(("A1", "A", 0, 400, 299, 0)), PLANTED, {GUM: 0.8}, RULES).blocks["infill"]
    plenty = replace(PLANTED, allowed={GUM: 1000})
    enough = judge(counted(("A1", "A", 0, 400, 299, 0)), plenty, {GUM: 0.8}, RULES).species
    assert 0 < few[0] < 1000 and enough["still_to_order"].tolist() == [0]


def test_what_differs_is_said_with_its_ground_its_cause_and_another_species():
    outcome = judge(
        counted(("A1", "A", 0, 400, 100, 250), ("B1", "B", 0, 100, 80, 0)),
        PLANTED,
        {GUM: 0.8},
        RULES,
    )
    (finding,) = [line for line in outcome.findings if line.startswith("Zone")]
    assert "frosty flat" in finding and "worse than the 80% expected" in finding
    assert "250 frost" in finding and WATTLE in finding
    assert any("2 comparisons" in line for line in outcome.findings)


def test_a_block_not_counted_is_not_judged_unless_its_zone_was():
    outcome = judge(counted(("A1", "A", 1, 10, 5, 0)), PLANTED, {GUM: 0.8}, RULES)
    blocks = outcome.blocks.set_index("block")
    assert np.isnan(blocks["survival"]["B1"]) and np.isnan(blocks["infill"]["B1"])
    assert blocks["dead_at_least"]["A1"] < blocks["dead"]["A1"] < blocks["dead_at_most"]["A1"]


def test_rows_are_drawn_at_random_by_seed_and_hold_enough_trees():
    drawn = draw_rows(PLANTED, 60, 1)
    assert drawn.equals(draw_rows(PLANTED, 60, 1)) and not drawn.equals(draw_rows(PLANTED, 60, 2))
    assert drawn.groupby("block")["planted"].sum().to_dict() == {"A1": 60, "B1": 60}
    alone = planted_of(*(("A1", "A", row, GUM, 10) for row in range(1, 41)))
    assert draw_rows(alone, 60, 1)["row"].tolist() == drawn[drawn["block"] == "A1"]["row"].tolist()
    often = [r for s in range(400) for r in set(draw_rows(alone, 60, s)["row"])]
    # Each of 40 rows is drawn 60 times in 400 draws of 6, give or take.
    assert scipy.stats.chisquare(np.bincount(often)[1:]).pvalue > 0.001


def lines(tmp_path, *rows, head="block,row,species,planted,alive,frost,date"):
    path = tmp_path / "counts.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def test_counts_are_read_the_latest_of_the_same_trees(tmp_path):
    path = lines(
        tmp_path,
        f"A1,3,{GUM},,9,,2029-03-01",
        f"A1,3,{GUM},10,6,2,2029-09-01",
        f"A1,4,{GUM},,,,",
        f"B1,,{GUM},,80,,",
    )
    counts = latest(read_counts([path], PLANTED)).sort_values("block")
    assert counts[["block", "row", "planted", "alive", "frost"]].to_numpy().tolist() == [
        ["A1", 3, 10, 6, 2],
        ["B1", 0, 100, 80, 0],
    ]


def test_two_counts_of_the_same_trees_say_when_they_died(tmp_path):
    path = lines(
        tmp_path,
        f"A1,3,{GUM},,6,,2029-09-05",
        f"A1,3,{GUM},,9,,2029-02-20",
        f"A1,4,{GUM},,10,,2029-02-20",
        f"A1,4,{GUM},,9,,2029-09-05",
        f"A1,5,{GUM},,1,,2029-09-05",
    )
    counts = read_counts([path], PLANTED)
    assert between(counts)[["before", "after"]].to_numpy().tolist() == [[19, 15]]
    findings = between_in_words(counts, PLANTED.latitude)
    assert any(
        "19 trees alive in late summer (2029-02-20), 21% had died by early spring" in line
        for line in findings
    )


def test_only_the_last_round_of_a_block_is_judged(tmp_path):
    path = lines(
        tmp_path,
        f"A1,3,{GUM},,10,,2029-02-20",
        f"A1,4,{GUM},,10,,2029-02-20",
        f"A1,4,{GUM},,2,,2029-09-05",
        f"A1,5,{GUM},,3,,2029-08-20",
        f"A1,5,{GUM},,1,,2029-08-21",
        f"B1,,{GUM},,80,,2029-02-20",
    )
    counts = latest(read_counts([path], PLANTED))
    assert sorted(zip(counts["block"], counts["row"], counts["alive"], strict=True)) == [
        ("A1", 4, 2),
        ("A1", 5, 1),
        ("B1", 0, 80),
    ]
    later = lines(tmp_path, f"A1,3,{GUM},,10,,2029-02-20", f"A1,,{GUM},,200,,2029-09-05")
    assert latest(read_counts([later], PLANTED))["row"].tolist() == [0]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (f"A9,3,{GUM},,9,,", "no such block"),
        (f"A1,3,{WATTLE},,9,,", "no such trees"),
        (f"A1,77,{GUM},,9,,", "no such trees"),
        (f"A1,3,{GUM},,11,,", "11 alive of 10"),
        (f"A1,3,{GUM},,8,3,", "3 trees have a cause"),
        (f"A1,3,{GUM},,some,,", "not a number of trees"),
        (f"A1,3,{GUM},,9,,spring", "not a date"),
        (f"A1,3,{GUM},,9,,\nA1,,{GUM},,300,,", "both as a whole and by rows"),
        (f"A1,3,{GUM},,,,", "nothing was counted"),
    ],
)
def test_errors_in_counts_are_named(tmp_path, row, said):
    with pytest.raises(InputError, match=said):
        read_counts([lines(tmp_path, row)], PLANTED)


def test_from_rows_drawn_to_an_expectation_saved(sample_plan, tmp_path):
    site_folder = tmp_path / "site"
    site_folder.mkdir()
    for name in ("site.toml", "species.csv"):
        (site_folder / name).write_bytes((SITE.parent / name).read_bytes())
    site = load_site(site_folder)
    form = tmp_path / "rows_to_count.csv"
    rows, trees, _ = after.write_rows_to_count(site, sample_plan, form)
    filled = pd.read_csv(form)
    assert len(filled.groupby(["block", "row"])) == rows and filled["planted"].sum() == trees
    with pytest.raises(InputError, match="already there"):
        after.write_rows_to_count(site, sample_plan, form)
    filled["alive"] = (filled["planted"] * 0.5).astype(int)
    filled.to_csv(form, index=False)
    done = here(
        "survival",
        site_folder,
        form,
        "--plan",
        sample_plan,
        "--out",
        tmp_path / "out",
        "--save-rates",
    )
    assert done.returncode == 0 and "comparisons" in done.stdout, done.stderr
    orders = pd.read_csv(tmp_path / "out" / "infill.csv").set_index("species")["infill"]
    blocks = pd.read_csv(tmp_path / "out" / "survival_blocks.csv")
    assert blocks.groupby("species")["infill"].sum().reindex(orders.index).eq(orders).all()
    table = read_species(site_folder / "species.csv")
    saved, said = with_saved_rates(table, site_folder / "expected_survival.csv")
    assert "comes from counts" in said
    hoped = table.facts.set_index("botanical_name")["expected_survival"]
    learnt = saved.survival_on_ground.items()
    assert {name for (name, _), share in learnt if share < hoped[name]} == set(filled["species"])
    assert len({ground for (_, ground), _ in learnt}) > 3


def test_nothing_is_saved_unless_asked(sample_plan, tmp_path):
    (tmp_path / "species.csv").write_bytes((SITE.parent / "species.csv").read_bytes())
    (tmp_path / "site.toml").write_bytes(SITE.read_bytes())
    block = read_planted(sample_plan).trees.iloc[0]
    counts = lines(tmp_path, f"{block.block},{block.row},{block.species},,0,,")
    outcome = after.survival_of(load_site(tmp_path), [counts], sample_plan)
    after.write_outcome(outcome, tmp_path / "out")
    assert not (tmp_path / "expected_survival.csv").exists()
