"""Each number of the lists against its peers, the other lists, the sample and published sources."""

import csv
from collections import Counter, defaultdict
from functools import cache
from statistics import median

import numpy as np
import pytest
from conftest import SITE
from shared_data import shared

from siteplanner.ground.resolve import catalogue
from siteplanner.reading.species.table import read_species
from siteplanner.starting.species_lists import starting_lists
from siteplanner.suitability.factors import factors
from siteplanner.suitability.score import score_species

TABLES = {one.name: read_species(one.path) for one in starting_lists()}
SAMPLE = read_species(SITE.parent / "species.csv")
RAIN = "annual_rainfall"


def species_of(table):
    return dict(zip(table.facts["botanical_name"], table.facts.to_dict("records"), strict=True))


def points(table, layer, species):
    return table.points[layer][table.facts["botanical_name"].tolist().index(species)]


def far_from_peers(values, factor):
    """Names of what is over ``factor`` times its group's median or under its ``factor``-th part.

    ``values`` has (group, name, value); groups of fewer than three say nothing.
    """
    groups = defaultdict(list)
    for group, name, value in values:
        if value == value:
            groups[group].append((name, value))
    found = []
    for group in groups.values():
        middle = median(value for _, value in group)
        if len(group) >= 3:
            found += [n for n, v in group if not middle / factor <= v <= middle * factor]
    return found


def weights(changed=()):
    """Seeds per gram of every species, by kind of fruit."""
    for table in TABLES.values():
        for name, row in species_of(table).items():
            yield row["fruit"], name, dict(changed).get(name, row["seeds_per_gram"])


#: Kinds of fruit whose seed spans more than a hundredfold: each is judged by itself instead.
WIDE = ("pod", "dry capsule", "berry", "seed with a plume", "woody capsule", "drupe", "cone")
#: Least and most seeds per gram that such seed can have (common practice, no source).
CAN_BE = {
    "pod": (0.02, 200), "dry capsule": (5, 60_000), "berry": (2, 500), "drupe": (0.2, 200),
    "seed with a plume": (300, 20_000), "woody capsule": (50, 20_000), "cone": (1, 1500),
}  # fmt: skip


def test_seed_weights_are_like_those_of_the_same_fruit():
    assert far_from_peers((w for w in weights() if w[0] not in WIDE), 30) == []
    for fruit, name, value in weights():
        low, high = CAN_BE.get(fruit, (0.02, 60_000))
        assert not value < low and not value > high, name


def test_a_quandong_at_58_seeds_a_gram_would_be_found():
    """As the Kew table has it: its peers of the genus have stones of a fifth of a gram or more."""
    genus = [
        (name.split()[0], name, value)
        for _, name, value in weights({"Elaeocarpus grandis": 58.58})
        if name.startswith("Elaeocarpus")
    ]
    quandongs = dict((name, value) for _, name, value in genus)
    assert quandongs["Elaeocarpus grandis"] > 10 * quandongs["Elaeocarpus reticulatus"]
    assert species_of(TABLES["humid-subtropical"])["Elaeocarpus grandis"]["seeds_per_gram"] < 2


@pytest.mark.parametrize("name", TABLES)
def test_rain_that_kills_is_like_that_of_the_list(name):
    """No plant lives on less than half of what half of its list needs."""
    table = TABLES[name]
    least = table.points[RAIN][:, 0]
    peers = [("list", s, v) for s, v in zip(species_of(table), least, strict=True)]
    dry = {"Dodonaea viscosa"}  # a shrub of the dry inland too
    assert set(far_from_peers(peers, 2.2)) <= dry
    birch = [(g, s, 200.0 if s == "Betula pubescens" else v) for g, s, v in peers]
    assert ("Betula pubescens" in far_from_peers(birch, 2.2)) == (name == "temperate-oceanic-north")


@pytest.mark.parametrize("name", TABLES)
def test_drought_and_rain_agree_and_cold_is_like_that_of_the_list(name):
    points = TABLES[name].points
    lack, rain = points["water_deficit"][:, 3], points[RAIN][:, 0]
    said = np.isfinite(lack)
    # What dies of a smaller lack of water needs more rain: ranks, over all species that say both.
    ranks = [np.argsort(np.argsort(v[said])) for v in (lack, rain)]
    assert np.corrcoef(ranks)[0, 1] < -0.5
    cold = points["winter_minimum"][:, 0]
    assert (np.abs(cold - np.median(cold)) < 20).all()


