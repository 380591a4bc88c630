"""Mutated files: each reader gives a result or an InputError, never another exception."""

import pytest
from examples import examples
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bad_inputs.readers import ALIVE, PLANTED, Readers, mutated
from siteplanner.after.survival_counts import read_counts
from siteplanner.base.errors import InputError

WORDS = st.sampled_from(
    [
        b"",
        b"nan",
        b"inf",
        b"-1e999",
        b"1e308",
        b"\x00",
        b'"',
        b",",
        b";",
        b"\n",
        b"\xff",
        b"'",
        b"#",
    ]
)
EDITS = st.lists(
    st.tuples(st.integers(0, 200_000), st.integers(0, 40), WORDS | st.binary(max_size=8)),
    min_size=1,
    max_size=4,
)
NAMES = ("settings", "dem", "geopackage", "geojson", "kml", "kmz", "climate", "daily", "species",
         "counts", "survival", "damage", "dig")  # fmt: skip


@pytest.fixture(scope="module")
def readers():
    return Readers()


def test_the_good_files_are_read(readers):
    assert tuple(readers.calls) == NAMES
    assert all(readers.read(name, readers.good[name]) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
@settings(
    max_examples=examples(15),
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(edits=EDITS)
def test_a_mutated_file_is_read_or_refused(readers, name, edits):
    readers.read(name, mutated(readers.good[name], edits))


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
            "'15,5' is not a number of trees",
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
