"""Water's way: known valleys, and pyflwdir on random and real surfaces."""

import numpy as np
import pyflwdir
import pytest
from examples import examples
from ground.surfaces import grid_of, hills, middles, plane
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.ground.relief.terrain import slope_and_aspect
from siteplanner.ground.water._neighbours import DOWN, RIGHT
from siteplanner.ground.water.surface_water import (
    channels,
    flood_flat,
    flow,
    height_above_nearest_drainage,
    hollow_depth,
    riparian_strip,
    specific_contributing_area,
    wetness,
)

# pyflwdir's D8 codes in the order of our directions; 0 is an outlet, 247 unknown.
THEIR_CODES = np.array([1, 2, 4, 8, 16, 32, 64, 128, 0, 247], np.uint8)


def network(direction):
    """Our flow directions as a pyflwdir network."""
    codes = np.where(np.isnan(direction), 9, direction).astype(int)
    return pyflwdir.from_array(THEIR_CODES[codes], ftype="d8")


@pytest.fixture(scope="module")
def jacksboro():
    cbook = pytest.importorskip("matplotlib.cbook", reason="matplotlib carries the real DEM")
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as held:
        return held["elevation"].astype(np.float32)


def their_fill(dem):
    given_to = np.where(np.isnan(dem), np.float32(-9999), dem)
    filled, _ = pyflwdir.dem.fill_depressions(given_to, nodata=-9999.0)
    return np.where(np.isnan(dem), np.nan, filled)


@pytest.mark.long
@settings(max_examples=examples(40))
@given(
    seed=st.integers(0, 9999),
    shape=st.tuples(st.integers(1, 30), st.integers(2, 30)),
    steps=st.sampled_from([0, 1, 5]),
    voids=st.integers(0, 30),
)
def test_fill_equals_pyflwdir_bit_for_bit(seed, shape, steps, voids):
    dem = hills(shape, seed, relief=20, rough=3)
    if steps:  # terraces of whole metres: much level ground
        dem = np.round(dem / steps) * np.float32(steps)
    rng = np.random.default_rng(seed)
    dem[rng.integers(0, shape[0], voids), rng.integers(0, shape[1], voids)] = np.nan
    filled, direction, area = flow(dem, grid_of(shape, 2.0))
    assert filled.tobytes() == their_fill(dem).astype(np.float32).tobytes()
    _holds_together(dem, filled, direction, area)


def drops(filled, direction):
    """Steepest drop to a neighbour, and drop in the chosen direction, by way of slices."""
    rows, cols = filled.shape
    around = np.pad(filled, 1, constant_values=np.nan)
    ways = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))
    falls = np.stack(
        [
            (filled - around[1 + r : 1 + r + rows, 1 + c : 1 + c + cols])
            * np.float32(np.sqrt(0.5) if r and c else 1)
            for r, c in ways
        ]
        + [np.zeros_like(filled)]
    )
    steepest = np.fmax.reduce(falls)
    codes = np.where(np.isnan(direction), 8, direction).astype(int)
    return steepest, np.take_along_axis(falls, codes[None], axis=0)[0]


def _holds_together(dem, filled, direction, area):
    """Water never rises, always gets out, and all of it arrives."""
    known = ~np.isnan(dem)
    assert (np.isnan(direction) == ~known).all() and (np.isnan(area) == ~known).all()
    if not known.any():
        return
    net = network(direction)
    assert np.array_equal(net.upstream_area()[known] * 4.0, area[known])
    assert area[direction == 8].sum() == 4.0 * known.sum()
    steepest, chosen = drops(filled, direction)
    assert np.array_equal(chosen[steepest > 0], steepest[steepest > 0])
    below = filled.ravel()[net.idxs_ds]
    assert (below <= filled.ravel())[known.ravel()].all()


@pytest.mark.long
def test_fill_of_a_real_dem_equals_pyflwdir_and_outlets_agree(jacksboro):
    grid = grid_of(jacksboro.shape, 90.0)
    filled, direction, area = flow(jacksboro, grid)
    theirs, codes = pyflwdir.dem.fill_depressions(jacksboro, nodata=-9999.0)
    assert filled.tobytes() == theirs.tobytes()
    assert (filled > jacksboro).sum() > 1000
    net = network(direction)
    assert np.array_equal((net.upstream_area() * 8100.0).astype(np.float32), area)
    # Theirs goes to the lowest neighbour, ours down the steepest way, and each has its own way
    # across level ground, of which heights in whole metres leave much and which often can spill
    # in two places: the main outlet agrees, the next ones nearly, single cells need not.
    flood_net = pyflwdir.from_array(codes, ftype="d8")
    at_theirs = np.sort(flood_net.upstream_area().ravel()[flood_net.idxs_pit])[::-1][:8]
    at_ours = np.sort(area[direction == 8])[::-1][:8] / 8100
    assert at_ours[0] == pytest.approx(at_theirs[0], rel=0.002)
    assert at_ours == pytest.approx(at_theirs, rel=0.08)


