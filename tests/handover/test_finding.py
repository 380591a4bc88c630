"""Finding a block: drop points near every row, the first peg, arrows, names of rows, north."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from made_plan import made_plan

from siteplanner.handover.block_work import block_works
from siteplanner.handover.book.block_map import arrow_tip
from siteplanner.handover.finding import (
    CARRY_M,
    VEHICLE_DEG,
    declination_in,
    drop_points,
    landmarks,
    nearest_landmark,
)
from siteplanner.planting.rows.layout import row_names


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@settings(max_examples=examples(60), deadline=None)
@given(st.integers(0, 10_000))
def test_no_row_is_far_from_its_drop_where_a_vehicle_can_come(seed):
    random = np.random.default_rng(seed)
    starts = random.uniform(0, 300, (30, 2))
    lines = np.array([shapely.LineString([s, s + random.uniform(-40, 40, 2)]) for s in starts])
    trees, reached = random.integers(1, 40, 30), random.random(30) < 0.7
    drops = drop_points(lines, starts, trees, reached)
    assert sorted(np.concatenate([drop.rows for drop in drops]).tolist()) == list(range(30))
    near = shapely.distance(lines[:, None], shapely.points(starts)) <= CARRY_M
    for drop in drops:
        away = shapely.distance(lines[drop.rows], shapely.Point(starts[drop.at]))
        assert drop.farthest_m == pytest.approx(away.max())
        assert drop.farthest_m <= CARRY_M
        assert drop.vehicle == reached[drop.at]
        if not drop.vehicle:  # some row of the block can be reached no other way
            assert (~(near & reached).any(axis=1)).any()


def test_drops_on_steep_ground_say_that_no_vehicle_comes(plan):
    steep = replace(
        plan, layers=plan.layers | {"slope": plan.layers["slope"] * 0 + VEHICLE_DEG + 1}
    )
    assert not any(drop.vehicle for work in block_works(steep) for drop in work.drops)
    flat = replace(plan, layers=plan.layers | {"slope": plan.layers["slope"] * 0})
    assert all(drop.vehicle for work in block_works(flat) for drop in work.drops)


def test_the_arrow_at_start_stays_in_its_block(plan):
    for work in block_works(plan):
        for scale in (250, 1000, 5000):
            tip = arrow_tip(work, 11 * scale / 1000)
            assert work.shape.buffer(0.01).covers(shapely.LineString([work.ends[0, 0], tip]))
        assert np.hypot(*(arrow_tip(work, 8.0) - work.ends[0, 0])) > 2.0


def test_an_arrow_that_would_leave_the_block_takes_another_way(plan):
    work = block_works(plan)[0]
    peg = work.ends[0, 0]
    # Nothing of the block lies ahead along the row: only behind and beside it.
    turn = np.radians(work.bearing[0])
    way, side = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    corners = [peg + a * way + b * side for a, b in [(0.5, -1), (0.5, 30), (-20, 30), (-20, -1)]]
    tip = arrow_tip(replace(work, shape=shapely.Polygon(corners)), 10.0)
    assert (tip - peg) @ side > 8.0


def test_a_fence_corner_is_said_with_distance_and_bearing(plan):
    marks = landmarks(plan)
    west, south, *_ = plan.paddocks.geometry.iloc[0].bounds
    mark, far, bearing = nearest_landmark(marks, np.array([west + 3.0, south + 4.0]))
    assert "corner" in mark.words
    assert (far, bearing) == (pytest.approx(5.0, abs=0.1), pytest.approx(36.87, abs=1.0))


def test_declination_is_that_of_the_model():
    # WMM2025 test values, NOAA NCEI (2025), "WMM2025 Test Value Table": 2025.0, height 0 km,
    # latitude 80, longitude 0: 1.28 degrees (from memory).
    assert declination_in(0.0, 80.0, 0)[0] == pytest.approx(1.28, abs=0.005)
    assert declination_in(0.0, 80.0, 0)[1] == 2025
    assert declination_in(154.4, -42.0, 2040)[1] == 2029


def test_parts_of_a_broken_row_keep_its_number():
    block = np.zeros(6, dtype=np.int64)
    start = np.array([(0, 0), (0, 4), (40, 4.1), (80, 4), (0, 8), (-50, 12)], dtype=float)
    end = start + np.array([20.0, 0.0])
    named = row_names(block, start, end, np.full(6, 4.0))
    assert named == ["1", "2", "2b", "2c", "3", "4"]
    assert row_names(np.arange(6), start, end, np.full(6, 4.0)) == ["1"] * 6
