"""The GeoPackage and the GeoTIFFs open elsewhere, drawn, with what they were given."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from hypothesis import given
from hypothesis import strategies as st
from made_plan import made_plan
from rio_cogeo.cogeo import cog_validate

from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.symbology.colours import zone_colours
from siteplanner.base.symbology.qml import qml
from siteplanner.base.symbology.styles import Rule, Style, Symbol, sld
from siteplanner.handover.gis.geopackage import SCHEMA, write_geopackage
from siteplanner.handover.gis.rasters import layer_file_stem, write_layer, write_suitability
from siteplanner.plan import Plan

SLD = {"s": "http://www.opengis.net/sld", "o": "http://www.opengis.net/ogc"}
HOSTILE = "</ogc:Literal><x> ]]> & \" ' \x00\x1b {{7*7}} ../../etc/passwd =1+1\n"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return made_plan()


@pytest.fixture(scope="module")
def package(plan, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("gis") / "plan.gpkg"
    write_geopackage(plan, path)
    return path


def styles_in(package: Path) -> dict[str, tuple[str, str]]:
    with sqlite3.connect(package) as base:
        query = "SELECT f_table_name, styleQML, styleSLD FROM layer_styles WHERE useAsDefault"
        return {name: (qml, sld) for name, qml, sld in base.execute(query)}


# --- the GeoPackage ------------------------------------------------------------------------


def test_layers_and_fields_are_the_fixed_ones(package):
    layers = dict(pyogrio.list_layers(package))
    assert layers.pop("layer_styles") is None
    assert list(layers) == list(SCHEMA)
    names = {str: "object", int: "int64", float: "float64", bool: "bool"}
    for layer, (_, fields) in SCHEMA.items():
        info = pyogrio.read_info(package, layer=layer)
        assert dict(zip(info["fields"], info["dtypes"], strict=True)) == {
            field: names[kind] for field, kind in fields.items()
        }
        assert info["crs"] == "EPSG:32756"


def test_an_empty_plan_has_the_same_layers_and_fields(plan, package, tmp_path):
    empty = {name: getattr(plan, name).iloc[:0] for name in SCHEMA if hasattr(plan, name)}
    write_geopackage(replace(plan, **empty), tmp_path / "empty.gpkg")
    for layer in empty:
        full = pyogrio.read_info(package, layer=layer)
        none = pyogrio.read_info(tmp_path / "empty.gpkg", layer=layer)
        assert none["features"] == 0 < full["features"]
        for key in ("fields", "ogr_types", "ogr_subtypes", "geometry_type"):
            assert np.array_equal(none[key], full[key]), (layer, key)


def test_trees_are_read_back_as_they_are(plan, package):
    trees = gpd.read_file(package, layer="trees")
    names = ["species", "common_name", "number", "zone", "block", "row", "year", "mother"]
    assert list(trees.columns) == [*names, "geometry"]
    known = plan.species.set_index("botanical_name")["common_name"]
    assert trees["common_name"].tolist() == known[trees["species"]].tolist()
    for _, row in trees.groupby(["block", "row"]):
        assert row["number"].tolist() == list(range(1, len(row) + 1))
    assert (trees["year"] == 2028).all() and trees["mother"].isna().all()
    assert trees["species"].tolist() == plan.trees["species"].tolist()
    assert trees["row"].tolist() == plan.trees["row"].tolist()
    assert shapely.equals(trees.geometry.to_numpy(), plan.trees.geometry.to_numpy()).all()


def test_a_row_of_one_tree_is_a_stub_along_the_blocks_rows(plan, package):
    rows = gpd.read_file(package, layer="rows")
    single = (plan.rows.geom_type == "Point").to_numpy()
    assert single.any() and not single.all()
    assert set(rows.geom_type) == {"LineString"}
    stubs, points = rows.geometry[single], plan.rows.geometry[single]
    assert stubs.length.to_numpy() == pytest.approx(1.0, abs=1e-6)
    assert stubs.centroid.distance(points).max() < 1e-6
    assert (rows["length_m"][single] == 0).all()
    bearing = plan.rows["block"].map(plan.blocks.set_index("block")["bearing_deg"])[single]
    ends = np.array([np.subtract(*stub.coords[::-1]) for stub in stubs])
    found = np.degrees(np.arctan2(ends[:, 0], ends[:, 1]))
    assert found == pytest.approx(bearing.to_numpy(), abs=1e-4)


def test_the_same_plan_gives_the_same_bytes(plan, package, tmp_path):
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    write_geopackage(plan, tmp_path / "again.gpkg")
    write_geopackage(plan, tmp_path / "again.gpkg")  # over an existing file
    assert (tmp_path / "again.gpkg").read_bytes() == package.read_bytes()
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == before
    assert str(date.today()).encode() not in package.read_bytes()


def test_every_layer_says_what_to_mind(package):
    with sqlite3.connect(package) as base:
        rows = base.execute(
            "SELECT table_name, description FROM gpkg_contents WHERE data_type = 'features'"
        ).fetchall()
    assert {name for name, _ in rows} == set(SCHEMA)
    for _, words in rows:
        assert "siteplanner" in words and "buried services" in words and "local codes" in words


def test_numbers_are_rounded_to_what_a_square_metre_needs(plan, package):
    zones = gpd.read_file(package, layer="zones")
    assert (zones["area_ha"] == zones["area_ha"].round(4)).all()
    assert zones["area_ha"].to_numpy() == pytest.approx(plan.zones["area_ha"], abs=5.1e-5)


def test_every_layer_has_a_style_in_both_languages(package):
    styles = styles_in(package)
    assert set(styles) == set(SCHEMA)
    for text_qml, text_sld in styles.values():
        assert ET.fromstring(text_qml).find("renderer-v2/symbols/symbol/layer/prop") is not None
        assert ET.fromstring(text_sld).find(".//s:Rule", SLD) is not None


def test_zones_have_the_colours_of_the_map(plan, package):
    text_qml, text_sld = styles_in(package)["zones"]
    colours = dict(zip(plan.zones["zone"], zone_colours(plan.zones["trees"]), strict=True))
    rules = ET.fromstring(text_sld).findall(".//s:Rule[o:Filter]", SLD)
    assert {
        r.findtext(".//o:Literal", "", SLD): r.findtext(".//s:CssParameter[@name='fill']", "", SLD)
        for r in rules
    } == colours
    renderer = ET.fromstring(text_qml).find("renderer-v2")
    assert renderer.get("type") == "categorizedSymbol" and renderer.get("attr") == "zone"
    for category in renderer.findall("categories/category"):
        symbol = renderer.find(f"symbols/symbol[@name='{category.get('symbol')}']")
        red, green, blue, _ = symbol.find("layer/prop[@k='color']").get("v").split(",")
        written = f"#{int(red):02x}{int(green):02x}{int(blue):02x}"
        assert written == colours[category.get("value")]


def test_hostile_text_stays_text_in_features_and_styles(tmp_path):
    plan = made_plan(hostile=HOSTILE.replace("\x00", ""))
    write_geopackage(plan, tmp_path / "plan.gpkg")
    trees = gpd.read_file(tmp_path / "plan.gpkg", layer="trees")
    assert trees["species"].tolist() == plan.trees["species"].tolist()
    for text_qml, text_sld in styles_in(tmp_path / "plan.gpkg").values():
        assert not [e for e in ET.fromstring(text_sld).iter() if e.tag.endswith("}x")]
        assert ET.fromstring(text_qml).find(".//x") is None
    rules = ET.fromstring(styles_in(tmp_path / "plan.gpkg")["trees"][1]).iter(
        f"{{{SLD['o']}}}Literal"
    )
    expected = [name.replace("\x1b", "?") for name in plan.species["botanical_name"]]
    assert [rule.text for rule in rules] == expected


@given(st.text())
def test_any_text_makes_well_formed_styles(text):
    style = Style([Rule(text, Symbol("line", "#0072b2"), text)], column="kind", mixed=True)
    category = ET.fromstring(qml(style)).find(".//category")
    literal = ET.fromstring(sld("layer", style)).find(".//o:Literal", SLD)
    kept = all(c.isprintable() or c == " " for c in text)
    if kept:
        assert category.get("value") == f"{text} Line"
        assert (literal.text or "") == text


# --- layers as GeoTIFF ---------------------------------------------------------------------


def test_a_layer_of_numbers_comes_back_exactly(plan, tmp_path):
    values = plan.layers["slope"].copy()
    values[:3] = np.nan
    path = write_layer(plan.infos["slope"], values, plan.grid, tmp_path)
    with rasterio.open(path) as file:
        assert np.array_equal(file.read(1), values, equal_nan=True)
        assert file.dtypes == ("float32",) and np.isnan(file.nodata)
        assert file.transform == plan.grid.transform and file.crs.to_epsg() == 32756
        assert file.units == ("°",) and file.descriptions == ("Slope",)
        tags = file.tags()
    info = plan.infos["slope"]
    assert (tags["title"], tags["unit"]) == (info.title, info.unit)
    assert (tags["method"], tags["source"]) == (info.method, info.source)
    assert (tags["valid_min"], tags["valid_max"]) == ("0", "90")
    assert tags["made_by"].startswith("siteplanner ")


def test_a_layer_of_categories_has_colours_and_names(plan, tmp_path):
    values = plan.layers["drainage_class"]
    info = plan.infos["drainage_class"]
    path = write_layer(info, values, plan.grid, tmp_path)
    with rasterio.open(path) as file:
        read, table, tags = file.read(1), file.colormap(1), file.tags()
        assert file.dtypes == ("uint8",) and file.nodata == 255
    assert np.array_equal(read, np.where(np.isnan(values), 255, values))
    assert (read == 255).any()
    assert [tags[f"class_{i}"] for i in range(7)] == list(info.classes)
    assert len({table[i] for i in range(7)}) == 7


@pytest.mark.parametrize("code", [-1, 7])
def test_a_category_without_a_name_is_an_error(plan, tmp_path, code):
    values = np.full(plan.grid.shape, code, dtype=np.float32)
    with pytest.raises(ValueError, match="drainage_class has codes"):
        write_layer(plan.infos["drainage_class"], values, plan.grid, tmp_path)


def test_suitability_is_coloured_by_its_four_classes(plan, tmp_path):
    scores = plan.suitability.copy()
    scores[:, 40, 40:44] = (100, 84, 59, 39)
    names = list(plan.species["botanical_name"])
    paths = write_suitability(names, scores, plan.grid, tmp_path)
    assert paths[0].name == "suitability_eucalyptus_rodwayi.tif"
    for path, name, score in zip(paths, names, scores, strict=True):
        with rasterio.open(path) as file:
            assert np.array_equal(file.read(1), score) and file.nodata == 255
            table, tags = file.colormap(1), file.tags()
        assert tags["species"] == name
    edges = [(100, 85), (84, 60), (59, 40), (39, 0)]
    assert [table[high] for high, _ in edges] == [table[low] for _, low in edges]
    assert len({table[high] for high, _ in edges}) == 4
    words = ["suits well", "suits", "marginal", "do not plant"]
    assert [tags[f"class_{low}_{high}"] for high, low in edges] == words


def test_each_file_is_a_valid_cloud_optimized_geotiff_with_overviews(plan, tmp_path):
    # Larger than one tile, since a small file needs no overviews.
    values = np.add.outer(np.arange(1100), np.arange(1300)).astype(np.float32)
    grid = replace(plan.grid, shape=values.shape)
    paths = [write_layer(plan.infos["slope"], values, grid, tmp_path)]
    paths += write_suitability(["a"], np.full((1, *grid.shape), 90, np.uint8), grid, tmp_path)
    paths.append(write_layer(plan.infos["drainage_class"], values % 7, grid, tmp_path))
    for path in paths:
        valid, errors, warnings = cog_validate(path, strict=True)
        assert valid, (errors, warnings)
        with rasterio.open(path) as file:
            assert file.overviews(1)[0] == 2


def test_overviews_of_categories_hold_no_class_between(plan, tmp_path):
    grid = replace(plan.grid, shape=(1100, 1100))
    values = np.add.outer(np.arange(1100), np.arange(1100) // 2) % 2 * np.float32(6)
    path = write_layer(plan.infos["drainage_class"], values.astype(np.float32), grid, tmp_path)
    with rasterio.open(path, overview_level=0) as file:
        assert set(np.unique(file.read(1))) <= {0, 6}


def test_writing_from_several_threads_gives_the_same_bytes(plan, tmp_path):
    (tmp_path / "one").mkdir(), (tmp_path / "many").mkdir()
    infos = [replace(plan.infos["slope"], name=f"slope_{i}") for i in range(12)]
    one = [write_layer(i, plan.layers["slope"], plan.grid, tmp_path / "one") for i in infos]
    with ThreadPoolExecutor(4) as pool:
        many = pool.map(
            lambda i: write_layer(i, plan.layers["slope"], plan.grid, tmp_path / "many"), infos
        )
    assert [p.read_bytes() for p in one] == [p.read_bytes() for p in many]


def test_hostile_text_in_tags_stays_text(plan, tmp_path):
    text = HOSTILE.strip()
    info = LayerInfo(text, text, text, text, (0, 1), name="../../up and away")
    path = write_layer(info, plan.layers["slope"], plan.grid, tmp_path)
    assert path.parent == tmp_path and path.exists()
    with rasterio.open(path) as file:
        assert file.tags()["title"] == text.replace("\x00", "?").replace("\x1b", "?")


# --- file names ----------------------------------------------------------------------------


def test_a_layer_cannot_take_another_layers_file_or_a_species():
    assert layer_file_stem("slope") == "slope"
    assert len({layer_file_stem(n) for n in ("slope", "Slope", "SLOPE", "slöpe")}) == 4
    assert not layer_file_stem("suitability_acacia").startswith("suitability_acacia.")
    assert layer_file_stem("suitability_acacia") != "suitability_acacia"
