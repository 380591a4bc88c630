"""The model of the coldest night: its priors, its posterior, its units, and places over winters."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from ground.surfaces import grid_of
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.linalg import block_diag
from scipy.stats import t as student

from siteplanner.ground.cold import minimum as model
from siteplanner.ground.cold.minimum import PREDICTORS, fit_minimum, same_place

NAMES = [kind.name for kind in PREDICTORS]
STATION = 300.0


def ground(n, seed=0, side=2000.0):
    """Predictors (one array a kind) and places (n, 2) of made ground."""
    rng = np.random.default_rng(seed)
    at = {
        "height": rng.uniform(250, 350, n),
        "cold_air_pooling": rng.uniform(0, 1, n),
        "height_above_cold_air": rng.uniform(0, 50, n),
        "slope": rng.uniform(0, 30, n),
        "multi_scale_concavity": rng.normal(0, 0.05, n),
        "facing_pole": rng.uniform(-0.5, 0.5, n),
    }
    return [at[name] for name in NAMES], rng.uniform(0, side, (n, 2))


def level(n):
    """Predictors of ground like the station's."""
    return [
        np.full(n, STATION if np.isnan(kind.reference) else kind.reference) for kind in PREDICTORS
    ]


def fitted(n, seed=0, winters=None, error=0.5):
    """Fit n made readings that hang on pooling and height, with an error."""
    at, places = ground(n, seed)
    rng = np.random.default_rng(seed + 1000)
    y = -5 * (at[1] - 0.2) + 0.01 * (at[0] - STATION) + error * rng.standard_normal(n)
    return fit_minimum(y, at, places, winters, station_m=STATION), y, at, places


def by_joint_normal(y, at, places, new_at, new_places):
    """Mean and t-scale of the new places by the joint covariance, written out whole."""
    both = [np.concatenate(pair) for pair in zip(at, new_at, strict=True)]
    xy = np.concatenate([places, new_places])
    x = model.shaped_predictors(both, STATION).T.astype(float)
    count = len(y)
    columns = np.column_stack([np.ones(len(x)), x])
    prior = np.diag([model.STATION_C, *(kind.spread for kind in PREDICTORS)]) ** 2
    mean = columns @ np.array([0.0, *(kind.mean for kind in PREDICTORS)])
    near = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    field = (
        sum(
            (1 + np.sqrt(3) * near / length) * np.exp(-np.sqrt(3) * near / length)
            for length in model.LENGTHS_M
        )
        * model.FIELD_C**2
        / len(model.LENGTHS_M)
    )
    one_winter = model.WINTER_ALL_C**2 * np.ones((count, count))
    own = model.MICROSITE_C**2
    noise = model.WINTER_PLACE_C**2 + model.INSTRUMENT_C**2
    whole = columns @ prior @ columns.T + field + own * np.eye(len(x))
    whole += block_diag(one_winter + noise * np.eye(count), np.zeros((len(new_places),) * 2))
    seen, cross, new = whole[:count, :count], whole[count:, :count], whole[count:, count:]
    solved = np.linalg.solve(seen, np.column_stack([y - mean[:count], cross.T]))
    scale = (4 + (y - mean[:count]) @ solved[:, 0]) / (4 + count)
    found = mean[count:] + cross @ solved[:, 0]
    return found, scale * np.diag(new - cross @ solved[:, 1:]), 4 + count


def test_it_is_the_joint_student_t_conditioned_on_the_readings():
    """Slopes, field and scale fitted as one equal the textbook's conditioning, written out."""
    at, places = ground(9, 3)
    y = np.random.default_rng(4).normal(-2, 2, 9)
    new_at, new_places = ground(5, 5)
    made = fit_minimum(y, at, places, station_m=STATION).at(new_at, new_places)
    found, spread, freedom = by_joint_normal(y, at, places, new_at, new_places)
    np.testing.assert_allclose(made.difference, found, atol=2e-4)
    winter = model.WINTER_ALL_C**2 + model.WINTER_PLACE_C**2
    wide = student.ppf((1 + model.TWO_IN_THREE) / 2, freedom)
    np.testing.assert_allclose(made.error, wide * np.sqrt(spread + winter), rtol=1e-3)


def test_without_readings_the_station_is_moved_by_the_prior():
    none = fit_minimum([], [[]] * len(NAMES), np.zeros((0, 2)), station_m=STATION)
    made = none.at(level(1), np.zeros((1, 2)))
    assert made.difference[0] == 0
    variance = (
        model.STATION_C**2 + model.FIELD_C**2 + model.MICROSITE_C**2
        + model.WINTER_ALL_C**2 + model.WINTER_PLACE_C**2
    )  # fmt: skip
    assert made.error[0] == pytest.approx(
        student.ppf((1 + model.TWO_IN_THREE) / 2, 4) * np.sqrt(variance), rel=0.001
    )
    pool = level(1)
    pool[NAMES.index("cold_air_pooling")][:] = 1.0
    assert none.at(pool, np.zeros((1, 2))).difference[0] == pytest.approx(-4 * 0.8)


