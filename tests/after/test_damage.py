"""Damage and samples: what was seen counts where it was, what was drawn speaks of the rest."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from conftest import SITE, here
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.after import survival_round as after
from siteplanner.after.planted import Planted
from siteplanner.after.survival_counts import CAUSES, FORM
from siteplanner.base.errors import InputError
from siteplanner.site.site_file import load_site

GUM, WATTLE, OTHER = "Eucalyptus ovata", "Acacia dealbata", "Eucalyptus pauciflora"
HEAD = "block,rows,species,cause,dead,do,replace_with,date,note"
ROWS = (
    *((block, "A", row, *what) for block in ("A1", "A2") for row in range(1, 31)
      for what in ((GUM, 6), (WATTLE, 4))),
    *(("B1", "B", row, GUM, 5) for row in range(1, 21)),
)  # fmt: skip


@pytest.fixture
def site(tmp_path, monkeypatch):
    """A site whose plan has blocks A1 and A2 on a frosty flat, of 300 trees, and B1 on a slope."""
    folder = tmp_path / "site"
    folder.mkdir()
    for name in ("site.toml", "species.csv"):
        (folder / name).write_bytes((SITE.parent / name).read_bytes())
    trees = pd.DataFrame(ROWS, columns=["block", "zone", "row", "species", "planted"])
    zones = {"A": ("frosty wet creek flat, clay", ""), "B": ("gentle slope, loam", "")}
    others = pd.DataFrame(columns=["zone", "species", "substitute"])
    planted = Planted(trees, zones, {}, others, -42.0)
    monkeypatch.setattr(after, "read_planted", lambda folder: planted)
    return load_site(folder)


@pytest.fixture
def form(site, tmp_path):
    """The form of a draw, to fill in."""
    path = tmp_path / "rows_to_count.csv"
    after.write_rows_to_count(site, tmp_path, path)
    return path


def filled(form, name, share, **blocks):
    """Fill a form in with this share alive, or with a share of its own for a block."""
    frame = pd.read_csv(form)
    shares = frame["block"].map(blocks).fillna(share)
    frame["alive"] = (frame["planted"] * shares).round().astype(int)
    return saved(frame, form.with_name(name))


def saved(frame, path):
    frame.to_csv(path, index=False)
    return path


def written(tmp_path, *lines, name="damage.csv", head=HEAD):
    path = tmp_path / name
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


def orders(outcome):
    """Plants to order by block, without blocks that need none."""
    sums = outcome.blocks.groupby("block")["infill"].sum()
    assert sums.sum() == outcome.species["infill"].sum()
    return sums[sums > 0].to_dict()


def judged(site, counts=(), damage=(), **more):
    return after.survival_of(site, counts, site.folder, damage=damage, **more)


def test_three_rows_eaten_order_their_own_trees_and_no_others(site, tmp_path):
    eaten = [f"A1,{row},{name},0" for row in (3, 4, 8) for name in (GUM, WATTLE)]
    counts = written(tmp_path, *eaten, name="counts.csv", head="block,row,species,alive")
    damage = written(tmp_path, 'A1,"3-4, 8",,browsing,all,replant same,,2029-05-02,')
    for outcome in (judged(site, [counts]), judged(site, damage=[damage])):
        assert orders(outcome) == {"A1": 30} and outcome.grounds.empty
        assert outcome.species.set_index("species")["infill"].to_dict() == {WATTLE: 12, GUM: 18}
    assert any("not a random sample" in line for line in judged(site, [counts]).findings)
    assert any("30 dead of browsing" in x for x in judged(site, damage=[damage]).findings)


def test_a_filled_in_form_is_a_sample_and_rows_added_by_hand_are_not(site, form):
    half = filled(form, "half.csv", 0.5)
    outcome = judged(site, [half])
    assert set(orders(outcome)) == {"A1", "A2", "B1"}
    frame = pd.read_csv(half)
    free = sorted(set(range(1, 31)) - set(frame.loc[frame["block"] == "A1", "row"]))[:3]
    # By hand: one with no mark, one where the line of a drawn row was copied and its row changed.
    copied = frame[frame["block"] == "A1"].head(1).assign(row=free[1], alive=0)
    bare = copied.assign(row=free[0], draw="")
    more = judged(site, [saved(pd.concat([frame, copied, bare]), form.with_name("more.csv"))])
    same = ["species", "ground", "counted", "alive"]
    assert more.grounds[same].equals(outcome.grounds[same])
    assert more.grounds["expected_survival"].to_numpy() == pytest.approx(
        outcome.grounds["expected_survival"], abs=0.002
    )
    assert more.species["seen_dead"].sum() == 2 * copied["planted"].iloc[0]


def test_a_few_rows_picked_from_the_form_are_no_sample(site, form):
    frame = pd.read_csv(filled(form, "none.csv", 0.0))
    first = sorted(set(frame.loc[frame["block"] == "A1", "row"]))[:3]
    there = (frame["block"] == "A1") & frame["row"].isin(first)
    outcome = judged(site, [saved(frame[there], form.with_name("three.csv"))])
    assert orders(outcome) == {"A1": 30} and outcome.grounds.empty
    assert any("3 of 6 drawn rows" in line for line in outcome.findings)
    nearly = frame[~((frame["block"] == "A1") & (frame["row"] == first[0]))]
    outcome = judged(site, [saved(nearly, form.with_name("nearly.csv"))])
    assert outcome.grounds["counted"].sum() == nearly["planted"].sum()
    assert any("5 of 6 drawn rows" in line and "is wrong" in line for line in outcome.findings)


def test_a_zone_counted_to_the_last_tree_is_a_sample_without_a_draw(site, tmp_path):
    counts = written(tmp_path, f"B1,,{GUM},40", name="c.csv", head="block,row,species,alive")
    assert judged(site, [counts]).grounds["alive"].tolist() == [40]
    counts = written(tmp_path, f"A1,,{GUM},40", name="c.csv", head="block,row,species,alive")
    assert judged(site, [counts]).grounds.empty


def test_trees_counted_as_damage_are_not_in_the_sample_too(site, form, tmp_path):
    frame = pd.read_csv(filled(form, "all.csv", 1.0))
    row = int(frame.loc[frame["block"] == "A1", "row"].iloc[0])
    hit = (frame["block"] == "A1") & (frame["row"] == row)
    frame.loc[hit, ["alive", "browsing"]] = [[2, 4], [1, 3]]  # of 6 and of 4
    counts = saved(frame, form.with_name("hit.csv"))
    lines = [f"A1,{row},{name},browsing,{n},replant same,,," for name, n in ((GUM, 4), (WATTLE, 3))]
    outcome = judged(site, [counts], [written(tmp_path, *lines)])
    assert orders(outcome) == {"A1": 7}
    grounds = outcome.grounds
    assert grounds["alive"].equals(grounds["counted"])
    assert grounds["counted"].sum() == frame["planted"].sum() - 7
    whole = written(tmp_path, f"A1,{row},,fire,all,leave,,,")
    frame.loc[hit, ["alive", "browsing"]] = 0
    outcome = judged(site, [saved(frame, counts)], [whole])
    assert orders(outcome) == {} and outcome.species["seen_dead"].sum() == 10
    assert outcome.grounds["counted"].sum() == frame["planted"].sum() - 10


def test_a_count_before_the_damage_had_those_trees_alive(site, form, tmp_path):
    frame = pd.read_csv(filled(form, "before.csv", 1.0)).assign(date="2029-03-01")
    row = int(frame.loc[frame["block"] == "A1", "row"].iloc[0])
    counts = saved(frame, form.with_name("before.csv"))
    damage = written(tmp_path, f"A1,{row},{GUM},frost,5,replant same,,2029-07-01,")
    outcome = judged(site, [counts], [damage])
    assert orders(outcome) == {"A1": 5}
    assert (outcome.grounds["alive"] == outcome.grounds["counted"]).all()
    frame["date"] = "2029-09-01"
    with pytest.raises(
        InputError, match="6 were counted alive, but after the damage there were at most 1"
    ):
        judged(site, [saved(frame, counts)], [damage])


@pytest.mark.parametrize(
    ("do", "other", "ordered"),
    [
        ("replant same", "", {GUM: 6, WATTLE: 4}),
        ("another species", OTHER, {OTHER: 10}),
        ("shelter", "", {}),
        ("leave", "", {}),
    ],
)
def test_what_to_do_decides_what_is_ordered(site, tmp_path, do, other, ordered):
    # 10 dead of 300 in the block: they fall to 180 gums and 120 wattles as those were planted.
    outcome = judged(site, damage=[written(tmp_path, f"A2,all,,wind,10,{do},{other},,")])
    infill = outcome.species.set_index("species")["infill"]
    assert infill[infill > 0].to_dict() == ordered
    assert outcome.seen.groupby("species")["dead"].sum().to_dict() == {GUM: 6, WATTLE: 4}
    assert orders(outcome) == ({"A2": 10} if ordered else {})


def test_a_number_for_a_block_is_not_counted_again_in_its_drawn_rows(site, form, tmp_path):
    # 20 gums dead of browsing in A1, three of them in drawn rows; no other tree is dead.
    frame = pd.read_csv(filled(form, "some.csv", 1.0))
    rows = frame.index[(frame["block"] == "A1") & (frame["species"] == GUM)][:3]
    frame.loc[rows, "alive"] -= 1
    damage = written(tmp_path, f"A1,all,{GUM},browsing,20,replant same,,,")
    for told in (None, 1):  # the form may name the cause or not
        frame.loc[rows, "browsing"] = told
        outcome = judged(site, [saved(frame, form.with_name("some.csv"))], [damage])
        assert orders(outcome) == {"A1": 20}
        assert outcome.grounds["alive"].equals(outcome.grounds["counted"])
        assert outcome.grounds["counted"].sum() == frame["planted"].sum() - 3
        assert outcome.seen["dead"].sum() == 20
    every = written(tmp_path, f"A1,all,{GUM},browsing,170,replant same,,,")
    with pytest.raises(InputError, match="the counts allow only 147"):
        judged(site, [form.with_name("some.csv")], [every])


@given(st.lists(st.integers(0, 80), min_size=1, max_size=9), st.floats(0, 1))
def test_a_number_is_shared_out_whole_and_to_no_more_than_there_are(trees, share):
    from siteplanner.after.damage import shared_out

    there = np.array(trees)
    number = int(share * there.sum())
    shares = shared_out(number, there)
    assert shares.sum() == number and (shares >= 0).all() and (shares <= there).all()
    assert there.sum() == 0 or (np.abs(shares - number * there / there.sum()) < 1).all()


@given(st.integers(1, 40), st.data())
def test_damage_and_the_rest_of_a_row_add_up_to_its_dead(planted, data):
    from siteplanner.after.damage import CELLS
    from siteplanner.after.seen import less_damage

    dead = data.draw(st.integers(0, planted))
    told = data.draw(st.integers(0, dead))
    hit = data.draw(st.integers(1, max(dead, 1)).filter(lambda n: n <= dead)) if dead else 0
    line = dict.fromkeys(CAUSES, 0) | {"frost": told, "planted": planted, "alive": planted - dead}
    line |= {"block": "A1", "zone": "A", "row": 1, "species": GUM, "date": None, "draw": ""}
    cell = dict.fromkeys(CELLS) | {"block": "A1", "row": 1, "species": GUM}
    cell |= {"dead": hit, "cause": data.draw(st.sampled_from(["frost", "fire"])), "infill": 0}
    left = less_damage(pd.DataFrame([line]), pd.DataFrame([cell] if hit else [], columns=CELLS))
    sums = left[["planted", "alive", *CAUSES]].sum()
    assert sums["planted"] == planted - hit and sums["alive"] == planted - dead
    assert 0 <= sums[list(CAUSES)].sum() <= sums["planted"] - sums["alive"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("A9,all,,frost,all,leave,,,", "no such block"),
        ("A1,lots,,frost,all,leave,,,", "are not row numbers"),
        ("A1,29-31,,frost,all,leave,,,", "no row 31"),
        (f"B1,all,{WATTLE},frost,all,leave,,,", "no Acacia dealbata was planted there"),
        ("A1,3,,rabbits,all,leave,,,", "cause: 'rabbits' is not one of the words"),
        ("A1,3,,frost,some,leave,,,", "not a number of trees"),
        ("A1,3,,frost,11,leave,,,", "11 are dead of 10 planted"),
        ("A1,3,,frost,all,,,,", "do: it is empty"),
        ("A1,3,,frost,all,another species,,,", "no other species is named"),
        ("A1,3,,frost,all,another species,Eucalyptus ovatum,,", "did you mean 'Eucalyptus ovata'"),
        (f"A1,3,,frost,all,leave,{OTHER},,", "is named, but do says 'leave'"),
        ("A1,3,,frost,all,leave,,in May,", "not a date"),
        (
            "A1,3,,frost,all,leave,,,\nA1,2-3,,fire,all,leave,,,",
            "10 of these 20 trees dead",
        ),
    ],
)
def test_errors_in_damage_are_named(site, tmp_path, line, said):
    with pytest.raises(InputError, match=said):
        judged(site, damage=[written(tmp_path, line)])


def test_a_copy_of_a_file_of_damage_counts_once(site, tmp_path):
    line = "A1,3,,frost,all,replant same,,,"
    files = [written(tmp_path, line, name=name) for name in ("one.csv", "copy.csv")]
    outcome = judged(site, damage=files)
    assert orders(outcome) == {"A1": 10} and any("it is used once" in x for x in outcome.findings)


def test_frost_on_the_flat_says_nothing_of_the_slope(site, form):
    alone = pd.read_csv(filled(form, "slope.csv", 0.8))
    alone = judged(site, [saved(alone[alone["block"] == "B1"], form.with_name("slope.csv"))])
    both = judged(site, [filled(form, "both.csv", 0.8, A1=0.0, A2=0.0)])
    of_slope = [o.grounds[o.grounds["ground"] == "ordinary"].iloc[0] for o in (alone, both)]
    assert of_slope[0]["expected_survival"] == pytest.approx(of_slope[1]["expected_survival"], 0.01)
    flat = both.grounds[both.grounds["ground"] == "frosty wet"]
    assert (flat["expected_survival"] < 0.4).all()
    assert set(orders(both)) == {"A1", "A2"}


def test_only_blocks_that_are_planted_are_drawn_judged_and_ordered_for(site, form, tmp_path):
    ticks = written(tmp_path, "A1", name="planted.csv", head="block")
    *_, said = after.write_rows_to_count(site, tmp_path, tmp_path / "f.csv", [ticks])
    assert set(pd.read_csv(tmp_path / "f.csv")["block"]) == {"A1"} and "1 of 3" in said[0]
    status = gpd.GeoDataFrame(
        {"block": ["A1", "A2", "B1"], "status": ["planted", "printed", "lost"]},
        geometry=[shapely.box(at, 0, at + 1, 1) for at in range(3)],
        crs="EPSG:32755",
    )
    status.to_file(site.folder / "blocks.gpkg", layer="blocks")
    *_, said = after.write_rows_to_count(site, tmp_path, tmp_path / "g.csv")
    assert "1 of 3 blocks have the status planted" in said[0]
    assert set(pd.read_csv(tmp_path / "g.csv")["block"]) == {"A1"}
    counts = filled(tmp_path / "g.csv", "h.csv", 0.0)
    outcome = judged(site, [counts])
    assert set(orders(outcome)) == set(outcome.blocks["block"]) == {"A1"}
    with pytest.raises(InputError, match="has not been planted yet"):
        judged(site, [filled(form, "i.csv", 0.0)])
    with pytest.raises(InputError, match="has not been planted yet"):
        judged(site, damage=[written(tmp_path, "A2,3,,frost,all,leave,,,")], ticks=[ticks])
    (site.folder / "blocks.gpkg").unlink()
    assert any("all 3 are taken as planted" in x for x in judged(site, [counts]).findings)


def test_the_command_takes_damage_alone_and_writes_a_form(site, tmp_path):
    out = tmp_path / "out"
    assert here("survival", site.folder, "--damage-form", "--out", out).returncode == 0
    assert (out / "damage.csv").read_text(encoding="utf-8") == HEAD + "\n"
    assert here("survival", site.folder, "--damage-form", "--out", out).returncode == 1
    damage = written(tmp_path, "A1,3,,browsing,all,replant same,,,")
    done = here("survival", site.folder, "--damage", damage, "--out", out, "--save-rates")
    assert done.returncode == 0, done.stderr
    assert "10 dead of browsing" in done.stdout and "Nothing was saved" in done.stdout
    assert pd.read_csv(out / "infill.csv")["infill"].sum() == 10
    seen = pd.read_csv(out / "survival_seen.csv")
    assert seen[["block", "row", "dead"]].to_numpy().tolist() == [["A1", 3, 6], ["A1", 3, 4]]
    assert not (site.folder / "expected_survival.csv").exists()


def test_the_form_says_what_it_is_a_draw_of(form):
    frame = pd.read_csv(form)
    assert list(frame.columns) == list(FORM) and set(frame["draw"]) == {"seed 1 trees 60"}


def test_a_mark_that_is_none_is_named(site, form):
    frame = pd.read_csv(filled(form, "mark.csv", 0.5)).assign(draw="mine")
    with pytest.raises(InputError, match="'mine' is no mark of a draw"):
        judged(site, [saved(frame, form.with_name("mark.csv"))])
