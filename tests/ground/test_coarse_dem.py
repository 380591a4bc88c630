"""A coarse DEM: what it shows, what the plan says of it, and the cells it is planned on."""

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from scipy.ndimage import gaussian_filter, map_coordinates
from shared_data import shared
from site_around import site_around

from siteplanner import load_site, make_plan
from siteplanner.base.grid import Grid
from siteplanner.ground.resolve import catalogue
from siteplanner.handover.block_work import block_works
from siteplanner.handover.cautions import cautions_of
from siteplanner.planting.zones.zones import GroundTypes, shapes_of_kinds
from siteplanner.reading.inputs import read_inputs

SECOND = 1 / 3600
CRS = "EPSG:32756"


def hills(shape, wide, seed=3):
    """Invented hills of some 60 m, ``wide`` cells from top to top."""
    noise = np.random.default_rng(seed).standard_normal(shape)
    rough = sum(gaussian_filter(noise, wide / part, mode="wrap") * wide / part for part in (2, 6))
    return (300 + 40 * rough).astype(np.float32)


def save(path, heights, transform, crs):
    with rasterio.open(
        path, "w", driver="GTiff", width=heights.shape[1], height=heights.shape[0], count=1,
        dtype=heights.dtype, crs=crs, transform=transform,
    ) as file:  # fmt: skip
        file.write(heights, 1)


def farm(folder, dem, lon, lat, half, crs=CRS, **more):
    """A square farm of twice ``half`` m about a place, over the DEM of that path."""
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    square = shapely.box(x - half, y - half, x + half, y + half)
    table = {"file": str(dem), "margin_m": 400.0, **more}
    return load_site(site_around(folder, table, square, crs, kinds=4))


@pytest.fixture(scope="module")
def coarse(tmp_path_factory):
    """A DEM of three arc-seconds in open sea, 42° S."""
    path = tmp_path_factory.mktemp("dem") / "three.tif"
    heights = hills((120, 120), 12).round().astype(np.int16)
    save(path, heights, Affine(3 * SECOND, 0, 154.0, 0, -3 * SECOND, -42.0), "EPSG:4326")
    return path


@pytest.fixture(scope="module")
def plan(coarse, tmp_path_factory):
    site = farm(tmp_path_factory.mktemp("farm"), coarse, 154.05, -42.05, 900)
    layers = {}
    made = make_plan(site, each=lambda info, values, grid: layers.update({info.name: values}))
    return made, layers


def test_the_planning_cell_hangs_on_the_dem_and_not_on_the_farm(coarse, tmp_path):
    grids = [
        read_inputs(farm(tmp_path / str(lat), coarse, 154.05, lat, half)).grid
        for lat, half in ((-42.02, 500), (-42.05, 900), (-42.08, 700))
    ]
    assert {grid.cell for grid in grids} == {25.0}
    assert all(grid.transform.c % 25 == 0 and grid.transform.f % 25 == 0 for grid in grids)
    asked = read_inputs(farm(tmp_path / "asked", coarse, 154.05, -42.05, 900, cell_m=40.0))
    assert asked.grid.cell == 40.0


@pytest.mark.parametrize(
    ("cell", "wide", "words"),
    [
        (10.0, 10.0, None),
        (20.0, 5.0, "its cells are 20 m wide"),
        (30.0, 10.0, "small hollows and channels are missing"),
        (50.0, 10.0, "hollows, channels and slope classes are rough guesses"),
        (90.0, 25.0, "Hollows, channels and slope classes cannot be relied on"),
    ],
)
def test_a_dem_is_said_to_be_coarse_by_its_cell(tmp_path, cell, wide, words):
    place = Affine(cell, 0, 620_000, 0, -cell, 5_350_000)
    save(tmp_path / "dem.tif", hills((60, 60), 12), place, CRS)
    middle = (620_000 + 30 * cell, 5_350_000 - 30 * cell)
    lon, lat = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(*middle)
    read = read_inputs(farm(tmp_path / "farm", tmp_path / "dem.tif", lon, lat, 10 * cell))
    said = [note for note in read.notes if "The DEM is coarse" in note]
    assert read.grid.cell == wide
    assert read.dem_cell == pytest.approx(cell, rel=0.01)
    assert bool(said) == bool(words) and (not words or words in said[0])


def test_wide_planning_cells_are_as_coarse_as_a_coarse_dem(tmp_path):
    save(tmp_path / "dem.tif", hills((60, 60), 12), Affine(4, 0, 620_000, 0, -4, 5_350_000), CRS)
    lon, lat = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(
        620_120, 5_349_880
    )
    site = farm(tmp_path / "farm", tmp_path / "dem.tif", lon, lat, 60, cell_m=40.0)
    assert any("The planning cell is coarse: 40 m" in note for note in read_inputs(site).notes)