@settings(deadline=None, max_examples=40)
@given(lower=st.floats(0, 800), further=st.floats(20, 800))
def test_a_station_farther_below_leaves_more_doubt(lower, further):
    errors = []
    for station in (STATION - lower, STATION - lower - further):
        none = fit_minimum([], [[]] * len(NAMES), np.zeros((0, 2)), station_m=station)
        errors.append(float(none.at(level(1), np.zeros((1, 2))).error[0]))
    assert errors[1] > errors[0]


@settings(deadline=None, max_examples=40)
@given(count=st.integers(1, 30), seed=st.integers(0, 1000))
def test_one_more_reading_never_widens_the_posterior(count, seed):
    """At one scale; the scale itself is learnt and may rise when readings disagree."""
    at, places = ground(count + 1, seed)
    assume(len(set(same_place(places))) == count + 1)  # two readings of one place move it
    y = np.zeros(count + 1)
    new_at, new_places = ground(20, seed + 1)
    before = fit_minimum(y[:-1], [a[:-1] for a in at], places[:-1], station_m=STATION)
    after = fit_minimum(y, at, places, station_m=STATION)
    wide = [np.diag(one.covariance(new_at, new_places)) / one.scale for one in (before, after)]
    assert (wide[1] <= wide[0] + 1e-5).all()


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 1000), away=st.floats(100, 20_000))
def test_error_grows_with_distance_from_the_readings(seed, away):
    fit, _, _, places = fitted(8, seed)
    here = level(2)
    middle = places.mean(axis=0)
    east = places[:, 0].max() + 500
    near, far = fit.at(here, np.array([[east, middle[1]], [east + away, middle[1]]])).error
    assert far >= near - 1e-4


@settings(deadline=None, max_examples=30)
@given(
    seed=st.integers(0, 1000),
    east=st.floats(-5e5, 5e5),
    up=st.floats(-300, 3000),
    turn=st.floats(0, 6.3),
)
def test_where_the_map_begins_and_which_way_it_lies_changes_nothing(seed, east, up, turn):
    at, places = ground(10, seed)
    y = np.random.default_rng(seed).normal(-3, 2, 10)
    new_at, new_places = ground(6, seed + 1)
    moved = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    higher, new_higher = ([a[0] + up, *a[1:]] for a in (at, new_at))
    first = fit_minimum(y, at, places, station_m=STATION).at(new_at, new_places)
    second = fit_minimum(
        y, higher, places @ moved.T + [east, -2 * east], station_m=STATION + up
    ).at(new_higher, new_places @ moved.T + [east, -2 * east])
    np.testing.assert_allclose(first.difference, second.difference, atol=5e-3)
    np.testing.assert_allclose(first.error, second.error, rtol=2e-3)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 1000), colder=st.floats(-3, 3))
def test_order_of_readings_does_not_count(seed, colder):
    fit, y, at, places = fitted(12, seed)
    order = np.random.default_rng(seed).permutation(12)
    again = fit_minimum(y[order], [a[order] for a in at], places[order], station_m=STATION)
    new = ground(5, seed + 7)
    np.testing.assert_allclose(fit.at(*new).difference, again.at(*new).difference, atol=1e-3)
    np.testing.assert_allclose(fit.at(*new).error, again.at(*new).error, rtol=1e-3)


def test_more_readings_find_what_the_ground_does():
    fit, *_ = fitted(200, error=0.3)
    found = dict(zip(NAMES, fit.slopes[1:], strict=False))
    assert found["cold_air_pooling"] == pytest.approx(-5, abs=0.6)
    assert found["height"] == pytest.approx(0.01, abs=0.004)


def test_cold_may_fall_with_height_or_rise():
    for slope in (-0.006, 0.012):
        at, places = ground(40, 2)
        at[0] = STATION + 5 * (at[0] - STATION)
        fit = fit_minimum(slope * (at[0] - STATION), at, places, station_m=STATION)
        assert fit.slopes[1] == pytest.approx(slope, abs=0.002)


def test_few_readings_that_agree_still_leave_doubt():
    """Five readings on the spot of one line: the error stays wide, far wider than their misfit."""
    at, places = ground(5, 1)
    fit = fit_minimum(np.zeros(5), level(5), places, station_m=STATION)
    assert fit.at(*ground(50, 9)).error.min() > 0.8
    many, *_ = fitted(200, error=0.3)
    assert np.median(many.at(*ground(50, 9)).error) < np.median(fit.at(*ground(50, 9)).error)
    del at


