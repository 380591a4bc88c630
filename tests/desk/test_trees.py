"""Trees on the map that is drawn on: where they stand, in their colours, ahead of the plan."""

import base64
import json

import geopandas as gpd
import numpy as np
import pytest
from desk.plan_by_hand import plan_by_hand
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.base.errors import input_error
from siteplanner.base.symbology.colours import species_colours
from siteplanner.desk import worker
from siteplanner.desk.planned.trees import shown_trees
from siteplanner.reading.species.table import read_species

TREE = st.tuples(st.floats(-3e3, 3e3), st.floats(-3e3, 3e3), st.integers(0, 40))


def stood(shown):
    """East, north and colour of each tree that a page is sent, in order."""
    found = []
    for one in shown["trees"]:
        at = np.frombuffer(base64.b64decode(one["at"]), "<f4").reshape(-1, 2).astype(float)
        found += [(*xy, one["colour"]) for xy in (at + shown["origin"]).tolist()]
    return sorted(found)


@settings(max_examples=examples(60))
@given(st.lists(TREE, max_size=30))
def test_each_tree_comes_to_its_place_in_its_colour(trees):
    xy = np.array([tree[:2] for tree in trees]).reshape(-1, 2) + np.array([6e5, 5.35e6])
    kind = np.array([tree[2] for tree in trees], dtype=np.int64)
    got = stood(json.loads(json.dumps(shown_trees(xy, kind))))
    colours = species_colours(41)
    wanted = sorted((*at, colours[k]) for at, k in zip(xy.tolist(), kind, strict=True))
    assert sorted(one[2] for one in got) == sorted(one[2] for one in wanted)
    for colour in {one[2] for one in got}:
        mine, theirs = (
            np.sort(np.array([one[:2] for one in every if one[2] == colour]), axis=0)
            for every in (got, wanted)
        )
        assert np.abs(mine - theirs).max() < 0.01


def test_at_rest_they_are_those_of_the_plan_and_none_without_one(desk):
    assert desk.trees() is None
    folder = plan_by_hand(desk.plan.folder)
    trees = gpd.read_file(folder / "plan.gpkg", layer="trees")
    names = read_species(desk.folder / "species.csv").facts["botanical_name"].tolist()
    known = trees[trees["species"].isin(names)]
    got = stood(desk.trees())
    assert len(got) == len(known) > 0
    assert sorted(round(one[0], 2) for one in got) == sorted(known.geometry.x.round(2))
    assert {one[2] for one in got} == {
        species_colours(41)[names.index(n)] for n in known["species"]
    }


def test_they_are_there_whole_before_the_rest_is_worked_out(desk, tmp_path, monkeypatch):
    xy, kind = np.array([[620_001.5, 5_340_000.25]]), np.array([2])

    def plan_through(call, site, *, step, placed):
        placed(xy, kind)
        raise input_error("later", "", "this went wrong", "try again")

    monkeypatch.setattr("siteplanner.run.plan_through", plan_through)
    said = []
    job = {"site": str(desk.path), "out": "", "only": [], "map": str(tmp_path / "map.html"),
           "trees": str(tmp_path / "trees.json")}  # fmt: skip
    worker.mapped(job, lambda **what: said.append(what), lambda words: None, None)
    assert [*map(list, said)] == [["trees"], ["sentences"]]
    assert len(said[0]["trees"]) == 64
    assert stood(json.loads((tmp_path / "trees.json").read_text("utf-8"))) == [
        (620_001.5, 5_340_000.25, species_colours(3)[2])
    ]
    assert sorted(path.name for path in tmp_path.glob("*.*")) == ["trees.json"]


@pytest.mark.parametrize("number", [0, 1])
def test_few_trees_have_no_colour_too_many(number):
    shown = shown_trees(np.zeros((number, 2)), np.zeros(number, dtype=np.int64))
    assert len(shown["trees"]) == number