@pytest.mark.long
def test_height_above_nearest_drainage_equals_pyflwdir(jacksboro):
    grid = grid_of(jacksboro.shape, 90.0)
    filled, direction, area = flow(jacksboro, grid)
    stream = channels(area, channel_area=4e6)
    ours = height_above_nearest_drainage(filled, direction, stream)
    theirs = network(direction).hand(stream == 1, filled)
    met = np.isfinite(ours)
    assert 0.5 < met.mean() < 1
    assert np.array_equal(ours[met], theirs[met])
    assert (ours[stream == 1] == 0).all() and (ours[met] >= 0).all()


def test_a_hollow_fills_to_its_lowest_spill():
    dem = np.full((7, 7), 10, np.float32)
    dem[2:5, 2:5] = 3
    dem[3, 5], dem[3, 6] = 6, 5
    filled, direction, area = flow(dem, grid_of(dem.shape))
    assert (filled[2:5, 2:5] == 6).all() and filled[3, 5] == 6 and filled[3, 6] == 5
    assert direction[3, 5] == 0
    assert direction[3, 6] == 8 and area[3, 6] >= 11


def steps_to_fall(filled, direction):
    """Fewest steps over level ground to where it falls, by sweeps until nothing changes."""
    steps = np.where((drops(filled, direction)[0] > 0) | (direction == 8), 0, np.inf)
    rows, cols = filled.shape
    while True:
        around = np.pad(steps, 1, constant_values=np.inf)
        heights = np.pad(filled, 1, constant_values=np.nan)
        before = steps
        for r in range(3):
            for c in range(3):
                there = np.s_[r : r + rows, c : c + cols]
                nearer = np.where(heights[there] == filled, around[there] + 1, np.inf)
                steps = np.minimum(steps, nearer)
        if np.array_equal(before, steps):
            return steps


@settings(max_examples=examples(30))
@given(seed=st.integers(0, 9999), shape=st.tuples(st.integers(1, 25), st.integers(1, 25)))
def test_level_ground_drains_along_the_fewest_cells(seed, shape):
    dem = np.random.default_rng(seed).integers(0, 3, shape).astype(np.float32)
    filled, direction, _ = flow(dem, grid_of(shape))
    steps = steps_to_fall(filled, direction)
    assert np.isfinite(steps).all()
    rows, cols = np.nonzero(steps > 0)
    way = direction[rows, cols].astype(int)
    to = rows + np.array(DOWN)[way], cols + np.array(RIGHT)[way]
    assert (filled[to] == filled[rows, cols]).all()
    assert (steps[to] == steps[rows, cols] - 1).all()


def test_an_embankment_holds_water_back_to_its_crest():
    x, _ = middles((9, 40))
    dem = (100 - 0.1 * x).astype(np.float32)  # a floor that falls to the east
    dem[0], dem[-1] = 200, 200  # valley sides
    dem[:, 25] = np.maximum(dem[:, 25], 100.5)
    filled, _, _ = flow(dem, grid_of(dem.shape))
    pond = filled - dem
    assert filled[4, 24] == pytest.approx(100.5) and pond[4, 24] > 0.5
    assert (pond[:, 26:] == 0).all()


def test_a_v_valley_gathers_its_sides():
    x, y = middles((21, 31), 2.0)
    dem = (100 + 0.5 * np.abs(x) + 0.01 * y).astype(np.float32)  # falls to the south
    grid = grid_of(dem.shape, 2.0)
    filled, direction, area = flow(dem, grid)
    assert (filled == dem).all()
    assert (direction[:-1, 15] == 2).all()
    assert area[-1, 15] > 0.9 * dem.size * 4
    assert (np.diff(area[:, 15]) > 0).all()
    stream = channels(area, channel_area=100 * 4.0)
    hand = height_above_nearest_drainage(filled, direction, stream)
    side = hand[10, 15:]
    assert (np.diff(side) > 0).all() and side[0] == 0
    assert side[8] == pytest.approx(0.5 * 16, abs=0.3)


def test_wetness_is_the_published_formula_with_a_floor_for_the_slope():
    # ln(a / tan b), Beven & Kirkby (1979); the figures are worked out, not printed there.
    steep = np.array([[np.degrees(np.arctan(0.1)), 5, 3, 45, 0]], np.float32)
    catchment = np.array([[1000, 100, 500, 10, 10]], np.float32)
    index = wetness(catchment, steep, least_slope=0.5)
    floor = np.log(10 / np.tan(np.radians(0.5)))
    assert index == pytest.approx(np.array([[9.2103, 7.0414, 9.1633, 2.3026, floor]]), abs=1e-4)


