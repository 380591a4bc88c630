"""Cold air at the DEM's edge: how it leaves, and that the DEM's size hardly matters within."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from ground.surfaces import grid_of, middles
from shared_data import shared

from siteplanner.ground.cold.cold_air import ColdAir
from siteplanner.ground.cold.drainage_run import night_seconds, run_drainage
from siteplanner.ground.cold.edges import edge_effect_note, edge_faces
from siteplanner.ground.cold.nocturnal_drainage import nocturnal_cold_air_drainage
from siteplanner.reading.shelter import no_shelter

AIR, NIGHT = ColdAir(), night_seconds(-42)


def depth_on(dem, cell=10.0, **how):
    made = run_drainage(dem.astype(np.float32), cell, NIGHT, AIR, cell_m=cell, **how)
    assert abs(made.imbalance) < 1e-6
    return made.depth


@pytest.mark.parametrize("side_m", [800, 1600, 4000])
def test_a_level_plain_keeps_what_the_night_makes_however_large_the_dem(side_m):
    """Chilling that weakens to none at a depth F gives F (1 - exp(-c t / F)) where none leaves."""
    depth = depth_on(np.full((side_m // 40, side_m // 40), 100.0), 40.0)
    whole = AIR.full_m * (1 - np.exp(-AIR.chilling * NIGHT / AIR.full_m))
    np.testing.assert_allclose(depth, whole, rtol=0.01)


def test_an_even_slope_drains_as_if_it_went_on():
    long, short = (
        depth_on(100 - 0.02 * 10 * np.tile(np.arange(n)[:, None], 40)) for n in (180, 90)
    )
    np.testing.assert_allclose(short[:75], long[:75], rtol=0.03)
    np.testing.assert_allclose(short[75:], long[75:90], rtol=0.08)
    # Contours run straight on beyond the sides, so no column differs from another.
    np.testing.assert_allclose(short, np.tile(short[:, 20:21], 40), atol=1e-3)


def test_a_valley_cut_off_further_up_is_as_deep_there():
    y, x = np.meshgrid(np.arange(200) * 10.0, np.arange(-30, 31) * 10.0, indexing="ij")
    valley = 200 - 0.02 * y + 0.0004 * x**2
    whole, cut = depth_on(valley), depth_on(valley[:150])
    floor = np.s_[130:150, 28:33]
    assert whole[floor].mean() > 5
    assert cut[floor].mean() == pytest.approx(whole[floor].mean(), rel=0.07)
    assert depth_on(valley[:150], beyond=np.inf)[floor].mean() < 0.9 * whole[floor].mean()


def test_heights_in_whole_metres_do_not_dam_a_gentle_valley_at_the_edge():
    y, x = np.meshgrid(np.arange(80) * 30.0, np.arange(-20, 21) * 30.0, indexing="ij")
    valley = 200 - 0.003 * y + 0.0002 * x**2
    smooth, stepped = (depth_on(dem, 30.0)[40:, 20] for dem in (valley, np.round(valley)))
    assert np.ptp(np.round(valley)[-5:, 20]) == 0  # level over the last 120 m
    assert stepped.mean() == pytest.approx(smooth.mean(), rel=0.1)


def test_a_hollow_well_inside_does_not_feel_the_edge():
    x, y = middles((81, 81), 10.0)
    away = np.hypot(x, y)
    hill = np.where(away < 150, 90 + 10 * (away / 150) ** 2, 100 - 0.08 * (away - 150))
    found = [depth_on(hill, beyond=beyond)[30:51, 30:51] for beyond in (1.0, np.inf)]
    assert found[0].max() > 8
    np.testing.assert_allclose(found[0], found[1], atol=0.02)


def test_air_leaves_down_the_slope_and_through_no_other_face():
    bed = np.pad(np.tile(-0.1 * np.arange(30), (5, 1)), 1, mode="reflect", reflect_type="odd")
    unknown = np.pad(np.zeros((5, 30), bool), 1, constant_values=True)
    unknown[3, 11:13] = True  # a void, as the DEM's edge
    (across, fall), (_, down) = edge_faces(bed.astype(np.float32), unknown, 10.0, 1.0)
    leaves = {divmod(int(face), 31): value for face, value in zip(across, fall, strict=True)}
    outwards = {(row, 30) for row in range(1, 6)} | {(3, 10)}
    assert set(leaves) == outwards | {(row, 0) for row in range(1, 6)} | {(3, 12)}
    assert all(
        value == pytest.approx(0.1 if at in outwards else 0, abs=1e-5)
        for at, value in leaves.items()
    )
    np.testing.assert_allclose(down, 0, atol=1e-6)
    (_, back), (_, up) = edge_faces(
        bed.T[:, ::-1].astype(np.float32), unknown.T[:, ::-1], 10.0, 0.5
    )
    np.testing.assert_allclose(back, 0, atol=1e-6)
    assert np.sort(up)[-6:] == pytest.approx(np.full(6, 0.05), abs=1e-5)


@pytest.mark.long
def test_cut_down_lidar_keeps_its_depth_better_than_if_air_fell_into_nothing():
    """Real ground: 1 m lidar of farmed hills, less its lowest 200 m."""
    with rasterio.open(shared("dem/si_lidar1m_epsg3794.tif")) as source:
        dem = source.read(1)
    dem = dem[::5, ::5]
    lowest = int(np.argmin([side.min() for side in (dem[-1], dem[:, -1], dem[0], dem[:, 0])]))
    dem = np.ascontiguousarray(np.rot90(dem, -lowest))
    off = []
    for beyond in (1.0, np.inf):
        whole, cut = (depth_on(part, 5.0, beyond=beyond) for part in (dem, dem[:-40].copy()))
        strip = np.s_[-40:]
        off.append(float(np.abs(cut - whole[:-40])[strip].mean() / whole[:-40][strip].mean()))
    assert off[0] < 0.9 * off[1]


def test_layer_of_the_edge_effect_is_large_on_a_plain_and_small_in_a_closed_hollow(
    tmp_path, monkeypatch
):
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path))
    x, y = middles((60, 60), 10.0)
    away = np.hypot(x, y)
    basin = np.where(away < 200, 0.001 * away**2, 40 - 0.3 * (away - 200)).astype(np.float32)
    grid = grid_of((60, 60), 10.0)
    none: gpd.GeoDataFrame = no_shelter(grid.crs)
    effects = [
        nocturnal_cold_air_drainage(dem, grid, -42.0, none, none)[-1][20:40, 20:40]
        for dem in (np.zeros((60, 60), np.float32), basin)
    ]
    assert effects[0].min() > 15
    assert np.abs(effects[1]).max() < 0.3


def test_note_says_how_much_and_what_to_do():
    effect = np.zeros((100, 100), np.float32)
    cells = np.zeros(effect.shape, bool)
    cells[20:80, 20:80] = True
    assert edge_effect_note(effect, cells, 10.0) == []
    effect[:32] = 0.4
    assert edge_effect_note(effect, cells, 10.0) == []  # too little to count
    effect[:32, 40:60] = 3.14  # felt to 320 m from the edge, on 12 of 60 rows of a third
    (note,) = edge_effect_note(effect, cells, 10.0)
    assert note.startswith("On 7% of the ground the cold air's depth at dawn depends on")
    assert "by up to 3.1 m (layer cold_air_edge_effect)" in note
    assert "Use a DEM that reaches 200 m further on all sides." in note
    effect[:] = 5
    effect[0, 0] = np.nan
    (note,) = edge_effect_note(effect, cells, 10.0)
    assert note.startswith("On 100% of the ground")
    assert "goes on to where the ground falls clearly, or put minimum thermometers there" in note
