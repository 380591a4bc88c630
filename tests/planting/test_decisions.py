"""The user's last word: what was drawn and decided by hand is kept, and what clashes is told."""

import hashlib
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from affine import Affine
from conftest import SITE

from siteplanner.base.errors import InputError
from siteplanner.base.grid import Grid
from siteplanner.planting.zones.blocks import BY_HAND, blocks_of, name_blocks
from siteplanner.planting.zones.decisions import (
    drawn_over,
    letters_of,
    mixes_of,
    notes_on_decisions,
    notes_on_doubtful,
    titles_of,
)
from siteplanner.reading.decisions import read_decisions
from siteplanner.site.planting import Decisions, Mix
from siteplanner.site.site_file import load_site
from siteplanner.suitability.score import Suitability

CRS = pyproj.CRS("EPSG:32756")
SPECIES = ["Acacia a", "Banksia b", "Correa c"]
FACTS = pd.DataFrame({"botanical_name": SPECIES, "cautions": ["", "weedy outside its range", ""]})
DRAWN = {
    "zone": ["K", "L", ""],
    "title": ["wind break", None, "planted in 2019"],
    "use": [None, "plant", "planted"],
    "barred": ["Acacia a", "", ""],
    "wanted": ["Correa c", "", ""],
    "community": ["", "heath", ""],
}
SHAPES = [shapely.box(0, 0, 40, 100), shapely.box(30, 0, 50, 100), shapely.box(90, 90, 100, 100)]


def decided(tmp_path, changes=None, settings=""):
    frame = gpd.GeoDataFrame(DRAWN | (changes or {}), geometry=SHAPES, crs=CRS)
    frame.to_file(tmp_path / "mine.gpkg", layer="zones")
    (tmp_path / "local.csv").write_text("species\nAcacia a\nBanksia b\n", encoding="utf-8")
    text = SITE.read_text(encoding="utf-8")
    (tmp_path / "site.toml").write_text(
        f'{text}\n[decisions]\nzones = "mine.gpkg"\nlocal = "local.csv"\n{settings}\n'
        '[decisions.communities.heath]\n"Banksia b" = 3\n"Correa c" = 1\n',
        encoding="utf-8",
    )
    return read_decisions(load_site(tmp_path / "site.toml"), CRS, SPECIES)


def test_zones_stay_as_drawn_and_keep_their_letters_and_names(tmp_path):
    mine = decided(tmp_path)
    shapes = gpd.GeoDataFrame({"kind": [0, 1]}, geometry=[
        shapely.box(-10, -10, 60, 110), shapely.box(60, -10, 110, 110)], crs=CRS)  # fmt: skip
    field = gpd.GeoDataFrame(
        {"name": ["p"], "plant": [True]}, geometry=[shapely.box(0, 0, 100, 100)], crs=CRS
    )
    area = shapely.difference(field.geometry[0], mine.not_to_plant)
    blocks, lost = blocks_of(
        drawn_over(shapes, mine), field, area, smallest_m2=0, join_m2=1500, smallest_width_m=15
    )
    named = name_blocks(blocks, letters_of(mine)).set_index("zone")
    # What is left of kind 0 is small and joins kind 1; so would L, were it not drawn by hand. K
    # is the first where they overlap.
    assert named["geometry"]["K"].equals(SHAPES[0])
    assert named["geometry"]["L"].area == pytest.approx(1000)
    assert sorted(named.index) == ["A", "K", "L"] and lost == 0
    assert named.area.sum() == pytest.approx(100 * 100 - 100, rel=1e-9)
    assert named["kind"]["K"] == BY_HAND and titles_of(mine) == {"K": "wind break"}


def test_a_letter_that_the_user_gave_is_given_to_no_other_zone():
    frame = gpd.GeoDataFrame(
        {"kind": [0, 1, BY_HAND], "paddock": ["p"] * 3},
        geometry=[shapely.box(0, 0, 9, 9), shapely.box(9, 0, 12, 9), shapely.box(12, 0, 13, 9)],
        crs=CRS,
    )
    named = name_blocks(frame, {BY_HAND: "A"}).set_index("kind")["zone"]
    assert named.to_dict() == {0: "B", 1: "C", BY_HAND: "A"}


