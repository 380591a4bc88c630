"""A boundary, a DEM and a species list are enough; what is left out is said, with what it costs."""

import json
import tomllib
from datetime import date

import pytest
from bad_inputs import good_site
from conftest import here

from siteplanner.reading.inputs import read_inputs
from siteplanner.season.windows import window_without_climate
from siteplanner.site.site_file import load_site

ALL = ("soils", "paddocks", "climate", "frost", "no_plant", "shelter", "seed_sources")
#: What a plan must say when a part is left out.
SAID = {
    "soils": "No soils are given",
    "paddocks": "No paddocks are given",
    "climate.monthly": "No monthly climate is given",
    "climate.winter_minima": "the winters of the frost readings are taken for average ones",
    "frost": "coldest nights come from the station",
    "no_plant": "Nothing to keep clear of is given",
}


def site_without(folder, *parts):
    """A good site with tables or settings of its site file left out."""
    path = good_site.good_site(folder)
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    for part in ("nursery", *parts):
        table, _, setting = part.partition(".")
        if setting:
            del told[table][setting]
        else:
            del told[table]
    path.write_text("", encoding="utf-8")
    good_site.change(path, **told)
    return path


@pytest.mark.usefixtures("quick_plans")
def test_everything_may_be_left_out_but_boundary_dem_and_species(tmp_path):
    path = site_without(tmp_path / "site", *ALL)
    checked = here("check", path)
    assert checked.returncode == 0 and "soil: not given" in checked.stdout
    done = here("plan", path, "--out", tmp_path / "plan", "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    said = " ".join(plan["warnings"])
    parts = ("soils", "paddocks", "climate.monthly", "no_plant")
    assert [part for part in parts if SAID[part] not in said] == []
    assert "how cold it gets is unknown" in said and plan["trees_total"] > 100
    explained = here("explain", path, "--at", "620200,5350200")
    assert explained.returncode == 0 and "nan" not in explained.stdout.lower()


@pytest.mark.long
@pytest.mark.parametrize("part", SAID)
def test_each_may_be_left_out_alone(tmp_path, part):
    path = site_without(tmp_path / "site", part)
    done = here("plan", path, "--out", tmp_path / "plan", "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert SAID[part] in " ".join(plan["warnings"])


def test_readings_without_a_station_are_taken_for_average_winters(tmp_path):
    inputs = read_inputs(load_site(site_without(tmp_path / "site", "climate.winter_minima")))
    assert inputs.readings["difference_c"].tolist() == [-1.75, 1.75]
    assert inputs.climate.winter_minima.to_dict() == {2020: -5.75}


def test_a_paddock_named_on_a_site_without_paddocks_is_refused(tmp_path):
    path = site_without(tmp_path / "site", "paddocks")
    done = here("plan", path, "--paddock", "Top", "--out", tmp_path / "plan", "--quiet")
    assert done.returncode == 1 and "no paddocks are given" in done.stderr


@pytest.mark.parametrize(("latitude", "month"), [(-42, 7), (42, 1)])
def test_without_a_climate_the_window_is_about_midwinter(latitude, month):
    window = window_without_climate(latitude, weeks=6)
    first, last = window.dates(2027)
    assert window.fits and first < last
    assert abs((date(2027 + (first.year < last.year), month, 15) - first).days - 21) <= 1
