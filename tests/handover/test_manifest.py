"""Counts and manifest say the same as the plan and as each other."""

from __future__ import annotations

import csv
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from made_plan import made_plan

import siteplanner
from siteplanner.base.tables import shielded
from siteplanner.handover.folder.manifest import plain, write_manifest
from siteplanner.handover.folder.publish import files_of_plan
from siteplanner.handover.gis.geopackage import write_geopackage
from siteplanner.handover.tables.counts import COUNT_COLUMNS, write_counts
from siteplanner.plan import Plan


@pytest.fixture(scope="module")
def plan() -> Plan:
    return made_plan()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("plan")
    write_geopackage(plan, folder / "plan.gpkg")
    write_counts(plan, folder / "counts.csv")
    write_manifest(plan, folder / "plan.json", ["plan.gpkg", "counts.csv"])
    return folder


def test_trees_are_the_same_in_package_counts_and_manifest(folder):
    trees = gpd.read_file(folder / "plan.gpkg", layer="trees")
    counts = pd.read_csv(folder / "counts.csv")
    manifest = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    assert len(trees) == counts["trees"].sum() == manifest["trees_total"] > 500
    by_zone = trees.groupby("zone").size().to_dict()
    assert by_zone == counts.groupby("zone")["trees"].sum().to_dict()
    assert by_zone == {zone["zone"]: zone["trees"] for zone in manifest["zones"]}
    by_species = trees.groupby("species").size().to_dict()
    assert by_species == counts.groupby("species")["trees"].sum().to_dict()
    assert by_species == {s: n for s, n in manifest["trees_by_species"].items() if n}
    zones = gpd.read_file(folder / "plan.gpkg", layer="zones")
    assert manifest["area_planted_ha"] == round(zones["area_ha"].sum(), 2)


def test_a_zone_without_trees_is_not_planted_area(plan, tmp_path):
    bare = plan.zones.assign(trees=plan.zones["trees"].where(plan.zones["zone"] != "A", 0))
    area = bare["area_ha"][bare["zone"] != "A"].sum()
    write_manifest(replace(plan, zones=bare), tmp_path / "plan.json", [])
    manifest = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    assert manifest["area_planted_ha"] == round(area, 2)


def test_counts_have_one_header_and_plain_line_ends(folder, plan):
    raw = (folder / "counts.csv").read_bytes()
    assert raw.startswith(b"zone,paddock,species,common_name,trees,infill,order\n")
    assert b"\r" not in raw and raw.count(b"\n") == len(plan.counts) + 1


def test_hostile_text_is_no_formula_and_no_extra_cell(tmp_path, plan):
    texts = ["=1+1", "+1", "-1", "@x", "\tx", "\rx", 'a,"b"\nc', "{{7*7}}", "Mühle; ok"]
    counts = plan.counts.head(len(texts)).assign(paddock=texts, common_name=texts)
    write_counts(replace(plan, counts=counts), tmp_path / "counts.csv")
    with (tmp_path / "counts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert {len(row) for row in rows} == {len(COUNT_COLUMNS)}
    safe = ["'" + t if i < 6 else t for i, t in enumerate(texts)]
    assert [row[1] for row in rows[1:]] == [row[3] for row in rows[1:]] == safe
    assert [row[4] for row in rows[1:]] == [str(n) for n in counts["trees"]]


def test_text_within_a_cell_is_left_alone():
    assert [shielded(t) for t in ("a=b", "", "1", "'x")] == ["a=b", "", "1", "'x"]


def test_the_manifest_lists_each_file_by_its_hash(folder):
    manifest = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    assert set(manifest["files"]) == {"plan.gpkg", "counts.csv"}
    for name, entry in manifest["files"].items():
        content = (folder / name).read_bytes()
        assert entry == {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    assert files_of_plan(folder) == {"plan.json", "plan.gpkg", "counts.csv"}


def test_the_manifest_says_what_the_plan_was_made_of(folder, plan):
    text = (folder / "plan.json").read_text(encoding="utf-8")
    manifest = json.loads(text)
    assert manifest["versions"]["siteplanner"] == siteplanner.__version__
    assert manifest["versions"]["numpy"] == np.__version__
    assert manifest["inputs"] == plan.inputs and manifest["settings"] == plan.settings
    assert manifest["cautions"] == list(plan.cautions)
    assert manifest["warnings"] == list(plan.warnings)
    assert manifest["frost_error_c"] == plan.frost_error_c
    assert list(manifest) == sorted(manifest)
    assert str(folder) not in text


def test_the_same_plan_gives_the_same_bytes(plan, folder):
    (folder / "again").mkdir()
    for name in ("plan.gpkg", "counts.csv"):
        (folder / "again" / name).write_bytes((folder / name).read_bytes())
    write_manifest(plan, folder / "again" / "plan.json", ["counts.csv", "plan.gpkg"])
    assert (folder / "again" / "plan.json").read_bytes() == (folder / "plan.json").read_bytes()


def test_a_number_that_cannot_be_told_is_null(plan, tmp_path):
    unknown = replace(plan, frost_error_c=float("nan"), name="\ud800 half a letter")
    write_manifest(unknown, tmp_path / "plan.json", [])
    assert json.loads((tmp_path / "plan.json").read_text("utf-8"))["frost_error_c"] is None


def test_plain_values_hold_no_machine_path():
    value = {"file": Path("/somewhere/on/this/machine/dem.tif"), "part": Path("a/b.tif")}
    assert plain(value) == {"file": "dem.tif", "part": "a/b.tif"}
    assert plain({1: np.float32(np.inf), "n": np.int64(3), "a": np.array([1.5, np.nan])}) == {
        "1": None,
        "n": 3,
        "a": [1.5, None],
    }
