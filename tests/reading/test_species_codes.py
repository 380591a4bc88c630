"""One code a species: short, different, and steady when the table grows."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.reading.species.codes import species_codes

NAMES = st.lists(st.text(max_size=30) | st.text("Aab x×é", max_size=12), max_size=40)


@given(NAMES)
def test_codes_are_short_plain_and_all_different(names):
    codes = species_codes(names)
    assert len(codes) == len(names) == len(set(codes))
    assert all(c.isascii() and c.isalnum() and c.isupper() and len(c) <= 6 for c in codes)


@given(NAMES, NAMES)
def test_species_added_at_the_end_leave_the_others_codes(names, more):
    assert species_codes([*names, *more])[: len(names)] == species_codes(names)


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("Eucalyptus rodwayi", "EUCROD"),
        ("Wétheria × knölliana", "WETKNO"),
        ("Wetheria x knoelliana subsp. alba", "WETKNO"),
        ("Io ilia", "IOILI"),
        ("×", "SPP"),
    ],
)
def test_a_code_is_the_start_of_genus_and_species(name, code):
    assert species_codes([name]) == [code]


def test_alike_names_are_numbered_within_six_places():
    names = [f"Acacia mel{n}" for n in "abcdefghijk"]
    assert species_codes(names) == ["ACAMEL", *(f"ACAME{n}" for n in range(2, 10)), "ACAM10",
                                    "ACAM11"]  # fmt: skip