@pytest.mark.parametrize("name", TABLES)
def test_sizes_and_nursery_figures_can_be(name):
    facts = TABLES[name].facts
    wide = facts["crown_m"] / facts["mature_height_m"]
    narrow = {"Cupressus sempervirens"}
    assert set(facts["botanical_name"][~wide.between(0.2, 1.6)]) <= narrow
    for fact, low, high in (
        ("germination", 0.2, 0.95),
        ("weeks_to_germinate", 1, 20),
        ("months_to_plant_out", 3, 36),
        ("germination_c", 5, 30),
        ("viable_seeds_a_unit", 1, 20_000),
    ):
        known = facts[fact].dropna()
        assert known.between(low, high).all(), facts["botanical_name"][known.index][
            ~known.between(low, high)
        ]
    # Seedlings are pricked out after they are up and long before they are planted.
    pricked = facts["weeks_to_prick_out"].dropna()
    up, weeks = facts["weeks_to_germinate"][pricked.index], 52 / 12 * facts["months_to_plant_out"]
    assert (pricked > up).all() and (pricked < weeks[pricked.index]).all()


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("layer", ["slope", "stoniness", "soil_depth", "soil_ph"])
def test_no_limits_are_a_template(name, layer):
    """At most a fifth of a list has the very same limits."""
    rows = Counter(map(tuple, TABLES[name].points[layer].tolist()))
    assert rows.most_common(1)[0][1] <= len(TABLES[name].facts) / 5


def test_lists_and_sample_say_the_same_of_a_species():
    said = defaultdict(list)
    for table in (*TABLES.values(), SAMPLE):
        for name, row in species_of(table).items():
            said[name].append((table, row))
    same = (
        "dioecious", "fruit", "storage", "storage_years", "pretreatment", "sowing_depth_mm",
        "seeds_per_gram", "nitrogen_fixing", "coppices", "fire_response", "browse_liked",
        "stock_poison", "disease", "native_region", "weed_regions", "goes_in_year", "cautions",
    )  # fmt: skip
    several = {name: rows for name, rows in said.items() if len(rows) > 1}
    assert len(several) > 20
    for name, rows in several.items():
        for fact in same:
            assert len({str(row[fact]) for _, row in rows}) == 1, (name, fact)
        for layer in TABLES["mediterranean"].points:
            assert len({tuple(points(table, layer, name)) for table, _ in rows}) == 1, (name, layer)


@pytest.mark.parametrize("name", TABLES)
def test_a_list_has_a_ground_layer_and_all_its_facts(name):
    facts = TABLES[name].facts
    sedges = facts["fruit"].isin(["grass head", "nutlet"]) | facts["botanical_name"].str.startswith(
        ("Juncus", "Lomandra", "Luzula", "Dianella")
    )
    assert len(facts) >= 45 and sedges.sum() >= 5
    for fact in (
        "shade", "growth_rate", "life_span", "native_region", "weed_regions", "stock_poison",
        "habitat_value", "fire_response", "browse_liked", "nitrogen_fixing", "coppices",
        "dioecious", "fruit", "storage", "ripe_sign", "gather_unit", "extraction",
        "seed_weighed", "light",
    ):  # fmt: skip
        assert (facts[fact] != "").all(), fact
    for fact in ("viable_seeds_a_unit", "units_a_plant", "storage_years", "sowing_depth_mm",
                 "goes_in_year", "survival_on_dry"):  # fmt: skip
        given = facts[fact].notna()
        assert given.all() or (fact == "survival_on_dry" and given.mean() > 0.9), fact
    assert facts["expected_survival"].nunique() >= 5
    # What eats with a leaf's poison, or is eaten with a risk, says so.
    assert (facts["food_risk"] != "")[facts["food_part"] != ""].all()
    nitrogen = facts["botanical_name"].str.startswith(("Acacia", "Alnus", "Casuarina", "Medicago"))
    assert (facts["nitrogen_fixing"][nitrogen] == "yes").all()


@pytest.mark.parametrize("name", TABLES)
def test_the_sun_tells_a_face_towards_it_from_one_away(name):
    table = TABLES[name]
    info = catalogue("installed packages").infos()
    (sun,) = [f for f in factors(table, info) if f.layer == "sun_exposure"]
    # Percent of open level ground: about what faces of 30° towards and away from the sun get.
    faces = {"sun_exposure": np.array([[125.0, 50.0]], dtype=np.float32)}
    got = score_species([sun], faces, np.ones((1, 2), dtype=bool)).score
    shade, text = np.isfinite(table.points["sun_exposure"][:, 2]), table.facts["shade"]
    light = (text == "sun").to_numpy() & ~shade
    assert shade.any() and light.any()
    assert (got[shade, 0] < got[shade, 1]).all()
    assert (got[light, 0] >= got[light, 1]).all() and (got[light, 0] > got[light, 1]).any()
    assert text[shade].str.contains("shade").all()


# --- Published sources, which are beside the project and may not be copied into it.


