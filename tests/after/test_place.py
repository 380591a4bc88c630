"""Where plants on hand may go: whole rows, on ground that suits, of blocks that are ready."""

import dataclasses
import hashlib

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from conftest import SITE, here
from handover.made_works import with_works
from hypothesis import given
from hypothesis import strategies as st
from made_plan import SPECIES, made_plan

from siteplanner.after.place import best_blocks, fill_rows, place, stock_of
from siteplanner.base.errors import InputError
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.handover.gis.geopackage import write_geopackage
from siteplanner.handover.gis.rasters import write_suitability
from siteplanner.handover.tables.works import write_works
from siteplanner.planting.zones.setbacks import too_tall
from siteplanner.reading.species.table import read_species
from siteplanner.site.planting import Mix
from siteplanner.site.site_file import load_site

GUM, TEA_TREE, BLACKWOOD, BURSARIA, _, BANKSIA = (row[0] for row in SPECIES)


def written(plan, folder):
    """Write what a plan's folder must hold for plants to be placed."""
    folder.mkdir()
    (folder / "layers").mkdir()
    write_geopackage(plan, folder / "plan.gpkg")
    names = list(plan.species["botanical_name"])
    write_suitability(names, plan.suitability, plan.grid, folder / "layers")
    write_works(plan, folder)
    files = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    write_manifest(plan, folder / "plan.json", files)
    return folder


def made(wait=None):
    """The hand-made plan with banksia for the Top bench tea-tree and blackwood for everywhere.

    Bursaria suits a part of the rows of A1 and A2, the others nothing. Trees of the species
    numbered ``wait`` wait for shelter.
    """
    plan = with_works(made_plan(), wait)
    plan = dataclasses.replace(plan, blocks=plan.blocks.assign(year=2028))
    plan.suitability[plan.suitability < 255] = 20
    x = plan.grid.transform.c + (np.arange(plan.grid.shape[1]) + 0.5) * plan.grid.cell
    west = plan.blocks.geometry[0].bounds[0]
    plan.suitability[1][plan.suitability[1] < 255] = 70
    plan.suitability[2][plan.suitability[2] < 255] = 60
    east = x > plan.blocks.geometry[3].bounds[0] - 8
    plan.suitability[5][:, east] = np.where(plan.suitability[5][:, east] < 255, 90, 255)
    near = (x > west - 8) & (x < west + 22)
    plan.suitability[3][:, near] = np.where(plan.suitability[3][:, near] < 255, 80, 255)
    return plan


@pytest.fixture(scope="module")
def plan():
    return made()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    return written(plan, tmp_path_factory.mktemp("placed") / "plan")


@pytest.fixture(scope="module")
def site():
    return load_site(SITE)


def digests(folder):
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@st.composite
def a_block(draw):
    lengths = draw(st.lists(st.integers(1, 4), min_size=1, max_size=6))
    kinds = draw(st.integers(1, 3))
    row = np.repeat(np.arange(1, len(lengths) + 1), lengths)
    cell = st.one_of(st.just(np.nan), st.integers(40, 100).map(float))
    fit = np.array(
        draw(st.lists(cell, min_size=len(row) * kinds, max_size=len(row) * kinds))
    ).reshape(len(row), kinds)
    stock = np.array(draw(st.lists(st.integers(0, 12), min_size=kinds, max_size=kinds)))
    return row, fit, stock


@given(a_block())
def test_rows_are_whole_follow_each_other_and_take_no_more_than_there_is(block):
    row, fit, stock = block
    kind = fill_rows(row, fit, stock)
    placed = kind >= 0
    assert (np.bincount(kind[placed], minlength=len(stock)) <= stock).all()
    assert np.isfinite(fit[np.flatnonzero(placed), kind[placed]]).all()
    used = np.unique(row[placed])
    assert all(placed[row == r].all() for r in used)
    assert len(used) == 0 or (np.diff(used) == 1).all()


@given(a_block())
def test_of_one_species_the_run_of_rows_is_the_best_there_is(block):
    row, fit, stock = block
    fit, stock = fit[:, :1], stock[:1]
    best = 0.0
    for first in np.unique(row):
        for last in np.unique(row):
            mine = fit[(row >= first) & (row <= last), 0]
            if len(mine) <= stock[0] and np.isfinite(mine).all():
                best = max(best, mine.sum())
    got = fill_rows(row, fit, stock) >= 0
    assert fit[got, 0].sum() == best


def test_the_better_block_comes_first_and_the_rest_goes_on_to_the_next():
    trees = pd.DataFrame(
        {"block": ["A1"] * 10 + ["B1"] * 20, "row": np.repeat([1, 2, 1, 2, 3, 4], 5)}
    ).assign(species=GUM)
    fit = np.where(trees["block"] == "A1", 95.0, 60.0)[:, None]
    offers = best_blocks(trees, fit, np.array([23]), [BANKSIA])
    # Twenty at 60 are worth more than ten at 95; the three left are no row of A1.
    assert [(o.block, o.rows, o.plants) for o in offers] == [("B1", (1, 2, 3, 4), {BANKSIA: 20})]
    offers = best_blocks(trees, fit, np.array([28]), [BANKSIA])
    assert [(o.block, o.number) for o in offers] == [("B1", 20), ("A1", 5)]
    assert offers[1].mean == {BANKSIA: 95.0} and offers[1].planned == {GUM: 5}


