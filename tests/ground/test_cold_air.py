"""The cold-air layer against solutions on paper, and against what must hold on any ground."""

import numpy as np
import pytest
import shapely
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.ground.cold import cold_air
from siteplanner.ground.cold.cold_air import ColdAir, finer, flow_on, imbalance, level_of, still

AIR = ColdAir()
CELL = 5.0


def channel(bed):
    """A DEM of one row of cells between walls that nothing overtops, open at the right end."""
    bed = np.r_[np.max(bed) + 500, bed].astype(np.float32)
    wall = np.full_like(bed, bed[0])
    return np.stack([wall, bed, wall])


def hills(rows, cols, seed=0, relief=25.0):
    """Smooth made-up hills without symmetry, m."""
    rng = np.random.default_rng(seed)
    y, x = np.meshgrid(np.arange(rows) / 60, np.arange(cols) / 60, indexing="ij")
    total = np.zeros((rows, cols))
    for _ in range(6):
        ky, kx, phase = rng.uniform(-6, 6), rng.uniform(-6, 6), rng.uniform(0, 6)
        total += np.cos(ky * y + kx * x + phase) / 6
    return (relief * total + 300).astype(np.float32)


def surface(level, state):
    return level.bed[1:-1, 1:-1] + level.datum + state.depth[1:-1, 1:-1]


def test_wave_over_a_flat_bed():
    """Front of constant speed, after Hunter et al. 2005 as used by Bates et al. 2010.

    They balance the slope of the surface against Manning's drag, n^2 u^2 / h^(4/3); against the
    kernel's own drag law, Cd u^2 / (g' h), the same steps give h = sqrt(2 Cd u^2 (ut - x) / g').
    Slow against a wave, since the form leaves out advection.
    """
    air, speed, end, given_cells = ColdAir(drag=0.5), 0.15, 3000.0, 20
    x = (np.arange(150) - given_cells) * CELL

    def exact(t):
        return np.sqrt(2 * air.drag * speed**2 / air.gravity * np.maximum(speed * t - x, 0))

    level = level_of(channel(np.full(149, 100.0)), CELL, 1, 0.0)
    state = still(level)
    while state.seconds < end - 1e-9:
        state.depth[2, 2 : given_cells + 1] = exact(state.seconds)[1:given_cells]
        flow_on(level, state, 5.0, air)
    error = (state.depth[2, 1:-1] - exact(end))[given_cells:]
    assert exact(end)[given_cells] > 7
    assert np.abs(error[:85]).max() < 0.1  # up to 25 m short of the front, which ends in a cliff
    assert np.sqrt(np.mean(error**2)) < 0.12


def test_flow_down_a_plane_reaches_its_uniform_depth():
    """Drag balances slope where h = (Cd q^2 / (g' S))^(1/3) (set the two terms equal)."""
    slope, cells = 0.02, 120
    bed = 100 - slope * CELL * np.arange(cells)
    chilling = np.zeros((3, cells + 1), np.float32)
    chilling[1, 1:5] = 0.01
    level = level_of(channel(bed), CELL, 1, chilling)
    state, air = still(level), ColdAir(full_m=1e9)
    flow_on(level, state, 3600.0, air)
    q = 0.01 * CELL * 4
    uniform = (air.drag * q**2 / (air.gravity * slope)) ** (1 / 3)
    np.testing.assert_allclose(state.depth[2, 20:100], uniform, rtol=0.02)
    np.testing.assert_allclose(state.flows[0][2, 20:100], q, rtol=0.01)


def test_dam_break_keeps_its_air_and_runs_both_ways_alike():
    level = level_of(channel(np.full(140, 100.0)), CELL, 1, 0.0)
    depth = np.zeros(level.bed.shape)
    depth[2, 61:81] = 8.0
    state = still(level, depth)
    for _ in range(30):
        flow_on(level, state, 4.0, AIR)
        assert state.depth.min() >= 0
        assert state.depth.sum() == pytest.approx(160.0, rel=1e-12)
    left, right = state.depth[2, 2:71][::-1], state.depth[2, 71:140]
    np.testing.assert_allclose(left, right, atol=1e-4)
    assert right[14] > 0.5 and right.max() < 7


