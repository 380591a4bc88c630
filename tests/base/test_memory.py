"""Results kept by content: the same as fresh ones, found again by equal arguments alone."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import wraps

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from siteplanner.base.results.memory import Memory, afresh, digest_of

CALLS: list[str] = []


@pytest.fixture(autouse=True)
def no_calls():
    CALLS.clear()


@dataclass(frozen=True)
class Pair:
    left: np.ndarray
    right: pd.DataFrame


def doubled(values, by=2.0):
    CALLS.append("doubled")
    return values * by


def paired(values, frame):
    CALLS.append("paired")
    return Pair(values + 1, frame.assign(more=1))


def of_pair(pair):
    CALLS.append("of_pair")
    return float(pair.left.sum() + len(pair.right))


def given_back(values, step):
    CALLS.append("given_back")
    step("said")
    return values


LEAF = st.none() | st.booleans() | st.integers(0, 2) | st.sampled_from([0.0, -0.0, 1.0, "", "1"])
PLAIN = LEAF | st.lists(LEAF, max_size=3) | st.dictionaries(st.sampled_from("ab"), LEAF)
ARRAY = arrays(np.float64, st.integers(0, 2), elements=st.sampled_from([0.0, -0.0, 1.0]))


def as_it_came(value):
    CALLS.append("as_it_came")
    return [value]


@settings(max_examples=examples(400), deadline=None)
@given(PLAIN, PLAIN, ARRAY, ARRAY)
def test_only_equal_arguments_give_what_was_kept(one, other, here, there):
    memory = Memory()
    for value, array in ((one, here), (other, there), (one, here.copy())):
        assert digest_of(memory(as_it_came, (value, array))) == digest_of([(value, array)])
    alike = repr((one, here)) == repr((other, there))
    CALLS.clear()
    memory(as_it_came, (one, here))
    assert CALLS == []
    assert (digest_of((one, here)) == digest_of((other, there))) == alike


def test_an_equal_array_and_table_are_the_same_and_another_is_not():
    memory = Memory()
    frame = gpd.GeoDataFrame({"a": ["x", "y"]}, geometry=[shapely.Point(0, 1)] * 2, crs=32756)
    for _ in range(2):
        assert memory(paired, np.arange(3.0), frame.copy()).left.tolist() == [1, 2, 3]
    memory(paired, np.arange(3.0), frame.assign(a=["x", "z"]))
    memory(paired, np.arange(3.0), frame.to_crs(4326))
    memory(paired, np.arange(3.0).astype(np.float32), frame)
    memory(doubled, np.arange(3.0))
    memory(doubled, np.arange(3.0), by=3.0)
    assert CALLS == ["paired"] * 4 + ["doubled"] * 2


def test_what_a_result_is_made_of_is_known_without_reading_it():
    memory = Memory()
    pair = memory(paired, np.arange(3.0), pd.DataFrame({"a": [1]}))
    assert memory(of_pair, pair) == 7.0
    pair.left[:] = 100  # nobody may: it is not read again
    assert memory(of_pair, pair) == 7.0 and CALLS.count("of_pair") == 1
    assert memory(of_pair, Pair(pair.left.copy(), pair.right)) == 301.0


def test_what_is_given_back_goes_by_its_content_and_steps_are_left_aside():
    said: list[str] = []
    memory = Memory(aside=[said.append, print])
    step = memory._aside[0]
    for _ in range(2):
        values = np.arange(4.0)
        assert memory(doubled, memory(given_back, values, step)).tolist() == [0, 2, 4, 6]
    assert CALLS == ["given_back", "doubled"] and said == ["said"]


def test_what_was_used_longest_ago_goes_first():
    memory = Memory(largest=3 * 80_000)
    many = [np.full(10_000, float(n)) for n in range(3)]
    for values in (*many[:2], many[0], many[2], many[0], many[1]):
        memory(doubled, values)
    assert CALLS == ["doubled"] * 4  # the first was kept all the time, the second had to go


def test_a_function_that_fails_is_called_again():
    memory = Memory()
    for _ in range(2):
        with pytest.raises(TypeError):
            memory(doubled, None)
    assert CALLS == ["doubled"] * 2


def test_a_guarded_function_of_another_package_counts_by_its_name():
    @wraps(doubled)
    def guarded(values):
        return doubled(values)

    memory = Memory()
    assert memory(guarded, np.ones(2)).tolist() == [2, 2]
    assert memory(guarded, np.ones(2)).tolist() == [2, 2] and CALLS == ["doubled"]


def test_without_a_memory_every_call_is_made():
    assert [afresh(doubled, 2, by=3), afresh(doubled, 2, by=3)] == [6, 6]
    assert CALLS == ["doubled"] * 2


def test_threads_that_ask_for_the_same_get_the_same_object():
    call, values = Memory(), np.arange(3.0)
    with ThreadPoolExecutor(4) as pool:
        got = [pool.submit(call, doubled, values.copy(), by=float(n % 2)) for n in range(40)]
        got = [one.result() for one in got]
    assert {id(one) for one in got} == {id(call(doubled, values, by=n)) for n in (0.0, 1.0)}
