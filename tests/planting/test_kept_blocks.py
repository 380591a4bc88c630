"""Nothing that was printed or planted moves, and no name is given twice."""

from dataclasses import replace
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from handover.small_site import small_site
from site_around import laid_out as laid_out_of
from typer.testing import CliRunner

from siteplanner import load_site
from siteplanner.after.mark_blocks import known_blocks, mark_blocks, save_blocks
from siteplanner.base.errors import InputError
from siteplanner.base.results.memory import Memory
from siteplanner.cli.app import app
from siteplanner.plan import READS
from siteplanner.planting import lay_out as planting
from siteplanner.planting.kept import waiting_trees
from siteplanner.planting.lay_out import Layout, lay_out
from siteplanner.reading.kept_blocks import (
    BLOCK_COLUMNS,
    TREE_COLUMNS,
    KeptBlocks,
    read_kept_blocks,
)
from siteplanner.season import season as seasons
from siteplanner.season.season import season_of
from siteplanner.site.site_file import Site
from siteplanner.suitability.of_site import assessed

#: What the tests' layouts of one site have in common is worked out once.
SHARED = Memory()
laid_out = partial(laid_out_of, call=SHARED)


def saved(layout: Layout, path: Path, **status: str) -> None:
    """Save a layout's blocks as the command does, those named with another status."""
    blocks = layout.blocks.assign(until=0)
    blocks["status"] = [status.get(name, "planned") for name in blocks["block"]]
    kept = KeptBlocks(blocks[list(BLOCK_COLUMNS)], layout.trees[list(TREE_COLUMNS)])
    save_blocks(kept, path)


def changed(path: Path, name: str, *changes: tuple[str, str], more: str = "") -> Site:
    text = path.read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    site = path.with_name(name)
    site.write_text(text + more, "utf-8")
    # Under the first one's name, or nothing that was worked out for it would be known again.
    return load_site(site).model_copy(update={"path": path})


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    """A small site of two paddocks, in blocks of a day or so each."""
    path = small_site(tmp_path_factory.mktemp("kept") / "site")
    land = gpd.read_file(path.with_name("land.gpkg"))
    west, south, east, north = land.total_bounds
    middle = (west + east) / 2
    fields = gpd.GeoDataFrame(
        {"name": ["West", "East"], "plant": [1, 1]},
        geometry=[shapely.box(west, south, middle, north), shapely.box(middle, south, east, north)],
        crs=land.crs,
    )
    fields.to_file(path.with_name("fields.gpkg"), layer="fields")
    text = path.read_text("utf-8")
    text = text.replace('[paddocks]\nfile = "land.gpkg"', '[paddocks]\nfile = "fields.gpkg"')
    path.write_text(text + "[work]\nblock_days = 0.5\n", "utf-8")
    return path


@pytest.fixture(scope="module")
def first(small) -> Layout:
    layout = laid_out(load_site(small))
    assert len(layout.planted) >= 4 and layout.zones["zone"].size >= 2
    return layout


@pytest.fixture
def blocks_file(small):
    path = small.with_name("blocks.gpkg")
    yield path
    path.unlink(missing_ok=True)


def drawn_zone(small: Path, first: Layout) -> str:
    """Draw a zone by hand across the ground."""
    x, y = first.zones.union_all().centroid.coords[0]
    zone = gpd.GeoDataFrame(
        {"zone": ["Q"]}, geometry=[shapely.box(x - 45, y - 20, x + 45, y + 15)], crs=first.zones.crs
    )
    zone.to_file(small.with_name("drawn.gpkg"), layer="zones")
    return '\n[decisions]\nzones = "drawn.gpkg"\n'


def trees_of(layout: Layout, names: list[str]) -> pd.Series:
    """Trees of each species in some blocks."""
    return layout.trees["species"][layout.trees["block"].isin(names)].value_counts()


def same_rows(before: Layout, after: Layout, names: list[str]) -> None:
    """Hold the rows and trees of blocks to be the same, bit for bit."""
    for frame in ("trees", "rows"):
        one, other = (
            getattr(layout, frame)[getattr(layout, frame)["block"].isin(names)]
            for layout in (before, after)
        )
        assert len(one) > 0
        one, other = (
            f.sort_values(["block", "row"], kind="stable", ignore_index=True) for f in (one, other)
        )
        assert shapely.to_wkb(one.geometry).tolist() == shapely.to_wkb(other.geometry).tolist()
        pd.testing.assert_frame_equal(
            pd.DataFrame(one.drop(columns="geometry")),
            pd.DataFrame(other.drop(columns="geometry")),
            check_exact=True,
        )
    outlines = [
        layout.blocks.set_index("block").geometry.loc[names].to_wkb() for layout in (before, after)
    ]
    assert outlines[0].tolist() == outlines[1].tolist()