def bowl(notch):
    """A round bowl 10 m deep in a plain that falls to the edge, rim cut down at one side."""
    y, x = np.mgrid[-30:31, -30:31] * CELL
    away = np.hypot(x, y)
    dem = np.where(away < 100, 90 + 10 * (away / 100) ** 2, 100 - 0.05 * (away - 100))
    dem[np.abs(y) < 8] = np.where(
        x[np.abs(y) < 8] > 0, np.minimum(dem[np.abs(y) < 8], 100 - notch), dem[np.abs(y) < 8]
    )
    return dem.astype(np.float32), away


def test_still_pool_stays_still():
    dem, away = bowl(3.0)
    level = level_of(dem, CELL, 1, 0.0)
    depth = np.where(away < 95, np.maximum(96.5 - dem.astype(np.float64), 0), 0)
    depth = np.pad(depth, 1)
    state = still(level, depth)
    assert depth.max() > 6
    flow_on(level, state, 3600.0, AIR)
    np.testing.assert_allclose(state.depth, depth, atol=1e-4)
    assert state.lost.sum() == 0


@pytest.mark.parametrize("notch", [0.0, 3.0])
def test_bowl_holds_all_until_it_spills_at_its_lowest_side(notch):
    dem, away = bowl(notch)
    chilling = np.where(away < 80, np.float32(0.0001), np.float32(0))
    level = level_of(dem, CELL, 1, chilling)
    inside = away < 60
    depth = np.where(away < 95, np.maximum(100 - notch - 1 - dem.astype(np.float64), 0), 0)
    state, air = still(level, np.pad(depth, 1)), ColdAir(full_m=1e9)
    begun = state.depth.sum()
    while surface(level, state)[inside].max() < 100 - notch - 0.3:
        assert state.lost.sum() == 0
        flow_on(level, state, 300.0, air)
    flow_on(level, state, 3 * 3600.0, air)
    assert state.lost.sum() > 0
    # The stream over the lip is as deep as it takes to carry what is chilled.
    assert surface(level, state)[inside].mean() == pytest.approx(100 - notch, abs=0.7)
    assert np.ptp(surface(level, state)[away < 40]) < 0.05
    assert state.depth.sum() + state.lost.sum() - begun == pytest.approx(state.made.sum(), rel=1e-6)


@settings(max_examples=examples(15))
@given(seed=st.integers(0, 10_000), relief=st.floats(0, 300), voids=st.booleans())
def test_what_is_chilled_lies_or_has_flowed_out(seed, relief, voids):
    dem = hills(33, 45, seed, relief)
    if voids:
        dem[10:14, 20:30] = np.nan
    lines = np.array([shapely.LineString([(2, 5), (40, 25)])], dtype=object)
    belts = (lines, np.array([4.0]), np.array([0.4]))
    coarse, fine = (level_of(dem, CELL, f, AIR.chilling, belts) for f in (3, 1))
    state = still(coarse)
    flow_on(coarse, state, 3000.0, AIR)
    state = finer(state, coarse, fine)
    flow_on(fine, state, 900.0, AIR)
    assert state.made.sum() > 0
    assert abs(imbalance(state)) < 1e-6
    assert state.depth.min() >= 0
    assert np.isfinite(state.flows[0]).all() and np.isfinite(state.flows[1]).all()


@pytest.mark.parametrize("turn", ["mirror", "upside down", "rotation"])
def test_a_turned_ground_has_the_turned_night(turn):
    move = {"mirror": lambda a: a[:, ::-1], "upside down": lambda a: a[::-1], "rotation": np.rot90}[
        turn
    ]
    dem = hills(60, 48, seed=3)
    depths = []
    for ground in (dem, np.ascontiguousarray(move(dem))):
        level = level_of(ground, CELL, 3, AIR.chilling)
        state = still(level)
        flow_on(level, state, 2 * 3600.0, AIR)
        depths.append(state.depth)
    np.testing.assert_allclose(move(depths[0]), depths[1], atol=2e-3)


def valley(bank, opening=0):
    """A valley that falls to the south, with a bank across it two thirds of the way down."""
    y, x = np.meshgrid(np.arange(90), np.arange(-30, 31), indexing="ij")
    dem = 120 - 0.04 * CELL * y + 0.006 * (x * CELL) ** 2 / 2
    across = (y >= 58) & (y <= 59) & (np.abs(x) >= opening)
    dem[across] = np.maximum(dem[across], 120 - 0.04 * CELL * 58 + bank)
    return dem.astype(np.float32)


