"""Spoilt files: each reader gives a result or an InputError, never another exception."""

from random import Random

import pytest

from bad_inputs.good_site import SPECIES
from bad_inputs.readers import ALIVE, PLANTED, Readers
from siteplanner.after.damage import read_damage
from siteplanner.after.survival_counts import read_counts
from siteplanner.after.ticked import read_ticks
from siteplanner.base.errors import InputError
from siteplanner.catchment.stock import read_seed
from siteplanner.reading.nursery_counts import read_stock
from siteplanner.reading.species.survival_rates import read_rates

#: Readers that read a whole site, or a whole plan, are slow: the others are tried by default.
WHOLE = ("whole site, shapes", "whole site, tables", "whole site, settings", "manifest", "plan")


@pytest.fixture(scope="module")
def readers():
    return Readers()


def test_the_good_files_are_read(readers):
    good = [
        (name, file)
        for name, reader in readers.all.items()
        # A whole site is the same one whichever of its files is put back as it was.
        for file in (reader.files[:1] if name in WHOLE else reader.files)
    ]
    assert [pair for pair in good if not readers.read(*pair, readers.good[pair[1]])] == []


def tried(readers, name, seed, runs):
    """Whether each of so many spoilt files was taken; raises what escapes a reader."""
    taken = []
    for number in range(runs):
        file, data = readers.spoilt(name, Random(f"{seed} {name} {number}"))
        try:
            taken.append(readers.read(name, file, data))
        except BaseException as error:
            kept = readers.folder / "failed"
            kept.write_bytes(data)
            error.add_note(f"{name}, {file}: seed {seed!r}, run {number}, kept as {kept}")
            raise
    return taken


def test_a_spoilt_file_is_read_or_refused(readers):
    taken = [one for name in readers.all if name not in WHOLE
             for one in tried(readers, name, "quick", 4)]  # fmt: skip
    assert 10 < sum(taken) < len(taken) - 10  # some still good, some not: both are tried


@pytest.mark.long
def test_so_are_ten_thousand(readers):
    runs = {name: reader.share for name, reader in readers.all.items()}
    assert sum(runs.values()) >= 10_000
    taken = {name: sum(tried(readers, name, "long", number)) for name, number in runs.items()}
    assert [name for name in runs if not taken[name] < runs[name]] == []


def test_commas_and_dashes_in_counts_are_read_as_what_they_are(readers):
    path = readers.folder / "counted.csv"
    text = ALIVE.replace(",15,2,1,", ',"15,0",-,1,') + f"A1,1,{SPECIES[0]},20,-,,,2029-05-04\n"
    path.write_text(text, encoding="utf-8")
    [counted] = read_counts([path], PLANTED, notes := []).to_dict("records")
    assert (counted["alive"], counted["frost"], counted["drought"]) == (15, 0, 1)
    assert notes == [
        "counted.csv: the comma is read as the decimal point in row 2, alive: 15,0.",
        "counted.csv: a lone dash is read as not known in row 3, alive; row 2, frost.",
    ]


def damaged(path, notes):
    found, said = read_damage([path], PLANTED, SPECIES)
    notes += said
    return int(found["dead"].sum())


@pytest.mark.parametrize(
    ("file", "old", "new", "place", "read", "value"),
    [
        ("damage.csv", "frost,5,", 'frost,"5,0",', "row 2, dead: 5,0", damaged, 5),
        ("planted.csv", ",18,", ',"18,0",', "row 2, trees: 18,0",
         lambda path, notes: read_ticks([path], PLANTED, notes)["trees"].item(), 18),
        ("stock.csv", ",40,", ',"40,0",', "row 2, plants: 40,0",
         lambda path, notes: read_stock(path, SPECIES, notes)[SPECIES[0]], 40),
        ("rates.csv", ",wet,0.7", ',wet,"0,7"', "row 2, expected_survival: 0,7",
         lambda path, notes: read_rates(path, SPECIES, notes)[SPECIES[0], "wet"], 0.7),
        ("seed.csv", ",12.5", ',"12,5"', "row 2, grams: 12,5",
         lambda path, notes: read_seed(path, notes)[SPECIES[0]], 12_500),
    ],
    ids=["damage", "ticks", "stock", "rates", "seed"],
)  # fmt: skip
def test_a_decimal_comma_is_read_and_told(readers, file, old, new, place, read, value):
    text = (readers.folder / file).read_text("utf-8")
    assert text.count(old) == 1
    path = readers.folder / f"comma_{file}"
    path.write_text(text.replace(old, new), encoding="utf-8")
    assert read(path, notes := []) == value
    assert f"{path.name}: the comma is read as the decimal point in {place}." in notes


@pytest.mark.parametrize(
    ("old", "new", "place", "what", "remedy"),
    [
        ("15,2,1", "25,2,1", "alive", "25 alive of 20 planted", "correct one of the two numbers"),
        ("15,2,1", "15,9,1", "", "10 trees have a cause of death, but 5", "one cause for each"),
        ("15,2,1", "nan,2,1", "alive", "'nan' is not a number of trees", "write a whole number"),
        (
            "15,2,1",
            '"15,5",2,1',
            "alive",
            "'15.5' is not a number of trees",
            "write a whole number",
        ),
        ("2029-03-04", "04/03/2029", "date", "'04/03/2029' is not a date", "year-month-day"),
        ("A1,1,", "B9,1,", "block B9", "no such block", "choose from"),
        ("rodwayi", "rodway", "block A1", "no such trees", "did you mean"),
        (",15,2,1,", ",,2,1,", "alive", "nothing was counted", "enter how many"),
        ("block,", "block;", "row 2", "cells", "double quotes"),
    ],
)
def test_a_wrong_survival_count(readers, old, new, place, what, remedy):
    path = readers.folder / "counted.csv"
    assert old in ALIVE
    path.write_text(ALIVE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_counts([path], PLANTED)
    said = str(caught.value.errors[0])
    head, _, rest = said.removeprefix(str(path)).partition(": ")
    assert said.startswith(str(path)) and place in head and what in rest and remedy in rest
