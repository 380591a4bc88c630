"""Steep ground: no tree on what is too steep, and blocks not on foot go by [planting] steep."""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
import shapely
from handover.made_works import with_works
from handover.small_site import CELL, CELLS, NORTH, WEST, small_site
from made_plan import made_plan
from pypdf import PdfReader
from site_around import laid_out

from siteplanner import InputError, load_site
from siteplanner.ground.sun.evapotranspiration import reference_evapotranspiration
from siteplanner.handover.block_work import block_works
from siteplanner.handover.book.write import write_sheets
from siteplanner.plan import READS
from siteplanner.planting import lay_out as planting
from siteplanner.planting.access import ACCESS_CLASSES, NOT_ON_FOOT, on_safe_ground, steep_before
from siteplanner.planting.lay_out import lay_out
from siteplanner.planting.rows.layout import Places
from siteplanner.season import season as seasons
from siteplanner.season.direct_seeding import dated
from siteplanner.season.plantings import calendar_of
from siteplanner.season.season import season_of
from siteplanner.site.planting import Planting
from siteplanner.suitability.of_site import assessed

CREW = "Kestrel steep-ground crew"


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    """A hectare: nearly level in the west, 35° in the east, steeper still about a knob there."""
    path = small_site(tmp_path_factory.mktemp("steep") / "site")
    y, x = np.mgrid[:CELLS, :CELLS] * CELL
    heights = 300 + 0.05 * x + 0.66 * np.maximum(x - 110, 0)
    heights += 3 * np.exp(-((x - 145) ** 2 + (y - 120) ** 2) / 60)
    with rasterio.open(path.parent / "dem.tif", "r+") as file:
        file.write(heights.astype(np.float32), 1)
    site = load_site(path)
    return site, assessed(site, {*planting.READS, *seasons.READS, *READS})


@pytest.fixture(scope="module")
def planned(ground):
    site, parts = ground

    @cache
    def with_rules(**rules):
        steep = site.planting.model_copy(update={"steepest_deg": 38.0, **rules})
        zones = site.zones.model_copy(update={"smallest_m2": 1500.0})
        own = site.model_copy(update={"planting": steep, "zones": zones})
        return own, lay_out(*parts, own)

    return with_rules


def slope_of_trees(ground, layout):
    _, (inputs, land, _) = ground
    x, y = shapely.get_coordinates(layout.trees.geometry.to_numpy()).T
    return inputs.grid.sample(land.layers["slope"], x, y)


def planting_hours_of(season, names):
    """Person-hours of every tree and every infill tree that the jobs plant in some blocks."""
    blocks = season.works.blocks.set_index("block").loc[list(names)]
    jobs = season.works.jobs
    jobs = jobs[jobs["job"].str.startswith("plant") & jobs["place"].isin(names)]
    trees = jobs.groupby("place")["quantity"].sum().reindex(blocks.index).fillna(0)
    return (trees * blocks["person_hours"] / blocks["trees"]).sum()


@pytest.mark.parametrize("steep", ["leave", "seed from above", "steep crew"])
def test_no_tree_stands_on_a_cell_over_the_limit(ground, planned, steep):
    _, layout = planned(steep=steep, steep_crew=CREW if steep == "steep crew" else None)
    assert len(layout.trees) > 100
    assert slope_of_trees(ground, layout).max() <= 38
    (said,) = [note for note in layout.notes if "no tree stands there" in note]
    assert int(said.split()[0]) > 0


def test_places_on_steep_cells_are_dropped_and_counted(ground):
    _, (inputs, *_) = ground
    grid = inputs.grid
    slope = np.zeros(grid.shape, np.float32)
    slope[:, 30:], slope[:, 40:] = 40, np.nan
    x = WEST + 4 * np.arange(10, 50)
    columns = grid.rows_cols(x, np.full(40, NORTH - 100.0))[1]
    number = np.arange(40)
    places = Places(x, np.full(40, NORTH - 100.0), number, number)
    kept, dropped = on_safe_ground(places, slope, grid, 38.0)
    steep = (columns >= 30) & (columns < 40)
    assert dropped == steep.sum() > 0
    assert kept.block.tolist() == number[~steep].tolist()


