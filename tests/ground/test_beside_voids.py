"""Ground carried on beyond voids and edges, against the stated rule taken cell by cell."""

import numpy as np
import pytest
from examples import examples
from ground.surfaces import grid_of
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.ground.relief._windows import horn
from siteplanner.ground.relief.beside_voids import carried_on, over_windows
from siteplanner.ground.relief.terrain import curvature, slope_and_aspect

# A user would see it, and not know what to do about it.
pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


def by_the_rule(dem, row, col, down, right):
    """Rise from a cell to one neighbour: known, else carried on along each way in turn."""

    def rise(r, c):
        inside = 0 <= r < dem.shape[0] and 0 <= c < dem.shape[1]
        return dem[r, c] - dem[row, col] if inside else np.float32(np.nan)

    ways = [rise(row + down, col + right)]
    if down and right:
        ways += [
            2 * rise(row, col + right) - rise(row - down, col + right),
            2 * rise(row + down, col) - rise(row + down, col - right),
        ]
    ways += [-rise(row - down, col - right), np.float32(0)]
    return next(way for way in ways if not np.isnan(way))


@settings(max_examples=examples(60))
@given(
    seed=st.integers(0, 10_000),
    shape=st.tuples(st.integers(1, 6), st.integers(1, 6)),
    missing=st.floats(0, 0.8),
)
def test_each_neighbour_is_carried_on_by_the_first_way_that_is_known(seed, shape, missing):
    rng = np.random.default_rng(seed)
    dem = rng.uniform(0, 50, shape).astype(np.float32)
    dem[rng.random(shape) < missing] = np.nan
    rows, cols = np.nonzero(~np.isnan(dem))
    rises = carried_on(dem, rows, cols)
    for n, (row, col) in enumerate(zip(rows, cols, strict=True)):
        for down in (-1, 0, 1):
            for right in (-1, 0, 1):
                expected = by_the_rule(dem, row, col, down, right)
                assert rises[down + 1, right + 1, n] == expected, (row, col, down, right)


@settings(max_examples=examples(40))
@given(
    seed=st.integers(0, 10_000),
    shape=st.tuples(st.integers(1, 9), st.integers(1, 9)),
    voids=st.integers(0, 12),
)
def test_every_known_cell_has_the_slope_of_its_window_carried_on(seed, shape, voids):
    rng = np.random.default_rng(seed)
    dem = rng.uniform(0, 20, shape).astype(np.float32)
    dem[rng.integers(0, shape[0], voids), rng.integers(0, shape[1], voids)] = np.nan
    grid = grid_of(shape, cell=5.0)
    slope, _ = slope_and_aspect(dem, grid)
    known = ~np.isnan(dem)
    assert np.array_equal(~np.isnan(slope), known)
    assert np.array_equal(~np.isnan(curvature(dem, grid)[0]), known)
    weights = np.array([1, 2, 1])
    window = carried_on(dem, *np.nonzero(known)).astype(float)
    east = (weights[:, None] * (window[:, 2] - window[:, 0])).sum(axis=0) / 40
    south = (weights[:, None] * (window[2] - window[0])).sum(axis=0) / 40
    expected = np.degrees(np.arctan(np.hypot(east, south)))
    assert np.allclose(slope[known], expected, atol=1e-4)


def test_a_window_cut_by_the_edge_of_a_tile_is_that_of_the_whole_grid():
    dem = np.random.default_rng(3).uniform(0, 30, (40, 50)).astype(np.float32)
    dem[10, 7] = np.nan
    settings_ = np.float32(1 / 16), np.float32(0)
    whole = over_windows(horn, dem, *settings_)
    tile = over_windows(horn, np.ascontiguousarray(dem[5:30, :20]), *settings_)
    for one, other in zip(whole, tile, strict=True):
        assert np.array_equal(one[6:29, :19], other[1:-1, :-1], equal_nan=True)
