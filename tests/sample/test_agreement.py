"""The sample's plan: the same numbers everywhere, trees where they may stand."""

import json
import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from handover.browser import DESK, PHONE, opened
from scipy.spatial import cKDTree

LAYERS = [
    "zones",
    "blocks",
    "rows",
    "trees",
    "paddocks",
    "no_plant",
    "setbacks",
    "frost_obs",
    "boundary",
]


@pytest.fixture(scope="module")
def package(sample_plan):
    return {name: gpd.read_file(sample_plan / "plan.gpkg", layer=name) for name in LAYERS}


@pytest.fixture(scope="module")
def counts(sample_plan):
    return pd.read_csv(sample_plan / "counts.csv")


@pytest.fixture(scope="module")
def manifest(sample_plan):
    return json.loads((sample_plan / "plan.json").read_text(encoding="utf-8"))


def test_files_and_columns_are_the_promised_ones(sample_plan, package, counts, manifest):
    assert list(counts.columns) == [
        "zone",
        "paddock",
        "species",
        "common_name",
        "trees",
        "infill",
        "order",
    ]
    assert {"species", "zone", "block", "row"} <= set(package["trees"].columns)
    assert "layer_styles" in set(pyogrio.list_layers(sample_plan / "plan.gpkg")[:, 0])
    assert manifest["trees_total"] > 5000
    said = sample_plan.with_suffix(".out").read_text(encoding="utf-8")
    for word in ("zone", "Trees by species", "Files", "map.html"):
        assert word in said


def test_counts_are_the_same_everywhere(package, counts, manifest):
    trees = package["trees"]
    assert len(trees) == counts["trees"].sum() == manifest["trees_total"]
    by_both = trees.groupby(["zone", "species"]).size()
    pd.testing.assert_series_equal(
        by_both, counts.groupby(["zone", "species"])["trees"].sum(), check_names=False
    )
    zones = package["zones"].set_index("zone")["trees"]
    assert zones[zones > 0].to_dict() == trees["zone"].value_counts().to_dict()
    blocks = package["blocks"].set_index("block")["trees"]
    assert blocks[blocks > 0].to_dict() == trees["block"].value_counts().to_dict()
    rows = package["rows"].set_index(["block", "row"])["trees"].sort_index()
    assert rows.to_dict() == trees.groupby(["block", "row"]).size().to_dict()
    paddocks = package["paddocks"].set_index("name")["trees"]
    assert paddocks[paddocks > 0].to_dict() == counts.groupby("paddock")["trees"].sum().to_dict()
    assert (counts["order"] - counts["infill"] == counts["trees"]).all()


@pytest.mark.parametrize(
    "screen",
    [pytest.param(DESK, marks=pytest.mark.long, id="desk"), pytest.param(PHONE, id="phone")],
)
def test_the_maps_popups_say_the_same(browser, sample_plan, counts, screen):
    with opened(browser, sample_plan / "map.html", **screen) as it:
        expected = counts.groupby("zone")["trees"].sum()
        for zone, trees in expected.items():
            if it.page.get_attribute("#tab-Zones", "aria-expanded") != "true":
                it.page.click("#tab-Zones")
            it.page.locator(".zones button").filter(
                has=it.page.locator(".chip", has_text=re.compile(f"^{zone}$"))
            ).click()
            text = it.page.locator("#card .about").last.inner_text()
            assert re.search(rf"Trees\s+{trees:,}\b", text), (zone, text)
            mine = counts[counts["zone"] == zone].groupby("species")["trees"].sum()
            for species, number in mine.items():
                assert re.search(rf"{species}[^\n]*\n?[^\n]*?\b{number:,}\b", text), (species, text)
            it.page.keyboard.press("Escape")
        assert it.complaints == []
        assert it.requests == [(sample_plan / "map.html").as_uri()]


def test_every_tree_lies_in_its_zone_and_block(package):
    for kind in ("zone", "block"):
        shapes = package[f"{kind}s"].set_index(kind).geometry
        for name, mine in package["trees"].groupby(kind):
            shapely.prepare(shapes[name])
            assert shapely.covers(shapes[name], mine.geometry.array).all(), name


