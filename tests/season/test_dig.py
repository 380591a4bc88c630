"""Where to dig: worthwhile spots, and answers that replace the map's guess."""

import types

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from affine import Affine

from siteplanner.base.errors import InputError
from siteplanner.base.grid import Grid
from siteplanner.ground.soil.soils import soil_map
from siteplanner.handover.tables.counts import write_dig
from siteplanner.reading.dug_spots import ANSWERS, drainage_from_mottles, with_answers
from siteplanner.season.dig import COLUMNS, dig_spots, soil_doubts
from siteplanner.suitability.factors import Factor

GRID = Grid(pyproj.CRS("EPSG:32756"), Affine(5, 0, 600000, 0, -5, 5300000), (100, 200))
WEST, SOUTH, EAST, NORTH = GRID.bounds
SOILS = gpd.GeoDataFrame(
    {
        "unit": ["west", "east"],
        "texture": ["loam", "clay"],
        "drainage": ["well drained", None],
        "depth_m": [1.0, np.nan],
        "ph": [6.0, 6.0],
        "stones_percent": [5.0, 5.0],
        "hint": False,
    },
    geometry=[
        shapely.box(WEST, SOUTH, WEST + 500, NORTH), shapely.box(WEST + 500, SOUTH, EAST, NORTH),
    ],
    crs=GRID.crs,
)  # fmt: skip
#: A species that wants 0.8 m of soil, and one that does not mind.
DEPTH = Factor(
    "soil_depth", np.array([[0.3, 0.8, np.inf, np.inf], [-np.inf, -np.inf, np.inf, np.inf]]), None
)


def spots(plantable=None, *, factor=DEPTH, soils=SOILS):
    layers = {"soil_depth": soil_map(soils, GRID)[0]}
    every = np.ones(GRID.shape, dtype=bool) if plantable is None else plantable
    doubts = soil_doubts([factor], layers, soils, every, GRID, 40)
    return dig_spots(doubts, soils, GRID, ["Deep one", "Tough one"])


def test_the_first_spots_are_where_nobody_looked_and_a_species_hangs_on_it():
    found = spots()
    assert list(found.columns) == list(COLUMNS) and 5 <= len(found) <= 15
    assert (found["soil_unit"][:5] == "east").all()
    assert found["why"][0] == "not known" and "depth unknown" in found["map_says"][0]
    assert found["if_not"][0] == "soil is shallower than assumed: Deep one would no longer suit"
    assert (found[list(ANSWERS)] == "").all(axis=None)
    at = found[["easting", "northing"]].astype(float).to_numpy()
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)) + 1e9 * np.eye(len(at))
    assert apart.min() >= 45


def test_where_no_answer_would_change_the_plan_nothing_is_asked():
    only_west = np.zeros(GRID.shape, dtype=bool)
    only_west[:, :40] = True  # deep soil, far from the line: 0.6 m would still do
    tough = Factor("soil_depth", np.array([[-np.inf, -np.inf, np.inf, np.inf]]), None)
    assert spots(only_west, factor=tough).empty


def test_a_models_hint_is_worth_a_hole_where_a_mapped_soil_is_not(tmp_path):
    """Deep enough in the west; a hint is doubted as much as ground at a soil line."""
    barely = SOILS.assign(depth_m=[1.1, 1.1])
    whole = np.ones(GRID.shape, dtype=bool)
    mapped = spots(whole, soils=barely)
    hinted = barely.assign(hint=[True, False])
    found = spots(whole, soils=hinted)
    west = found["soil_unit"] == "west"
    assert (found["why"][west] == "a model's hint, never dug").all() and west[0]
    assert west.sum() > (mapped["soil_unit"] == "west").sum()
    assert not (mapped["why"] == "a model's hint, never dug").any()
    dug, _ = with_answers(hinted, filled(tmp_path, easting="600100", depth_m="1.1"))
    assert dug["hint"].tolist() == [True, False, False]


def filled(tmp_path, **answers):
    path = tmp_path / "dig.csv"
    row = dict.fromkeys(COLUMNS, "") | {"spot": "3", "easting": "600700", "northing": "5299750"}
    blank = dict.fromkeys(COLUMNS, "") | {"spot": "4", "easting": "600100", "northing": "5299750"}
    pd.DataFrame([row | answers, blank]).to_csv(path, index=False)
    return path


def test_answers_replace_the_map_around_the_spot_and_inside_its_soil_unit(tmp_path):
    soils, answered = with_answers(
        SOILS, filled(tmp_path, depth_m="0.2", mottles_from_m="0.15", easting="600510")
    )
    assert answered == 1 and soils["unit"].iloc[-1] == "east, spot 3"
    depth, _, _, _, wet, _ = soil_map(soils, GRID)
    inside = [[600512.5, 600522.5], [5299752.5, 5299747.5]]
    assert GRID.sample(depth, *np.array(inside)).tolist() == pytest.approx([0.2, 0.2])
    assert GRID.sample(wet, *np.array(inside)).tolist() == [5, 5]  # poorly drained
    # Over the soil line and beyond the reach the map still counts.
    assert GRID.sample(depth, np.array([600492.5]), np.array([5299752.5]))[0] == 1.0
    assert np.isnan(GRID.sample(depth, np.array([600602.5]), np.array([5299752.5]))[0])
    assert soils["texture"].iloc[-1] == "clay"  # not asked, so as mapped


def test_dig_csv_reads_back_as_it_was_written(tmp_path):
    """Coordinates stay numbers, south of the equator too; text is no formula."""
    found = spots().assign(soil_unit="=1+1")
    write_dig(types.SimpleNamespace(dig=found), tmp_path / "dig.csv")
    read = pd.read_csv(tmp_path / "dig.csv", dtype={"spot": str})
    assert read["latitude"].max() < 0 and read["easting"].astype(str).equals(found["easting"])
    assert (read["soil_unit"] == "'=1+1").all() and list(read) == list(COLUMNS)
    assert with_answers(SOILS, tmp_path / "dig.csv")[1] == 0  # nothing filled in yet


@pytest.mark.parametrize(
    ("inches", "drainage"),
    [(5, "poorly"), (15, "somewhat poorly"), (30, "moderately well"), (50, "well")],
)
def test_mottles_tell_the_drainage_class(inches, drainage):
    """Minnesota Department of Natural Resources: 10, 20 and 40 inches."""
    assert drainage_from_mottles(inches * 0.0254) == f"{drainage} drained"


def test_an_answer_that_cannot_be_names_its_row(tmp_path):
    with pytest.raises(InputError) as caught:
        with_answers(SOILS, filled(tmp_path, depth_m="deep", texture="lome"))
    assert "row 2, depth_m: 'deep' is not valid" in str(caught.value)
    assert "row 2, texture: 'lome' is not a texture class; did you mean 'loam'" in str(caught.value)
