"""Mutated files: each reader gives a result or an InputError, never another exception."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bad_inputs.readers import Readers, mutated

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
         "counts", "dig")  # fmt: skip


@pytest.fixture(scope="module")
def readers():
    return Readers()


def test_the_good_files_are_read(readers):
    assert tuple(readers.calls) == NAMES
    assert all(readers.read(name, readers.good[name]) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
@settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(edits=EDITS)
def test_a_mutated_file_is_read_or_refused(readers, name, edits):
    readers.read(name, mutated(readers.good[name], edits))