def drainage_on(dem, belts=None):
    level = level_of(dem, CELL, 1, AIR.chilling, belts)
    state = still(level)
    flow_on(level, state, 3 * 3600.0, AIR)
    return state.depth[1:-1, 1:-1][50:58, 26:35].mean()


def test_bank_dams_the_air_and_an_opening_lets_it_go():
    open_valley, dammed, cut = (
        drainage_on(valley(0)),
        drainage_on(valley(5)),
        drainage_on(valley(5, 4)),
    )
    assert dammed > open_valley + 2
    assert cut < open_valley + 0.35 * (dammed - open_valley)


def test_belt_dams_less_the_more_porous_it_is():
    line = np.array([shapely.LineString([(0, 58.5), (61, 58.5)])], dtype=object)
    found = [
        drainage_on(valley(0), (line, np.array([5.0]), np.array([porosity])))
        for porosity in (0.0, 0.3, 0.6)
    ]
    assert found[0] > found[1] > found[2] > drainage_on(valley(0)) + 0.01


def test_bank_narrower_than_a_cell_still_dams():
    fine = np.repeat(np.repeat(valley(0), 3, 0), 3, 1)
    fine[174] = np.maximum(fine[174], 120 - 0.04 * CELL * 58 + 5)
    level = level_of(fine, CELL / 3, 3, AIR.chilling)
    state = still(level)
    flow_on(level, state, 3 * 3600.0, AIR)
    assert state.depth[1:-1, 1:-1][50:58, 26:35].mean() > drainage_on(valley(0)) + 2


def test_coarse_start_ends_where_the_fine_night_does():
    dem = hills(90, 99, seed=5)
    coarse, fine = level_of(dem, CELL, 3, AIR.chilling), level_of(dem, CELL, 1, AIR.chilling)
    start = still(coarse)
    flow_on(coarse, start, 3 * 3600.0, AIR)
    quick = finer(start, coarse, fine)
    flow_on(fine, quick, 2700.0, AIR)
    slow = still(fine)
    flow_on(fine, slow, 3 * 3600.0 + 2700.0, AIR)
    assert np.abs(quick.depth - slow.depth).mean() < 0.02 * slow.depth.mean()


def test_bands_of_rows_give_the_same_bytes(monkeypatch):
    dem = hills(150, 40, seed=7)
    lines = np.array([shapely.LineString([(3, 60), (36, 90)])], dtype=object)
    level = level_of(dem, CELL, 1, AIR.chilling, (lines, np.array([3.0]), np.array([0.5])))
    states = []
    for worth in (10**9, 1500):
        monkeypatch.setattr(cold_air, "_WORTH_A_THREAD", worth)
        monkeypatch.setattr(cold_air.os, "cpu_count", lambda: 3)
        state = still(level)
        flow_on(level, state, 600.0, AIR)
        states.append(state)
    assert len(cold_air._bands(level)) == 3
    for a, b in zip(
        (states[0].depth, *states[0].flows, states[0].made, states[0].lost),
        (states[1].depth, *states[1].flows, states[1].made, states[1].lost),
        strict=True,
    ):
        assert a.tobytes() == b.tobytes()


def test_pool_no_longer_cools_when_it_is_full():
    level = level_of(bowl(0.0)[0], CELL, 1, AIR.chilling)
    state = still(level)
    flow_on(level, state, 10 * 3600.0, ColdAir(full_m=4.0))
    shallow = state.depth.max()
    state = still(level)
    flow_on(level, state, 10 * 3600.0, ColdAir(full_m=30.0))
    assert shallow < state.depth.max()


def test_waves_of_two_cells_die_out_in_a_deep_pool():
    y, x = np.mgrid[:60, :60] / 100 * 4 * np.pi
    dem = (20 * np.sin(x) * np.cos(y) + 5 * x + 300).astype(np.float32)
    air = ColdAir(loss_w_m2=20.0)
    level = level_of(dem, 15.0, 1, air.chilling)
    state = still(level)
    flow_on(level, state, 6 * 3600.0, air)
    lies = surface(level, state)[state.depth[1:-1, 1:-1] > 10]
    assert lies.size > 200
    top = surface(level, state)
    bend = np.abs(top[1:-1, 1:-1] - (top[1:-1, :-2] + top[1:-1, 2:]) / 2)
    assert bend[state.depth[2:-2, 2:-2] > 10].max() < 0.3
