"""Odds that a frost kills: at the places where a species stands, on cells and at one spot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from affine import Affine

from siteplanner import load_site
from siteplanner.base.grid import Grid
from siteplanner.reading.inputs import read_inputs
from siteplanner.season.frost_by_zone import tell_frost
from siteplanner.season.frost_odds import (
    ODDS_COLUMNS,
    cell_words,
    odds_by_zone,
    odds_on_cells,
    odds_table,
    places_of,
    range_only,
    station_minima,
    tolerances,
)
from siteplanner.suitability.frost_risk import odds

#: A zone of 40 by 10 cells of 10 m: three quarters a hollow, and a shoulder 4 degrees warmer.
GRID = Grid(pyproj.CRS("EPSG:32756"), Affine(10, 0, 620_000, 0, -10, 5_350_100), (10, 40))
HOLLOW, SHOULDER, ERROR = -5.0, -1.0, 0.5


@pytest.fixture(scope="module")
def sample():
    site = load_site(Path(__file__).parents[2] / "sample_site" / "site.toml")
    return site, read_inputs(site)


def hardy_and_tender(species) -> tuple[str, str]:
    """The species of the table whose seedlings bear most, and the one whose bear least."""
    known = tolerances(species).dropna().sort_values("seedling")
    return known["species"].iloc[0], known["species"].iloc[-1]


def trees_at(columns, species) -> gpd.GeoDataFrame:
    """Trees of one species in zone A, one in the middle row of each of these columns."""
    at = [shapely.Point(GRID.transform * (col + 0.5, 5.5)) for col in columns]
    return gpd.GeoDataFrame(
        {"zone": ["A"] * len(at), "species": species}, geometry=at, crs=GRID.crs
    )


def told(sample, trees):
    """What is told of a made zone: a hollow, and a warm shoulder on its east."""
    site, inputs = sample
    lowest = np.full(GRID.shape, HOLLOW, np.float32)
    lowest[:, 30:] = SHOULDER
    layers = {
        "winter_minimum": lowest,
        "winter_minimum_error": np.full(GRID.shape, ERROR, np.float32),
    }
    zones = gpd.GeoDataFrame({"zone": ["A"]}, geometry=[shapely.box(*GRID.bounds)], crs=GRID.crs)
    return tell_frost(
        zones, trees, layers, np.ones(GRID.shape, bool), GRID, inputs.species, inputs.climate,
        site.frost,
    )  # fmt: skip


def straight(sample, name, lowest):
    """The odds at one place, worked out without a table."""
    _, inputs = sample
    one = tolerances(inputs.species).set_index("species").loc[name]
    return odds(
        station_minima(inputs.climate), lowest - inputs.climate.winter_minima.mean(), ERROR,
        one.seedling, one.error, years=3, range_only=one.known == "from memory",
    )  # fmt: skip


def test_a_species_on_the_warm_shoulder_has_the_shoulders_odds(sample):
    _, tender = hardy_and_tender(sample[1].species)
    frost = told(sample, trees_at(range(31, 39), tender))
    row = frost.odds.set_index("species").loc[tender]
    here, hollow = (straight(sample, tender, lowest) for lowest in (SHOULDER, HOLLOW))
    assert row.trees == 8 and row.coldest_c == pytest.approx(SHOULDER)
    assert row.odds_high == pytest.approx(here.high, abs=0.005)
    assert hollow.high > 0.9 and here.high < 0.5  # the zone's median ground would say this
    assert row.worst_high == pytest.approx(row.odds_high) and row.words == row.worst_words
    # The sentence says the same as the table, without a tenth that is no worse.
    assert row.words in frost.sentences["A"] and "worst tenth" not in frost.sentences["A"]


def test_places_in_the_hollow_count_each_once_and_make_the_worst_tenth(sample):
    _, tender = hardy_and_tender(sample[1].species)
    frost = told(sample, trees_at([0, 1, 2, 3, *range(31, 39)], tender))  # a third in the hollow
    row = frost.odds.set_index("species").loc[tender]
    here, hollow = (straight(sample, tender, lowest) for lowest in (SHOULDER, HOLLOW))
    for column, end in (("odds_low", "low"), ("odds_high", "high")):
        mean = (4 * getattr(hollow, end) + 8 * getattr(here, end)) / 12
        assert row[column] == pytest.approx(mean, abs=0.005)
    assert row.worst_high == pytest.approx(hollow.high, abs=0.005)
    assert f"worst tenth of its places: {row.worst_words}" in frost.sentences["A"]


def test_what_is_not_planted_has_the_odds_of_all_the_zones_ground(sample):
    hardy, tender = hardy_and_tender(sample[1].species)
    frost = told(sample, trees_at(range(31, 39), hardy))
    rows = frost.odds.set_index("species")
    here, hollow = (straight(sample, tender, lowest) for lowest in (SHOULDER, HOLLOW))
    assert rows.trees[tender] == 0 and rows.trees[hardy] == 8
    mean = 0.75 * hollow.high + 0.25 * here.high
    assert rows.odds_high[tender] == pytest.approx(mean, abs=0.005)
    assert "not planted here" in rows.basis[tender] and "its planted places" in rows.basis[hardy]
    # A sentence on what is most at risk is about what is planted.
    names = sample[1].species.facts.set_index("botanical_name")["common_name"]
    assert names[tender] not in frost.sentences["A"]


def test_the_tenth_begins_where_a_tenth_of_the_places_is_as_bad():
    places = places_of(np.repeat([-4.0, -6.0], [19, 1]), np.full(20, 0.5))
    bad = np.where(places.lowest < -5, 0.9, 0.1)
    assert places.total == 20 and places.quantile(bad, 0.9) == 0.1
    places = places_of(np.repeat([-4.0, -6.0, np.nan], [17, 3, 5]), np.full(25, 0.5))
    bad = np.where(places.lowest < -5, 0.9, 0.1)
    assert places.total == 20 and places.quantile(bad, 0.9) == 0.9
    assert places.mean(bad) == pytest.approx((17 * 0.1 + 3 * 0.9) / 20)


def test_places_whose_frost_is_unknown_say_nothing(sample):
    _, inputs = sample
    table = odds_table(inputs.climate, np.array([np.nan]), 3)
    nowhere = places_of(np.array([np.nan]), np.array([0.5]))
    assert odds_by_zone(table, {"A": nowhere}, {}, inputs.species, 3).empty


def test_zone_table_gives_ranges_for_what_is_from_memory(sample):
    _, inputs = sample
    ground = {zone: places_of(np.array([c]), np.array([0.8])) for zone, c in (("A", -7), ("B", -3))}
    rows = odds_by_zone(
        odds_table(inputs.climate, np.array([0.8]), 3), ground, {}, inputs.species, 3
    )
    assert list(rows.columns) == ODDS_COLUMNS and set(rows["zone"]) == {"A", "B"}
    known = tolerances(inputs.species).set_index("species")["known"]
    memory = rows["species"].map(known) == "from memory"
    assert memory.any()
    assert rows.loc[memory, ["odds", "worst", "over_years"]].isna().all(axis=None)
    assert (rows["odds_low"] <= rows["odds_high"]).all()
    assert (rows["tree_high"] <= rows["odds_high"] + 1e-9).all()
    both = rows.pivot(index="species", columns="zone", values="odds_high")
    assert (both["A"] >= both["B"]).all()


@pytest.mark.parametrize("winter_c", [0.0, 0.4])
def test_cells_zones_and_spots_say_the_same(sample, winter_c):
    _, inputs = sample
    lowest = np.array([[-7.0, -3.0, np.nan]], np.float32)
    error = np.array([[0.75, 0.6, 0.75]], np.float32)
    table = odds_table(inputs.climate, error, 3, winter_c)
    cells = odds_on_cells(table, lowest, error, np.ones((1, 3), bool), inputs.species)
    assert (cells[:, 0, 2] == 255).all()
    ground = {zone: places_of(lowest[0, [n]], error[0, [n]]) for n, zone in enumerate("AB")}
    rows = odds_by_zone(table, ground, {}, inputs.species, 3)
    shown = rows["odds"].fillna(rows["odds_high"])
    names = list(inputs.species.facts["botanical_name"])
    for place, zone in enumerate("AB"):
        got = cells[[names.index(n) for n in rows["species"][rows["zone"] == zone]], 0, place]
        assert np.abs(got - 100 * shown[rows["zone"] == zone]).max() <= 0.5 + 1e-9
        # A table made for one spot, as explain makes it, says what the whole plan's says.
        alone = odds_table(inputs.climate, error[0, [place]], 3, winter_c)
        spot = odds_by_zone(alone, {zone: ground[zone]}, {}, inputs.species, 3)
        want = rows[rows["zone"] == zone].reset_index(drop=True)
        assert spot.equals(want)


def test_a_cells_figure_says_whether_it_is_the_middle_or_the_upper_end(sample):
    assert cell_words(12, range_only=True) == "up to 1 winter in 8"
    assert cell_words(12, range_only=False) == "1 winter in 8 (middle of the range)"
    assert cell_words(0, range_only=True) == cell_words(0, range_only=False)
    species = sample[1].species
    table = species.facts.assign(evidence="published")
    table.loc[table.index[0], "seedling_dies_below_c"] = -5.0
    some = replace(species, facts=table)
    vague = range_only(told((sample[0], replace(sample[1], species=some)), trees_at([5], "")).odds)
    known = tolerances(some).set_index("species")["known"]
    assert set(vague.values()) == {True, False}
    assert vague and all(upper == (known[name] == "from memory") for name, upper in vague.items())
