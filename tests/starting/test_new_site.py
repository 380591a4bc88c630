"""A new site: written from a boundary and a DEM, commented, and never over another."""

import dataclasses
import json
import tomllib
import zipfile

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from conftest import SITE, digests, here
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.base.units import hectares
from siteplanner.reading.files.schema_matching import guess_columns
from siteplanner.reading.inputs import read_inputs
from siteplanner.site.commented import quoted
from siteplanner.site.site_file import load_site
from siteplanner.starting.given import Given
from siteplanner.starting.new_site import start

SAMPLE = SITE.parent
BOUNDARY, DEM = SAMPLE / "property.gpkg", SAMPLE / "dem.tif"
WHOLE = Given(
    BOUNDARY,
    DEM,
    species=SAMPLE / "species.csv",
    monthly=SAMPLE / "climate.csv",
    winter_minima=SAMPLE / "winter_minima.csv",
)


@pytest.fixture
def small(tmp_path):
    """A square farm of 4 ha in degrees, and a DEM that reaches 100 m past it."""
    square = gpd.GeoSeries([shapely.box(500_000, 5_000_000, 500_200, 5_000_200)], crs=32633)
    square.to_crs(4326).to_file(tmp_path / "farm.geojson")
    with rasterio.open(
        tmp_path / "heights.tif",
        "w",
        driver="GTiff",
        width=40,
        height=40,
        count=1,
        dtype="float32",
        crs="EPSG:32633",
        transform=Affine(10, 0, 499_900, 0, -10, 5_000_300),
    ) as file:
        file.write(np.ones((1, 40, 40), np.float32))
    return Given(tmp_path / "farm.geojson", tmp_path / "heights.tif")


def test_with_climate_and_species_the_new_site_can_be_read_at_once(tmp_path):
    started = start(tmp_path / "knoll", WHOLE, "Wether Knoll")
    inputs = read_inputs(load_site(started.path))
    assert len(inputs.paddocks) == 6, "the paddocks beside the boundary were found"
    assert inputs.soils["texture"].isna().all() and inputs.soils["depth_m"].isna().all()
    assert any("126" in line and "S" in line for line in started.found)
    missing = "\n".join(started.missing)
    assert all(word in missing for word in ("soils", "frost", "buried services", "plant_on"))
    assert "climate" not in missing and "species" not in missing


def test_alone_boundary_and_dem_leave_the_rest_to_fill_in(small, tmp_path):
    started = start(tmp_path / "new", small)
    paddocks = gpd.read_file(tmp_path / "new" / "paddocks.gpkg")
    assert paddocks["plant"].tolist() == [1]
    assert paddocks.to_crs(32633).area.sum() == pytest.approx(40_000, rel=1e-4)
    missing = "\n".join(started.missing)
    assert "100 m past the boundary" in missing
    assert all(word in missing for word in ("climate.csv", "species.csv", "paddocks", "soils"))
    assert "temperate-oceanic-north, chosen by the latitude alone" in missing
    notes = " ".join(read_inputs(load_site(started.path)).notes)
    assert all(f"No {what}" in notes for what in ("soils", "monthly climate", "winter minima"))