def no_number_again(before: Layout, after: Layout) -> None:
    """Hold new names to new numbers: no part of a block is called after a block that was."""
    was = {name.rstrip("abcdefghijklmnopqrstuvwxyz") for name in before.blocks["block"]}
    for name in set(after.blocks["block"]) - set(before.blocks["block"]):
        assert name.rstrip("abcdefghijklmnopqrstuvwxyz") not in was, name


def test_a_zone_drawn_by_hand_moves_nothing_printed_and_re_uses_no_name(small, first, blocks_file):
    names = list(first.planted["block"])
    printed = names[::2]
    saved(first, blocks_file, **dict.fromkeys(printed, "printed"))
    more = drawn_zone(small, first)
    after = laid_out(changed(small, "drawn.toml", more=more))
    same_rows(first, after, printed)
    assert set(after.blocks["block"][after.blocks["status"] == "printed"]) == set(printed)
    was = first.blocks.set_index("block").geometry
    no_number_again(first, after)
    renewed = [n for n in after.blocks["block"] if n not in set(was.index)]
    assert renewed and after.blocks["block"].is_unique
    for name, shape in after.blocks.set_index("block").geometry.items():
        if name in was.index:
            assert shapely.symmetric_difference(shape, was[name]).area < 1
    said = " ".join(after.notes)
    assert f"Kept as they are, printed: {', '.join(printed)}." in said
    kept = after.zones.set_index("zone")["area_ha"]["Q"]
    assert f"Kept: zone Q, {kept:.2f} ha; you drew 0.32 ha." in said
    assert "ha is in blocks that stay as they are" in said
    # Blocks do not overlap, and each tree is counted once.
    overlap = after.blocks.area.sum() - after.blocks.union_all().area
    assert abs(overlap) < 1
    assert (after.counts["trees"].sum(), len(after.trees)) == (len(after.trees),) * 2


def test_the_same_names_without_a_change(small, first, blocks_file):
    saved(first, blocks_file, **{first.planted["block"].iloc[0]: "planted"})
    after = laid_out(load_site(small))
    assert after.blocks["block"].tolist() == first.blocks["block"].tolist()


def test_marking_a_block_leaves_the_ground_as_it_was_worked_out(small, first, blocks_file):
    memory = Memory()
    before = assessed(load_site(small), set(READS), call=memory)
    saved(first, blocks_file, A1="printed")
    after = assessed(load_site(small), set(READS), call=memory)
    assert after[0].kept.blocks["status"].tolist() != before[0].kept.blocks["status"].tolist()
    assert after[0].dem is before[0].dem and after[1] is before[1]


def test_a_name_that_was_given_up_is_not_given_again(small, first, blocks_file):
    zone = first.planted["zone"].iloc[0]
    blocks = first.blocks.iloc[:0].assign(until=0)
    kept = KeptBlocks(
        blocks[list(BLOCK_COLUMNS)], first.trees.iloc[:0][list(TREE_COLUMNS)],
        frozenset({f"{zone}1", f"{zone}7b"}),
    )  # fmt: skip
    save_blocks(kept, blocks_file)
    after = laid_out(load_site(small))
    assert after.blocks["block"].is_unique and len(after.blocks) == len(first.blocks)
    # The file holds no block of zone A any more, so its letter is not given to other ground.
    assert zone not in set(after.blocks["zone"])


def test_all_blocks_may_stay(small, first, blocks_file):
    names = list(first.planted["block"])
    saved(first, blocks_file, **dict.fromkeys(names, "planted"))
    after = laid_out(load_site(small))
    same_rows(first, after, names)
    assert len(after.trees) == len(first.trees)