def test_no_tree_lies_in_a_setback_or_near_what_has_one(package):
    points = package["trees"].geometry.array
    tree = shapely.STRtree(points)
    for shape in package["setbacks"].geometry:
        assert len(tree.query(shape, predicate="intersects")) == 0
    for shape, metres in package["no_plant"][["geometry", "setback_m"]].itertuples(index=False):
        assert len(tree.query(shape, predicate="dwithin", distance=metres)) == 0
    outline = package["boundary"].union_all()
    assert shapely.covers(outline, points).all()
    assert shapely.distance(outline.boundary, points).min() >= 2.0


def test_trees_keep_the_stated_spacing(package):
    spacing = package["zones"].set_index("zone")["spacing_m"]
    for zone, mine in package["trees"].groupby("zone"):
        points = shapely.get_coordinates(mine.geometry)
        assert cKDTree(points).query(points, k=2)[0][:, 1].min() >= spacing[zone] - 1e-6, zone


def test_zones_do_not_overlap_and_fill_the_plantable_ground(package):
    zones = package["zones"].geometry
    assert zones.union_all().area == pytest.approx(zones.area.sum(), rel=1e-6)
    blocks = package["blocks"].geometry
    assert blocks.area.sum() == pytest.approx(zones.area.sum(), rel=1e-6)
    fields = package["paddocks"][package["paddocks"]["plant"] == 1].union_all()
    ground = fields.intersection(package["boundary"].union_all()).difference(
        package["setbacks"].union_all()
    )
    left_over = ground.area - zones.area.sum()
    assert 0 <= left_over < 0.005 * ground.area


def test_the_ground_of_the_trees_is_within_what_the_species_stand(sample_plan, package):
    trees = package["trees"]
    xy = shapely.get_coordinates(trees.geometry)
    low = 0
    for species, mine in trees.groupby("species"):
        name = "suitability_" + species.lower().replace(" ", "_") + ".tif"
        with rasterio.open(sample_plan / "layers" / name) as source:
            got = np.array([v[0] for v in source.sample(xy[mine.index])])
        low += (got < 40).sum()
    assert low <= 0.001 * len(trees)


def test_odds_of_frost_are_those_of_the_places_where_trees_stand(sample_plan, package):
    odds = pd.read_csv(sample_plan / "frost.csv")
    trees = package["trees"]
    with rasterio.open(sample_plan / "layers" / "winter_minimum.tif") as file:
        at = shapely.get_coordinates(trees.geometry.to_numpy())
        cold = np.array([value[0] for value in file.sample(at)]) * file.scales[0] + file.offsets[0]
    places = trees.assign(cold=cold).groupby(["zone", "species"])["cold"]
    planted = odds[odds["trees"] > 0].set_index(["zone", "species"])
    assert planted["trees"].sort_index().to_dict() == places.size().to_dict()
    # The median is the value of a place, where two share the middle the lower one.
    middle = places.quantile(0.5, interpolation="lower")
    apart = planted["coldest_c"] - middle.reindex(planted.index)
    assert apart.abs().max() < 0.06
    # Every other species of the table has the odds of the zone's ground.
    assert not odds.duplicated(["zone", "species"]).any()
    assert odds.groupby("zone").size().nunique() == 1
    for zone in package["zones"].itertuples():
        mine = odds[(odds["zone"] == zone.zone) & (odds["trees"] > 0)]
        if "Most at risk" in zone.ground:
            worst = mine.loc[mine["odds_high"].idxmax()]
            assert f"killing frost: {worst['words']}" in zone.ground


def test_the_frost_estimate_agrees_with_readings_it_was_not_made_from(package):
    # The readings come from a process of their own (sample_site/make_frost.py), so agreement
    # is no tautology; the order along the property must be right.
    seen = package["frost_obs"]
    apart = seen["estimated_c"] - seen["at_reference_c"]
    assert np.corrcoef(seen["estimated_c"], seen["at_reference_c"])[0, 1] > 0.7
    assert np.sqrt((apart**2).mean()) < 1.5