@pytest.mark.long
def test_alone_they_make_a_plan_at_once(small, tmp_path):
    done = here("new", tmp_path / "new", "--boundary", small.boundary, "--dem", small.dem)
    done = here("plan", tmp_path / "new" / "site.toml", "--out", tmp_path / "plan", "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert plan["trees_total"] > 1000
    said = " ".join(plan["warnings"])
    assert "Frost refuses no species" in said and "Have services located" in said
    assert "rain is never" not in said and "from the station" not in said


def test_a_filled_in_climate_is_read_once_it_is_named(small, tmp_path):
    path = start(tmp_path / "new", small).path
    for name in ("climate.csv", "winter_minima.csv"):
        (tmp_path / "new" / name).write_bytes((SAMPLE / name).read_bytes())
    text = path.read_text(encoding="utf-8")
    for line in ('monthly = "climate.csv"', 'winter_minima = "winter_minima.csv"'):
        assert f"# {line}\n" in text
        text = text.replace(f"# {line}\n", f"{line}\n")
    path.write_text(text, encoding="utf-8")
    climate = read_inputs(load_site(path)).climate
    assert len(climate.winter_minima) == 30 and climate.rain_mm.sum() > 500


def test_every_setting_stands_there_with_its_default_and_its_meaning(tmp_path):
    text = start(tmp_path, WHOLE).path.read_text(encoding="utf-8")
    assert "# power_line = 20.0" in text
    assert "# First year of planting" in text and "# Here spring begins about September." in text
    assert "# prick_out_survival = [0.75, 0.9, 0.97]" in text
    opened = "".join(
        line[2:] if line.startswith(("# [", "# tube_sand")) else line
        for line in text.splitlines(keepends=True)
        if not line.startswith(("# [no_plant", "# [seed_sources", "# [frost"))
    )
    tables = tomllib.loads(opened)
    assert {"setbacks", "zones", "planting", "mix", "survival"} <= set(tables)
    assert tables["nursery"] == {"tube_sand": 0.4}


def test_spring_is_in_march_in_the_north(small, tmp_path):
    text = start(tmp_path / "new", small).path.read_text(encoding="utf-8")
    assert "# Here spring begins about March." in text


def test_the_same_again_gives_the_same_bytes(small, tmp_path):
    one, other = tmp_path / "a" / "new", tmp_path / "b" / "new"
    start(one, small)
    start(other, small)
    assert digests(one) == digests(other)


def test_a_site_that_is_there_stays_and_nothing_is_written_on_an_error(tmp_path):
    start(tmp_path, WHOLE)
    before = digests(tmp_path)
    with pytest.raises(InputError, match="already has a site"):
        start(tmp_path, WHOLE)
    assert digests(tmp_path) == before
    with pytest.raises(InputError) as found:
        start(tmp_path / "other", Given(tmp_path / "no.gpkg", tmp_path / "no.tif"))
    assert len(found.value.errors) == 2 and not (tmp_path / "other").exists()


def test_what_the_user_has_already_filled_in_is_left(small, tmp_path):
    folder = tmp_path / "new"
    folder.mkdir()
    (folder / "climate.csv").write_text("mine", encoding="utf-8")
    start(folder, small)
    assert (folder / "climate.csv").read_text(encoding="utf-8") == "mine"


def test_a_dem_that_does_not_reach_over_the_property_is_said(small, tmp_path):
    square = gpd.GeoSeries([shapely.box(500_000, 5_000_000, 501_000, 5_000_200)], crs=32633)
    square.to_file(tmp_path / "long.gpkg")
    started = start(tmp_path / "new", Given(tmp_path / "long.gpkg", small.dem))
    assert any("70% of the property" in line for line in started.missing)


def test_columns_are_matched_by_name_but_never_across_units(tmp_path):
    frame = gpd.GeoDataFrame(
        {"UNIT": ["a"], "Texture": ["clay"], "drain": ["x"], "depth_cm": [50], "pH": [6]},
        geometry=[shapely.box(0, 0, 1, 1)],
        crs=32756,
    )
    frame.to_file(tmp_path / "soil.gpkg")
    found, absent = guess_columns(
        tmp_path / "soil.gpkg", None, ("unit", "texture", "drainage", "depth_m", "ph")
    )
    assert found == {"unit": "UNIT", "texture": "Texture", "drainage": "drain", "ph": "pH"}
    assert absent == ["depth_m"]


@given(
    st.recursive(
        st.text(st.characters(exclude_categories=["Cs"]))
        | st.integers(-(2**62), 2**62)
        | st.floats(allow_nan=False, allow_infinity=False)
        | st.dates()
        | st.booleans(),
        lambda inner: st.lists(inner),
        max_leaves=5,
    )
)
def test_what_is_written_reads_back(value):
    assert tomllib.loads(f"value = {quoted(value)}") == {"value": value}


def test_a_hostile_name_is_only_a_name(small, tmp_path):
    name = 'x"\n[plugins]\nreplace = { slope = "evil" }\n#'
    site = load_site(start(tmp_path / "new", small, name).path)
    assert site.site.name == name and site.plugins.replace == {}


def test_the_command_says_what_is_missing(small, tmp_path):
    done = here("new", tmp_path / "new", "--boundary", small.boundary, "--dem", small.dem)
    assert done.returncode == 0 and "Still missing" in done.stdout
    assert "heights: heights.tif, cells of 10 x 10 m\n" in done.stdout
    again = here("new", tmp_path / "new", "--boundary", small.boundary, "--dem", small.dem)
    assert again.returncode == 1 and "already" in again.stderr


SOIL = {"MUSYM": "unit", "Soil_textu": "texture", "drclassdcd": "drainage", "soil_pH": "ph",
        "stones_per": "stones_percent", "Depth_m": "depth_m"}  # fmt: skip


def soil_file(folder, **more):
    columns = {name: ["x"] for name in SOIL} | {name: [value] for name, value in more.items()}
    frame = gpd.GeoDataFrame(columns, geometry=[shapely.box(0, 0, 1, 1)], crs=32756)
    frame.to_file(folder / "soil.gpkg")
    return folder / "soil.gpkg"


def test_common_names_and_names_cut_short_are_known(tmp_path):
    path = soil_file(tmp_path, phase="x", Shape_Area=1.0)
    found, absent = guess_columns(path, None, tuple(SOIL.values()))
    assert {theirs: ours for ours, theirs in found.items()} == SOIL and not absent


def test_a_word_that_only_begins_alike_is_no_match(tmp_path):
    frame = gpd.GeoDataFrame({"phase": ["a"]}, geometry=[shapely.box(0, 0, 1, 1)], crs=32756)
    frame.to_file(tmp_path / "soil.gpkg")
    assert guess_columns(tmp_path / "soil.gpkg", None, ("ph",)) == ({}, ["ph"])


def test_the_mapping_is_written_with_the_candidates_beside(small, tmp_path):
    odd = 'a"\n[plugins]\n#'
    given = dataclasses.replace(small, soils=soil_file(tmp_path, **{odd: 1}))
    path = start(tmp_path / "new", given).path
    text = path.read_text(encoding="utf-8")
    columns = tomllib.loads(text)["soils"]["columns"]
    assert columns == {ours: theirs for theirs, ours in SOIL.items()} | dict.fromkeys(
        ("sand", "silt", "clay", "known_by"), ""
    )
    assert '# soil.gpkg has the columns ["MUSYM", "Soil_textu", ' in text
    assert "plugins" not in tomllib.loads(text)


@pytest.mark.parametrize("kind", ["GML", "KML", "OpenFileGDB", "ESRI Shapefile in a ZIP"])
def test_a_new_site_can_be_checked_whatever_the_boundary_came_in(small, tmp_path, kind):
    land = gpd.read_file(small.boundary)
    path = tmp_path / {"GML": "a.gml", "KML": "a.kml", "OpenFileGDB": "a.gdb"}.get(kind, "a.zip")
    if path.suffix == ".zip":
        land.to_file(tmp_path / "a.shp")
        with zipfile.ZipFile(path, "w") as packed:
            for part in tmp_path.glob("a.[sdp]*"):
                packed.write(part, part.name)
    else:
        land.to_file(path, driver=kind)
    given = dataclasses.replace(WHOLE, boundary=path, dem=small.dem)
    site = load_site(start(tmp_path / "new", given).path)
    before = digests(tmp_path)
    assert hectares(read_inputs(site).boundary.area.sum()) == pytest.approx(4.0, rel=1e-3)
    assert digests(tmp_path) == before