def test_a_block_set_aside_is_planted_from_its_year_on(small, first, blocks_file):
    name = first.planted["block"].iloc[0]
    saved(first, blocks_file, **{name: "set aside"})
    with pytest.raises(InputError, match=f"block {name}, until: it is set aside without a year"):
        read_kept_blocks(load_site(small), None)
    frame = pyogrio.read_dataframe(blocks_file, layer="blocks")
    frame.loc[frame["block"] == name, "until"] = 2031
    pyogrio.write_dataframe(frame, blocks_file, layer="blocks", driver="GPKG", append=False)
    waits, ready = (
        laid_out(changed(small, f"in-{year}.toml", more=f"\n[nursery]\nplant_on = {year}-05-02\n"))
        for year in (2030, 2031)
    )
    assert name not in set(waits.blocks["block"])
    assert f"Block {name} is set aside until 2031: not planted here." in waits.notes
    shape = first.blocks.set_index("block").geometry[name]
    assert not waits.trees.within(shape).any()
    same_rows(first, ready, [name])


def test_trees_that_stay_on_ground_closed_since_are_named(small, first, blocks_file):
    name = first.planted["block"].iloc[0]
    saved(first, blocks_file, **{name: "printed"})
    inside = first.blocks.set_index("block").geometry[name].representative_point().buffer(8)
    ground = gpd.GeoDataFrame(
        {"zone": [""], "use": ["leave"]}, geometry=[inside], crs=first.zones.crs
    )
    ground.to_file(small.with_name("closed.gpkg"), layer="zones")
    after = laid_out(changed(small, "closed.toml", more='\n[decisions]\nzones = "closed.gpkg"\n'))
    same_rows(first, after, [name])
    number = int(first.trees[first.trees["block"] == name].within(inside).sum())
    assert number > 0
    assert any(f"Block {name} stays as it is, but trees of it ({number})" in n for n in after.notes)


def test_a_paddock_planned_alone_has_the_names_and_rows_of_the_whole_plan(small, first):
    alone = laid_out(load_site(small).with_paddock("West"))
    west = first.blocks[first.blocks["paddock"] == "West"]
    assert alone.blocks["block"].tolist() == west["block"].tolist()
    assert shapely.equals_exact(alone.blocks.geometry.array, west.geometry.array).all()
    for name in west["block"][west["trees"] > 0]:
        # The mix may leave other places empty, but rows are the same.
        one, other = (t.trees[t.trees["block"] == name].union_all() for t in (first, alone))
        assert shapely.intersection(one, other).area == 0 and not other.is_empty
        assert len(shapely.intersection(one, other).geoms) > 0.9 * len(one.geoms)
    assert alone.zones["area_ha"].sum() == pytest.approx(west["area_ha"].sum())
    assert set(alone.counts["paddock"]) == {"West"}


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("status", "prnted", "status: 'prnted' is not a status; did you mean 'printed'"),
        ("block", "", "it has no name or no zone"),
        ("zone", "", "it has no name or no zone"),
    ],
)
def test_a_mistake_in_the_file_is_named(small, first, blocks_file, column, value, words):
    saved(first, blocks_file)
    frame = pyogrio.read_dataframe(blocks_file, layer="blocks")
    frame.loc[0, column] = value
    pyogrio.write_dataframe(frame, blocks_file, layer="blocks", driver="GPKG", append=False)
    with pytest.raises(InputError) as caught:
        read_kept_blocks(load_site(small), None)
    assert words in str(caught.value)


def test_a_pattern_that_nobody_offers_is_named(small, first, blocks_file):
    name = first.planted["block"].iloc[0]
    saved(first, blocks_file, **{name: "pegged"})
    frame = pyogrio.read_dataframe(blocks_file, layer="blocks")
    frame.loc[frame["block"] == name, "pattern"] = "squre"
    pyogrio.write_dataframe(frame, blocks_file, layer="blocks", driver="GPKG", append=False)
    with pytest.raises(InputError, match=f"block {name}, pattern: there is no pattern 'squre'"):
        laid_out(load_site(small))


def test_a_tree_of_no_known_species_is_named(small, first, blocks_file):
    saved(first, blocks_file)
    known = [n for n in first.trees["species"].unique()[1:]]
    with pytest.raises(InputError, match="is not in the species table"):
        read_kept_blocks(load_site(small), first.blocks.crs, known)


