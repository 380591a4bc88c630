"""The project for a desktop GIS: layers in order, paths that move along, looks as on the map."""

import re
import shutil
import zipfile
from dataclasses import replace
from fnmatch import fnmatchcase
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from conftest import ROOT
from made_plan import made_plan

from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.symbology.colours import ends, ramp, zone_colours
from siteplanner.handover.folder.results import FILES, GROUPS, LAYERS, MAIN, results_in
from siteplanner.handover.gis.fields import FIELDS
from siteplanner.handover.gis.geopackage import SCHEMA, write_geopackage
from siteplanner.handover.gis.plan_styles import style_of
from siteplanner.handover.gis.project import write_project
from siteplanner.handover.gis.rasters import suitability_colours, write_layer, write_suitability

HOSTILE = '<x y="z">&amp; ${1} "\'\n=1+1 \x1b'


def written(plan, folder):
    """A plan's folder with its features, two species' suitability, three layers and the project."""
    layers = folder / "layers"
    layers.mkdir(parents=True)
    write_geopackage(plan, folder / "plan.gpkg")
    for name in ("hillshade", "slope"):
        write_layer(replace(plan.infos[name], name=name), plan.layers[name], plan.grid, layers)
    kinds = LayerInfo("Kinds", "", "m", "s", (0, 2), classes=("low", "mid", "high"), name="kinds")
    write_layer(kinds, np.ones(plan.grid.shape, np.float32), plan.grid, layers)
    plan.infos["kinds"] = kinds
    names = list(plan.species["botanical_name"][:2])
    write_suitability(names, plan.suitability[:2], plan.grid, layers)
    write_project(plan, folder)
    return folder


def project_in(folder):
    with zipfile.ZipFile(folder / "plan.qgz") as file:
        assert file.namelist() == ["plan.qgs"]
        return ET.fromstring(file.read("plan.qgs"))


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    return written(plan, tmp_path_factory.mktemp("project") / "plan")


def test_layers_of_the_list_are_those_of_the_file():
    assert {name for name, _, _ in LAYERS} == set(SCHEMA)
    assert {field for _, fields in SCHEMA.values() for field in fields} == set(FIELDS)
    assert set(MAIN) <= {role for _, role, _, _ in FILES}


def test_every_file_that_a_writer_names_is_in_the_one_list():
    named = {
        name
        for path in (ROOT / "siteplanner" / "handover").rglob("*.py")
        for name in re.findall(
            r'"([a-z_]+\.(?:csv|pdf|ics|gpx|kml|geojson|xlsx))"', path.read_text("utf-8")
        )
    }
    unknown = {name for name in named if not any(fnmatchcase(name, row[0]) for row in FILES)}
    assert len(named) > 20 and unknown == set()


def test_groups_and_order_are_those_of_the_results(folder):
    root = project_in(folder)
    tree = root.find("layer-tree-group")
    groups = [group.get("name") for group in tree.findall("layer-tree-group")]
    drawn = [one for one in results_in(folder) if one.group]
    assert groups == [g for g in GROUPS if any(one.group == g for one in drawn)][:-1]
    assert list(tree)[-1].get("name") == drawn[-1].title == plan_title(folder, "hillshade")
    assert [n.get("name") for n in tree.iter("layer-tree-layer")] == [one.title for one in drawn]
    ids = [n.get("id") for n in tree.iter("layer-tree-layer")]
    assert ids == [n.findtext("id") for n in root.iter("maplayer")] and len(set(ids)) == len(ids)


def plan_title(folder, stem):
    return next(r.title for r in results_in(folder) if r.path == f"layers/{stem}.tif")


def test_paths_are_relative_and_lead_to_files(folder):
    sources = [n.text for n in project_in(folder).iter("datasource")]
    assert len(sources) == len(SCHEMA) + 5
    for source in sources:
        assert source.startswith("./") and (folder / source.partition("|")[0]).is_file()


