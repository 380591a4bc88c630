"""Handheld files: valid by their schemas, in the right place, with every tree and no more."""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import xmlschema
from made_plan import made_plan
from scipy.spatial import cKDTree

from siteplanner.handover.block_work import drops_of
from siteplanner.handover.fieldwork import (
    bucket,
    ends_of_rows,
    start_of,
    trees_by_row,
)
from siteplanner.handover.gis.handheld import write_handheld

HOSTILE = "</name><x> ]]> & \" ' \x00\x1b\ud800 {{7*7}} ../../etc <script>alert(1)</script>\n"
GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"


def schema(package: str, path: str) -> xmlschema.XMLSchema:
    """A published schema that an installed package carries (the package itself is not run)."""
    (folder,) = find_spec(package).submodule_search_locations
    return xmlschema.XMLSchema(Path(folder) / path, allow="local")


@pytest.fixture(scope="module")
def gpx_schema():
    # GPX 1.1: Topografix, http://www.topografix.com/GPX/1/1/gpx.xsd
    return schema("gpx", "gpx.xsd")


@pytest.fixture(scope="module")
def kml_schema():
    # KML 2.2: Open Geospatial Consortium 07-147r2, ogckml22.xsd
    return schema("fastkml", "schema/ogckml22.xsd")


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    made = tmp_path_factory.mktemp("handheld")
    write_handheld(plan, made)
    return made


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    made = tmp_path_factory.mktemp("hostile")
    plan = made_plan(hostile=HOSTILE)
    write_handheld(plan, made)
    return plan, made


def test_gpx_is_valid_and_holds_row_ends_only(plan, folder, gpx_schema):
    files = sorted((folder / "handheld").glob("*.gpx"))
    assert [f.stem for f in files] == sorted(b.lower() for b in plan.blocks["block"])
    for file in [folder / "trees.gpx", *files]:
        gpx_schema.validate(file)
    single = shapely.get_type_id(plan.rows.geometry.to_numpy()) == shapely.GeometryType.POINT
    points = ET.parse(folder / "trees.gpx").findall(f"{GPX}wpt")
    of_rows = [p for p in points if p.find(f"{GPX}type").text in ("row start", "row end")]
    assert len(of_rows) == 2 * len(plan.rows) - single.sum()
    assert len(points) == sum(len(ET.parse(f).findall(f"{GPX}wpt")) for f in files)


def test_a_blocks_gpx_has_start_its_drops_and_fewer_than_500_points(plan, tmp_path, gpx_schema):
    # Every row ten times: blocks of over a hundred rows.
    many = pd.concat([plan.rows] * 10, ignore_index=True)
    many["row"] = many.groupby("block").cumcount() + 1
    rows = many.sort_values(["block", "row"], ignore_index=True)
    trees = plan.trees.assign(row=1)
    shape = shapely.buffer(plan.blocks.geometry.to_numpy(), 3, quad_segs=400)
    blocks = plan.blocks.set_geometry(shape)
    large = replace(
        plan, rows=gpd.GeoDataFrame(rows, crs=plan.grid.crs), trees=trees, blocks=blocks
    )
    write_handheld(large, tmp_path)
    for block in plan.blocks["block"]:
        path = tmp_path / "handheld" / f"{block.lower()}.gpx"
        gpx_schema.validate(path)
        root = ET.parse(path)
        points = [*root.iter(f"{GPX}wpt"), *root.iter(f"{GPX}trkpt")]
        assert 60 < len(points) < 500
        names = [p.find(f"{GPX}name").text for p in root.iter(f"{GPX}wpt")]
        mine = large.rows[large.rows["block"] == block]
        assert names[0] == f"{block} START"
        assert sum("drop" in name for name in names) == len(drops_of(large, mine))


def test_gpx_row_ends_lie_at_the_ends_of_the_rows(plan, folder):
    found = {
        p.find(f"{GPX}name").text: (float(p.get("lon")), float(p.get("lat")))
        for p in ET.parse(folder / "trees.gpx").findall(f"{GPX}wpt")
    }
    rows = plan.rows.to_crs(4326)
    row = rows.iloc[7]
    ends = shapely.get_coordinates(row.geometry)[[0, -1]]
    for place, end in zip(ends, ("start", "end"), strict=True):
        assert found[f"{row.block}-{row.row} {end}"] == pytest.approx(tuple(place), abs=6e-8)


def test_kml_is_valid_and_holds_every_tree(plan, folder, kml_schema):
    kml_schema.validate(folder / "trees.kml")
    points = ET.parse(folder / "trees.kml").findall(f".//{KML}MultiGeometry/{KML}Point")
    assert len(points) == plan.trees_total
    read = np.array([list(map(float, p[0].text.split(","))) for p in points])
    given = shapely.get_coordinates(plan.trees.to_crs(4326).geometry.to_numpy())
    apart, which = cKDTree(given).query(read)
    assert apart.max() < 1e-7 and len(set(which)) == len(given)


