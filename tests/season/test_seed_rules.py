"""Rules of seed: nobody to give it, more than the trees can give, how much to carry, the oven."""

import math
from dataclasses import replace

import geopandas as gpd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from season.nursery_plan import with_its_nursery
from season.test_ten_batches import FACTS, RULES, STATIONS, batch_of

from siteplanner.season.nursery.batches import Planting, batches_of
from siteplanner.season.nursery.enough_seed import said_of_seed
from siteplanner.season.nursery.handling import gathered, with_caution
from siteplanner.season.nursery.tasks import collecting, sowing, tasks_of

COOL = "cool-temperate-south"


def from_trees(species, trees, plants, permit="P 17"):
    """A batch of a species of the cool list, from one place with so many mother trees."""
    mean_c, plant = STATIONS[COOL]
    row = FACTS[COOL][species]
    places = gpd.GeoDataFrame(
        {"name": ["knoll"] * trees, "fruiting_months": [""] * trees, "permit": [permit] * trees},
        geometry=gpd.points_from_xy([0.0] * trees, [0.0] * trees),
    )
    planting = Planting(plants, 2028, False, plant, plant)
    return batches_of(row, row["code"], planting, places, RULES, mean_c)


def test_nobody_known_to_give_seed_is_said_once_for_all_species():
    batches = [batch_of(COOL, s) for s in ("Eucalyptus obliqua", "Hakea microcarpa")]
    (said,) = said_of_seed(batches, RULES)
    assert said.startswith("No seed source is known of Eucalyptus obliqua, Hakea microcarpa:")
    assert "25 of each" in said and "permits" in said
    assert "nobody is known to give it: ask" in collecting(batches[0], RULES)


def test_seed_that_one_has_is_not_asked_for_but_is_to_be_weighed_and_tried():
    batch = batch_of(COOL, "Eucalyptus obliqua")
    mine = replace(batch, handling=replace(batch.handling, have_seed=True))
    assert said_of_seed([mine], RULES) == []
    words = collecting(mine, RULES)
    assert words.startswith("you have seed of it: weigh it, and sow a sample to see that it grows;")
    assert "gather or order what is missing" in words and "nobody" not in words
    other = batch_of(COOL, "Hakea microcarpa")
    (said,) = said_of_seed([mine, other], RULES)
    assert said.startswith("No seed source is known of Hakea microcarpa:")


def test_more_seed_than_the_mother_trees_can_give_is_refused_with_numbers():
    # Twelve seeds a cone, 25 cones a plant, a fifth of the crop (NSW OEH 2011): 60 seeds a tree.
    few, enough = (from_trees("Banksia marginata", n, 300) for n in (2, 40))
    (said,) = said_of_seed(few, RULES)
    units = math.fsum(batch.handling.units for batch in few)
    assert f"{gathered(units, 'cone')} are asked for" in said
    assert "2 mother trees can give about 10 (20% of an ordinary crop)" in said
    more = math.ceil(units / 5) - 2
    assert f"Find {more} more trees" in said
    assert said_of_seed(enough, RULES) == []


def test_two_batches_of_a_year_share_the_crop_of_a_tree():
    (one,) = from_trees("Banksia marginata", 10, 100)
    assert said_of_seed([one], RULES) == []
    assert len(said_of_seed([one, replace(one, batch="other")], RULES)) == 1
    # What no one knows is no ground for a warning.
    unknown = replace(one, handling=replace(one.handling, units_a_plant=math.nan))
    assert said_of_seed([unknown, unknown], RULES) == []


def test_seed_older_than_it_keeps_is_named():
    (one,) = from_trees("Banksia marginata", 40, 100)
    old = replace(one, handling=replace(one.handling, storage_years=0.01))
    (said,) = said_of_seed([old], RULES)
    assert one.batch in said and "does not keep" in said


@given(st.floats(0.01, 1e6), st.sampled_from(["cone", "branchlet of capsules", "handful of pods"]))
def test_what_is_gathered_is_never_less_than_is_needed(units, unit):
    words = gathered(units, unit)
    number = int(words.split(" ")[0].replace(",", ""))
    assert number >= units - 1e-6 and number <= max(1.0, 1.1 * units + 1)
    assert words.split(" ")[1].rstrip("s") == unit.split(" ")[0]


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        ("heat the cone for 20 minutes at 100 °C in an oven", []),
        ("heat the cone in an oven", ["temperature not known: ask", "time not known: ask"]),
        ("in a kiln at 45 °C", ["time not known: ask"]),
    ],
)
def test_an_oven_comes_with_temperature_time_and_a_fire_caution(words, asked):
    said = with_caution(words)
    assert "getting seed out only" in said and "(fire)" in said
    assert [a for a in ("temperature not known: ask", "time not known: ask") if a in said] == asked


def test_an_oven_is_for_extraction_in_every_list():
    for facts in (row for table in FACTS.values() for row in table.values()):
        assert "oven" not in facts["pretreatment"], facts["botanical_name"]
        assert with_caution(facts["extraction"]).count("not known") == 0, facts["botanical_name"]


def test_the_keeper_reads_permit_trees_and_what_was_assumed():
    (batch,) = from_trees("Allocasuarina verticillata", 1, 20, permit="")
    words = collecting(batch, RULES)
    assert "permit: not known: ask" in words
    assert "25 mother trees where you can (common practice)" in words
    assert "only female plants bear seed" in words and "handful" in words
    plan = with_its_nursery()
    for task in tasks_of(plan.nursery.batches, plan.nursery.rules):
        for line in task.lines:
            assert any(line.startswith(f"{name} (") for name in task.species)
    last = plan.nursery.batches[-1]
    assert all(words in sowing(last) for words in last.assumed)
    # A table without the newer columns: nothing is taken in silence.
    for name in ("storage", "sowing depth", "how much to gather", "pre-treatment"):
        assert f"{name} not known: ask" in last.assumed


def test_a_weight_with_chaff_counts_the_seeds_that_grow():
    batch = batch_of(COOL, "Eucalyptus delegatensis")
    growing = batch.order.seeds * batch.germination[1]
    assert batch.order.grams == pytest.approx(growing / 75)  # from memory: 75 viable seeds a gram
    assert "g of seed with chaff, about" in collecting(batch, RULES)


def test_what_a_list_warns_of_is_read_at_the_tree():
    words = collecting(batch_of("humid-subtropical", "Brachychiton acerifolius"), RULES)
    assert "sting: wear gloves and a mask" in words