def test_trees_come_in_at_a_scale_and_labels_give_way_to_those_of_blocks(folder):
    layers = {n.findtext("id"): n for n in project_in(folder).iter("maplayer")}
    trees = layers["siteplanner_trees"]
    assert trees.get("hasScaleBasedVisibilityFlag") == "1" and trees.get("minScale") == "5000"
    zones, blocks = (
        layers[f"siteplanner_{name}"].find("labeling/settings/rendering").attrib
        for name in ("zones", "blocks")
    )
    assert zones["labelPerPart"] == "1"
    assert zones["scaleMin"] == blocks["scaleMax"] == "5000"
    readings = layers["siteplanner_frost_obs"].find("labeling/settings/text-style")
    assert "°C" in readings.get("fieldName") and readings.get("isExpression") == "1"
    paddocks = layers["siteplanner_paddocks"].find("labeling/settings/text-style")
    assert "(no trees)" in paddocks.get("fieldName")


def test_fields_have_names_and_rounded_decimals(folder):
    for layer in project_in(folder).iter("maplayer"):
        name = layer.findtext("id").removeprefix("siteplanner_")
        if name not in SCHEMA:
            continue
        aliases = {a.get("field"): a.get("name") for a in layer.iter("alias")}
        assert aliases == {field: FIELDS[field].alias for field in SCHEMA[name][1]}
        shown = {f.get("name") for f in layer.iterfind("fieldConfiguration/field")}
        assert shown == {f for f, kind in SCHEMA[name][1].items() if kind is float}


def test_every_layer_says_what_it_is_and_what_to_mind(folder, plan):
    for layer in project_in(folder).iter("maplayer"):
        about = layer.find("resourceMetadata")
        assert [c.text for c in about.iter("constraints")] == list(plan.cautions)
        assert about.findtext("title") == layer.findtext("layername")
        if layer.get("type") == "raster":
            assert "Method: " in about.findtext("abstract")


def test_a_style_beside_every_raster_is_the_one_in_the_project(folder):
    layers = {n.findtext("datasource"): n for n in project_in(folder).iter("maplayer")}
    rasters = sorted((folder / "layers").glob("*.tif"))
    assert len(rasters) == 5
    for path in rasters:
        own = ET.parse(path.with_suffix(".qml")).getroot().find("pipe/rasterrenderer")
        within = layers[f"./layers/{path.name}"].find("pipe/rasterrenderer")
        assert [dict(n.attrib) for n in own.iter()] == [dict(n.attrib) for n in within.iter()]


def test_classes_have_names_and_ramps_the_ends_of_the_map(folder, plan):
    def look(stem):
        return ET.parse(folder / "layers" / f"{stem}.qml").getroot()

    entries = look("kinds").findall(".//paletteEntry")
    assert [(e.get("value"), e.get("label")) for e in entries] == [
        ("0", "low"), ("1", "mid"), ("2", "high"),
    ]  # fmt: skip
    assert [e.get("color") for e in entries] == ramp("viridis", 3)
    items = look("slope").findall(".//item")
    inside = plan.layers["slope"][plan.grid.cover(plan.boundary.geometry)]
    assert [float(items[n].get("value")) for n in (0, -1)] == pytest.approx(ends(inside), rel=1e-6)
    assert [i.get("color") for i in items] == ramp(plan.infos["slope"].colours, 9)
    suits = min((folder / "layers").glob("suitability_*.qml"))
    bands = ET.parse(suits).getroot().findall(".//item")
    assert {(int(float(b.get("value"))), b.get("color")) for b in bands} == {
        (high, colour) for _, high, _, colour in suitability_colours()
    }


def test_two_zones_of_one_colour_are_told_apart(plan):
    many = pd.concat([plan.zones] * 3, ignore_index=True)
    many["zone"] = list("ABCDEFGHI")
    rules = style_of(replace(plan, zones=many), "zones").rules
    looks = {(r.symbol.tint or r.symbol.colour, r.symbol.hatch) for r in rules}
    assert len(set(zone_colours(many["trees"]))) == 7 and len(looks) == 9


def test_the_same_plan_gives_the_same_bytes_wherever_it_lies(folder, plan, tmp_path):
    moved = tmp_path / "elsewhere"
    shutil.copytree(folder, moved)
    write_project(plan, moved)
    for path in sorted(folder.rglob("*.q*")):
        assert path.read_bytes() == (moved / path.relative_to(folder)).read_bytes(), path


def test_hostile_text_stays_text(tmp_path):
    plan = made_plan(hostile=HOSTILE)
    root = project_in(written(plan, tmp_path / "plan"))
    assert root.find(".//x") is None
    assert '<x y="z">' in root.findtext("title")
    assert not re.search("[\x00-\x08\x1b]", ET.tostring(root, "unicode"))
