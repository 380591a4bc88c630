"""Voids that the DEM does not declare: found by the cliffs round them, named, and left unknown."""

import numpy as np
import pytest
import rasterio
from examples import examples
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from shared_data import shared
from toy_dem import hills, read, write

from siteplanner.base.errors import InputError
from siteplanner.reading.heights.undeclared import undeclared_voids

CODES, ODD = (0.0, -9999.0, -32768.0, 9999.0), (1.0, 4321.0, 8000.5)
REAL = (
    "us_ca_bigtujunga_30m_epsg32611.tif",
    "si_lidar1m_epsg3794.tif",
    "us_id_inl_100m_FEET.tif",
    "us_co_rmnp_nonsquare_deg.tif",
    "us_nm_hugo_10m_full_nocrs.asc",
    "us_co_bijou_1arcsec_nocrs.asc",
)


def with_hole(value, dtype=np.float32):
    """The hills with one hole of 30 cells south-west of the field, and one in a corner."""
    heights = hills().astype(dtype)
    heights[90:95, 20:26] = value
    heights[:4, :9] = value
    return heights


@pytest.mark.parametrize("value", [0, -9999, -32768, 9999, 32767])
def test_a_hole_that_the_dem_does_not_declare_is_named_and_unknown(tmp_path, value):
    name = write(tmp_path / "dem.tif", with_hole(value))
    got = read(tmp_path, margin_m=400, file=name, largest_hole_m2=0)
    assert np.isnan(got.dem).sum() == 30 + 36
    assert np.isnan(got.dem[90:95, 20:26]).all() and np.isnan(got.dem[:4, :9]).all()
    (said,) = (note for note in got.notes if "no height" in note)
    assert f"{value:g}" in said and "66 cells" in said and 'nodata = "none"' in said


@pytest.mark.parametrize("value", [1, 255, 8765, 215.5])
def test_any_value_that_is_repeated_with_cliffs_round_it_is_a_void(tmp_path, value):
    name = write(tmp_path / "dem.tif", with_hole(value))
    got = read(tmp_path, margin_m=400, file=name, largest_hole_m2=0, nodata="none")
    assert np.isfinite(got.dem).all() and not any("no height" in note for note in got.notes)
    got = read(tmp_path, margin_m=400, file=name, largest_hole_m2=0)
    assert np.isnan(got.dem[90:95, 20:26]).all() and np.isnan(got.dem[:4, :9]).all()
    (said,) = (note for note in got.notes if "no height" in note)
    assert f"{value:.6g} on 66 cells" in said and 'nodata = "none"' in said


def lake(shore):
    """A small lake in a pit whose sides rise ``shore`` m a cell all round, in gentle ground."""
    y, x = np.mgrid[:200, :200]
    away = np.hypot(x - 90, y - 90)
    return 300 + shore * np.clip(away - 6, 0, 4) + 0.05 * np.hypot(x, y)


@pytest.mark.parametrize("shore", [0.2, 5.0, 25.0])
@pytest.mark.parametrize("upside", [1, -1])
@pytest.mark.parametrize("whole", [False, True])
def test_lakes_and_mesas_stay_however_steep_their_sides(shore, upside, whole):
    y, x = np.mgrid[:200, :200]
    heights = lake(shore)
    heights[np.hypot(x - 90, y - 90) < 6.5] = 305.0
    heights = heights * upside + 2000
    heights = np.round(heights) if whole else heights
    assert not undeclared_voids(heights, 1.0)[0].any()


