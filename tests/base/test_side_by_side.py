"""Side by side: as one after the other, and what goes wrong is not lost."""

import time

import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.base.side_by_side import side_by_side


@settings(max_examples=examples(40), deadline=None)
@given(st.lists(st.tuples(st.integers(), st.integers(0, 3)), max_size=8), st.booleans())
def test_what_comes_is_in_the_order_of_the_things(things, sized):
    def work(thing):
        time.sleep(thing[1] / 2000)  # the later may be ready first
        return thing[0] + 1

    sizes = [size for _, size in things] if sized else ()
    assert side_by_side(work, iter(things), sizes) == [number + 1 for number, _ in things]


def test_what_is_wrong_with_one_is_raised():
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda number: 1 / number, [1, 0, 2])