@pytest.mark.usefixtures("quick_plans")
def test_marking_blocks_of_a_plan_and_planning_some_alone(small, tmp_path, blocks_file):
    def run(*words: object):
        found = CliRunner().invoke(app, [str(word) for word in words])
        assert found.exit_code == 0, found.output + repr(found.exception)
        return found.output

    plan = tmp_path / "plan"
    run("plan", small, "--out", plan, "--quiet")
    trees = pyogrio.read_dataframe(plan / "plan.gpkg", layer="trees")
    blocks = pyogrio.read_dataframe(plan / "plan.gpkg", layer="blocks")
    names = blocks["block"][blocks["trees"] > 0].tolist()
    assert not blocks_file.exists()  # a plan writes nothing into the site's folder
    assert "planned: " + ", ".join(blocks["block"]) in run("blocks", small, "--plan", plan)
    said = run("blocks", small, "--plan", plan, "--mark", "printed", *names[:2])
    assert f"printed: {names[0]}, {names[1]}" in said
    kept = read_kept_blocks(load_site(small), blocks.crs)
    mine = trees[trees["block"].isin(names[:2])]
    held = kept.trees[kept.trees["block"].isin(names[:2])]
    assert held.geometry.to_wkb().tolist() == mine.geometry.to_wkb().tolist()
    assert held["species"].tolist() == mine["species"].tolist()

    before = blocks_file.read_bytes()
    with pytest.raises(InputError, match=f"block {names[0]}: it is printed, so it stays"):
        read_kept_blocks(load_site(small).with_only([names[0]], plan), blocks.crs)
    again = changed(small, "wider.toml", ("spacing_m = 4", "spacing_m = 5"))
    run("plan", again.path, "--out", plan, "--only", names[2], "--quiet")
    now = pyogrio.read_dataframe(plan / "plan.gpkg", layer="trees")
    for name in names:
        one, other = (
            list(zip(t["row"], t["species"], t.geometry.to_wkb(), strict=True))
            for t in (trees[trees["block"] == name], now[now["block"] == name])
        )
        assert (one == other) == (name != names[2])
    assert blocks_file.read_bytes() == before


def test_names_of_a_plan_that_was_replaced_are_retired(small, first, blocks_file):
    site = load_site(small)
    with pytest.raises(InputError, match="make the plan first"):
        known_blocks(site, small.parent / "nowhere")
    saved(first, blocks_file)
    gone = first.planted["block"].iloc[0]
    with pytest.raises(InputError, match="block A99: this block does not exist"):
        mark_blocks(site, small.parent / "nowhere", "printed", ["A99"])
    frame = pyogrio.read_dataframe(blocks_file, layer="blocks")
    trees = pyogrio.read_dataframe(blocks_file, layer="trees")
    pyogrio.write_dataframe(
        frame[frame["block"] != gone], blocks_file, layer="blocks", driver="GPKG"
    )
    pyogrio.write_dataframe(
        trees[trees["block"] != gone], blocks_file, layer="trees", driver="GPKG"
    )
    other = first.planted["block"].iloc[1]
    marked = mark_blocks(site, small.parent / "nowhere", "set aside", [other], until=2040)
    assert marked.retired == [gone] and marked.by_status["set aside"] == [other]
    after = laid_out(site)
    assert gone not in set(after.blocks["block"])
    no_number_again(first, after)
    others = set(first.blocks["block"]) - {gone, other}
    assert others < set(after.blocks["block"])


@pytest.mark.parametrize("status", ["printed", "pegged", "planted"])
def test_the_budget_pays_for_what_is_still_to_be_planted(small, first, blocks_file, status):
    names = list(first.planted["block"])[:2]
    saved(first, blocks_file, **dict.fromkeys(names, status))
    stay, all_trees = int(trees_of(first, names).sum()), len(first.trees)
    most = stay + (all_trees - stay) // 2  # all that stays, and half of the rest
    after = laid_out(changed(small, "paid.toml", ("[mix]", f"[mix]\nbudget = {6 * most}")))
    same_rows(first, after, names)
    new = len(after.trees) - stay
    if status == "planted":  # paid for: the budget is for the others alone
        assert stay + new > most and new <= most
        assert not any("of the budget" in note for note in after.notes)
        assert after.to_come.sum() == new
    else:
        assert 0.9 * (most - stay) < new <= most - stay
        (said,) = [note for note in after.notes if "of the budget" in note]
        assert said.startswith(f"Blocks that stay as they are take {stay} plants first")
        assert after.to_come.all()


