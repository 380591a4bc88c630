"""Units that data come in; sizes by the international yard and pound agreement (1959)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.units import area_number, area_words, converter, hectares, metres_in


@pytest.mark.parametrize(
    ("unit", "metres"),
    [("m", 1), ("metres", 1), ("cm", 0.01), ("ft", 0.3048), ("feet", 0.3048), ("in", 0.0254),
     ("us-ft", 0.304800609601), ("us survey foot", 0.304800609601), ("km", 1000)],
)  # fmt: skip
def test_lengths_in_metres(unit, metres):
    assert metres_in(unit) == pytest.approx(metres, rel=1e-11)


@pytest.mark.parametrize("unit", ["", "kg", "m/s", "°F", "furlong"])
def test_what_is_no_length_is_not_taken_for_one(unit):
    assert math.isnan(metres_in(unit)) and metres_in(unit, 1.0) == 1.0


@given(st.sampled_from(["m", "cm", "mm", "in", "ft", "us-ft", "km"]), st.floats(-1e6, 1e6))
def test_a_length_turned_there_and_back_is_the_same(unit, value):
    there, back = converter("m", unit), converter(unit, "m")
    assert there and back
    assert back(there(np.float64(value))) == pytest.approx(value, rel=1e-12, abs=1e-12)
    assert there(metres_in(unit)) == pytest.approx(1)


def test_hectares_of_numbers_and_arrays():
    assert hectares(12_345.0) == 1.2345
    assert hectares(np.array([0.0, 5_000.0])).tolist() == [0.0, 0.5]


@given(st.floats(1e-6, 1e5))
def test_no_area_is_said_as_nothing(ha):
    number, unit = area_words(ha, 1).replace(",", "").split(" ")
    assert float(number) > 0
    assert unit == ("m²" if ha < 0.01 else "ha")
    # Under a heading that names hectares a small area still has its unit.
    assert area_number(ha).endswith(" m²") == (ha < 0.01)