def test_stated_errors_hold_two_in_three_places_of_a_made_world():
    """Worlds drawn from the prior, scale and all: intervals hold what they state."""
    rng = np.random.default_rng(11)
    held, wide, count = [], [], 6
    at, places = ground(count + 40, 21)
    x = np.column_stack([np.ones(count + 40), model.shaped_predictors(at, STATION).T])
    spread = np.array([model.STATION_C, *(kind.spread for kind in PREDICTORS)])
    covariance = (x * spread**2) @ x.T + model.field_covariance(places, places)
    covariance += model.MICROSITE_C**2 * np.eye(count + 40)
    mean = x @ np.array([0.0, *(kind.mean for kind in PREDICTORS)])
    root, one = np.linalg.cholesky(covariance), rng.standard_normal
    own = np.hypot(model.WINTER_PLACE_C, model.INSTRUMENT_C)
    for scale in np.sqrt(4 / rng.chisquare(4, 250)):
        drawn = mean + scale * (root @ one(count + 40))
        read = drawn[:count] + scale * (model.WINTER_ALL_C * one() + own * one(count))
        fit = fit_minimum(read, [a[:count] for a in at], places[:count], station_m=STATION)
        fit = dataclasses.replace(fit, winter_all_c=0.0, winter_place_c=0.0)
        made = fit.at([a[count:] for a in at], places[count:])
        off = np.abs(made.difference - drawn[count:])
        held.append(np.mean(off <= made.error))
        wide.append(np.mean(off <= made.error / fit.quantile() * fit.quantile(0.9)))
    assert np.mean(held) == pytest.approx(0.683, abs=0.04)
    assert np.mean(wide) == pytest.approx(0.90, abs=0.025)


def test_winters_of_one_instrument_are_one_place():
    """Six places in five winters state about the error of six places, not of thirty."""
    at, places = ground(6, 4)
    rng = np.random.default_rng(2)
    bias = rng.normal(0, 1.5, 6)
    five = np.repeat(np.arange(6), 5)
    y = bias[five] + 0.3 * rng.standard_normal(30)
    winters = np.tile(np.arange(2019, 2024), 6)
    jitter = places[five] + rng.uniform(-2, 2, (30, 2))
    often = fit_minimum(y, [a[five] for a in at], jitter, winters, station_m=STATION)
    apart = fit_minimum(y, *_moved(at, places, five), winters, station_m=STATION)
    once = fit_minimum(bias, at, places, station_m=STATION)
    new = ground(30, 8)
    errors = [float(np.median(fit.at(*new).error)) for fit in (often, apart, once)]
    assert len(often.places) == 6 and often.readings == 30
    assert errors[0] == pytest.approx(errors[2], rel=0.15)
    assert errors[1] < 0.9 * errors[0]


def _moved(at, places, which):
    """Each reading on ground of its own, as if every one were another place."""
    rng = np.random.default_rng(5)
    return [a[which] for a in at], places[which] + rng.uniform(-900, 900, (len(which), 2))


def test_what_a_winter_does_is_learnt_where_several_were_read():
    rng = np.random.default_rng(3)
    place, winter = np.repeat(np.arange(8), 12), np.tile(np.arange(12), 8)
    means = rng.normal(0, 2, 8)[place]
    for all_c, place_c in ((0.1, 0.2), (1.5, 1.0)):
        y = means + (all_c * rng.standard_normal(12))[winter]
        y = y + np.hypot(place_c, model.INSTRUMENT_C) * rng.standard_normal(96)
        together, alone = model.winter_deviations(y, place, winter)
        assert together == pytest.approx(all_c, rel=0.45, abs=0.25)
        assert alone == pytest.approx(place_c, rel=0.2, abs=0.15)
    assert model.winter_deviations(y[:5], place[:5] * 0, winter[:5] * 0) == (
        model.WINTER_ALL_C, model.WINTER_PLACE_C,
    )  # fmt: skip
    # Every place in a winter of its own: nothing can be learnt of winters.
    lone = model.winter_deviations(y[:4], np.arange(4), np.arange(4))
    assert lone == pytest.approx((model.WINTER_ALL_C, model.WINTER_PLACE_C))


def test_error_for_other_winters_is_wider_than_for_those_read():
    fit, *_ = fitted(20)
    made = fit.at(*ground(30, 8))
    assert (made.error > made.error_read).all()


def test_grid_and_places_agree_and_unknown_stays_unknown():
    grid = grid_of((90, 110), 7.0)
    fit, *_ = fitted(25)
    west, south, *_ = grid.bounds
    fit = dataclasses.replace(fit, places=fit.places / 2000 * 600 + [west, south])
    rng = np.random.default_rng(6)
    layers = [np.asarray(rng.choice(a, grid.shape), dtype=np.float32) for a in ground(50, 3)[0]]
    layers[2][4, 5] = np.nan
    made = fit.on_grid(layers, grid)
    c, r = np.meshgrid(np.arange(110) + 0.5, np.arange(90) + 0.5)
    x, y = grid.transform * (c.ravel(), r.ravel())
    whole = fit.at([layer.ravel() for layer in layers], np.column_stack([x, y]))
    for field in dataclasses.fields(made):
        got, want = (getattr(one, field.name) for one in (made, whole))
        np.testing.assert_allclose(got.ravel(), want, atol=0.01)
        assert np.isnan(got[4, 5]) and np.isfinite(got).sum() == got.size - 1


def test_parts_add_up_to_the_difference():
    fit, *_ = fitted(15)
    at, places = ground(1, 12)
    parts = fit.parts([float(a[0]) for a in at], tuple(places[0]))
    assert list(parts) == ["station", *NAMES, "nearby"]
    assert sum(parts.values()) == pytest.approx(float(fit.at(at, places).difference[0]), abs=1e-4)
