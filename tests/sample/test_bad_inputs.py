"""Bad input: one sentence an error, all together, exit 1, and the previous plan untouched."""

import shutil

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely.affinity
from affine import Affine
from bad_inputs.good_site import good_site
from conftest import SITE, digests, here

from siteplanner.base.errors import InputError
from siteplanner.site.site_file import load_site
from siteplanner.suitability.of_site import ready


@pytest.fixture
def small(tmp_path):
    """A small site with everything, where the ground is soon worked out."""
    return good_site(tmp_path / "small")


@pytest.fixture
def site(tmp_path):
    folder = tmp_path / "site"
    shutil.copytree(SITE.parent, folder, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    return folder / "site.toml"


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def without_crs(path):
    with rasterio.open(path) as source:
        profile, values = source.profile, source.read()
    profile["crs"] = None
    path.unlink()
    with rasterio.open(path, "w", **profile) as target:
        target.write(values)


def moved(path, east):
    with rasterio.open(path) as source:
        profile, values = source.profile, source.read()
    profile["transform"] = Affine.translation(east, 0) @ profile["transform"]
    path.unlink()
    with rasterio.open(path, "w", **profile) as target:
        target.write(values)


def soil_word(path, word):
    frame = gpd.read_file(path, layer="soils")
    frame.loc[0, "drainage"] = word
    path.unlink()
    frame.to_file(path, layer="soils")


def errors(site):
    with pytest.raises(InputError) as caught:
        ready(load_site(site))
    return [str(f) for f in caught.value.errors]


def test_a_missing_file(site):
    (site.parent / "climate.csv").unlink()
    assert errors(site) == [
        f"{site.parent / 'climate.csv'}: this file does not exist; check the path in the site file."
    ]


def test_a_cell_that_is_empty_or_no_number(site):
    path = site.parent / "climate.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[1] = "1,,21.0,50"
    lines[2] = "2,9.1,warm,50"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert errors(site) == [
        f"{path}, row 3, tmax_c: 'warm' is not a number; write a number with a decimal point.",
        f"{path}, row 2, tmin_c: it is empty; write a number with a decimal point.",
    ]


def test_a_dem_that_does_not_cover_the_boundary(site):
    moved(site.parent / "dem.tif", 900)
    [said] = errors(site)
    assert said.startswith(f"{site.parent / 'dem.tif'}: the DEM does not cover the boundary: ")
    assert "ha (" in said and said.endswith(
        "get a DEM that covers the whole property, better with 400 m around it."
    )


def test_a_dem_somewhere_else(site):
    moved(site.parent / "dem.tif", 500_000)
    assert errors(site) == [
        f"{site.parent / 'dem.tif'}: the DEM and the boundary are in different places; check the "
        "CRS of both files."
    ]


def test_a_missing_crs(site):
    without_crs(site.parent / "dem.tif")
    [said] = errors(site)
    assert said == (
        f"{site.parent / 'dem.tif'}: it has no coordinate reference system (CRS); set the DEM's "
        "CRS in a GIS and save it again, or write dem.crs in the site file, such as "
        'crs = "EPSG:32756".'
    )


def test_an_unknown_drainage_class_names_the_unit_and_the_near_words(site):
    soil_word(site.parent / "soils.gpkg", "porly drained")
    [said] = errors(site)
    assert "soils.gpkg, soil unit " in said and "'porly drained' is not a drainage class" in said
    assert "did you mean 'poorly drained'" in said


def test_the_users_own_soil_words_are_understood(site):
    soil_word(site.parent / "soils.gpkg", "Imperfect")
    edit(
        site, "[frost]", '[soils.words.drainage]\nimperfect = "somewhat poorly drained"\n\n[frost]'
    )
    inputs = ready(load_site(site)).inputs
    assert inputs.soils["drainage"][0] == "somewhat poorly drained"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "spacing_m = 5.0",
            "spacng_m = 5.0",
            "planting.spacng_m: this setting does not exist; did you mean 'spacing_m'",
        ),
        ('name = "Wether Knoll"', "", "site.name: this setting is missing; write site.name"),
        (
            "largest_share = 0.3",
            "largest_share = 3",
            "mix.largest_share: 3 is not valid; it should be less than or equal to 1",
        ),
        ("[mix]", "[mix", "it is not valid TOML"),
        ('ground = "wet"', 'ground = "soggy"', "'soggy' is not valid"),
    ],
)
def test_a_wrong_setting(site, old, new, said):
    edit(site, old, new)
    with pytest.raises(InputError) as caught:
        load_site(site)
    assert said in str(caught.value) and str(site) in str(caught.value)


