"""Stands: mixes put on the ground, with tall trees off lines, stock and budget held."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine

from siteplanner.base.errors import InputError
from siteplanner.base.grid import Grid
from siteplanner.planting.mix.allocation import allocate_species, scores_at
from siteplanner.planting.rows.layout import set_out
from siteplanner.planting.rows.patterns import patterns
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.site.names import check_names
from siteplanner.site.nursery import Nursery
from siteplanner.site.planting import Mix
from siteplanner.suitability.score import Suitability

CRS = "EPSG:32756"
GRID = Grid(None, Affine(4, 0, 0, 0, -4, 200), (50, 50))
HEIGHTS = np.array([3.0, 9.0, 25.0, 30.0])
NAMES = ["Poa p", "Banksia b", "Acacia a", "Eucalyptus e"]
LINE = shapely.LineString([(0, 100), (200, 100)])


def ground(seed=0):
    score = np.random.default_rng(seed).integers(45, 100, (4, 2500)).astype(np.uint8)
    return Suitability(np.ones(GRID.shape, bool), (), score, score, score)


def stand(suitability=None, stock=None, **rules):
    blocks = gpd.GeoDataFrame(
        {
            "block": ["A1", "B1"],
            "zone": ["A", "B"],
            "pattern": "square",
            "spacing_m": 3.0,
            "bearing_deg": 10.0,
        },
        geometry=[shapely.box(5, 5, 195, 130), shapely.box(5, 130, 195, 195)],
        crs=CRS,
    )
    things = gpd.GeoDataFrame(
        {"kind": ["power_line"], "setback_m": [5.0]}, geometry=[LINE], crs=CRS
    )
    facts = pd.DataFrame(
        {
            "botanical_name": NAMES,
            "roles": [("habitat",), ("pioneer",), ("pioneer",), ("long-term timber",)],
            "expected_survival": [0.9, 0.8, 0.85, 0.7],
            "mature_height_m": HEIGHTS,
        }
    )
    table = SpeciesTable(Path(), facts, {}, {}, {})
    places = set_out(blocks, patterns(), things)
    held = Mix(**({"least_species": 3} | rules))
    return places, allocate_species(
        held, table, GRID, suitability or ground(), blocks, places, things, stock
    )


def test_no_tree_can_fall_on_the_line():
    places, got = stand()
    standing = got.kind >= 0
    away = np.abs(places.y - 100)
    assert (away[standing] > HEIGHTS[got.kind[standing]]).all()
    # Near the line the low species still stand.
    assert set(got.kind[(away < 9) & standing]) == {0}


def test_what_is_allocated_is_what_the_mixes_say():
    places, got = stand()
    zone = np.array(["A", "B"])[places.block]
    for name, mixed in got.mixes.items():
        mine = got.kind[(zone == name) & (got.kind >= 0)]
        assert np.bincount(mine, minlength=4).tolist() == mixed.trees.tolist()


def test_every_tree_stands_where_it_fits():
    score = np.random.default_rng(3).integers(0, 100, (4, 2500)).astype(np.uint8)
    suitability = Suitability(np.ones(GRID.shape, bool), (), score, score, score)
    places, got = stand(suitability, least_species=2)
    standing = got.kind >= 0
    scores = scores_at(GRID, suitability, places.x, places.y)
    assert (scores[standing, got.kind[standing]] >= 40).all()
    # A place stays empty only where nothing may stand, or so that a rule holds (and is told).
    assert (~standing).sum() > 0 and any("left empty" in words for words in got.told)


def test_stock_and_budget_hold_over_all_zones():
    stock = {"Poa p": 700, "Banksia b": 500, "Acacia a": 400}
    _, got = stand(stock=stock, stock_only=True)
    planted = np.bincount(got.kind[got.kind >= 0], minlength=4)
    assert (planted <= [700, 500, 400, 0]).all() and planted.sum() > 1400
    _, got = stand(budget=6000.0, tree_cost=5.0, tree_costs={"Poa p": 2.0})
    planted = np.bincount(got.kind[got.kind >= 0], minlength=4)
    assert 5700 < planted @ [2, 5, 5, 5] <= 6000


def test_the_same_every_time():
    first, second = stand()[1], stand()[1]
    assert first.kind.tolist() == second.kind.tolist()


def test_names_that_are_none_are_all_said(tmp_path):
    class Named:
        path = tmp_path / "site.toml"
        mix = Mix(must=("Banksia c",), never=("Poa p", "Acacia x"), aim={"Poa p": 1.0})
        years = type("Years", (), {"shade_lovers": ("Nothing n",), "first": None})
        nursery = Nursery()

    with pytest.raises(InputError) as told:
        check_names(Named, NAMES)
    assert [detail.where for detail in told.value.errors] == [
        "mix.must", "mix.never", "years.shade_lovers",
    ]  # fmt: skip
    assert "did you mean 'Banksia b'" in str(told.value)