def test_geojson_is_rfc_7946_and_reads_back_tree_by_tree(plan, folder):
    text = json.loads((folder / "trees.geojson").read_text(encoding="utf-8"))
    # RFC 7946 (Butler et al. 2016), sections 3.3, 3.2, 4 and 3.1.1.
    assert text["type"] == "FeatureCollection" and set(text) == {"type", "features"}
    places = np.array([f["geometry"]["coordinates"] for f in text["features"]])
    assert places.shape[1] == 2 and np.array_equal(places, places.round(7))
    assert all(set(f) == {"type", "geometry", "properties"} for f in text["features"])
    read = gpd.read_file(folder / "trees.geojson")
    assert read.crs == "EPSG:4326"
    assert list(read["species"]) == list(plan.trees["species"])
    assert list(read["block"]) == list(plan.trees["block"])
    assert list(read["row"]) == list(plan.trees["row"])
    assert read.to_crs(plan.grid.crs).distance(plan.trees).max() < 0.02


def test_hostile_names_stay_text(hostile, gpx_schema, kml_schema):
    plan, folder = hostile
    gpx_schema.validate(folder / "trees.gpx")
    kml_schema.validate(folder / "trees.kml")
    kml = ET.parse(folder / "trees.kml").getroot()
    assert not kml.findall(".//{*}script") and not kml.findall(".//{*}x")
    for description in kml.iter(f"{KML}description"):
        assert "<script" not in description.text  # viewers read a description as HTML
    folders = kml.findall(f"{KML}Document/{KML}Folder")
    paddock = plan.blocks["paddock"].iloc[0].split("\x00")[0]
    assert paddock in html.unescape(folders[0].find(f"{KML}description").text)
    features = json.loads((folder / "trees.geojson").read_text(encoding="utf-8"))["features"]
    given = re.sub("[\x00\ud800]", "?", plan.trees["species"].iloc[0])
    assert features[0]["properties"]["species"] == given


def test_same_plan_same_bytes(plan, folder, tmp_path):
    write_handheld(plan, tmp_path)
    for file in folder.rglob("*.*"):
        assert (tmp_path / file.relative_to(folder)).read_bytes() == file.read_bytes()


def test_a_plan_without_trees_has_empty_valid_files(plan, tmp_path, gpx_schema, kml_schema):
    bare = replace(
        plan,
        trees=plan.trees[:0],
        rows=plan.rows[:0],
        tree_species=plan.tree_species[:0],
        blocks=plan.blocks.assign(trees=0, rows=0),
    )
    write_handheld(bare, tmp_path)
    gpx_schema.validate(tmp_path / "trees.gpx")
    kml_schema.validate(tmp_path / "trees.kml")
    assert json.loads((tmp_path / "trees.geojson").read_text())["features"] == []
    assert not (tmp_path / "handheld").exists()


# --- what a crew is told -------------------------------------------------------------------


def test_rows_hold_all_trees(plan):
    counts = trees_by_row(plan)
    assert list(counts.sum(axis=1)) == list(plan.rows["trees"])
    assert list(counts.sum(axis=0)) == list(np.bincount(plan.tree_species, minlength=6))


@pytest.mark.parametrize("block", range(5))
def test_numbering_starts_where_it_is_said_to_start(plan, block):
    block = plan.blocks.iloc[block]
    winds = {"north": (0, 1), "south": (0, -1), "east": (1, 0), "west": (-1, 0)}

    def side(words: str) -> np.ndarray:
        return np.sum([winds[w] for w in words.split("-")], axis=0)

    rows = plan.rows[plan.rows["block"] == block.block].sort_values("row")
    first = shapely.get_coordinates(rows.geometry.iloc[0])[0]
    start = start_of(block.geometry, ends_of_rows(rows))
    ends = [shapely.get_coordinates(r)[[0, -1]] for r in rows.geometry]
    middle = np.array([e.mean(axis=0) for e in ends])
    longest = max(ends, key=lambda e: np.hypot(*(e[1] - e[0])))
    assert (longest[0] - longest[1]) @ side(start.end) > 0
    assert (middle[-1] - middle[0]) @ side(start.rises) > 0
    middle_of_block = np.array(shapely.box(*block.geometry.bounds).centroid.coords[0])
    assert (first - middle_of_block) @ side(start.side) > 0


def test_buckets_add_up():
    trees = np.array([0, 317, 5, 90, 188])
    mixed = bucket(trees)
    assert mixed.sum() == 40
    assert (np.abs(mixed - 40 * trees / trees.sum()) < 1).all()