def test_a_coarse_dem_is_named_in_warnings_cautions_sheets_and_layers(plan):
    made, _ = plan
    assert any("The DEM is coarse: its cells are 93 m wide" in text for text in made.warnings)
    assert any(text.startswith("Coarse heights") and "93 m" in text for text in made.cautions)
    for work in block_works(made):
        assert any(
            "93 m wide, so the ground can be much steeper" in s for s in cautions_of(made, work)
        )
    unsure = {
        name for name, info in made.infos.items() if "With cells of 93 m, as here" in info.method
    }
    assert {
        "slope",
        "channels",
        "hollow_depth",
        "flood_flat",
        "cold_air_depth",
        "wetness",
    } <= unsure
    assert not {"aspect", "hillshade", "soil_depth", "texture_class"} & unsure
    assert "With cells of" not in catalogue("site.toml").info("slope").method


def test_few_cells_are_channel_and_no_farm_is_a_creek_flat(plan):
    made, layers = plan
    inside = made.grid.cover(made.boundary.geometry)
    assert 0 < (layers["channels"][inside] == 1).mean() <= 0.15
    assert not made.zones["title"].str.contains("creek").any()


CAPE = [(18.55, -34.0, 1500), (18.75, -33.6, 1500), (18.40, -34.15, 1500), (18.6, -33.7, 2000)]


@pytest.mark.parametrize("cell_m", [None, 85.0])
@pytest.mark.parametrize(("lon", "lat", "half"), CAPE)
def test_channels_of_real_farms_on_three_arc_seconds(tmp_path, lon, lat, half, cell_m):
    from siteplanner.ground import resolve

    dem = shared("dem/za_cape_3arcsec_epsg4326.tif")
    site = farm(tmp_path, dem, lon, lat, half, "EPSG:32734", cell_m=cell_m)
    read = read_inputs(site)
    wanted = ("channels", "hollow_depth", "dem")
    order = resolve.check(catalogue("s"), wanted[:2], list(resolve.GIVEN), {}, "s")
    layers = resolve.resolve(order, read.given(), wanted, {})
    dry = read.grid.cover(read.boundary.geometry) & ~(layers["hollow_depth"] > 0.5)
    dry &= read.dem > 0
    assert (layers["channels"][dry] == 1).mean() <= 0.15


def test_what_wider_cells_show_of_a_real_hillside():
    """A farmed hillside of 1 m lidar, 5 m cells as the truth: the limits' words hold."""
    with rasterio.open(shared("dem/si_lidar1m_epsg3794.tif")) as file:
        fine = averaged(file.read(1).astype(float), 5)
    kept = {}
    for factor in (2, 6, 12, 18):
        truth = fine[: len(fine) // factor * factor, : len(fine) // factor * factor]
        at = (np.indices(truth.shape) + 0.5) / factor - 0.5
        seen = map_coordinates(averaged(fine, factor), at, order=3, mode="nearest")
        (slope, aspect), (theirs, faces) = shape_of(truth), shape_of(seen)
        turned = np.abs((faces - aspect + 180) % 360 - 180)[slope > 5]
        kept[5 * factor] = (
            np.sqrt(((seen - truth) ** 2).mean()),
            (turned < 45).mean(),
            (theirs[slope >= 20] >= 20).mean(),
        )
    error, facing, steep = np.array(list(kept.values())).T
    assert (error < 2).all() and (facing > 0.85).all(), "heights and aspect hold"
    assert steep[0] > 0.7 and steep[1] < 0.5 and steep[2] < 0.2 and steep[3] < 0.05, steep


def averaged(heights, factor):
    rows, cols = (n // factor for n in heights.shape)
    blocks = heights[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    return blocks.mean(axis=(1, 3))


def shape_of(heights, cell=5.0):
    """Slope and the way it faces, degrees."""
    down, right = np.gradient(heights, cell)
    return np.degrees(np.arctan(np.hypot(down, right))), np.degrees(np.arctan2(-right, down))


def test_edges_of_zones_are_no_stairs_however_wide_the_cells():
    grid = Grid(pyproj.CRS(CRS), Affine(85, 0, 620_000, 0, -85, 5_350_000), (40, 60))
    rows, cols = np.indices(grid.shape)
    labels = (cols > 10 + rows * 0.9).astype(np.int16)
    zones = shapes_of_kinds(GroundTypes(grid, labels), smooth_m=10.0)
    edge = shapely.intersection(*zones.boundary)
    straight = np.hypot(40 * 85, 36 * 85)
    assert straight * 0.97 < edge.length < 1.1 * straight
    for zone, shape in zip(zones["kind"], zones.geometry, strict=True):
        assert shape.area == pytest.approx((labels == zone).sum() * grid.cell_area, rel=0.02)
