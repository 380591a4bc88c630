"""Any DEM comes out the same: tiles, feet, nodata, holes, degrees, fine cells."""

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.warp import Resampling, calculate_default_transform, reproject
from toy_dem import CELL, CRS, NORTH, WEST, ToySite, hills, read, write

from siteplanner.base.crs import crs_words
from siteplanner.base.errors import InputError
from siteplanner.reading.dem import read_dem
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.height_step import step_of
from siteplanner.site.inputs import Dem


@pytest.fixture
def plain(tmp_path):
    return read(tmp_path, file=write(tmp_path / "dem.tif", hills()))


def test_the_window_is_cut_and_not_moved(plain):
    assert plain.grid.cell == CELL and plain.notes == ()
    col = round((plain.grid.transform.c - WEST) / CELL)
    row = round((NORTH - plain.grid.transform.f) / CELL)
    rows, cols = plain.grid.shape
    assert np.array_equal(plain.dem, hills()[row : row + rows, col : col + cols])
    assert 85 < rows < 95 and 85 < cols < 95


@pytest.mark.parametrize("how", ["list", "folder"])
def test_tiles_are_joined_to_the_same_heights(plain, tmp_path, how):
    whole = hills()
    (tmp_path / "tiles").mkdir()
    names = []
    for i, (r, c) in enumerate(((0, 0), (0, 50), (45, 0), (45, 50))):
        part = whole[r : r + 55, c : c + 60]
        where = Affine(CELL, 0, WEST + c * CELL, 0, -CELL, NORTH - r * CELL)
        names.append("tiles/" + write(tmp_path / "tiles" / f"t{i}.tif", part, where))
    got = read(tmp_path, file=tuple(names) if how == "list" else "tiles")
    assert got.grid == plain.grid
    assert np.array_equal(got.dem, plain.dem)


@pytest.mark.parametrize(
    ("unit", "factor", "words"),
    [("ft", 0.3048, "feet"), ("us-ft", 1200 / 3937, "US survey feet")],
    ids=["feet", "survey feet"],
)
def test_feet_said_in_the_site_file(plain, tmp_path, unit, factor, words):
    name = write(tmp_path / "feet.tif", (hills() / factor).astype(np.float64))
    got = read(tmp_path, file=name, heights_in=unit)
    assert np.allclose(got.dem, plain.dem, atol=1e-3)
    assert f"from {words} to metres" in got.notes[0]


def test_whole_feet_and_cells_in_feet_are_said_in_feet(tmp_path):
    # EPSG:2225 counts in US survey feet; the heights are whole ones.
    survey = 1200 / 3937
    middle = gpd.GeoSeries([shapely.Point(-123.5, 40.3)], crs=4326)
    east, north = middle.to_crs("EPSG:2225").iloc[0].coords[0]
    place = Affine(10, 0, east - 1000, 0, -10, north + 1000)
    y, x = np.mgrid[:200, :200] * 10 * survey
    heights = np.rint((200 + 0.2 * x + 0.1 * y) / survey).astype(np.float32)
    name = write(tmp_path / "us.tif", heights, place, "EPSG:2225")
    site = ToySite(tmp_path, Dem(file=name, heights_in="us-ft", margin_m=50.0), None)
    field = middle.to_crs("EPSG:32610").iloc[0].buffer(80)
    gpd.GeoDataFrame(geometry=[field], crs="EPSG:32610").to_file(tmp_path / "field.gpkg")
    said = read_dem(site, working_crs(site), field).notes
    assert said[0].startswith("Heights were converted from US survey feet to metres")
    assert "steps of 0.3048 m (1 US survey feet)" in said[1]
    assert said[2].startswith("The DEM's cells of 10 US survey feet were ")


@pytest.mark.parametrize(
    "told",
    ["+proj=utm +zone=56 +south +datum=WGS84 +units=m", "EPSG:32756+6360", "EPSG:32756"],
    ids=["parameters", "with heights", "code"],
)
def test_a_crs_keeps_its_code_however_the_file_says_it(tmp_path, told):
    name = write(tmp_path / "dem.tif", hills(), crs=told)
    crs = read(tmp_path, file=name, heights_in="m").grid.crs
    assert crs.to_string() == "EPSG:32756"
    assert crs_words(crs) == "EPSG:32756 (WGS 84 / UTM zone 56S)"


def test_a_crs_without_a_code_has_its_name():
    made = pyproj.CRS("+proj=tmerc +lon_0=151.3 +datum=WGS84 +units=m +type=crs")
    assert crs_words(made) == made.name


def test_feet_told_by_a_vertical_crs(plain, tmp_path):
    # EPSG:6360 is NAVD88 height in US survey feet.
    name = write(
        tmp_path / "compound.tif",
        (hills() / (1200 / 3937)).astype(np.float64),
        crs="EPSG:32756+6360",
    )
    got = read(tmp_path, file=name)
    assert np.allclose(got.dem, plain.dem, atol=1e-3)
    assert not got.grid.crs.is_compound


