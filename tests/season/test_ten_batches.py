"""Ten batches of each starter list, drawn at random and written out as a keeper follows them.

Where a published value was found it stands beside the batch; all else is from memory and is
labelled so in the list. The draw is that of ``random.Random(46)``.
"""

import random
from datetime import date, timedelta
from typing import NamedTuple

import geopandas as gpd
import pytest

from siteplanner.reading.species.table import read_species
from siteplanner.season.nursery.batches import Planting, batches_of
from siteplanner.season.nursery.tasks import collecting, sowing
from siteplanner.site.nursery import Nursery
from siteplanner.starting.species_lists import starting_lists

RULES = Nursery()
#: An invented station and first day of planting for each list: monthly means, °C.
STATIONS = {
    "cool-temperate-south": ((16, 16, 14, 11, 8, 6, 5, 6, 8, 10, 12, 14), date(2028, 9, 4)),
    "humid-subtropical": ((25, 25, 24, 21, 18, 16, 15, 16, 18, 21, 23, 24), date(2028, 3, 1)),
    "mediterranean": ((8, 9, 11, 14, 18, 22, 25, 25, 22, 17, 12, 9), date(2028, 11, 1)),
    "temperate-oceanic-north": ((4, 4, 6, 9, 12, 15, 17, 17, 14, 10, 7, 5), date(2028, 11, 15)),
}  # fmt: skip
BURROWS = "Burrows, Virgona & Heady 2009, Australian Journal of Botany 57: 85-91 % of nicked seed"
DUNPHY = "Dunphy and others 2020, as listed by J. Stewart: keeps so many months or more"
GROWERS = "Tree Growers, Warm and cold pre-treatments (web table, no year): weeks warm and cold"
KEW = "Kew Seed Information Database, median of seeds per gram"
SYLVAN = "SylvanSeeds (Fernández-Pascual 2021): from the median to the best of its trials"


class Published(NamedTuple):
    fact: str
    low: float
    high: float
    source: str


class Row(NamedTuple):
    """What the keeper reads: days, treatment, depth (mm), light and storage."""

    species: str
    collect_from: str
    collect_to: str
    pretreat: str
    sow: str
    treatment: str
    depth: float
    light: str
    storage: str
    published: Published | None = None


HOT = (
    "pour water of 90 °C over the seed and let it cool and soak for 12 hours; "
    "sow what has swollen, treat the rest again"
)
HOT_24 = HOT.replace("12 hours", "24 hours")
BOILING = "pour boiling water over the seed, cool it after one minute, soak 12 hours"