@cache
def rows_of(name, encoding="utf-8-sig"):
    with shared(f"species/{name}").open(encoding=encoding, newline="") as stream:
        return list(csv.DictReader(stream))


def number(cell):
    try:
        return float(cell)
    except ValueError:
        return np.nan


def every():
    for name, table in TABLES.items():
        sources = table.sources.to_dict("records")
        for (species, row), source in zip(species_of(table).items(), sources, strict=True):
            yield name, table, species, row, source


def test_seed_weights_said_to_be_kews_are_kews():
    kew = {row["species"]: number(row["seeds_per_g_median"]) for row in rows_of(
        "sid_seed_weight_ecocrop_trees.csv")}  # fmt: skip
    checked = 0
    for _, _, species, row, source in every():
        cited = source["seeds_per_gram"].startswith("published: Kew")
        name = "Toona australis" if species == "Toona ciliata" else species
        if cited:
            assert row["seeds_per_gram"] == pytest.approx(kew[name], rel=0.001), species
            checked += 1
        elif species in kew and row["seeds_per_gram"] == row["seeds_per_gram"]:
            # Kew's is far from its peers: see above.
            assert species == "Elaeocarpus grandis", species
    assert checked >= 40


#: Where the list leaves FAO ECOCROP, and why.
LEFT = {
    "Betula pubescens": "200 mm is far below other birches",
    "Carpinus betulus": "300 mm is far below its peers",
    "Fagus sylvatica": "300 mm is far below its peers",
    "Fraxinus excelsior": "300 mm is far below its peers",
    "Prunus avium": "300 mm is far below its peers",
    "Acacia dealbata": "300 mm is far below its peers",
    "Acacia mearnsii": "300 mm is far below its peers",
    "Corylus avellana": "600 mm is above where it grows wild",
}


def test_rain_is_ecocrops_or_the_list_says_why_not():
    ecocrop = {row["species"]: number(row["Rain_Abs_Min"]) for row in rows_of("ecocrop_basics.csv")}
    checked = 0
    for _, table, species, _, source in every():
        theirs, ours = ecocrop.get(species, np.nan), points(table, RAIN, species)[0]
        if source[RAIN].startswith("published"):
            assert ours == theirs, species
            checked += 1
        elif theirs == theirs and species not in LEFT:
            assert 0.5 * theirs <= ours <= 2 * theirs, species
    assert checked >= 40


def test_soil_ph_is_ecocrops_or_near_it():
    ends = {
        row["species"]: (number(row["pH_Abs_Min"]), number(row["pH_Abs_Max"]))
        for row in rows_of("ecocrop_basics.csv")
    }
    checked = 0
    for _, table, species, _, source in every():
        theirs, ours = ends.get(species, (np.nan, np.nan)), points(table, "soil_ph", species)
        if np.isnan(theirs).any():
            continue
        if source["soil_ph"].startswith("published"):
            assert tuple(ours[[0, 3]]) == theirs, species
            checked += 1
        else:
            assert np.abs(ours[[0, 3]] - theirs).max() <= 1.6, species
    assert checked >= 40


def test_no_species_is_said_to_stand_far_more_cold_than_ecocrop_has():
    kill = {
        row["species"]: number(row["Killing.temp..during.rest"])
        for row in rows_of("ecocrop_basics.csv")
    }
    # ECOCROP's figures are those of flowering fruit trees and of other provenances.
    other = {"Corylus avellana", "Malus sylvestris", "Prunus avium", "Pinus pinaster"}
    for _, table, species, _, _ in every():
        theirs, ours = kill.get(species, np.nan), points(table, "winter_minimum", species)[0]
        if theirs == theirs and species not in other:
            assert ours >= theirs - 10, species


@cache
def trials():
    """Share germinated of each trial: untreated, and after cold or warmth, by species."""
    found = defaultdict(lambda: ([], []))
    for row in rows_of("sylvanseeds_germination.csv", "latin-1"):
        sown = number(row["Number_seeds"])
        if sown > 0:
            treated = row["Stratification"] == "Y"
            found[row["TPLName"]][treated].append(number(row["Germinated"]) / sown)
    return found


def test_seed_that_trials_found_dormant_is_treated_and_no_share_is_above_the_best_trial():
    checked = 0
    for _, _, species, row, source in every():
        plain, treated = trials().get(species, ([], []))
        both = [*plain, *treated]
        if source["sowing"].startswith("published: trials in SylvanSeeds"):
            assert row["germination"] <= max(both) + 1e-9, species
            checked += 1
        if plain and treated and median(plain) < 0.2 and median(treated) > 0.5:
            assert row["pretreatment"] not in ("", "none needed"), species
        if plain and not treated and median(plain) > 0.8:
            assert row["pretreatment"] == "none needed", species
    assert checked >= 15