def test_a_budget_that_printed_blocks_exceed_leaves_nothing_for_others(small, first, blocks_file):
    names = list(first.planted["block"])[:2]
    saved(first, blocks_file, **dict.fromkeys(names, "printed"))
    stay = int(trees_of(first, names).sum())
    site = changed(small, "poor.toml", ("[mix]", f"[mix]\nbudget = {6 * stay - 60}"))
    parts = assessed(site, {*planting.READS, *seasons.READS, *READS}, call=SHARED)
    after = lay_out(*parts, site, call=SHARED)
    same_rows(first, after, names)
    assert len(after.trees) == stay and set(after.planted["block"]) == set(names)
    assert any("60 too much, so nothing is left for new places" in n for n in after.notes)
    assert any("left empty, because the budget is used up" in n for n in after.notes)
    assert season_of(*parts, after, site).works.blocks["cost"].sum() == 6 * stay


@pytest.mark.parametrize("status", ["printed", "planted"])
def test_the_stock_is_promised_to_what_is_printed_and_not_to_what_is_planted(
    small, first, blocks_file, status
):
    names = list(first.planted["block"])[:2]
    saved(first, blocks_file, **dict.fromkeys(names, status))
    needs = trees_of(first, names)
    common = needs.index[0]
    stock = (2 * first.trees["species"].value_counts()).to_dict() | {common: int(needs[common]) - 3}
    lines = [f"{name},{plants}" for name, plants in stock.items()]
    small.with_name("stock.csv").write_text("\n".join(["species,plants", *lines, ""]), "utf-8")
    site = changed(
        small, "stock.toml", ("[mix]", "[mix]\nstock_only = true"),
        more='\n[nursery]\nstock = "stock.csv"\n',
    )  # fmt: skip
    parts = assessed(site, {*planting.READS, *seasons.READS, *READS}, call=SHARED)
    after = lay_out(*parts, site, call=SHARED)
    same_rows(first, after, names)
    new = after.trees["species"][~after.trees["block"].isin(names)].value_counts()
    short = [note for note in after.notes if "need more than is on hand" in note]
    if status == "printed":
        assert new.get(common, 0) == 0
        assert len(short) == 1 and f"{common} 3." in short[0]
    else:
        assert 0 < new[common] <= stock[common] and not short
    # The nursery is asked for each tree still to come, once.
    supply = season_of(*parts, after, site).nursery.supply.set_index("species")
    to_come = after.trees["species"][after.to_come].value_counts()
    wanted = supply["to_plant"][supply["to_plant"] > 0]
    assert wanted.to_dict() == to_come.to_dict()


def test_a_paddock_planned_alone_leaves_the_stock_of_printed_blocks_elsewhere(
    small, first, blocks_file
):
    east = first.planted["block"][first.planted["paddock"] == "East"].tolist()
    saved(first, blocks_file, **dict.fromkeys(east, "printed"))
    kept = read_kept_blocks(load_site(small), first.zones.crs)
    species = list(first.trees["species"].unique())
    assert waiting_trees(kept, species).tolist() == (
        trees_of(first, east).reindex(species, fill_value=0).tolist()
    )
    most = len(first.trees[first.trees["block"].isin(east)]) + 40
    site = changed(small, "west.toml", ("[mix]", f"[mix]\nbudget = {6 * most}"))
    alone = laid_out(site.with_paddock("West"))
    assert 30 < len(alone.trees) <= 40 and set(alone.counts["paddock"]) == {"West"}


def test_trees_that_stay_count_in_their_zones_shares(small, first, blocks_file):
    """One species fills a block that stays: the zone's other ground makes up for it."""
    zone = first.planted["zone"].value_counts().index[0]
    names = first.planted["block"][first.planted["zone"] == zone].tolist()
    assert len(names) >= 2
    mine = first.trees["zone"] == zone
    common = first.trees["species"][mine].value_counts().index[0]
    trees = first.trees.copy()
    trees.loc[trees["block"] == names[0], "species"] = common
    saved(replace(first, trees=trees), blocks_file, **{names[0]: "planted"})
    after = laid_out(load_site(small))
    before = int((first.trees["species"][mine] == common).sum())
    now = int((after.trees["species"][after.trees["zone"] == zone] == common).sum())
    forced = int((trees["block"] == names[0]).sum())
    free = int((first.trees["species"][mine & (trees["block"] != names[0])] == common).sum())
    assert now == max(before, forced) or abs(now - before) <= 2
    assert now < forced + free