# fmt: off
TEN = {
    "cool-temperate-south": (
        Row("Acacia melanoxylon", "2027-01-01", "2027-02-28", "", "2027-12-04",
            BOILING, 5, "either", "dry and airtight",
            Published("germination", 0.85, 0.91, BURROWS)),
        Row("Allocasuarina verticillata", "2027-09-06", "2027-11-06", "", "2027-12-04",
            "none needed", 4, "either", "dry and airtight"),
        Row("Bursaria spinosa", "2027-03-01", "2027-05-31", "2027-08-20", "2027-10-01",
            "moist and cold at 4 °C for 6 weeks", 1, "light", "dry and cool"),
        Row("Dodonaea viscosa", "2026-12-01", "2027-02-28", "", "2027-12-04",
            HOT, 4, "either", "dry and airtight",
            Published("seeds_per_gram", 185.5, 185.6, KEW)),
        Row("Eucalyptus viminalis", "2027-01-01", "2027-04-30", "", "2027-11-04",
            "none needed", 1, "either", "dry and airtight",
            Published("seeds_per_gram", 1312.5, 1312.6, KEW)),
        Row("Lomandra longifolia", "2026-12-01", "2027-02-28", "", "2027-12-04",
            "soak in cold water for 14 days, changing it daily", 5, "dark", "dry and airtight"),
        Row("Melaleuca ericifolia", "2027-07-06", "2027-09-06", "", "2027-10-04",
            "none needed", 0, "light", "dry and airtight"),
        Row("Nothofagus cunninghamii", "2026-01-01", "2026-03-31", "2026-04-07", "2026-10-01",
            "moist and cold at 4 °C for 8 weeks", 2, "light", "sow fresh"),
        Row("Poa labillardierei", "2027-12-01", "2028-02-05", "", "2028-03-04",
            "none needed", 1, "light", "dry and cool"),
        Row("Pomaderris apetala", "2027-01-01", "2027-02-28", "", "2027-10-01",
            HOT, 1, "either", "dry and airtight"),
    ),
    "humid-subtropical": (
        Row("Acacia melanoxylon", "2026-11-01", "2027-01-31", "", "2027-07-01",
            BOILING, 5, "either", "dry and airtight",
            Published("storage_years", 1, 20, DUNPHY)),
        Row("Alphitonia excelsa", "2027-04-01", "2027-05-04", "", "2027-06-01",
            HOT_24, 4, "either", "dry and airtight",
            Published("storage_years", 1, 2, DUNPHY)),
        Row("Castanospermum australe", "2027-03-01", "2027-06-03", "", "2027-07-01",
            "none needed", 25, "either", "dry and cool",
            Published("storage_years", 2, 3, DUNPHY)),
        Row("Corymbia intermedia", "2027-06-01", "2027-07-04", "", "2027-08-01",
            "none needed", 4, "either", "dry and airtight"),
        Row("Ficus coronata", "2027-01-01", "2027-04-24", "", "2027-05-01",
            "none needed", 0, "light", "sow fresh"),
        Row("Hymenosporum flavum", "2027-02-01", "2027-05-04", "", "2027-06-01",
            "none needed", 2, "either", "dry and cool",
            Published("storage_years", 2, 3, DUNPHY)),
        Row("Juncus usitatus", "2026-11-01", "2027-03-31", "", "2027-10-01",
            "none needed", 0, "light", "dry and cool"),
        Row("Lophostemon confertus", "2026-09-01", "2027-02-28", "", "2027-07-01",
            "none needed", 1, "either", "dry and airtight"),
        Row("Melaleuca viminalis", "2027-04-03", "2027-06-03", "", "2027-07-01",
            "none needed", 0, "light", "dry and airtight"),
        Row("Syzygium australe", "2026-12-01", "2027-03-25", "", "2027-04-01",
            "take off the flesh and soak for 24 hours", 8, "dark", "sow fresh"),
    ),
    "mediterranean": (
        Row("Ampelodesmos mauritanicus", "2027-06-01", "2027-08-31", "", "2028-04-01",
            "none needed", 4, "either", "dry and cool"),
        Row("Brachypodium retusum", "2027-06-01", "2027-08-31", "", "2028-04-01",
            "none needed", 4, "either", "dry and cool"),
        Row("Crataegus monogyna", "2026-09-01", "2026-11-30", "2027-03-03", "2027-12-01",
            "moist and warm at 20 °C for 8 weeks, then "
            "moist and cold at 4 °C for 31 weeks", 15, "dark", "dry and cool",
            Published("pretreatment_weeks", 39, 39, GROWERS)),
        Row("Fraxinus ornus", "2026-09-01", "2026-11-30", "2027-04-07", "2027-12-01",
            "moist and warm at 20 °C for 4 weeks, then "
            "moist and cold at 4 °C for 30 weeks", 12, "dark", "dry and cool",
            Published("pretreatment_weeks", 34, 34, GROWERS)),
        Row("Pinus halepensis", "2027-12-02", "2028-02-02", "", "2028-03-01",
            "none needed", 6, "either", "dry and airtight"),
        Row("Quercus pubescens", "2027-09-01", "2027-10-04", "", "2027-11-01",
            "none needed", 30, "dark", "moist and cool"),
        Row("Quercus suber", "2027-10-01", "2027-11-23", "", "2027-12-21",
            "none needed", 35, "dark", "moist and cool",
            Published("seeds_per_gram", 0.285, 0.295, KEW)),
        Row("Salvia rosmarinus", "2027-06-01", "2027-08-31", "", "2028-02-01",
            "none needed", 2, "light", "dry and cool"),
        Row("Spartium junceum", "2027-07-01", "2027-09-30", "", "2028-03-01",
            HOT, 5, "either", "dry and airtight"),
        Row("Tamarix gallica", "2027-06-01", "2027-09-30", "", "2027-10-07",
            "none needed", 0, "light", "sow fresh"),
    ),
    "temperate-oceanic-north": (
        Row("Alnus glutinosa", "2027-10-01", "2027-12-31", "2028-03-18", "2028-04-15",
            "moist and cold at 4 °C for 4 weeks", 1, "light", "dry and airtight",
            Published("germination", 0.32, 0.52, SYLVAN)),
        Row("Betula pubescens", "2027-08-01", "2027-10-31", "2028-03-18", "2028-04-15",
            "moist and cold at 4 °C for 4 weeks", 0, "light", "dry and airtight",
            Published("germination", 0.2, 0.9, SYLVAN)),
        Row("Corylus avellana", "2027-09-01", "2027-10-31", "2028-01-22", "2028-04-15",
            "moist and cold at 5 °C for 12 weeks", 30, "dark", "moist and cool",
            Published("germination", 0.65, 0.95, SYLVAN)),
        Row("Frangula alnus", "2027-08-01", "2027-10-31", "2028-01-22", "2028-04-15",
            "moist and cold at 4 °C for 12 weeks", 6, "dark", "dry and cool"),
        Row("Populus tremula", "2028-05-01", "2028-06-08", "", "2028-06-15",
            "none needed", 0, "light", "sow fresh",
            Published("germination", 0.7, 1.0, SYLVAN)),
        Row("Salix alba", "2028-05-01", "2028-06-08", "", "2028-06-15",
            "none needed", 0, "light", "sow fresh",
            Published("germination", 0.8, 1.0, SYLVAN)),
        Row("Salix aurita", "2028-05-01", "2028-06-08", "", "2028-06-15",
            "none needed", 0, "light", "sow fresh"),
        Row("Sambucus nigra", "2027-08-01", "2027-10-02", "2027-10-30", "2028-04-15",
            "moist and warm at 20 °C for 10 weeks, then "
            "moist and cold at 4 °C for 14 weeks", 4, "either", "dry and cool"),
        Row("Tilia cordata", "2025-09-01", "2025-11-30", "2026-09-03", "2027-04-15",
            "moist and warm at 20 °C for 16 weeks, then "
            "moist and cold at 4 °C for 16 weeks", 15, "dark", "dry and cool",
            Published("seeds_per_gram", 29.4, 29.5, KEW)),
        Row("Tilia platyphyllos", "2025-09-01", "2025-11-30", "2026-09-03", "2027-04-15",
            "moist and warm at 20 °C for 16 weeks, then "
            "moist and cold at 4 °C for 16 weeks", 18, "dark", "dry and cool",
            Published("seeds_per_gram", 10.5, 10.6, KEW)),
    ),
}
# fmt: on
LISTS = {one.name: one for one in starting_lists()}
ALL = [(name, row) for name, rows in TEN.items() for row in rows]