def test_all_errors_come_together_and_the_previous_plan_stays(site, sample_plan, tmp_path):
    (site.parent / "winter_minima.csv").unlink()
    without_crs(site.parent / "dem.tif")
    soil_word(site.parent / "soils.gpkg", "boggy")
    edit(site, "[mix]", "[layers.elevation_percentile]\nradius = 3\n\n[mix]")
    plan = tmp_path / "plan"
    shutil.copytree(sample_plan, plan)
    done = here("plan", site, "--out", plan)
    assert done.returncode == 1
    said = [line for line in done.stderr.splitlines() if line.endswith(".")]
    assert len(said) == 4 and "Traceback" not in done.stderr
    assert (
        "layers.elevation_percentile.radius: this setting does not exist; did you mean "
        "'radius_m'?" in said[0]
    )
    assert "dem.tif: it has no coordinate reference system" in said[1]
    assert "'boggy' is not a drainage class" in said[2]
    assert "winter_minima.csv: this file does not exist" in said[3]
    assert digests(plan) == digests(sample_plan)
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_wrong_usage_is_told_apart(site):
    assert here("plan").returncode == 2
    assert here("paln", site).returncode == 2


def test_check_says_what_it_understood_and_writes_nothing(site, tmp_path, monkeypatch):
    before = sorted(tmp_path.rglob("*"))
    monkeypatch.chdir(tmp_path)
    done = here("check", site)
    assert done.returncode == 0
    assert "paddocks: 6, of which 4 to plant" in done.stdout
    assert "Nothing is wrong with the inputs." in done.stdout
    assert sorted(tmp_path.rglob("*")) == before


def test_explain_answers_in_metres_and_in_degrees(small, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    frame = gpd.read_file(small.parent / "frost.gpkg", layer="readings")
    # Off the edges of cells, where degrees of seven decimals may fall into the next one.
    spot = shapely.affinity.translate(frame.geometry[0], 1.3, 1.3)
    lon, lat = pyproj.Transformer.from_crs(frame.crs, "EPSG:4326", always_xy=True).transform(
        spot.x, spot.y
    )
    outs = [
        here("explain", small, "--at", at) for at in (f"{spot.x},{spot.y}", f"{lon:.7f},{lat:.7f}")
    ]
    assert outs[0].returncode == 0, outs[0].stderr
    assert outs[0].stdout == outs[1].stdout
    assert "Coldest night of an average winter" in outs[0].stdout
    assert "limited by" in outs[0].stdout and "needs" in outs[0].stdout


@pytest.mark.parametrize(
    ("at", "said"),
    [("here", "'here' is not a pair of numbers"), ("1000000,1", "is not on the property")],
)
def test_explain_of_nowhere(small, at, said):
    done = here("explain", small, "--at", at)
    assert done.returncode == 1 and said in done.stderr


def test_readings_without_a_height_are_an_error(site):
    path = site.parent / "frost.gpkg"
    readings, hollows = (gpd.read_file(path, layer=n) for n in ("readings", "hollows"))
    readings.loc[2, "height_m"] = np.nan
    path.unlink()
    readings.to_file(path, layer="readings")
    hollows.to_file(path, layer="hollows")
    [said] = errors(site)
    assert (
        readings["name"][2] in said and "give the height of the instrument above the ground" in said
    )
