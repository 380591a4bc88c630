"""The plugin in the desktop GIS itself: installed, run on both samples, edited, run again, stopped.

Tried with Debian 12's QGIS 3.22 on Linux. Not tried: later versions, other systems, the windows
of the program (dialogs, the button that installs a zip), its own runner for algorithms.
"""

import json
import re
import shutil

import geopandas as gpd
import numpy as np
import pytest
import shapely
from conftest import ROOT, command, digests
from gis_plugin.gis import needs_the_gis, steps_in_the_gis
from handover.small_site import small_site
from PIL import Image

from siteplanner.handover.folder.results import GROUPS, LAYERS
from siteplanner.site.site_file import load_site

SAMPLES = sorted(p for p in (ROOT / "sample_site").glob("**/site.toml"))
GRID = 25  # cells along a side of the coarse grid of colours
pytestmark = pytest.mark.long


@pytest.fixture(scope="module", autouse=True)
def _gis():
    needs_the_gis()


def layer(path, name=None):
    """Parameters by which a layer of a file is opened and copied into memory."""
    return {"path": str(path), "layer": name}


def layers_of(site):
    """What somebody would pick in the GIS for a site: its layers in memory, its other files."""
    read = load_site(site)
    home = site.parent
    given = {
        "BOUNDARY": layer(home / read.boundary.file, read.boundary.layer),
        "DEM": str(home / read.dem.files[0]),
        "SPECIES": str(home / read.species.file),
        "NAME": read.site.name,
    }
    for name, part in (
        ("PADDOCKS", read.paddocks),
        ("SOILS", read.soils),
        ("FROST", read.frost.readings),
        ("HOLLOWS", read.frost.hollows),
    ):
        if part is not None and part.file:
            given[name] = layer(home / part.file, part.layer)
    if read.no_plant is not None:
        path = home / read.no_plant.file
        names = read.no_plant.layers or gpd.list_layers(path)["name"]
        given["KEEP_CLEAR"] = [layer(path, name) for name in names]
    for name, file in (
        ("CLIMATE", read.climate.monthly),
        ("WINTER_MINIMA", read.climate.winter_minima),
    ):
        if file:
            given[name] = str(home / file)
    if read.climate.station_elevation_m is not None:
        given["STATION_ELEVATION"] = read.climate.station_elevation_m
    return given


def names_in(tree):
    return [name for name, _, _ in tree]


def all_layers(tree):
    return [
        leaf
        for name, shown, inner in tree
        for leaf in (all_layers(inner) if isinstance(inner, list) else [(name, shown, inner)])
    ]


def zones_in(package):
    return gpd.read_file(package, layer="zones").set_index("zone").geometry


def zone_beside(package):
    """Choose two zones that share a long edge: the one to move, and the one it moves into."""
    zones = zones_in(package)
    zones = zones[~zones.index.isin(["X", "N"])]
    pairs = [
        (shapely.intersection(zones[a].buffer(1), zones[b]).area, a, b)
        for a in zones.index
        for b in zones.index
        if a != b
    ]
    return max(pairs)[1:]


def coarse(picture):
    """Mean colours (rows, columns, 3) of a picture over a coarse grid."""
    image = Image.open(picture).convert("RGB")
    return np.asarray(image.resize((GRID, GRID), Image.Resampling.BOX), dtype=float)


def still_of(browser, page, picture):
    """Photograph the map's still picture; give the part of the world it shows, EPSG:3857."""
    with_scripts = browser.new_page()
    with_scripts.goto(page.as_uri())
    frame, units = with_scripts.evaluate("[plan.frame, plan.units]")
    with_scripts.close()
    context = browser.new_context(java_script_enabled=False)
    opened = context.new_page()
    opened.goto(page.as_uri())
    svg = opened.locator("svg.picture")
    left, top, wide, tall = (float(n) for n in svg.get_attribute("viewBox").split())
    svg.screenshot(path=picture)
    box = svg.bounding_box()
    context.close()
    # The picture keeps its shape in a wider frame, and lies in the middle of it.
    scale = min(box["width"] / wide, box["height"] / tall)
    size = round(wide * scale), round(tall * scale)
    x, y = (box["width"] - size[0]) // 2, (box["height"] - size[1]) // 2
    whole = Image.open(picture)
    whole.crop((x, y, x + size[0], y + size[1])).save(picture)
    west, south, _, height = frame
    north = south + height
    corners = [
        west + left / units,
        north - (top + tall) / units,
        west + (left + wide) / units,
        north - top / units,
    ]
    return corners, size