@pytest.mark.parametrize("steep", ["leave", "seed from above"])
def test_blocks_not_on_foot_are_left_or_seeded_and_have_no_trees(planned, steep):
    _, layout = planned(steep=steep)
    out = layout.blocks[layout.blocks["steep"] == steep]
    assert len(out) and (out["trees"] == 0).all() and out["area_ha"].sum() > 0.2
    assert set(out["access_class"]) == {NOT_ON_FOOT}
    assert set(layout.planted["access_class"]) <= set(ACCESS_CLASSES[:2])
    assert not layout.trees["block"].isin(out["block"]).any()
    (said,) = [note for note in layout.notes if "graded not on foot" in note]
    assert all(block in said for block in out["block"])
    assert f"{out['area_ha'].sum():.2f} ha" in said
    assert ("Best suited there" in said) == (steep == "seed from above")


def test_a_named_crew_plants_what_is_not_on_foot(ground, planned):
    _, left = planned(steep="leave")
    own, layout = planned(steep="steep crew", steep_crew=CREW)
    mine = layout.planted[layout.planted["steep"] == "steep crew"]
    assert len(mine) and set(mine["access_class"]) == {f"steep-ground crew only: {CREW}"}
    assert mine["trees"].sum() == len(layout.trees) - len(left.trees) > 0
    assert any(CREW in note for note in layout.notes)
    _, parts = ground
    season = season_of(*parts, layout, own)
    works = season.works.blocks.set_index("block")
    assert (works["access_class"][mine["block"]] == mine["access_class"].iloc[0]).all()
    theirs = planting_hours_of(season, mine["block"])
    assert season.hours["steep_crew_h"].sum() == pytest.approx(theirs, rel=1e-6)
    assert theirs >= works["person_hours"][mine["block"]].sum() * (1 - 1e-6)
    # Contractors on steep ground are not put down at volunteers' hours.
    a_tree = works["person_hours"] / works["trees"]
    assert a_tree[mine["block"]].max() < 11 / 60 / 0.4


def test_left_blocks_take_no_mulch_no_sheet_and_no_hours(ground, planned):
    own, layout = planned(steep="leave")
    _, parts = ground
    season = season_of(*parts, layout, own)
    out = set(layout.blocks["block"][layout.blocks["steep"] == "leave"])
    assert out and not out & set(season.works.blocks["block"])
    assert not out & set(season.works.jobs["place"])
    hand_carried = season.works.blocks["mulch_m3"].sum()
    assert hand_carried == pytest.approx(len(layout.trees) * 0.02)
    hours = planting_hours_of(season, layout.planted["block"])
    assert season.hours["plant_h"].sum() == pytest.approx(hours, rel=1e-6)
    assert hours >= season.works.blocks["person_hours"].sum() * (1 - 1e-6)


def test_seeded_blocks_have_a_month_in_works_and_take_no_crew(ground, planned):
    own, layout = planned(steep="seed from above")
    _, parts = ground
    inputs = parts[0]
    season = season_of(*parts, layout, own)
    out = layout.blocks[layout.blocks["steep"] == "seed from above"].set_index("block")
    jobs = season.works.jobs
    mine = jobs[jobs["place"].isin(out.index)].set_index("place")
    # One job a block, which nothing that sums planting jobs takes for one.
    assert sorted(mine.index) == sorted(out.index)
    assert (mine["job"] == "seed from above").all() and (mine["unit"] == "ha").all()
    assert not mine["job"].str.startswith("plant").any()
    assert mine["quantity"].to_dict() == out["area_ha"].round(2).to_dict()
    assert mine["note"].str.contains("seed it takes: not known: ask").all()
    assert mine["note"].str.contains("best suited: [A-Z][a-z]+ ").all()
    # In the first year, in a month in which its ground may be planted by the calendar.
    assert (mine["year"] == jobs.loc[jobs["job"] == "plant", "year"].min()).all()
    rain, wet = (
        inputs.climate.rain_mm,
        reference_evapotranspiration(inputs.climate, inputs.grid.centre_lonlat[1]),
    )
    assert all(rain[month - 1] > wet[month - 1] / 2 for month in mine["month"])
    # Crew and nursery are as where the same ground is left.
    left_site, left = planned(steep="leave")
    plain = season_of(*parts, left, left_site)
    assert season.hours.equals(plain.hours)
    assert season.works.blocks.equals(plain.works.blocks)
    fence = "access and fence"
    others = jobs[~jobs["place"].isin(out.index) & (jobs["job"] != fence)].reset_index(drop=True)
    also = plain.works.jobs[plain.works.jobs["job"] != fence].reset_index(drop=True)
    assert others.equals(also)
    # The fence is up before the first seed is out, however late the first tree.
    (up,) = (12 * jobs["year"] + jobs["month"])[jobs["job"] == fence]
    assert up <= (12 * mine["year"] + mine["month"]).min() - 4


