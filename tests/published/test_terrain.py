"""Slope and aspect against published worked examples and against gdaldem."""

import shutil
import subprocess

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from ground.surfaces import angle_between, grid_of

from siteplanner.base.grid import Grid
from siteplanner.ground.relief.landform import rough_ground, topographic_position
from siteplanner.ground.relief.terrain import slope_and_aspect


def at_middle(window, cell):
    dem = np.array(window, np.float32)
    slope, aspect = slope_and_aspect(dem, grid_of(dem.shape, cell))
    return slope[1, 1], aspect[1, 1]


def test_slope_of_the_worked_example():
    # "How Slope works" (Esri documentation): 75.25762 degrees, printed from a rounded rise/run.
    slope, _ = at_middle([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5)
    assert slope == pytest.approx(75.25762, abs=1e-4)


def test_aspect_of_the_worked_example():
    # "How Aspect works" (Esri documentation): 92.64 degrees.
    _, aspect = at_middle([[101, 92, 85], [101, 92, 85], [101, 91, 84]], 1)
    assert aspect == pytest.approx(92.64, abs=0.005)


def test_slope_and_aspect_of_the_slide_example():
    # Grid from the slides of course Z8113, Masaryk University; result computed by Horn (1981).
    slope, aspect = at_middle([[80, 74, 63], [69, 67, 56], [60, 52, 48]], 30)
    assert slope == pytest.approx(21.85, abs=0.005)
    assert aspect == pytest.approx(145.15, abs=0.005)


@pytest.fixture(scope="module")
def real_dem():
    """The Jacksboro fault DEM that matplotlib ships, on metric cells of 90 m."""
    cbook = pytest.importorskip("matplotlib.cbook", reason="matplotlib carries the real DEM")
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as held:
        dem = held["elevation"].astype(np.float32)
    return dem, Grid(pyproj.CRS("EPSG:32616"), Affine(90, 0, 500_000, 0, -90, 4_050_000), dem.shape)


def gdaldem(mode, dem, grid, folder, *options):
    if shutil.which("gdaldem") is None:
        pytest.skip("gdaldem is not installed (Debian package gdal-bin)")
    source, result = folder / "dem.tif", folder / f"{mode}.tif"
    with rasterio.open(
        source,
        "w",
        driver="GTiff",
        height=dem.shape[0],
        width=dem.shape[1],
        count=1,
        dtype="float32",
        transform=grid.transform,
        crs=grid.crs,
    ) as out:
        out.write(dem, 1)
    command = ["gdaldem", mode, source, result, "-q", *options]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    with rasterio.open(result) as made:
        return made.read(1, masked=True).filled(np.nan)


def test_slope_and_aspect_agree_with_gdaldem_on_a_real_dem(real_dem, tmp_path):
    dem, grid = real_dem
    slope, facing = slope_and_aspect(dem, grid)
    theirs = gdaldem("slope", dem, grid, tmp_path)
    inside = np.s_[1:-1, 1:-1]
    assert np.isfinite(theirs[inside]).all()
    # gdaldem itself works in float32 and is off by up to 0.0017 degrees.
    assert np.abs(slope - theirs)[inside].max() < 0.002

    aspect = gdaldem("aspect", dem, grid, tmp_path)
    # gdaldem counts from grid north, here from true north.
    turn = pyproj.Proj(grid.crs).get_factors(*grid.centre_lonlat).meridian_convergence
    both = np.isfinite(aspect[inside]) & np.isfinite(facing[inside])
    assert (np.isfinite(aspect[inside]) == np.isfinite(facing[inside])).all()
    apart = angle_between(facing[inside][both], aspect[inside][both] + turn)
    assert both.sum() > 100_000
    assert apart.max() < 0.002


def test_edges_extend_the_ground_like_gdaldem(real_dem, tmp_path):
    dem, grid = real_dem
    slope, _ = slope_and_aspect(dem, grid)
    theirs = gdaldem("slope", dem, grid, tmp_path, "-compute_edges")
    # The four corners, where there is no row to carry on, are each program's own affair.
    corner = np.zeros(dem.shape, bool)
    corner[:: len(dem) - 1, :: dem.shape[1] - 1] = True
    assert corner.sum() == 4
    assert np.abs(slope - theirs)[~corner].max() < 0.002


def test_position_over_three_cells_agrees_with_gdaldem(real_dem, tmp_path):
    dem, grid = real_dem
    ours = topographic_position(dem, grid, 90.0)
    # gdaldem leaves the middle out of the mean; ours keeps it, which shrinks by 8/9.
    theirs = gdaldem("TPI", dem, grid, tmp_path) * 8 / 9
    inside = np.s_[1:-1, 1:-1]
    assert np.abs(ours - theirs)[inside].max() < 0.001


def test_ruggedness_and_roughness_agree_with_gdaldem(real_dem, tmp_path):
    dem, _ = real_dem
    rugged, rough = rough_ground(dem)
    inside = np.s_[1:-1, 1:-1]
    theirs = gdaldem("TRI", dem, real_dem[1], tmp_path, "-alg", "Riley")
    assert np.abs(rugged - theirs)[inside].max() < 0.001
    assert np.array_equal(rough[inside], gdaldem("roughness", dem, real_dem[1], tmp_path)[inside])