@pytest.fixture(scope="module", params=SAMPLES, ids=lambda p: load_site(p).slug)
def sample(request, tmp_path_factory, browser):
    """A sample planned in the GIS from layers in memory, and what the plan's folder then held."""
    work = tmp_path_factory.mktemp("gis") / "work"
    site = work.parent / "site"
    site.mkdir()
    # Its settings and mother trees stay; what the other data are is written anew.
    shutil.copy(request.param, site)
    mothers = load_site(request.param).seed_sources
    if mothers is not None:
        shutil.copy(request.param.parent / mothers.file, site)
    given = layers_of(request.param) | {"FOLDER": str(site)}
    [_, made] = steps_in_the_gis(work, [{"do": "run", "algorithm": "plan", "given": given}])
    assert made["error"] == ""
    frame, size = still_of(browser, site / "plan" / "map.html", work / "still.png")
    return work, site, given, made, frame, size


def test_the_plan_is_drawn_in_one_group_in_order_with_the_hillshade_below(sample):
    _, site, _, made, _, _ = sample
    [[title, shown, inner]] = made["tree"]
    assert title == f"Planting plan for {load_site(site).site.name}" and shown
    assert names_in(inner) == [*(g for g in GROUPS if g in names_in(inner)), "Hillshade"]
    assert names_in(inner[0][2]) == [title for _, title, _ in LAYERS]
    leaves = all_layers(inner)
    assert len(leaves) > 60 and all(valid for _, _, valid in leaves)
    assert made["bar"][-1] > 95 and made["bar"] == sorted(made["bar"])
    assert "Choosing the mix and placing the species" in made["said"]
    trees = gpd.read_file(site / "plan" / "plan.gpkg", layer="trees")
    assert made["results"]["TREES"] == len(trees) > 500
    assert command("verify", site / "plan").returncode == 0


def test_no_tree_stands_in_what_is_kept_clear(sample):
    _, site, given, _, _, _ = sample
    things = gpd.read_file(site / "plan" / "plan.gpkg", layer="no_plant")
    picked = sum(len(gpd.read_file(one["path"], layer=one["layer"])) for one in given["KEEP_CLEAR"])
    assert len(things) == picked and len(given["KEEP_CLEAR"]) > 0
    lines = things[things["kind"] == "power_line"]
    trees = gpd.read_file(site / "plan" / "plan.gpkg", layer="trees")
    for line in lines.itertuples():
        assert trees.distance(line.geometry).min() >= line.setback_m - 0.01 > 1


def test_opened_by_double_click_it_looks_as_the_map_does(sample):
    work, site, _, _, frame, size = sample
    opened, = steps_in_the_gis(
        work.with_name("opened"),
        [{"do": "open", "path": str(site / "plan" / "plan.qgz"), "picture": str(work / "gis.png"),
          "extent": frame, "crs": "EPSG:3857", "size": size}],
    )[1:]  # fmt: skip
    assert opened["read"] and opened["valid"] and opened["drawn"]["errors"] == []
    assert opened["aliases"]["area_ha"] == "Area, ha" and opened["trees from"] == 5000
    assert {"common_name", "number"} <= set(opened["tree fields"])
    assert len(opened["cautions"]) >= 8 and "planting plan" in opened["abstract"]
    assert opened["renderers"] == ["paletted", "singlebandpseudocolor"]
    apart = np.abs(coarse(work / "gis.png") - coarse(work / "still.png")).max(axis=2)
    assert np.median(apart) < 10, np.median(apart)
    assert (apart < 45).mean() > 0.98, np.sort(apart.ravel())[-80:]
    # The comparison can fail: the same picture upside down is another.
    upside_down = np.abs(coarse(work / "gis.png")[::-1] - coarse(work / "still.png")).max(axis=2)
    assert np.median(upside_down) > np.median(apart) + 5


def test_a_layer_opened_alone_has_its_classes_or_ramp(sample):
    work, site, _, _, _, _ = sample
    layers = site / "plan" / "layers"
    suits = min(layers.glob("suitability_*.tif"))
    said = steps_in_the_gis(
        work.with_name("rasters"),
        [
            {"do": "raster", "path": str(path)}
            for path in (layers / "landform.tif", layers / "slope.tif", suits)
        ],
    )[1:]
    landform, slope, suitability = said
    assert landform["renderer"] == "paletted" and 3 < len(landform["legend"]) < 20
    assert not any(label.isdigit() for label in landform["legend"])
    assert slope["renderer"] == "singlebandpseudocolor"
    assert any("suits well" in label for label in suitability["legend"])
    assert len(suitability["legend"]) == 4


