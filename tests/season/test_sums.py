"""One calendar, one count: every table of a plan agrees with its trees, and works with nursery."""

from functools import partial

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from examples import examples
from handover.small_site import small_site
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from python_calamine import CalamineWorkbook

from siteplanner.after.mark_blocks import save_blocks
from siteplanner.base.results.memory import Memory
from siteplanner.reading.kept_blocks import BLOCK_COLUMNS, TREE_COLUMNS, KeptBlocks
from siteplanner.run import plan_through
from siteplanner.site.site_file import load_site

#: All plans here are of one ground, which need not be assessed anew for each.
planned = partial(plan_through, Memory())


def counted(frame, keys, value="trees"):
    sums = frame.groupby(list(keys))[value].sum()
    return {key: int(number) for key, number in sums.items() if number}


def hold_together(trees, counts, blocks, rows, years, zones, jobs):
    """Sum each table by what it knows against the trees themselves, to the tree."""
    one = trees.assign(trees=1)
    assert counted(counts, ["zone", "species"]) == counted(one, ["zone", "species"])
    assert counted(counts, ["paddock", "species"]) == counted(one, ["paddock", "species"])
    assert counted(blocks, ["block"]) == counted(one, ["block"])
    assert counted(blocks, ["zone", "paddock"]) == counted(one, ["zone", "paddock"])
    keys = ["block", "row", "species", "year"]
    assert counted(rows, keys) == counted(one, keys)
    keys = ["year", "zone", "paddock", "species"]
    assert counted(years, keys) == counted(one, keys)
    assert counted(zones, ["zone"]) == counted(one, ["zone"])
    planting = jobs[jobs["job"] == "plant"]
    coming = one[one["to_come"]] if "to_come" in one else one
    assert counted(planting, ["place"], "quantity") == counted(
        coming[coming["year"] > 0], ["block"]
    )
    for keys in (["zone"], ["zone", "paddock"]):
        assert counted(blocks, keys, "order") == counted(counts, keys, "order")
    # What is in the ground needs no order: its infill is ordered from counts of what lives.
    keys = ["zone", "paddock", "species"]
    to_plant = counts.assign(to_plant=counts["order"] - counts["infill"])
    assert counted(to_plant, keys, "to_plant") == counted(coming, keys)
    assert set(counted(blocks, ["block"], "order")) == set(coming["block"])


def works_and_nursery_agree(jobs, batches, planned_order):
    """What is planted in a month is what the nursery raised for it, infill apart."""
    for job, infill in (("plant", False), ("plant infill", True)):
        wanted = counted(jobs[jobs["job"] == job], ["year", "month"], "quantity")
        raised = counted(batches[batches["infill"] == infill], ["year", "month"], "plants")
        assert raised == wanted, job
    assert int(batches["plants"].sum()) == planned_order


@pytest.fixture(scope="module")
def sample(sample_plan):
    names = ("counts", "blocks", "rows", "years", "zones", "works", "nursery")
    tables = {name: pd.read_csv(sample_plan / f"{name}.csv") for name in names}
    tables["trees"] = gpd.read_file(sample_plan / "plan.gpkg", layer="trees")
    paddock = tables["blocks"].set_index("block")["paddock"]
    tables["trees"]["paddock"] = tables["trees"]["block"].map(paddock)
    return tables


def test_the_samples_tables_agree_to_the_tree(sample, sample_plan):
    t = sample
    names = ("trees", "counts", "blocks", "rows", "years", "zones", "works")
    hold_together(*(t[name] for name in names))
    book = CalamineWorkbook.from_path(str(sample_plan / "plan.xlsx"))
    head, *lines = book.get_sheet_by_name("Counts").to_python()
    sheet = pd.DataFrame(lines, columns=head)
    trees = next(name for name in head if str(name).lower() == "trees")
    listed = sheet[pd.to_numeric(sheet[trees], errors="coerce").notna()]
    assert len(t["trees"]) in {int(listed[trees].sum()), int(listed[trees].sum() / 2)}


def test_the_samples_nursery_raises_what_its_works_plant(sample):
    batches = sample["nursery"].assign(infill=sample["nursery"]["infill"] == "yes")
    first = pd.to_datetime(batches["plant_from"])
    batches = batches.assign(year=first.dt.year, month=first.dt.month)
    works_and_nursery_agree(sample["works"], batches, int(sample["counts"]["order"].sum()))
    assert (pd.to_datetime(batches["plant_until"]) > first).all()
    # More than one window: dry ground is not planted on the frosty flat's days.
    assert len(set(zip(batches["year"], batches["month"], strict=True))) > 2


@pytest.fixture(scope="module")
def site_file(tmp_path_factory):
    return small_site(tmp_path_factory.mktemp("sums") / "site")


