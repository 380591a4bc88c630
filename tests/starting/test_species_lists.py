"""The starter lists: complete, labelled, and right on facts of the trade."""

import numpy as np
import pytest

from siteplanner.base.errors import InputError
from siteplanner.ground.resolve import catalogue
from siteplanner.reading.files.sheet import read_sheet
from siteplanner.reading.species.table import EVIDENCE, SOURCE_GROUPS, read_species
from siteplanner.starting.species_lists import copy_list, starting_lists
from siteplanner.suitability.factors import factors
from siteplanner.suitability.score import class_of, score_species

LISTS = starting_lists()
FOUR = ["cool-temperate-south", "humid-subtropical", "mediterranean", "temperate-oceanic-north"]
INFOS = catalogue("installed packages").infos()


def test_there_are_four_lists():
    assert [one.name for one in LISTS] == FOUR


@pytest.mark.parametrize("one", LISTS, ids=FOUR)
def test_a_list_is_long_headed_and_every_value_says_where_it_comes_from(one):
    assert one.heading.endswith(
        "starting values: confirm with a local nursery or herbarium, and check that the species "
        "is local and not a weed where you are"
    )
    raw = read_sheet(one.path)
    table = read_species(one.path)
    assert one.species == len(table.facts) >= 45
    factors(table, INFOS)  # every column names a layer, a unit and classes that exist
    assert set(table.points) | set(table.classes) <= set(table.sources)
    for column, sources in table.sources.items():
        facts = SOURCE_GROUPS.get(column, (column,))
        told = [c for c in raw if c in facts or (c.startswith(f"{column} ") and "source" not in c)]
        given = (raw[told] != "").any(axis=1).to_numpy()
        assert sources[given].str.startswith(EVIDENCE).all(), column
    # Nobody may read a value from memory as a published one.
    assert not (table.facts["evidence"] == "published").any()


def test_a_list_is_copied_once_and_never_over_a_file(tmp_path):
    target = tmp_path / "mine.csv"
    copy_list("mediterranean", target)
    target.write_text("my own work", encoding="utf-8")
    with pytest.raises(InputError, match="it already exists"):
        copy_list("mediterranean", target)
    assert target.read_text(encoding="utf-8") == "my own work"
    with pytest.raises(InputError, match="did you mean 'mediterranean'"):
        copy_list("mediteranean", tmp_path / "other.csv")


#: Common practice, no source: the grounds that the facts of the trade speak of, in figures. The
#: tolerances stand in the list, with their sources, and were written before this was first run.
GROUNDS = {
    "frosty clay creek flat": dict(
        winter_minimum=-4.5, annual_rainfall=1100, water_deficit=100, soil_depth=1.2, soil_ph=5.8,
        stoniness=0, slope=1, sun_exposure=95,
        drainage_class="somewhat poorly drained", texture_class="clay"),
    "steep rocky slope": dict(
        winter_minimum=-1, annual_rainfall=1000, water_deficit=280, soil_depth=0.35, soil_ph=5.8,
        stoniness=50, slope=33, sun_exposure=115,
        drainage_class="somewhat excessively drained", texture_class="sandy loam"),
    "temperate clay slope with frost": dict(
        winter_minimum=-5, annual_rainfall=700, water_deficit=260, soil_depth=0.9, soil_ph=6,
        stoniness=10, slope=10, sun_exposure=90,
        drainage_class="moderately well drained", texture_class="clay"),
    "Mediterranean clay slope in drought": dict(
        winter_minimum=-1, annual_rainfall=560, water_deficit=480, soil_depth=0.8, soil_ph=7,
        stoniness=15, slope=12, sun_exposure=105,
        drainage_class="well drained", texture_class="clay"),
    "sheltered deep bench": dict(
        winter_minimum=2.5, annual_rainfall=1400, water_deficit=40, soil_depth=1.8, soil_ph=5.8,
        stoniness=2, slope=6, sun_exposure=85,
        drainage_class="well drained", texture_class="loam"),
}  # fmt: skip


def class_on(species, ground):
    table = read_species(next(one.path for one in LISTS if one.name == "humid-subtropical"))
    values = {
        name: INFOS[name].classes.index(value) if isinstance(value, str) else value
        for name, value in GROUNDS[ground].items()
    }
    layers = {name: np.array([[v]], dtype=np.float32) for name, v in values.items()}
    got = score_species(factors(table, INFOS), layers, np.ones((1, 1), dtype=bool))
    return class_of(int(got.score[table.facts["botanical_name"].tolist().index(species), 0]))[0]


@pytest.mark.parametrize("ground", GROUNDS)
def test_brush_box_fits_clay_frost_drought_rock_and_creek_flat(ground):
    """Common practice, no source."""
    assert class_on("Lophostemon confertus", ground) in ("S1", "S2")


@pytest.mark.parametrize(
    ("ground", "fits"),
    [
        ("frosty clay creek flat", False),
        ("steep rocky slope", False),
        ("sheltered deep bench", True),
    ],
)
def test_a_frost_tender_rainforest_tree_fits_the_sheltered_bench_alone(ground, fits):
    """Common practice, no source."""
    assert class_on("Castanospermum australe", ground) in (("S1", "S2") if fits else ("N1", "N2"))