def test_barred_wanted_and_local_species_reach_the_mix(tmp_path):
    mine = decided(tmp_path, settings="bar_not_local = true")
    general, own = mixes_of(Mix(never=(), must=("Acacia a",)), mine, FACTS)
    assert general.never == ("Correa c",)
    assert own["K"].never == ("Correa c", "Acacia a")
    assert own["K"].must == ()  # wanted, but not local and so barred; and Acacia a barred here
    assert own["L"].aim == {"Banksia b": 3, "Correa c": 1}
    left_out = "Correa c: not on your list of local species; left out under [decisions]."
    # Banksia b is weedy outside its range, but on the list of local species.
    assert notes_on_doubtful(mine, FACTS, {"Banksia b": ["A", "L"]}) == [left_out]


def doubtful(tmp_path, facts, native=(), **rules):
    mine = decided(tmp_path)
    mine = replace(
        mine, ground=mine.ground[:0], local=None, rules=Decisions(**rules), native=frozenset(native)
    )
    never = mixes_of(Mix(), mine, facts)[0].never
    return never, notes_on_doubtful(mine, facts, {"Banksia b": ["A", "L"]})


def test_a_weedy_species_is_left_out_unless_it_is_native_or_asked_for(tmp_path):
    never, said = doubtful(tmp_path, FACTS)
    assert never == ("Banksia b",)
    assert said == [
        "Banksia b: marked as weedy outside their range; left out. Where they grow wild, name "
        "them as native under [species]; bar_weedy = false under [decisions] plants them anywhere."
    ]
    assert doubtful(tmp_path, FACTS, native=["Banksia b"]) == ((), [])
    never, said = doubtful(tmp_path, FACTS, bar_weedy=False)
    assert never == ()
    assert said == [
        "Banksia b (zones A, L): marked as weedy outside their range; to leave them out, set "
        "bar_weedy = true under [decisions].",
    ]


def test_a_species_that_a_disease_rules_out_is_left_out(tmp_path):
    facts = FACTS.assign(cautions="", disease=["", "rules out: a dieback", "leaf spot: ask"])
    never, said = doubtful(tmp_path, facts)
    assert never == ("Banksia b",) and "a disease rules them out; left out." in said[0]
    assert doubtful(tmp_path, facts, bar_diseased=False)[0] == ()


def test_what_was_kept_and_what_no_longer_agrees_is_said(tmp_path):
    mine = decided(tmp_path)
    grid = Grid(CRS, Affine(10, 0, 0, 0, -10, 100), (10, 10))
    mask = np.ones(grid.shape, dtype=bool)
    score = np.zeros((3, 100), dtype=np.uint8)
    score[0] = np.where(np.arange(100) % 10 >= 2, 90, 0)  # nothing fits the two west columns
    slope = np.where(np.arange(10) == 4, 50, 5) * np.ones(grid.shape)
    said = notes_on_decisions(
        mine, Suitability(mask, (), score, score, score), slope, grid, SPECIES,
        {"K": 0.36, "L": 0.091}, lowest_suitability=40, steepest_deg=38,
        area=shapely.box(0, 10, 100, 100),
    )  # fmt: skip
    outside = "may not be planted (setbacks, paddocks, your decisions)"
    assert said == [
        f"Kept: zone K, 0.36 ha; you drew 0.40 ha. 0.04 ha {outside}.",
        f"Kept: zone L, 0.09 ha; you drew 0.20 ha. 0.02 ha {outside}. 0.09 ha overlaps zone K and "
        "went to it.",
        "Zone K: on 50 % of it no species suits. Check the zone as drawn.",
        "Zone K: you asked for Correa c, but it suits only 0 % of it.",
        "Zone L: on 50 % of it the slope is over 38°. Check the zone as drawn.",
        "As drawn: 0.01 ha (planted in 2019) planted already, not planted in this plan.",
    ]


def test_the_user_s_file_is_read_and_never_written(tmp_path):
    decided(tmp_path)
    before = hashlib.sha256((tmp_path / "mine.gpkg").read_bytes()).hexdigest()
    read_decisions(load_site(tmp_path / "site.toml"), CRS, SPECIES)
    assert hashlib.sha256((tmp_path / "mine.gpkg").read_bytes()).hexdigest() == before


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"zone": ["x", "L", ""]}, "'x' is not valid"),
        ({"zone": ["L", "L", ""]}, "zone L: it is listed twice"),
        ({"use": ["plnt", "plant", "planted"]}, "'plnt' is not a use; did you mean 'plant'"),
        ({"wanted": ["Corea c", "", ""]}, "'Corea c' is not in the species table"),
        ({"community": ["moor", "", ""]}, "'moor' is not in the site file"),
    ],
)
def test_a_mistake_names_the_feature_and_the_mend(tmp_path, changes, words):
    with pytest.raises(InputError) as caught:
        decided(tmp_path, changes)
    assert words in str(caught.value)