@settings(
    max_examples=examples(12, least=2),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.sampled_from([None, 2028, "2028-06-20", "2028-11-05"]),
    st.integers(1, 4),
    st.sampled_from([None, 150, 400]),
    st.sampled_from(["square", "triangular", "contour"]),
    st.floats(2.5, 6),
)
# Batches of few plants, whose larger spare once took more tubes than a year has.
@example(None, 1, 400, "square", 5.0)
def test_on_any_settings_the_tables_agree(site_file, plant_on, number, tubes, pattern, spacing):
    text = site_file.read_text("utf-8").partition("[nursery]")[0]
    text = text.replace('pattern = "square"', f'pattern = "{pattern}"')
    nursery = f"[nursery]\nplant_on = {plant_on}\n" if plant_on else ""
    years = f"[years]\nnumber = {number}\n" + (f"tubes = {tubes}\n" if tubes else "")
    other = site_file.with_name("other.toml")
    other.write_text(f"{text}\n{nursery}{years}", "utf-8")
    site = load_site(other)
    planting = site.planting.model_copy(update={"spacing_m": spacing})
    plan = planned(site.model_copy(update={"planting": planting}))
    works = plan.works
    paddock = plan.blocks.set_index("block")["paddock"]
    trees = pd.DataFrame(plan.trees.drop(columns="geometry"))
    trees["paddock"] = trees["block"].map(paddock)
    hold_together(
        trees, plan.counts, works.blocks, works.row_counts, works.by_year, works.zones, works.jobs
    )
    batches = pd.DataFrame(
        {
            "plants": [b.raise_ for b in plan.nursery.batches],
            "infill": np.array([b.infill for b in plan.nursery.batches], dtype=bool),
            "tubes": [b.order.tubes for b in plan.nursery.batches],
            "planting": [b.year for b in plan.nursery.batches],
            "year": [b.dates.plant.year if b.dates else b.year for b in plan.nursery.batches],
            "month": [b.dates.plant.month if b.dates else 0 for b in plan.nursery.batches],
        }
    )
    coming = works.row_counts[works.row_counts["year"] > 0]
    order = int(works.by_year[works.by_year["year"] > 0]["trees"].sum())
    assert int(batches.loc[~batches["infill"], "plants"].sum()) == order
    assert counted(batches[~batches["infill"]], ["planting"], "plants") == counted(coming, ["year"])
    jobs = works.jobs if plant_on else works.jobs.assign(month=0)
    for job, infill in (("plant", False), ("plant infill", True)):
        wanted = counted(jobs[jobs["job"] == job], ["year", "month"], "quantity")
        mine = batches[batches["infill"] == infill]
        assert counted(mine, ["year", "month"], "plants") == wanted, job
    if isinstance(plant_on, str) and len(batches):
        assert min(b.dates.plant for b in plan.nursery.batches).isoformat() >= plant_on
    if tubes:
        assert (batches.groupby("planting")["tubes"].sum() <= tubes).all()


def test_blocks_in_the_ground_are_in_no_order(tmp_path):
    path = small_site(tmp_path / "site")
    path.write_text(path.read_text("utf-8") + "[work]\nblock_days = 0.5\n", "utf-8")
    before = planned(load_site(path))
    done = list(before.works.blocks["block"])[::2]
    blocks = before.blocks.assign(until=0)
    blocks["status"] = np.where(blocks["block"].isin(done), "planted", "planned")
    kept = KeptBlocks(blocks[list(BLOCK_COLUMNS)], before.trees[list(TREE_COLUMNS)])
    save_blocks(kept, path.with_name("blocks.gpkg"))
    plan = planned(load_site(path))
    works = plan.works
    trees = pd.DataFrame(plan.trees.drop(columns="geometry"))
    trees["paddock"] = trees["block"].map(plan.blocks.set_index("block")["paddock"])
    trees["to_come"] = ~trees["block"].isin(done)
    assert 0 < trees["to_come"].sum() < len(trees)
    hold_together(
        trees, plan.counts, works.blocks, works.row_counts, works.by_year, works.zones, works.jobs
    )
    planted = works.blocks[works.blocks["block"].isin(done)]
    assert (planted[["order", "order_least", "order_most"]] == 0).all(axis=None)
    raised = sum(batch.raise_ for batch in plan.nursery.batches)
    assert raised == int(plan.counts["order"].sum()) < int(before.counts["order"].sum())
    by_species = plan.counts.groupby("species")["order"].sum()
    supply = plan.nursery.supply.set_index("species")["ordered"]
    assert by_species[by_species > 0].to_dict() == supply[supply > 0].to_dict()
