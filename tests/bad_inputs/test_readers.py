"""Spoilt files: each reader gives a result or an InputError, never another exception."""

from random import Random

import pytest

from bad_inputs.good_site import SPECIES
from bad_inputs.readers import ALIVE, PLANTED, Readers
from siteplanner.after.survival_counts import read_counts
from siteplanner.base.errors import InputError

#: Readers that read a whole site, or a whole plan, are slow: the others are tried by default.
WHOLE = ("whole site, shapes", "whole site, tables", "whole site, settings", "manifest", "plan")


@pytest.fixture(scope="module")
def readers():
    return Readers()


def test_the_good_files_are_read(readers):
    good = [(name, file) for name, reader in readers.all.items() for file in reader.files]
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
