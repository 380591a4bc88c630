"""The second sample site, and calendars of both samples under climates that are not theirs."""

import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from conftest import SITE, command

from siteplanner.ground.cold.frost_dates import frost_dates, nights_of
from siteplanner.ground.sun.evapotranspiration import reference_evapotranspiration
from siteplanner.reading.climate.station import read_climate
from siteplanner.reading.species.table import read_species
from siteplanner.season.plantings import calendar_of
from siteplanner.season.windows import moisture_of
from siteplanner.site.site_file import load_site

FELL = SITE.parent / "sallow-fell"
FARM = FELL / "farm.gpkg"
#: Rain of the months from midwinter on, mm (all invented).
RAIN = {
    "summer rain": (12, 10, 15, 35, 80, 120, 150, 140, 95, 50, 25, 15),
    "winter rain": (150, 130, 110, 70, 35, 12, 5, 8, 25, 70, 110, 140),
    "no dry season": (95, 85, 90, 85, 90, 95, 100, 100, 95, 100, 95, 95),
}
MARKS = [frozenset({"any", kind}) for kind in ("frosty", "wet", "dry", "any")]


def layer(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(FARM, layer=name)


def test_the_farm_is_small_upland_and_in_open_sea():
    [outline] = layer("boundary").geometry
    assert 30 <= outline.area / 1e4 <= 40
    lon, lat = layer("boundary").to_crs("EPSG:4326").geometry[0].centroid.coords[0]
    # Some 80 km of open water lie around the only rock near by, at 57.6 N 13.7 W (from memory).
    assert 57 < lat < 58 and -15.5 < lon < -14.5
    assert layer("paddocks").union_all().symmetric_difference(outline).area < 1
    assert outline.difference(layer("soils").union_all()).area < 1
    with rasterio.open(FELL / "dem.tif") as dem:
        west, south, east, north = outline.bounds
        room = (west - dem.bounds.left, south - dem.bounds.bottom,
                dem.bounds.right - east, dem.bounds.top - north)  # fmt: skip
        assert min(room) >= 400 and dem.res == (5.0, 5.0)
        assert not (dem.read(1) == dem.nodata).any()
    files = [path.stat().st_size for path in FELL.iterdir() if path.is_file()]
    assert sum(files) < 600_000


def test_its_hollows_are_peaty_wet_and_cold_and_its_banks_stony():
    soils = layer("soils").set_index("unit")
    assert soils.drainage["Pt"] == "very poorly drained" and soils.stones_pct["Bk"] >= 35
    assert soils.depth_m.isna().sum() == soils.ph.isna().sum() == 1
    read = layer("readings").set_index("name").winter_min_c
    assert read["Upper Moss"] < read["Fell top"] - 3


def test_its_25_species_have_purposes():
    facts = read_species(FELL / "species.csv").facts
    assert len(facts) == 25 and facts["roles"].map(len).min() >= 1
    purposes = {role for roles in facts["roles"] for role in roles}
    assert {"pioneer", "habitat", "long-term timber", "shelter", "food", "riparian"} <= purposes
    assert set(layer("seed_sources").species) <= set(facts["botanical_name"])


@pytest.mark.long
def test_making_it_again_gives_the_same_ground(tmp_path):
    subprocess.run([sys.executable, FELL / "make_sample.py", tmp_path], check=True)
    with rasterio.open(tmp_path / "dem.tif") as made, rasterio.open(FELL / "dem.tif") as kept:
        assert np.abs(made.read(1) - kept.read(1)).max() <= 0.02
    again = gpd.read_file(tmp_path / "farm.gpkg", layer="readings")
    assert np.abs(again.winter_min_c - layer("readings").winter_min_c).max() <= 0.1 + 1e-9
    assert (tmp_path / "climate.csv").read_bytes() == (FELL / "climate.csv").read_bytes()


def calendar_under(path: Path, latitude: float, rain: tuple[float, ...] | None = None):
    """The calendar of a site's ground, its own or with other rain; its moisture and frost."""
    site = load_site(path)
    climate = read_climate(site)
    if rain is not None:
        from_january = np.roll(np.array(rain, float), 0 if latitude > 0 else 6)
        climate = replace(climate, rain_mm=from_january)
    mean = (climate.tmin_c + climate.tmax_c) / 2
    nights = nights_of(climate.night_minima, mean, float(climate.winter_minima.mean()))
    frost = frost_dates(nights, -2.0, late_c=site.frost.late_frost_c)
    inputs = SimpleNamespace(
        climate=climate, grid=SimpleNamespace(centre_lonlat=(0.0, latitude)), notes=[]
    )
    blocks = gpd.GeoDataFrame({"zone": list("ABCD")}, geometry=[None] * 4)
    zones = dict.fromkeys("ABCD", frost)
    moisture = moisture_of(climate.rain_mm, reference_evapotranspiration(climate, latitude), mean)
    return calendar_of(blocks, MARKS, zones, inputs, site), moisture, frost, site


SITES = {"south": (SITE, -42.0), "north": (FELL / "site.toml", 57.5)}


@pytest.mark.parametrize("rain", RAIN)
@pytest.mark.parametrize("where", SITES)
def test_each_ground_is_planted_in_moist_weeks_after_its_frost_or_the_plan_says_why_not(
    where, rain
):
    calendar, moisture, frost, site = calendar_under(*SITES[where], RAIN[rain])
    ahead = moisture.weeks_ahead()
    assert len(calendar.of_block) == 4
    for number, kind in zip(calendar.of_block, ("frosty", "wet", "dry", "any"), strict=True):
        window = calendar.windows[number]
        if not window.fits:
            assert re.search(r"moist for \d+ weeks?|of the 8 that roots need", window.why_not)
            continue
        inside = np.arange(window.first - 1, window.last + 365 * (window.last < window.first)) % 365
        assert (ahead[inside] >= site.work.rooting_weeks).all()
        if kind == "frosty":
            since = (inside + 1 - frost.last) % 365
            assert (since < (frost.first - frost.last) % 365).all()
        if kind == "wet" and not moisture.wet.all():
            assert not moisture.wet[inside].any()
    # Rain decides: only where no season is dry does every kind of ground find its weeks.
    if rain == "no dry season" and where == "north":
        assert all(window.fits for window in calendar.windows)


def test_the_two_samples_plant_in_other_months():
    months = {}
    for where, (path, latitude) in SITES.items():
        calendar, *_ = calendar_under(path, latitude)
        months[where] = [
            calendar.windows[n].dates(2028)[0].strftime("%B") for n in calendar.of_block
        ]
    assert all(s != n for s, n in zip(months["south"], months["north"], strict=True)), months


@pytest.mark.long
def test_it_is_planned_with_the_windows_of_its_own_hemisphere(tmp_path):
    done = command(
        "plan", FELL / "site.toml", "--out", tmp_path / "plan", "--quiet", env=dict(os.environ)
    )
    assert done.returncode == 0, done.stderr
    blocks = pd.read_csv(tmp_path / "plan" / "blocks.csv")
    assert 15_000 < blocks["trees"].sum() < 90_000
    assert not blocks["window"].str.contains("October|November").any()
    frosty = blocks["window"].str.contains(r"after the mean last frost \(\d+ (?:May|June)\)")
    assert frosty.any()
    # Peaty hollows are frosty and wet: both rules count there, and they are mounded.
    zones = pd.read_csv(tmp_path / "plan" / "zones.csv")
    assert zones["spacing_why"].str.match("mean of the rules for frosty .* and wet").any()
    assert zones["spacing_why"].str.startswith("habitat: ").any()
    works = pd.read_csv(tmp_path / "plan" / "works.csv")
    assert {"rip", "mound", "weed control again", "remove guards"} <= set(works["job"])
    # What the ground of the large zone allows, each of its many blocks holds.
    rows = pd.read_csv(tmp_path / "plan" / "rows.csv").merge(blocks[["block", "zone"]])
    large = rows[rows["zone"] == "A"]
    shares = large.groupby(["block", "species"])["trees"].sum().unstack(fill_value=0)
    total = shares.sum(axis=1)
    assert len(total) > 10 and (shares.max(axis=1) <= np.ceil(0.3 * total)).all()
    costs = pd.read_csv(tmp_path / "plan" / "costs.csv")
    fenced = costs["line"].isin(["trees in the ground", "mounds", "guards checked"])
    assert costs["cost"][fenced].notna().all() and costs["cost"].isna().any()