@pytest.mark.parametrize("kind", ["any", "wet", "dry"])
def test_seed_goes_out_in_the_season_of_its_hemisphere(ground, planned, kind):
    site, layout = planned(steep="seed from above")
    _, (south, *_) = ground
    out = layout.blocks[layout.blocks["steep"] == "seed from above"].reset_index(drop=True)
    names = ("rain_mm", "tmin_c", "tmax_c")
    half = {name: np.roll(getattr(south.climate, name), 6) for name in names}
    north = replace(
        south,
        climate=replace(south.climate, **half),
        grid=replace(south.grid, crs=pyproj.CRS("EPSG:32656")),  # as far from the equator or not
    )
    months = []
    for inputs in (south, north):
        calendar = calendar_of(out, [frozenset({kind})] * len(out), {}, inputs, site)
        found = dated(out, calendar, [None] * len(out))
        months.append({one.block: one.month for one in found})
        assert "best suited: not known: ask" in found[0].note
    apart = {(months[1][name] - months[0][name]) % 12 for name in out["block"]}
    assert apart <= {5, 6, 7}


def test_seeded_blocks_that_stay_in_a_part_plan_are_still_seeded():
    blocks = pd.DataFrame({"kind": [0, 0, 0, -2], "spacing_m": [0.0, 2.5, 0.0, 0.0]})
    classes = np.array([NOT_ON_FOOT, NOT_ON_FOOT, "volunteers", NOT_ON_FOOT], dtype=object)
    rules = Planting(steep="seed from above")
    assert steep_before(blocks, classes, rules).tolist() == ["seed from above", "", "", ""]
    crew = Planting(steep="steep crew", steep_crew=CREW)
    assert steep_before(blocks, classes, crew).tolist() == [""] * 4


def test_a_sheet_says_on_every_page_who_alone_may_enter(tmp_path):
    plan = with_works(made_plan())
    blocks = plan.works.blocks
    only = {"A1": f"steep-ground crew only: {CREW}", "B1": ACCESS_CLASSES[1]}
    blocks["access_class"] = blocks["block"].map(only).fillna(ACCESS_CLASSES[0])
    write_sheets(plan, tmp_path / "sheets.pdf")
    read = PdfReader(tmp_path / "sheets.pdf").pages
    lines = [line for page in read for line in page.extract_text().split("\n")]
    for work in block_works(plan):
        mine = [line for line in lines if line.startswith(f"Block {work.block}, ")]
        words = f": {only[work.block]}" if work.block in only else ""
        head = f"Block {work.block}, {work.paddock}{words}"
        assert mine == [head, f"{head}: rows"]


@pytest.mark.parametrize(("fall", "place"), [(0.7, "planting.steep"), (0.9, "steepest_deg")])
def test_a_site_with_nowhere_to_stand_is_told_so(tmp_path, fall, place):
    path = small_site(tmp_path / "site")
    with rasterio.open(path.parent / "dem.tif", "r+") as file:
        heights = 300 + fall * np.broadcast_to(np.arange(CELLS) * CELL, (CELLS, CELLS))
        file.write(heights.astype(np.float32), 1)
    path.write_text(path.read_text().replace("steepest_deg = 60.0", "steepest_deg = 38.0"))
    site = load_site(path)
    with pytest.raises(InputError, match=f"{place}: no place is left to plant"):
        laid_out(site)


@pytest.mark.parametrize("words", ['steep = "steep crew"', 'steep_crew = "Kestrels"'])
def test_a_steep_crew_is_named(tmp_path, words):
    path = small_site(tmp_path / "site")
    path.write_text(path.read_text().replace("[planting]\n", f"[planting]\n{words}\n"))
    with pytest.raises(InputError, match="steep_crew"):
        load_site(path)