def test_terraces_with_walls_stay():
    # Level terraces one above the other, 12 m walls between them, as in a quarry or a mine.
    y, _ = np.mgrid[:80, :80]
    assert not undeclared_voids(500.0 + 12 * (y // 10), 1.0)[0].any()


def test_the_user_may_say_that_there_are_no_voids(tmp_path):
    name = write(tmp_path / "dem.tif", with_hole(0))
    got = read(tmp_path, margin_m=400, file=name, nodata="none")
    assert (got.dem == 0).sum() == 66 and not any("no height" in note for note in got.notes)


def test_no_code_hides_behind_another():
    heights = with_hole(-9999)
    heights[:4, :9], heights[10:12, 10:20] = -32768, 0
    _, told = undeclared_voids(heights.astype(float), 1.0)
    assert told == {-32768: 36, -9999: 30, 0: 20}


def test_a_hole_in_feet_is_found_before_feet_become_metres(tmp_path):
    heights = hills() / np.float32(0.3048)
    heights[90:95, 20:26] = 9999  # 3,048 m, which might be a mountain
    name = write(tmp_path / "dem.tif", heights)
    got = read(tmp_path, margin_m=400, file=name, largest_hole_m2=0, heights_in="ft")
    assert np.isnan(got.dem).sum() == 30 and np.nanmax(got.dem) < 400


def test_small_undeclared_holes_are_filled_like_others(tmp_path):
    heights = hills()
    heights[50:52, 60:63] = 0
    got = read(tmp_path, file=write(tmp_path / "dem.tif", heights))
    assert got.filled.sum() == 6 and np.isfinite(got.dem).all()
    assert np.abs(got.dem[got.filled].mean() - hills()[50:52, 60:63].mean()) < 2


def test_a_large_one_in_the_property_is_refused_and_says_the_way_out(tmp_path):
    heights = hills()
    heights[45:58, 45:58] = 0
    name = write(tmp_path / "dem.tif", heights)
    with pytest.raises(InputError, match=r'heights of 0 .* nodata = "none"'):
        read(tmp_path, file=name)
    assert np.isfinite(read(tmp_path, file=name, nodata="none").dem).all()


def coast(cliff=False):
    """The hills lowered so that the south of them is sea at 0, with or without a cliff."""
    heights = hills() - 300 + np.linspace(60, -60, 100, dtype=np.float32)[:, None]
    if cliff:
        heights[:, 30:80] += 25 * (heights[:, 30:80] > 0)
    return np.maximum(heights, 0)


@pytest.mark.parametrize("cliff", [False, True])
def test_sea_and_flats_at_zero_stay(tmp_path, cliff):
    heights = coast(cliff)
    assert (heights == 0).sum() > 1000
    got = read(tmp_path, margin_m=400, file=write(tmp_path / "dem.tif", heights))
    assert np.array_equal(got.dem == 0, heights == 0)
    assert not any("no height" in note for note in got.notes)


def test_level_ground_at_zero_everywhere_stays(tmp_path):
    got = read(tmp_path, file=write(tmp_path / "dem.tif", np.zeros((100, 110), np.float32)))
    assert (got.dem == 0).all()


@example(seed=0, relief=0.5, base=120.0, whole=True, value=1.0, top=0, left=0, high=1, wide=9)
@example(seed=0, relief=0.5, base=120.0, whole=True, value=1.0, top=0, left=0, high=1, wide=3)
@example(seed=0, relief=1.0, base=120.0, whole=False, value=1.0, top=1, left=1, high=17, wide=20)
@settings(max_examples=examples(40))
@given(
    seed=st.integers(0, 9999), relief=st.floats(0.5, 80), base=st.floats(120, 2000),
    whole=st.booleans(), value=st.sampled_from(CODES + ODD),
    top=st.integers(0, 50), left=st.integers(0, 50),
    high=st.integers(1, 20), wide=st.integers(1, 20),
)  # fmt: skip
def test_exactly_the_hole_is_found_and_nothing_in_ground_without_one(
    seed, relief, base, whole, value, top, left, high, wide
):
    noise = gaussian_filter(np.random.default_rng(seed).standard_normal((60, 60)), 6)
    heights = base + relief * noise / np.abs(noise).max()
    heights = np.round(heights) if whole else heights
    assert not undeclared_voids(heights, 1.0)[0].any()
    at_the_sea = np.maximum(heights - base, 0.0)
    assert not undeclared_voids(at_the_sea, 1.0)[0].any()
    hole = np.zeros(heights.shape, bool)
    hole[top : top + high, left : left + wide] = True
    found, told = undeclared_voids(np.where(hole, value, heights), 1.0)
    if value in ODD and hole.sum() < 9:  # a few cells of no known code may be anything
        assert not told
        return
    assert np.array_equal(found, hole) and told == {value: hole.sum()}


def test_a_real_masked_catchment_is_found_as_its_maker_masked_it():
    with rasterio.open(shared("dem/us_co_bijou_3m_nodata0_nocrs.asc")) as file:
        heights = file.read(1).astype(float)
    found, told = undeclared_voids(heights, 1.0)
    assert np.array_equal(found, heights == 0) and list(told) == [0.0]


def test_a_real_sea_beside_mountains_stays():
    with rasterio.open(shared("dem/za_cape_3arcsec_epsg4326.tif")) as file:
        heights = file.read(1, masked=True).filled(0).astype(float)  # the sea as many DEMs have it
    assert not undeclared_voids(heights, 1.0)[0].any()


def test_real_ground_holds_no_void():
    for name in REAL:
        with rasterio.open(shared(f"dem/{name}")) as file:
            heights = file.read(1, masked=True).astype(float).filled(np.nan)[:500, :500]
        for kind in (heights, np.round(heights), np.round(heights, -1)):
            assert not undeclared_voids(kind, 1.0)[0].any(), name


@pytest.mark.parametrize("value", [0.0, 1.0, 4321.0])
def test_a_hole_in_real_ground_is_found(value):
    for name in REAL[:2]:
        with rasterio.open(shared(f"dem/{name}")) as file:
            heights = file.read(1, masked=True).astype(float).filled(np.nan)[:500, :600]
        heights[200:260, 300:380] = value
        found, told = undeclared_voids(heights, 1.0)
        assert found.sum() == 60 * 80 and list(told) == [value]