def test_an_edge_moved_and_saved_is_kept_to_the_square_metre(sample):
    work, site, _, _, _, _ = sample
    package = site / "plan" / "plan.gpkg"
    moved, beside = zone_beside(package)
    said = steps_in_the_gis(
        work.with_name("moving"),
        [
            {"do": "show", "plan": str(site / "plan")},
            {"do": "move", "package": str(package), "zone": moved, "metres": 10, "into": beside},
            {"do": "run", "algorithm": "replan", "given": {"FOLDER": str(site)}},
        ],
    )[2:]
    edit, again = said
    assert edit["saved"] and edit["moved"] > 100
    assert again["error"] == ""
    asked = {letter: shapely.from_wkt(text) for letter, text in edit["asked"].items()}
    now = zones_in(package)
    for letter in set(asked) - {"X", "N"}:
        assert shapely.symmetric_difference(now[letter], asked[letter]).area < 1, letter
    assert len(again["tree"]) == 1, "the earlier group was replaced"
    assert all(valid for _, _, valid in all_layers(again["tree"]))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A very small site: its layers, and a folder for the plan that has settings already."""
    folder = tmp_path_factory.mktemp("small")
    made = small_site(folder / "from")
    given = layers_of(made)
    given["BOUNDARY"]["layer"] = "land"
    del given["PADDOCKS"]
    return folder, made, given


def test_cancelled_early_or_late_nothing_is_left_behind(small):
    folder, made, given = small
    fresh, planned = folder / "fresh", folder / "planned"
    planned.mkdir()
    shutil.copy(made, planned)

    def run(target, cancel_at=None):
        return {"do": "run", "algorithm": "plan", "given": given | {"FOLDER": str(target)},
                "cancel_at": cancel_at}  # fmt: skip

    early, first = steps_in_the_gis(
        folder / "early", [run(fresh, "The ground: slope"), run(planned)]
    )[1:]
    assert "Stopped" in early["error"] and not fresh.exists()
    assert first["error"] == ""
    before = digests(planned)
    (late,) = steps_in_the_gis(folder / "late", [run(planned, "Drawing the map")])[1:]
    assert "Stopped" in late["error"]
    assert digests(planned) == before
    assert [p.name for p in planned.iterdir() if p.name.startswith(".")] == []


def test_faults_are_said_at_the_parameter_they_belong_to(small):
    folder, _, given = small
    species = folder / "wrong.csv"
    species.write_text("botanical_name\nNothing known\n", "utf-8")
    target = folder / "never"
    without = given | {"FOLDER": str(target)}
    bare = without | {"BOUNDARY": given["BOUNDARY"] | {"crs": False}}
    said = steps_in_the_gis(
        folder / "faults",
        [
            {"do": "run", "algorithm": "plan", "given": bare},
            {"do": "run", "algorithm": "plan", "given": without | {"SPECIES": str(species)}},
            {"do": "run", "algorithm": "check", "given": {k: v for k, v in bare.items()
                                                         if k != "FOLDER"}},
        ],
    )[1:]  # fmt: skip
    no_crs, wrong_species, check = said
    for one in (no_crs, check):
        assert "Boundary of the property (BOUNDARY): it has no CRS" in one["error"]
        assert one["seconds"] < 10
    assert "Table of species (CSV or XLSX) (SPECIES)" in wrong_species["error"]
    assert not target.exists() and not any(one["tree"] for one in said)


def test_check_and_place_answer_in_words(small):
    folder, made, given = small
    site = folder / "answers"
    site.mkdir()
    shutil.copy(made, site)
    name = re.split(r"[,\n]", (made.parent / "species.csv").read_text("utf-8").split("\n")[1])[0]
    said = steps_in_the_gis(
        folder / "asked",
        [
            {"do": "run", "algorithm": "check", "given": given},
            {"do": "run", "algorithm": "plan", "given": given | {"FOLDER": str(site)}},
            {"do": "run", "algorithm": "place",
             "given": {"FOLDER": str(site), "ONE": name, "NUMBER": 20}},
        ],
    )  # fmt: skip
    assert said[0]["algorithms"] == ["check", "place", "plan", "replan"]
    _, check, plan, place = said
    assert "boundary: 1.0 ha" in check["results"]["UNDERSTOOD"]
    assert plan["error"] == place["error"] == "", json.dumps(place)
    assert name in place["results"]["ANSWER"]