def test_a_plants_block_suits_it_and_its_rows_are_those_of_the_plan(site, plan, folder):
    before = digests(folder)
    found = place(site, folder, {BANKSIA: 60})
    assert digests(folder) == before
    assert {o.block for o in found.offers} <= {"B2", "C1"}
    for offer in found.offers:
        rows = plan.trees[(plan.trees["block"] == offer.block) & plan.trees["row"].isin(offer.rows)]
        assert offer.number == len(rows) == sum(offer.planned.values())
        assert offer.planned == rows["species"].value_counts().to_dict()
        assert offer.mean[BANKSIA] == offer.least[BANKSIA] == 90
    assert sum(o.number for o in found.offers) + found.left.get(BANKSIA, 0) == 60


def test_several_species_share_the_rows_each_where_it_suits(site, folder):
    found = place(site, folder, {BANKSIA: 20, TEA_TREE: 30})
    first = found.offers[0]
    assert set(first.plants) == {BANKSIA, TEA_TREE} and first.mean[BANKSIA] == 90
    assert first.plants[BANKSIA] <= 20 and first.plants[TEA_TREE] <= 30


def test_no_tall_tree_is_put_where_it_could_fall_on_a_line(site, plan, tmp_path):
    line = plan.no_plant.geometry.where(
        plan.no_plant["kind"] != "power_line", plan.no_plant.translate(0, -15)
    )
    plan = dataclasses.replace(plan, no_plant=plan.no_plant.set_geometry(line))
    facts = read_species(site.folder / site.species.file).facts.set_index("botanical_name")
    high = np.array([facts["mature_height_m"][BLACKWOOD]])
    tall = too_tall(plan.trees.geometry.x, plan.trees.geometry.y, high, plan.no_plant)[:, 0]
    beside = {(t.block, t.row) for t in plan.trees[tall].itertuples()}
    found = place(site, written(plan, tmp_path / "line"), {BLACKWOOD: 10_000})
    offered = {(o.block, r) for o in found.offers for r in o.rows}
    assert beside and not (beside & offered)
    assert len(found.offers) == 3


def test_what_does_not_fit_is_said_and_why(site, folder):
    for name, number, words in (
        (GUM, 50, "its suitability is 20 of 100, and 40 is asked for"),
        (BURSARIA, 50, "no row as a whole"),
    ):
        found = place(site, folder, {name: number})
        assert not found.offers and found.left == {name: number}
        assert any(words in line for line in found.why), found.why
    barred = site.model_copy(update={"mix": Mix(never=(BANKSIA,))})
    found = place(barred, folder, {BANKSIA: 50})
    assert not found.offers and "says not to plant it" in found.why[0]


def test_fewer_plants_than_a_row_holds_are_told_so(site, plan, folder, tmp_path):
    ticked = tmp_path / "planted.csv"
    ticked.write_text("block\nA2\nB1\nB2\nC1\n", encoding="utf-8")
    rows = plan.trees[plan.trees["block"] == "A1"].groupby("row").size()
    found = place(site, folder, {TEA_TREE: int(rows.min()) - 1}, [ticked])
    assert not found.offers
    assert f"the shortest that suits has {rows.min()} places" in found.why[-1]
    found = place(site, folder, {TEA_TREE: int(rows.min())}, [ticked])
    assert found.offers[0].number == rows.min()


@pytest.mark.parametrize("status", ["planted", "lost", "set aside until 2031"])
def test_blocks_that_are_not_ready_are_not_offered(site, plan, tmp_path, status):
    blocks = plan.blocks.assign(
        status=[status if b == "C1" else "planned" for b in plan.blocks["block"]]
    )
    later = blocks["year"].where(blocks["block"] != "B2", 0)
    there = written(
        dataclasses.replace(plan, blocks=plan.blocks.assign(year=later)), tmp_path / "a"
    )
    layer = gpd.read_file(there / "plan.gpkg", layer="blocks")
    layer.assign(status=blocks["status"]).to_file(there / "plan.gpkg", layer="blocks")
    found = place(site, there, {BANKSIA: 60})
    assert not found.offers
    assert f"Not offered, as {status}: C1." in found.why
    assert "Not offered, as left for after the planned years: B2." in found.why


def test_places_that_wait_for_shelter_are_left_waiting(site, tmp_path):
    plan = made(wait=5)
    there = written(plan, tmp_path / "waits")
    found = place(site, there, {BANKSIA: 500})
    assert found.offers
    assert all(BANKSIA not in offer.planned for offer in found.offers)


def test_the_command_prints_half_a_page_and_writes_the_same(folder, tmp_path):
    ticked = tmp_path / "planted.csv"
    ticked.write_text("block,planted_on,trees,note\nB2,2028-08-01,,\n", encoding="utf-8")
    stock = tmp_path / "stock.csv"
    stock.write_text(f"species,plants\n{BANKSIA},20\n{TEA_TREE},30\n", encoding="utf-8")
    out = tmp_path / "answer" / "where.txt"
    words = ("place", SITE, "--plan", folder, "--stock", stock, "--out", out)
    said = here(*words)
    assert said.returncode == 0 and said.stdout == out.read_text(encoding="utf-8")
    assert len(said.stdout.splitlines()) <= 30
    assert "Block B2" in said.stdout and "buried services" in said.stdout
    without = here(*words, "--planted", ticked)
    assert "Block B2" not in without.stdout and "as planted: B2" in without.stdout


@pytest.mark.parametrize(
    "words",
    [(), ("--species", BANKSIA), ("--number", 3), ("--stock", "a.csv", "--species", BANKSIA)],
)
def test_a_half_told_stock_is_wrong_usage(words):
    assert here("place", SITE, *words).returncode == 2


def test_a_species_that_the_table_has_not_is_asked_back(site):
    with pytest.raises(InputError, match="did you mean 'Banksia marginata'"):
        stock_of(site, None, "Banksia marginatta", 5)