def facts_of(name):
    return read_species(LISTS[name].path).facts.to_dict("records")


FACTS = {name: {row["botanical_name"]: row for row in facts_of(name)} for name in LISTS}
NOBODY = gpd.GeoDataFrame({"name": [], "fruiting_months": []}, geometry=[])


def batch_of(name, species, plants=100):
    mean_c, plant = STATIONS[name]
    row = FACTS[name][species]
    planting = Planting(plants, 2028, False, plant, plant + timedelta(weeks=8))
    (batch,) = batches_of(row, row["code"], planting, NOBODY, RULES, mean_c)
    return batch


@pytest.mark.parametrize("name", TEN)
def test_the_ten_are_drawn_not_chosen(name):
    drawn = random.Random(46).sample(list(FACTS[name]), 10)
    assert [row.species for row in TEN[name]] == sorted(drawn)


@pytest.mark.parametrize(("name", "row"), ALL, ids=[f"{n} {r.species}" for n, r in ALL])
def test_a_keeper_can_follow_the_batch(name, row):
    batch = batch_of(name, row.species)
    days, sown = batch.dates, sowing(batch)
    assert (str(days.collect_from), str(days.collect_to)) == (row.collect_from, row.collect_to)
    assert str(days.pretreat or "") == row.pretreat
    assert str(days.sow) == row.sow
    assert f"pre-treatment: {row.treatment};" in sown
    assert ("on the surface" if row.depth == 0 else f"cover {row.depth:g} mm deep") in sown
    assert ("needs light" in sown) == (row.light == "light")
    kept = "does not keep" if row.storage == "sow fresh" else f"store {row.storage}"
    assert kept in collecting(batch, RULES)
    if row.published:
        fact, low, high, _ = row.published
        assert low <= FACTS[name][row.species][fact] <= high


EVERY = [(name, species) for name, facts in FACTS.items() for species in facts]
HARD = ("Acacia", "Medicago", "Spartium", "Ulex", "Cercis", "Ceratonia")


@pytest.mark.parametrize("name", TEN)
def test_no_batch_of_a_list_loses_a_tray_to_its_plan(name):
    """What the trade knows kills seed, over all species of a list (common practice, no source)."""
    mean_c, _ = STATIONS[name]
    for species, facts in FACTS[name].items():
        batch = batch_of(name, species)
        days, sown, kept = batch.dates, sowing(batch), facts["storage_years"]
        begun = days.pretreat or days.sow
        assert begun - days.collect_to <= timedelta(days=max(28, 365.25 * kept + 1)), species
        assert not batch.seed_stored_too_long, species
        if facts["storage"] == "sow fresh":
            assert begun - days.collect_to == timedelta(weeks=1), species
        else:
            cold = min(mean_c[day.month - 1] for day in (days.sow, days.show))
            assert cold >= RULES.sow_from_c, species
        assert days.collect_to.month in facts["fruiting_months"], species
        if species.startswith(HARD):
            assert facts["pretreatment_c"] >= 85 and "water" in facts["pretreatment"], species
        if facts["light"] == "light":
            assert facts["sowing_depth_mm"] <= 2, species
        if facts["seeds_per_gram"] >= 5000:
            assert facts["sowing_depth_mm"] == 0, species
        unknown = not facts["pretreatment"]
        assert ("pre-treatment: not known: ask" in sown) == unknown, species
        if facts["germination"] != facts["germination"]:
            assert "germination not known: ask" in sown, species