def test_nodata_that_the_file_does_not_say(tmp_path):
    heights = hills()
    heights[0:3] = 0
    name = write(tmp_path / "zero.tif", heights)
    got = read(tmp_path, margin_m=400, file=name, nodata=0)
    assert np.isnan(got.dem[0:3]).all() and np.isfinite(got.dem[3:]).all()


def test_a_crs_that_the_file_does_not_say(plain, tmp_path):
    name = write(tmp_path / "bare.tif", hills(), crs=None)
    with pytest.raises(InputError, match=r"write dem\.crs in the site file"):
        read(tmp_path, file=name)
    assert np.array_equal(read(tmp_path, file=name, crs=CRS).dem, plain.dem)


def test_small_holes_are_filled_and_marked(plain, tmp_path):
    heights = hills()
    heights[50:52, 60:63] = np.nan
    got = read(tmp_path, file=write(tmp_path / "holes.tif", heights, nodata=np.nan))
    assert got.filled.sum() == 6
    assert np.isfinite(got.dem).all()
    assert np.abs(got.dem - plain.dem).max() < 2.0
    assert np.array_equal(got.dem[~got.filled], plain.dem[~got.filled])
    assert "6 cells (96 m²) in small holes" in got.notes[0]


def test_large_holes_in_the_property_are_refused_with_place_and_size(tmp_path):
    heights = hills()
    heights[45:58, 45:58] = np.nan
    name = write(tmp_path / "hole.tif", heights, nodata=np.nan)
    with pytest.raises(InputError) as caught:
        read(tmp_path, file=name)
    assert "round 620206, 5350194: a hole of 2704 m² has no heights" in str(caught.value)
    assert read(tmp_path, file=name, largest_hole_m2=3000).filled.sum() == 169


def test_a_void_at_the_edge_stays_a_void(tmp_path):
    heights = hills()
    heights[:, :20] = np.nan
    got = read(tmp_path, margin_m=400, file=write(tmp_path / "v.tif", heights, nodata=np.nan))
    assert np.isnan(got.dem[:, :20]).all() and not got.filled.any()


def test_finer_cells_are_averaged_down(tmp_path):
    name = write(tmp_path / "dem.tif", hills())
    got = read(tmp_path, file=name, cell_m=8.0)
    row = round((NORTH - got.grid.transform.f) / CELL)
    col = round((got.grid.transform.c - WEST) / CELL)
    block = hills()[row + 20 : row + 22, col + 20 : col + 22]
    assert got.dem[10, 10] == pytest.approx(block.mean(), abs=1e-4)
    assert "averaged by area to the planning cell of 8 m" in got.notes[0]


def in_degrees(whole):
    """The hills brought to degrees, and the transform."""
    there, wide, high = calculate_default_transform(
        CRS, "EPSG:4326", 110, 100, *rasterio.transform.array_bounds(
            100, 110, Affine(CELL, 0, WEST, 0, -CELL, NORTH)))  # fmt: skip
    turned = np.full((high, wide), np.nan, np.float32)
    reproject(whole, turned, src_transform=Affine(CELL, 0, WEST, 0, -CELL, NORTH), src_crs=CRS,
              dst_transform=there, dst_crs="EPSG:4326", dst_nodata=np.nan,
              resampling=Resampling.bilinear)  # fmt: skip
    return turned, there


def test_steps_are_told_before_degrees_are_resampled(tmp_path):
    turned, there = in_degrees(hills())
    profile = {"transform": there, "crs": "EPSG:4326", "nodata": np.nan}
    name = write(tmp_path / "whole.tif", np.round(turned), **profile)
    got = read(tmp_path, margin_m=50, file=name)
    assert got.step_m == 1.0
    assert "heights are rounded to steps of 1 m" in got.notes[0]
    # Resampling mixes them, so that nothing can be told of the working grid's heights.
    assert step_of(got.dem) == 0.0
    name = write(tmp_path / "fine.tif", turned, **profile)
    assert read(tmp_path, margin_m=50, file=name).step_m == 0.0


def test_degrees_become_a_metric_grid(plain, tmp_path):
    turned, there = in_degrees(hills())
    name = write(tmp_path / "deg.tif", turned, there, "EPSG:4326", nodata=np.nan)
    got = read(tmp_path, margin_m=50, file=name)
    assert got.grid.crs == pyproj.CRS(CRS)
    assert got.grid.cell == pytest.approx(CELL, abs=1.0)
    x, y = 620_225.0, 5_350_170.0
    a, b = (h.grid.sample(h.dem, np.array([x]), np.array([y]))[0] for h in (plain, got))
    assert a == pytest.approx(b, abs=1.0)
