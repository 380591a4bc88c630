"""Suitability: the kernel against a plain numpy version, break points, and the unknown."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import (
    CLASSES,
    UNKNOWN_CAP,
    class_of,
    score_factor,
    score_species,
)

# A user would see it, and not know what to do about it.
pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")

INF = np.inf


def numeric(*points, layer="x"):
    return Factor(layer, np.array(points, dtype=float), None)


def score(factors, **values):
    mask = np.ones((1, len(next(iter(values.values())))), dtype=bool)
    layers = {name: np.array([v], dtype=np.float32) for name, v in values.items()}
    return score_species(factors, layers, mask)


@pytest.mark.parametrize(
    ("value", "expected"),
    [(-1, 0), (0, 0), (5, 50), (10, 100), (15, 100), (20, 100), (30, 50), (40, 0), (50, 0)],
)
def test_score_at_and_between_the_four_points(value, expected):
    assert score([numeric((0, 10, 20, 40))], x=[value]).score[0, 0] == expected


def test_beyond_an_inner_point_without_an_outer_one_a_species_lives_but_does_not_thrive():
    assert score([numeric((-INF, 10, INF, INF))], x=[9.9, 10.0]).score[0].tolist() == [50, 100]


def test_a_sharp_limit_kills_at_once():
    assert score([numeric((10, 10, INF, INF))], x=[9.9, 10.0]).score[0].tolist() == [0, 100]


def test_the_lowest_factor_decides_and_is_named():
    got = score(
        [numeric((0, 10, INF, INF)), numeric((0, 20, INF, INF), layer="y")], x=[5, 10], y=[20, 5]
    )
    assert got.score[0].tolist() == [50, 25]
    assert [got.factors[i].layer for i in got.limiting[0]] == ["x", "y"]


def test_of_two_that_kill_the_one_further_past_its_limit_is_named():
    factors = [numeric((0, 10, INF, INF)), numeric((0, 10, INF, INF), layer="y")]
    got = score(factors, x=[-1, -9], y=[-5, -5])
    assert [got.factors[i].layer for i in got.limiting[0]] == ["y", "x"]
    assert got.score[0].tolist() == [0, 0]


def test_of_two_that_limit_alike_the_first_is_named():
    factors = [numeric((0, 10, INF, INF)), numeric((0, 10, INF, INF), layer="y")]
    classes = Factor("k", None, np.array([[50, 100]], dtype=np.float32))
    got = score([*factors, classes], x=[5, 11], y=[5, 5], k=[0, 0])
    assert [got.factors[i].layer for i in got.limiting[0]] == ["x", "y"]


@given(
    classes=hnp.arrays(np.float32, (3, 2, 70), elements=st.sampled_from([0, 50, 100])),
    codes=hnp.arrays(np.float32, (3, 30), elements=st.integers(0, 69) | st.just(np.nan)),
)
def test_many_classes_are_looked_up_in_more_than_one_table(classes, codes):
    factors = [Factor(name, None, table) for name, table in zip("abc", classes, strict=True)]
    got = score(factors, **dict(zip("abc", codes, strict=True)))
    each = np.stack([score_factor(f, v) for f, v in zip(factors, codes, strict=True)])
    lowest = np.nanmin(np.append(each, np.full((1, 2, 30), 100.0), axis=0), axis=0)
    assert (np.minimum(got.score, UNKNOWN_CAP) == np.minimum(lowest, UNKNOWN_CAP)).all()


def test_an_index_that_is_none_is_refused():
    with pytest.raises(ValueError, match="choose from"):
        score_species(
            [numeric((0, 1, 2, 3))],
            {"x": np.ones((1, 1), np.float32)},
            np.ones((1, 1), bool),
            index="mean",
        )


def test_unknown_does_not_lower_the_score_but_withholds_the_top_class():
    factors = [numeric((0, 10, INF, INF)), numeric((0, 10, INF, INF), layer="y")]
    got = score(factors, x=[10, 5, np.nan], y=[np.nan, np.nan, np.nan])
    assert got.score[0].tolist() == [UNKNOWN_CAP, 50, UNKNOWN_CAP]
    assert class_of(UNKNOWN_CAP)[0] == "S2"
    assert got.confidence[0].tolist() == [50, 50, 0]


def test_a_factor_without_limits_for_a_species_is_not_missed():
    got = score([numeric((-INF, -INF, INF, INF))], x=[np.nan])
    assert (got.score[0, 0], got.confidence[0, 0], got.limiting[0, 0]) == (100, 100, 255)


def test_classes_of_the_whole_range():
    assert [class_of(lowest)[0] for _, lowest, _ in CLASSES] == ["S1", "S2", "S3", "N1", "N2"]
    assert [class_of(s)[0] for s in (84, 59, 39, 24)] == ["S2", "S3", "N1", "N2"]
    with pytest.raises(ValueError, match="0 to 100"):
        class_of(-1)


corners = st.lists(st.integers(-50, 50).map(float), min_size=4, max_size=4).map(sorted)


def opened(points, opened_ends):
    """Take limits away from a trapezium: inner and outer on one side together, or outer only."""
    a, b, c, d = points
    return (
        -INF if opened_ends[0] else a,
        -INF if opened_ends[0] and opened_ends[1] else b,
        INF if opened_ends[2] and opened_ends[3] else c,
        INF if opened_ends[2] else d,
    )


@given(
    tables=st.lists(st.tuples(corners, st.tuples(*[st.booleans()] * 4)), min_size=4, max_size=4),
    classes=hnp.arrays(np.float32, (2, 3), elements=st.sampled_from([0, 50, 100])),
    x=hnp.arrays(np.float32, 40, elements=st.integers(-60, 60) | st.just(np.nan)),
    codes=hnp.arrays(np.float32, 40, elements=st.sampled_from([0, 1, 2, np.nan])),
)
def test_the_kernel_equals_plain_numpy(tables, classes, x, codes):
    points = np.array([opened(*one) for one in tables])
    factors = [
        Factor("x", points[:2], None),
        Factor("y", points[2:], None),
        Factor("k", None, classes),
    ]
    got = score(factors, x=x, y=x[::-1], k=codes)
    each = np.stack([score_factor(f, v) for f, v in zip(factors, (x, x[::-1], codes), strict=True)])
    matters = np.array(
        [
            [np.isfinite(p).any() for p in points[:2]],
            [np.isfinite(p).any() for p in points[2:]],
            [(row < 100).any() for row in classes],
        ]
    )
    unknown = np.isnan(each) & matters[:, :, None]
    known = np.where(np.isnan(each) | ~matters[:, :, None], 100, each)
    expected = known.min(axis=0)
    expected = np.where(unknown.any(axis=0), np.minimum(expected, UNKNOWN_CAP), expected)
    assert np.abs(got.score - expected).max() <= 0.5 + 1e-3
    # The factor that is named scores no more than any other.
    named = got.limiting.astype(int)
    of_named = np.take_along_axis(known, np.minimum(named, 2)[None], axis=0)[0]
    assert (np.where(named == 255, 100, of_named) == known.min(axis=0)).all()
    asked = matters.sum(axis=0)[:, None]
    share = np.where(asked, 100 * (asked - unknown.sum(axis=0)) // np.maximum(asked, 1), 100)
    assert (got.confidence == share).all()


def test_a_made_site_with_known_answers_for_ten_species():
    """A slope from a frosty wet flat (west) to a dry rocky warm top (east), four grounds wide."""
    layers = {
        "minimum": [-8, -4, -2, 1],
        "depth": [1.5, 1.0, np.nan, 0.2],
        "drainage": [0, 1, 1, 2],  # poor, fair, free
    }
    tolerances = {  # minimum (dies below, thrives from), depth, drainage scores; the answers
        "hardy anywhere": ((-15, -10), (0.1, 0.2), (100, 100, 100), "S1 S1 S2 S1"),
        "hardy, wet feet": ((-15, -10), (0.1, 0.2), (100, 50, 0), "S1 S3 S3 N2"),
        "hardy, dry feet": ((-15, -10), (0.1, 0.2), (0, 50, 100), "N2 S3 S3 S1"),
        "half hardy": ((-8, -4), (0.1, 0.2), (100, 100, 100), "N2 S1 S2 S1"),
        "half hardy, deep": ((-8, -4), (0.2, 0.8), (100, 100, 100), "N2 S1 S2 N2"),
        "tender": ((-3, 1), (0.1, 0.2), (100, 100, 100), "N2 N2 N1 S1"),
        "tender, deep": ((-3, 1), (0.3, 1.0), (100, 100, 100), "N2 N2 N1 N2"),
        "hardy, deep": ((-15, -10), (0.5, 1.0), (100, 100, 100), "S1 S1 S2 N2"),
        "hardy, very deep": ((-15, -10), (0.5, 1.5), (100, 100, 100), "S1 S3 S2 N2"),
        "asks nothing": ((-INF, -INF), (-INF, -INF), (100, 100, 100), "S1 S1 S1 S1"),
    }
    cold, deep, wet, answers = zip(*tolerances.values(), strict=True)
    factors = [
        numeric(*((*low, INF, INF) for low in cold), layer="minimum"),
        numeric(*((*low, INF, INF) for low in deep), layer="depth"),
        Factor("drainage", None, np.array(wet, dtype=np.float32)),
    ]
    got = score(factors, **layers)
    found = [" ".join(class_of(int(s))[0] for s in row) for row in got.score]
    assert dict(zip(tolerances, found, strict=True)) == dict(zip(tolerances, answers, strict=True))
    named = dict(zip(tolerances, got.limiting, strict=True))
    assert [got.factors[i].layer for i in named["tender, deep"]] == [
        "minimum",
        "minimum",
        "minimum",
        "depth",
    ]
