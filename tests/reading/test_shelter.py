"""Hedges as an input, and the dense rows of an earlier plan as mature shelter."""

from __future__ import annotations

import json
import shutil

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from conftest import SITE

from siteplanner import load_site
from siteplanner.base.errors import InputError
from siteplanner.reading.inputs import files, read_inputs
from siteplanner.reading.mature_shelter import dense_rows, read_mature_shelter
from siteplanner.reading.shelter import read_shelter
from siteplanner.season.frost_by_zone import dates_by_zone

CRS = "EPSG:32755"


@pytest.fixture
def site(tmp_path):
    """The sample's site file with a shelter table, in a folder of its own with the DEM."""
    shutil.copy(SITE.parent / "dem.tif", tmp_path)
    text = SITE.read_text(encoding="utf-8") + '\n[shelter]\nfile = "hedges.gpkg"\n'
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    return load_site(tmp_path / "site.toml")


def hedges(path, height=3.0, porosity=0.4):
    frame = gpd.GeoDataFrame(
        {"height_m": [height], "porosity": [porosity]},
        geometry=[shapely.LineString([(620000, 5350000), (620100, 5350000)])],
        crs=CRS,
    )
    frame.to_file(path, driver="GPKG")


def test_hedges_are_read_and_listed_as_an_input(site):
    hedges(site.folder / "hedges.gpkg")
    found = read_shelter(site, None)
    assert found[["height_m", "porosity"]].to_numpy().tolist() == [[3.0, 0.4]]
    assert "hedges.gpkg" in files(site)


@pytest.mark.parametrize(("height", "porosity"), [(-1.0, 0.4), (3.0, 40.0), (None, 0.4)])
def test_hedge_without_a_sound_height_or_porosity_is_refused(site, height, porosity):
    hedges(site.folder / "hedges.gpkg", height, porosity)
    with pytest.raises(InputError, match="line 1"):
        read_shelter(site, None)


def rows_and_trees():
    """One dense row, one wide one, one too short, one of shrubs."""
    rows, trees = [], []
    plan = ((1, 5.0, 11, "Tall"), (2, 9.0, 6, "Tall"), (3, 5.0, 2, "Tall"), (4, 5.0, 11, "Low"))
    for row, step, count, species in plan:
        line = shapely.LineString([(0, 20 * row), (step * (count - 1), 20 * row)])
        rows.append({"block": "A1", "row": row, "trees": count, "length_m": line.length,
                     "geometry": line})  # fmt: skip
        trees += [{"block": "A1", "row": row, "species": species}] * count
    facts = pd.DataFrame({
        "botanical_name": ["Tall", "Low"], "mature_height_m": [16.0, 3.0], "crown_m": [7.0, 2.0],
    })  # fmt: skip
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS), pd.DataFrame(trees), facts


def test_rows_whose_crowns_meet_become_belts_of_their_mature_height():
    found = dense_rows(*rows_and_trees())
    assert len(found) == 1
    assert found["height_m"].tolist() == [16.0]
    assert found.geometry.iloc[0].bounds[1] == 20
    assert 0 < found["porosity"].iloc[0] < 1


def test_unknown_crown_counts_as_half_the_height():
    rows, trees, facts = rows_and_trees()
    found = dense_rows(rows, trees, facts.drop(columns="crown_m"))
    assert len(found) == 1  # 8 m: still not the row with 9 m steps


def test_grown_plan_is_read_from_its_folder(site, tmp_path):
    rows, trees, facts = rows_and_trees()
    folder = tmp_path / "earlier"
    folder.mkdir()
    rows.to_file(folder / "plan.gpkg", layer="rows", driver="GPKG")
    points = gpd.GeoDataFrame(trees, geometry=[shapely.Point(0, 0)] * len(trees), crs=CRS)
    points.to_file(folder / "plan.gpkg", layer="trees", driver="GPKG")
    manifest = {"files": {}, "inputs": {}, "versions": {"siteplanner": "0"}}
    (folder / "plan.json").write_text(json.dumps(manifest), encoding="utf-8")
    mature_shelter = site.with_mature_shelter(folder)
    assert mature_shelter.frost.mature_shelter == "earlier"
    assert "earlier/plan.gpkg" in files(mature_shelter)
    assert len(read_mature_shelter(mature_shelter, facts, None)) == 1
    assert read_mature_shelter(site, facts, None).empty


def test_folder_without_a_plan_is_refused(site, tmp_path):
    with pytest.raises(InputError, match=r"plan\.json is missing, so this is not a plan"):
        read_mature_shelter(
            site.with_mature_shelter(tmp_path / "nothing"), rows_and_trees()[2], None
        )


def changed(tmp_path, *edits):
    """The sample site in a folder of its own, with its site file changed."""
    folder = tmp_path / "site"
    shutil.copytree(SITE.parent, folder, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    text = (folder / "site.toml").read_text()
    for old, new in edits:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (folder / "site.toml").write_text(text)
    return folder


def test_daily_minima_give_the_frost_dates(tmp_path):
    folder = changed(
        tmp_path, ('winter_minima = "', 'daily_minima = "daily.csv"\nwinter_minima = "')
    )
    when = pd.date_range("2001-01-01", "2012-12-31")
    cold = (when.month >= 6) & (when.month <= 8)
    daily = pd.DataFrame(
        {"date": when.strftime("%Y-%m-%d"), "min_c": [-1.0 if c else 5 for c in cold]}
    )
    daily.to_csv(folder / "daily.csv", index=False)
    site = load_site(folder)
    inputs = read_inputs(site)
    mean = float(inputs.climate.winter_minima.mean())
    table, _ = dates_by_zone({"A": (mean, 0.5)}, inputs.climate, site.frost)
    assert table[["first_frost", "last_frost"]].to_numpy().tolist() == [["1 June", "31 August"]]
    assert "daily.csv" in files(site)
    daily.loc[5, "date"] = "yesterday"
    daily.to_csv(folder / "daily.csv", index=False)
    with pytest.raises(InputError, match="row 7, date"):
        read_inputs(site)
