"""One edge moved in the sample's own plan.gpkg: the edit is not lost, and goes back in."""

import json
import re
import shutil

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from conftest import SITE, command, digests

MOVED, BESIDE = "B", "A"  # the one moved comes after the one whose ground it takes
WORD = re.compile(r"(?:As drawn|Kept): zone (\w+), ([\d.]+) ha")
LISTED = re.compile(r"(\w+) ([\d.]+) ha")


def edge_moved(zones: gpd.GeoDataFrame, metres: float = 12.0) -> gpd.GeoDataFrame:
    """Move a zone's edge into the one beside it, and draw ground on which nothing fits."""
    shape = zones.set_index("zone").geometry
    parts = shapely.get_parts(shapely.intersection(shape[MOVED].buffer(metres), shape[BESIDE]))
    # No scraps beyond a corner, which would be too small to plant.
    taken = shapely.union_all([part for part in parts if part.area > 500])
    assert taken.area > 5_000
    grown = shapely.union(shape[MOVED], taken)
    both = [grown if letter == MOVED else own for letter, own in shape.items()]
    moved = zones.set_geometry(gpd.GeoSeries(both, index=zones.index, crs=zones.crs))
    left = shapely.difference(shape[BESIDE], taken)
    spot = shapely.get_point(shapely.maximum_inscribed_circle(left), 0).buffer(8)
    nothing_fits = moved.iloc[[0]].assign(zone="N", geometry=[spot])
    return gpd.GeoDataFrame(pd.concat([moved, nothing_fits]), crs=zones.crs)


def told_areas(said: list[str]) -> dict[str, float]:
    """Hectares that are said to be kept of each zone."""
    found = {}
    for line in said:
        if line.startswith("Kept as in the plan they came from: "):
            found |= {letter: float(ha) for letter, ha in LISTED.findall(line)}
        elif word := WORD.match(line):
            found[word[1]] = float(word[2])
    return found


@pytest.fixture(scope="module")
def edited(sample_plan, tmp_path_factory):
    """The sample and its plan, in which somebody moved an edge, and what a new run says of it."""
    folder = tmp_path_factory.mktemp("edited")
    shutil.copytree(SITE.parent, folder / "site")
    plan = folder / "plan"
    shutil.copytree(sample_plan, plan)
    before = gpd.read_file(plan / "plan.gpkg", layer="zones")
    drawn = edge_moved(before)
    drawn.to_file(plan / "plan.gpkg", layer="zones", engine="pyogrio")
    as_edited = digests(plan)
    refused = command("plan", folder / "site" / "site.toml", "--out", plan, "--quiet")
    return folder, before, drawn, refused, as_edited


@pytest.mark.long
def test_an_edit_in_place_stops_the_run_and_nothing_is_overwritten(edited):
    folder, _, _, refused, as_edited = edited
    assert refused.returncode == 1
    assert "plan.gpkg: it was edited since the plan was made" in refused.stderr
    assert '[decisions] zones = "my_zones.gpkg"' in refused.stderr
    assert "--overwrite" in refused.stderr and "Traceback" not in refused.stderr
    assert digests(folder / "plan") == as_edited


@pytest.mark.long
def test_the_edit_goes_back_in_as_the_refusal_says(edited):
    folder, before, drawn, _, _ = edited
    site, plan = folder / "site" / "site.toml", folder / "plan"
    shutil.copy(plan / "plan.gpkg", site.with_name("my_zones.gpkg"))
    asks = '\n[decisions]\nzones = "my_zones.gpkg"\n'
    assert "[decisions]" not in site.read_text("utf-8")
    site.write_text(site.read_text("utf-8") + asks, "utf-8")
    checked = command("check", site)
    assert checked.returncode == 0, checked.stderr
    done = command("plan", site, "--out", plan, "--quiet", "--overwrite")
    assert done.returncode == 0, done.stderr

    now = gpd.read_file(plan / "plan.gpkg", layer="zones").set_index("zone")
    was, asked = before.set_index("zone"), drawn.set_index("zone").geometry
    warnings = json.loads((plan / "plan.json").read_text("utf-8"))["warnings"]

    # X and N are passed over and worked out again: the spot drawn as N is planted as before.
    assert any("zones N and X (too steep, nothing fits) are not read" in w for w in warnings)
    assert "N" not in now.index and "X" in now.index
    assert shapely.symmetric_difference(now.geometry["X"], was.geometry["X"]).area < 1
    assert shapely.covers(now.geometry[BESIDE].buffer(0.01), asked["N"])

    # The overlap went to the zone that was moved, though it comes later; the rest is as it was.
    taken = shapely.intersection(asked[MOVED], asked[BESIDE])
    assert shapely.symmetric_difference(now.geometry[MOVED], asked[MOVED]).area < 1
    left = shapely.difference(asked[BESIDE], taken)
    assert shapely.symmetric_difference(now.geometry[BESIDE], left).area < 1
    for letter in set(was.index) - {MOVED, BESIDE, "X"}:
        apart = shapely.symmetric_difference(now.geometry[letter], was.geometry[letter])
        assert apart.area < 1, letter

    # What is said to be kept is what the new plan has, zone by zone.
    kept = told_areas(warnings)
    assert set(kept) == set(now.index) - {"X"}
    for letter, said in kept.items():
        assert said == pytest.approx(now.geometry[letter].area / 1e4, abs=0.0051)
        assert said == pytest.approx(now["area_ha"][letter], abs=0.0051)
    overlap = f"{taken.area / 1e4:.2f} ha overlaps zone {MOVED} and went to it"
    assert any(line.startswith(f"Kept: zone {BESIDE},") and overlap in line for line in warnings)
    assert any(line.startswith(f"As drawn: zone {MOVED},") for line in warnings)

    # Check said it all before, in the same words, and the plan says no more of drawn zones.
    notes = [line[6:] for line in checked.stdout.splitlines() if line.startswith("note: ")]
    assert notes == warnings[: len(notes)] and told_areas(notes) == kept
    assert not told_areas(warnings[len(notes) :])
