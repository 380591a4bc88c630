"""Works: access classes, fences, lines for the machine, jobs in order; on the sample's plan."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from python_calamine import CalamineWorkbook

from siteplanner.planting.access import ACCESS_CLASSES, access_class, dangers_of
from siteplanner.season.ground_works import fences
from siteplanner.season.jobs import jobs_of
from siteplanner.season.plantings import Calendar
from siteplanner.season.windows import Window
from siteplanner.site.planting import WorkRates

CRS = "EPSG:32756"


def frame(shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def features_and_paddocks(fence, *, dangers=()):
    squares = [shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100)]
    kinds = ["fence", *(kind for kind, _ in dangers)]
    return (
        frame([fence, *(shape for _, shape in dangers)], kind=kinds),
        frame(squares, name=["West", "East"], trees=[10, 10]),
    )


def test_only_edges_without_a_fence_are_fenced_and_a_shared_one_once():
    south = shapely.LineString([(-5, 0), (205, 0)])
    got = fences(*features_and_paddocks(south), 6.0).set_index("paddock")
    # West: its north and the two sides less what the old fence covers; East the same less the
    # side shared with West.
    assert got.loc["West", "fence_m"] == pytest.approx(100 + 2 * 94, abs=1)
    assert got.loc["East", "fence_m"] == pytest.approx(94 + 94, abs=1)
    assert got["gates"].tolist() == [1, 1]
    all_round = shapely.boundary(shapely.box(0, 0, 200, 100)).union(
        shapely.LineString([(100, 0), (100, 100)])
    )
    assert (
        fences(*features_and_paddocks(all_round), 6.0)[["fence_m", "gates"]].to_numpy().sum() == 0
    )


@pytest.mark.parametrize(
    ("steep", "line_at", "number"),
    [(10, 200, 0), (20, 200, 1), (35, 200, 2), (10, 20, 1), (35, 20, 2)],
)
def test_access_classes_go_by_slope_and_by_what_is_near(steep, line_at, number):
    line = shapely.LineString([(0, 100 + line_at), (100, 100 + line_at)])
    no_plant, _ = features_and_paddocks(
        shapely.LineString([(0, 0), (1, 0)]), dangers=[("power_line", line)]
    )
    got = access_class(steep, shapely.box(0, 0, 100, 100), dangers_of(no_plant), WorkRates())
    assert got == ACCESS_CLASSES[number]


def test_jobs_come_in_order_fence_first_and_nursed_trees_years_later():
    blocks = pd.DataFrame(
        {"block": ["A1"], "paddock": ["West"], "year": [2028], "later": [2030], "trees": [100],
         "trees_later": [40], "rip_m": [500.0], "weed_m2": [78.5], "guards": [100],
         "window": ["in winter"], "access_class": [ACCESS_CLASSES[0]], "status": ["planned"],
         "how": ["rip"], "mounds": [0], "texture": ["loam"]}
    )  # fmt: skip
    paddocks = pd.DataFrame({"paddock": ["West"], "fence_m": [300], "gates": [1]})
    winter = Calendar((Window(182, 223, "in winter"),), np.array([0]), 2028, None)
    infill = {("A1", 2028): 7, ("A1", 2030): 5}
    jobs = jobs_of(blocks, paddocks, winter, infill, WorkRates())
    dated = list(zip(jobs["year"], jobs["month"], jobs["job"], jobs["quantity"], strict=True))
    assert dated == [
        (2028, 1, "rip", 500.0),
        (2028, 3, "access and fence", 300.0),
        (2028, 4, "weed control", 47.1),
        (2028, 7, "plant", 60.0),
        (2028, 7, "guard", 60.0),
        (2028, 8, "count what lives", 60.0),
        (2029, 5, "count what lives", 60.0),
        (2029, 7, "plant infill", 7.0),
        (2030, 4, "weed control", 31.4),
        (2030, 7, "plant", 40.0),
        (2030, 7, "guard", 40.0),
        (2030, 8, "count what lives", 40.0),
        (2031, 5, "count what lives", 40.0),
        (2031, 7, "plant infill", 5.0),
    ]


def test_a_block_that_is_planted_has_no_planting_to_come():
    blocks = pd.DataFrame(
        {"block": ["A1"], "paddock": ["West"], "year": [2028], "later": [0], "trees": [100],
         "trees_later": [0], "rip_m": [0.0], "weed_m2": [78.5], "guards": [100],
         "window": ["in winter"], "access_class": [ACCESS_CLASSES[0]], "status": ["planted"],
         "how": ["none"], "mounds": [0], "texture": ["loam"]}
    )  # fmt: skip
    winter = Calendar((Window(182, 223, "in winter"),), np.array([0]), 2028, None)
    none = pd.DataFrame({"paddock": [], "fence_m": [], "gates": []})
    assert jobs_of(blocks, none, winter, {("A1", 2028): 7}, WorkRates()).empty


@pytest.fixture(scope="module")
def tables(sample_plan):
    names = ("blocks", "works", "fences", "rows", "years", "counts")
    return {name: pd.read_csv(sample_plan / f"{name}.csv") for name in names}


def test_the_samples_tables_agree(sample_plan, tables):
    manifest = json.loads((sample_plan / "plan.json").read_text(encoding="utf-8"))
    blocks = tables["blocks"]
    assert blocks["trees"].sum() == tables["rows"]["trees"].sum() == manifest["trees_total"]
    by_zone = blocks.groupby("zone")["trees"].sum()
    assert by_zone.to_dict() == tables["counts"].groupby("zone")["trees"].sum().to_dict()
    planted = tables["works"][tables["works"]["job"] == "plant"]
    assert planted["quantity"].sum() == manifest["trees_total"]
    assert set(blocks["access_class"]) <= set(ACCESS_CLASSES[:2])
    assert (blocks["order_least"] <= blocks["order"]).all()
    assert (blocks["trees_later"] <= blocks["trees"]).all()
    assert ((blocks["later"] > blocks["year"]) | (blocks["trees_later"] == 0)).all()
    starts = tables["works"].assign(at=lambda f: f["year"] * 12 + f["month"])
    assert np.all(np.diff(starts["at"]) >= 0)


def test_the_year_of_every_tree_is_the_same_in_every_table(sample_plan, tables):
    trees = gpd.read_file(sample_plan / "plan.gpkg", layer="trees")
    by_year = trees.groupby("year").size().to_dict()
    assert len(by_year) > 1 and trees["mother"].notna().mean() > 0.5
    years = tables["years"]
    assert years.groupby("year")["trees"].sum().to_dict() == by_year
    assert tables["rows"].groupby("year")["trees"].sum().to_dict() == by_year
    keys = ["zone", "paddock", "species"]
    counts = tables["counts"].set_index(keys)["trees"].sort_index()
    assert years.groupby(keys)["trees"].sum().sort_index().equals(counts)
    blocks = gpd.read_file(sample_plan / "plan.gpkg", layer="blocks").set_index("block")["year"]
    told = tables["blocks"].set_index("block")["year"]
    assert (blocks.reindex(told.index) == told).all()
    book = CalamineWorkbook.from_path(str(sample_plan / "plan.xlsx"))
    head, *_, total = book.get_sheet_by_name("Species by year").to_python()
    heads = {f"Year {year}" if year else "later": n for year, n in by_year.items()}
    assert dict(zip(head[2:-1], total[2:-1], strict=True)) == heads


def test_nobody_is_sent_where_the_sample_is_too_steep(sample_plan, tables):
    trees = gpd.read_file(sample_plan / "plan.gpkg", layer="trees").geometry
    with rasterio.open(sample_plan / "layers" / "slope.tif") as file:
        slope = np.array([cell[0] for cell in file.sample(zip(trees.x, trees.y, strict=True))])
    assert slope.max() <= 38
    blocks = gpd.read_file(sample_plan / "plan.gpkg", layer="blocks")
    left = blocks[blocks["steep"] == "leave"]
    assert len(left) and not left["trees"].any()
    assert not set(left["block"]) & set(tables["blocks"]["block"])
    assert not set(left["block"]) & set(tables["works"]["place"])


def test_the_samples_hours_are_those_of_its_planting(sample_plan, tables):
    hours = pd.read_csv(sample_plan / "hours.csv")
    blocks, works = tables["blocks"].set_index("block"), tables["works"]
    jobs = works[works["job"].str.startswith("plant") & (works["year"] > 0)]
    a_tree = blocks["person_hours"] / blocks["trees"]
    wanted = (jobs["quantity"] * jobs["place"].map(a_tree)).sum()
    assert hours[["plant_h", "steep_crew_h"]].sum().sum() == pytest.approx(wanted, rel=1e-3)
    warnings = json.loads((sample_plan / "plan.json").read_text(encoding="utf-8"))["warnings"]
    crew = hours["short"].fillna("").str.contains("crew")
    assert crew.equals(hours["plant_h"] > hours["crew_available_h"])
    assert crew.any() == any("the crew can do in a month" in words for words in warnings)


def test_machine_lines_are_in_the_gis_file_and_as_long_as_the_tables_say(sample_plan, tables):
    lines = gpd.read_file(sample_plan / "plan.gpkg", layer="machine_lines")
    assert len(lines) and set(lines.geom_type) == {"LineString"}
    assert lines.length.to_numpy() == pytest.approx(lines["length_m"].to_numpy(), abs=1e-3)
    told = tables["blocks"].set_index("block")["rip_m"]
    drawn = lines.groupby("block")["length_m"].sum().reindex(told.index).fillna(0)
    assert drawn.to_numpy() == pytest.approx(told.to_numpy(), abs=0.01)