def test_catchment_of_a_plane_is_the_length_of_slope_above():
    dem = plane((60, 41), 5.0, 12, 180)
    grid = grid_of(dem.shape, 5.0)
    filled, direction, _ = flow(dem, grid)
    per_metre = specific_contributing_area(filled, direction, grid)
    above = 5.0 * np.arange(1, 61)
    # Water that wanders to the sides is lost at the edge only.
    assert per_metre[:10, 20] == pytest.approx(above[:10], rel=1e-3)
    assert per_metre[:, 20] == pytest.approx(above, rel=0.02)


def test_catchment_of_a_cone_is_half_the_radius_all_round():
    x, y = middles((121, 121), 2.0)
    away = np.hypot(x, y)
    grid = grid_of(away.shape, 2.0)
    filled, direction, _ = flow((500 - away).astype(np.float32), grid)
    per_metre = specific_contributing_area(filled, direction, grid)
    ring = (away > 40) & (away < 110)
    ratio = per_metre[ring] / (away[ring] / 2)
    assert ratio.mean() == pytest.approx(1.1, abs=0.05)
    assert ratio.min() > 0.9 and ratio.max() < 1.35


@settings(max_examples=examples(30))
@given(seed=st.integers(0, 9999), steps=st.sampled_from([0, 2]), voids=st.integers(0, 30))
def test_parted_water_all_arrives(seed, steps, voids):
    dem = hills((20, 25), seed, relief=20, rough=2)
    if steps:
        dem = np.round(dem / steps) * np.float32(steps)
    rng = np.random.default_rng(seed)
    dem[rng.integers(0, 20, voids), rng.integers(0, 25, voids)] = np.nan
    grid = grid_of(dem.shape, 3.0)
    filled, direction, _ = flow(dem, grid)
    cells = specific_contributing_area(filled, direction, grid) / 3.0
    known = ~np.isnan(dem)
    assert (np.isnan(cells) == ~known).all() and (cells[known] >= 1).all()
    assert cells[direction == 8].sum() == pytest.approx(known.sum(), rel=1e-5)


def valley_with_a_bank(bank_from=25, bank_to=28):
    """A valley floor that falls to the east at 0.1, barred by an even bank three cells wide."""
    x, y = middles((9, 40))
    dem = (100 - 0.1 * x + 0.5 * np.abs(y)).astype(np.float32)
    dem[:, bank_from:bank_to] = np.maximum(dem[:, bank_from:bank_to], 101.5)
    dem[[0, -1]] = 200
    return dem


def test_a_farm_dam_stays_a_pond_and_a_bank_over_a_culvert_is_cut_when_asked():
    dem = valley_with_a_bank()
    grid = grid_of(dem.shape)
    filled, _, _ = flow(dem, grid)
    pond = hollow_depth(filled, dem)
    assert pond[4, 24] == pytest.approx(101.5 - dem[4, 24]) and (pond[:, 29:] == 0).all()
    cut, _, area = flow(dem, grid, breach=5.0)
    assert (hollow_depth(cut, dem)[4, 10:40] < 0.02).all()
    assert area[:, 24].max() < area[:, 30].max() and area[:, 30].max() > 0.7 * 9 * 26
    # A bank wider than asked for holds.
    whole, _, _ = flow(dem, grid, breach=2.0)
    assert whole.tobytes() == filled.tobytes()


@settings(max_examples=examples(25))
@given(seed=st.integers(0, 9999), widest=st.sampled_from([1.0, 5.0, 50.0]))
def test_cutting_only_lowers_and_water_still_gets_out(seed, widest):
    dem = hills((20, 25), seed, relief=20, rough=3)
    grid = grid_of(dem.shape, 2.0)
    cut, direction, area = flow(dem, grid, breach=widest)
    filled, _, _ = flow(dem, grid)
    assert (cut <= filled).all()
    assert area[direction == 8].sum() == 4.0 * dem.size


def test_strips_widen_with_the_stream_and_flats_lie_low_beside_it():
    x, y = middles((200, 101), 5.0)
    dem = (100 + 0.02 * np.abs(x) + 0.01 * y).astype(np.float32)
    grid = grid_of(dem.shape, 5.0)
    filled, direction, area = flow(dem, grid)
    stream = channels(area)
    codes = riparian_strip(area, stream, grid)
    assert codes[0, 50] == 0 and codes[-5, 50] == 2 and set(np.unique(codes)) == {0, 1, 2}
    widths = [(row > 0).sum() * 5.0 for row in codes[[60, -5]]]
    assert widths == [3 * 5.0, 5 * 5.0]  # the stream's cell and 5 or 10 m to each side
    slope, _ = slope_and_aspect(dem, grid)
    flat = flood_flat(filled, direction, area, slope)
    side = flat[-5, 50:]
    assert side[0] == 1 and np.diff(np.flatnonzero(side == 0)).tolist() == [1] * (
        int((side == 0).sum()) - 1
    )
    # 1.5 m up a side of 0.02 is 75 m out: 15 cells, a little less as the water runs askew.
    assert 12 <= side.sum() <= 18
    assert (flood_flat(filled, direction, area, slope, level=0.1) == 0).all()
