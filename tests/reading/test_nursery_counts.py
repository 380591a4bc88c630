"""What people wrote down: stock and counts, read and refused."""

import pandas as pd
import pytest
from conftest import SITE
from season.nursery_plan import with_its_nursery

from siteplanner.base.errors import InputError
from siteplanner.handover.tables.write_nursery import write_nursery
from siteplanner.reading.inputs import read_inputs
from siteplanner.reading.nursery_counts import read_hand, read_stock
from siteplanner.site.site_file import load_site

SPECIES = ("Eucalyptus ovata", "=Acacia")


@pytest.fixture
def site(tmp_path):
    """The sample's site file in a folder of its own, naming a stock and a counts file."""
    text = SITE.read_text(encoding="utf-8")
    text = text.replace("[nursery]", '[nursery]\nstock = "stock.csv"\ncounts = "counts.csv"')
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    (tmp_path / "stock.csv").write_text("species,plants\n", encoding="utf-8")
    (tmp_path / "counts.csv").write_text("batch,stage,count\n", encoding="utf-8")
    return load_site(tmp_path)


def test_stock_adds_up_and_our_own_apostrophe_is_taken_off(site):
    (site.folder / "stock.csv").write_text(
        "Species,Plants\nEucalyptus ovata,20\n Eucalyptus ovata , 5\n'=Acacia,3\n,\n",
        encoding="utf-8",
    )
    assert read_hand(site, SPECIES).stock == {"Eucalyptus ovata": 25, "=Acacia": 3}


def test_stock_may_name_the_batch_it_was_raised_in(site):
    path = site.folder / "stock.csv"
    path.write_text(
        "species,plants,batch\nEucalyptus ovata,20,\nEucalyptus ovata,5,EUCOVA-1\n",
        encoding="utf-8",
    )
    hand = read_hand(site, SPECIES)
    assert hand.stock == {"Eucalyptus ovata": 20}
    assert hand.of_batches.to_numpy().tolist() == [["EUCOVA-1", "Eucalyptus ovata", 5]]
    assert read_stock(path, SPECIES) == {"Eucalyptus ovata": 25}


def test_the_form_filled_in_reads_back(site):
    plan = with_its_nursery()
    write_nursery(plan, site.folder)
    form = pd.read_csv(site.folder / "nursery_counts.csv")
    assert len(form) == 3 * len(plan.nursery.batches)
    form = form.astype({"count": object, "date": object})
    form.loc[:1, "count"] = [120, 100]
    form.loc[:1, "date"] = "2028-01-05"
    form.to_csv(site.folder / "counts.csv", index=False)
    hand = read_hand(site, SPECIES)
    assert hand.counts[["stage", "count"]].to_numpy().tolist() == [
        ["germinated", 120],
        ["pricked out", 100],
    ]
    counted = with_its_nursery(hand=hand).nursery.batches[0]
    assert (counted.stage, counted.counted) == ("pricked out", 100)


def test_counts_of_a_batch_that_has_changed_are_refused(site):
    (site.folder / "counts.csv").write_text(
        "batch,species,place,stage,count\nEUCROD-A1-1,Acacia melanoxylon,old tree 1,germinated,5\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="this batch is now of 'Eucalyptus rodwayi'"):
        with_its_nursery(hand=read_hand(site, SPECIES))


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("stock.csv", "species,plants\nEucalyptus ovatta,3\n", "did you mean 'Eucalyptus ovata'"),
        ("stock.csv", "species,plants\nEucalyptus ovata,-3\n", "not a number of plants"),
        ("stock.csv", "species\nEucalyptus ovata\n", "plants: this column is missing"),
        ("counts.csv", "batch,stage,count\nX,sown,3\n", "'sown' is not a stage"),
        ("counts.csv", "batch,stage,count\nX,pricked-out,3.5\n", "'3.5' is not a count"),
        ("counts.csv", "batch,stage,count,date\nX,plantable,3,soon\n", "'soon' is not a date"),
    ],
)
def test_errors_are_named(site, file, text, said):
    (site.folder / file).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_hand(site, SPECIES)


def test_errors_of_both_files_come_together(site):
    (site.folder / "stock.csv").unlink()
    (site.folder / "counts.csv").write_text("", encoding="utf-8")
    with pytest.raises(InputError) as found:
        read_hand(site, SPECIES)
    assert len(found.value.errors) == 2


def test_saved_rates_counts_only_where_the_site_file_names_it(tmp_path):
    text = SITE.read_text(encoding="utf-8")
    for name in (
        "dem.tif",
        "property.gpkg",
        "soils.gpkg",
        "frost.gpkg",
        "no_plant.gpkg",
        "seed_sources.gpkg",
        "climate.csv",
        "winter_minima.csv",
        "species.csv",
    ):
        text = text.replace(f'"{name}"', f'"{(SITE.parent / name).as_posix()}"')
    (tmp_path / "expected_survival.csv").write_text(
        "species,expected_survival\nEucalyptus ovata,0.42\n", encoding="utf-8"
    )
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    plain = read_inputs(load_site(path))
    path.write_text(
        text.replace("[species]", '[species]\nsurvival = "expected_survival.csv"'), encoding="utf-8"
    )
    kept = read_inputs(load_site(path))
    share = kept.species.facts.set_index("botanical_name")["expected_survival"]
    before = plain.species.facts.set_index("botanical_name")["expected_survival"]
    assert share["Eucalyptus ovata"] == 0.42 != before["Eucalyptus ovata"]
    assert share.drop("Eucalyptus ovata").equals(before.drop("Eucalyptus ovata"))
    assert any("comes from counts" in note for note in kept.notes)
    assert "expected_survival.csv" in kept.hashes
