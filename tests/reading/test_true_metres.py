"""Metres are metres on the ground, whatever CRS the data come in.

Lengths and areas are held to geodesics on the ellipsoid (pyproj.Geod; Karney 2013, from memory)
and scale factors to PROJ's own.
"""

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from bad_inputs.good_site import change
from conftest import here
from hypothesis import given
from hypothesis import strategies as st
from rasterio.transform import from_origin
from scipy.spatial import KDTree
from site_around import site_around

from siteplanner.base.errors import InputError
from siteplanner.reading.files.true_metres import metric_crs, stretch
from siteplanner.reading.inputs import read_inputs
from siteplanner.reading.kept_blocks import read_kept_blocks
from siteplanner.run import make_plan
from siteplanner.site.site_file import load_site

EARTH = pyproj.Geod(ellps="WGS84")
LON, LAT = 154.4, -42.0  # open sea
CELLS = 48
EAST, SOUTH = 0.1234, 0.0567  # heights rise by that much a cell, m


def lonlat(crs, x, y):
    return pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)


def site_at(folder, crs, lon=LON, lat=LAT, across=100.0, asked=None):
    """Write a site of gently sloping ground in a CRS, ``across`` of its metres; its site file."""
    folder.mkdir(parents=True)
    cell = across / 20
    there = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    x, y = (round(v) for v in there.transform(lon, lat))
    west, north = x - CELLS / 2 * cell, y + CELLS / 2 * cell
    rows, cols = np.mgrid[:CELLS, :CELLS]
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=CELLS, height=CELLS, count=1,
        dtype="float32", crs=crs, transform=from_origin(west, north, cell, cell),
    ) as file:  # fmt: skip
        file.write((300 + EAST * cols + SOUTH * rows).astype(np.float32), 1)
    square = shapely.Point(x, y).buffer(across / 2, cap_style="square")
    path = site_around(folder, {"file": "dem.tif", "margin_m": 20.0}, square, crs)
    head, *species = (folder / "species.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "species.csv").write_text("".join([head, *species[::4]]), "utf-8")
    change(path, site={"crs": asked})
    return path


def true_area(folder):
    """Area of the property on the ellipsoid, m2; outlines are straight in their own CRS."""
    land = gpd.read_file(folder / "land.gpkg")
    shapes = land.geometry.segmentize(20).to_crs(4326)
    return sum(abs(EARTH.geometry_area_perimeter(shape)[0]) for shape in shapes)


def height_error(folder, inputs):
    """Largest error of heights in the property, m: those of the DEM's plane at the same place.

    GDAL places what it resamples to an eighth of a cell.
    """
    grid = inputs.grid
    rows, cols = np.nonzero(grid.cover(inputs.boundary.geometry))
    x, y = grid.transform @ (cols + 0.5, rows + 0.5)
    with rasterio.open(folder / "dem.tif") as file:
        back = pyproj.Transformer.from_crs(grid.crs, file.crs.to_wkt(), always_xy=True)
        col, row = ~file.transform @ back.transform(x, y)
    plane = 300 + EAST * (col - 0.5) + SOUTH * (row - 0.5)
    return np.abs(inputs.dem[rows, cols] - plane).max()


def off_the_ground(crs, x, y, step=100.0):
    """Largest share by which steps on the map, in eight directions, differ from geodesics."""
    turn = np.radians(np.arange(0, 360, 45))[:, None]
    x, y = np.broadcast_arrays(np.atleast_1d(x), np.atleast_1d(y))
    ends = lonlat(crs, x + step * np.sin(turn), y + step * np.cos(turn))
    starts = (np.broadcast_to(v, ends[0].shape) for v in lonlat(crs, x, y))
    _, _, metres = EARTH.inv(*starts, *ends)
    return float(np.abs(step / metres - 1).max())


def corners(bounds):
    west, south, east, north = bounds
    return np.array([west, east, west, east]), np.array([south, south, north, north])


@pytest.fixture(scope="module")
def mercator(tmp_path_factory):
    """The plan of a site whose data are all in EPSG:3857, and its folder."""
    folder = tmp_path_factory.mktemp("mercator") / "site"
    path = site_at(folder, "EPSG:3857", across=150.0)
    land = gpd.read_file(folder / "land.gpkg")
    west, south, east, north = land.total_bounds
    line = shapely.LineString([(west, south + 40), (east, north - 60)])
    gpd.GeoDataFrame({"kind": ["power_line"], "name": ["Line"]}, geometry=[line], crs=land.crs
    ).to_file(folder / "no_plant.gpkg")  # fmt: skip
    change(path, no_plant={"file": "no_plant.gpkg"})
    return folder, make_plan(load_site(path))


def test_a_property_in_web_mercator_is_planned_at_its_true_area(mercator):
    folder, plan = mercator
    assert plan.boundary.area.sum() == pytest.approx(true_area(folder), rel=0.002)


def test_its_trees_are_the_spacing_apart_on_the_ground(mercator):
    _, plan = mercator
    nearest = []
    for _, trees in plan.trees.groupby("block"):
        spots = np.column_stack([trees.geometry.x, trees.geometry.y])
        _, of = KDTree(spots).query(spots, k=2)
        lon, lat = lonlat(trees.crs, *spots.T)
        nearest.append(EARTH.inv(lon, lat, lon[of[:, 1]], lat[of[:, 1]])[2])
    metres = np.concatenate(nearest)
    assert len(metres) > 200
    # All but a corner that has only the tree across.
    assert metres.min() > 4 * 0.997 and (metres < 4 * 1.003).mean() > 0.99


def test_its_power_line_is_kept_clear_of_by_true_metres(mercator):
    folder, plan = mercator
    line = gpd.read_file(folder / "no_plant.gpkg").geometry.segmentize(1.3).to_crs(4326)
    x, y = shapely.get_coordinates(line.to_numpy()).T
    lon, lat = lonlat(plan.trees.crs, plan.trees.geometry.x, plan.trees.geometry.y)
    metres = EARTH.inv(*np.broadcast_arrays(lon[:, None], lat[:, None], x, y))[2].min(axis=1)
    assert 20 * 0.999 <= metres.min() < 20 + 4


def test_the_plan_and_check_say_where_the_site_was_worked(mercator):
    folder, plan = mercator
    [said] = [note for note in plan.warnings if "WGS 84 / UTM zone 56S" in note]
    assert "WGS 84 / Pseudo-Mercator" in said and "up to 35 % longer" in said
    told = here("check", folder / "site.toml")
    assert told.returncode == 0 and said in told.stdout


@pytest.mark.parametrize(
    ("crs", "lon", "lat", "worked"),
    [
        pytest.param("EPSG:3577", LON, LAT, "EPSG:32756", id="equal-area, 3 % off"),
        pytest.param(
            "EPSG:6933",
            -20.0,
            45.0,
            "EPSG:32627",
            id="equal-area, 22 % off",
            marks=pytest.mark.long,
        ),
        pytest.param("EPSG:32755", 156.1, LAT, "EPSG:32757", id="UTM zone next but one"),
        pytest.param("EPSG:32755", 150.5, LAT, "EPSG:32755", id="a little past its UTM zone"),
        pytest.param(
            "EPSG:32631", 5.999, 0.2, "EPSG:32631", id="edge of a UTM zone", marks=pytest.mark.long
        ),
        pytest.param("EPSG:3857", 5.0, 0.1, "EPSG:32631", id="web map, true from east to west"),
        pytest.param("EPSG:3857", -179.999, 10.0, "EPSG:32601", id="beside the 180th meridian"),
        pytest.param("EPSG:5041", 10.0, 83.9, "EPSG:32632", id="polar, in a UTM zone"),
        pytest.param("EPSG:2193", 172.0, -43.0, "EPSG:2193", id="a national grid in its middle"),
    ],
)
def test_the_working_crs_is_true_to_scale(tmp_path, crs, lon, lat, worked):
    inputs = read_inputs(load_site(site_at(tmp_path / "site", crs, lon, lat)))
    assert inputs.grid.crs == pyproj.CRS(worked)
    assert off_the_ground(inputs.grid.crs, *corners(inputs.boundary.total_bounds)) <= 0.001
    assert inputs.boundary.area.sum() == pytest.approx(true_area(tmp_path / "site"), rel=0.002)
    said = [note for note in inputs.notes if "not true to scale" in note]
    assert len(said) == (worked != crs)
    assert height_error(tmp_path / "site", inputs) < (EAST + SOUTH) / 8


@pytest.mark.long
@pytest.mark.parametrize(
    ("crs", "lon", "lat", "across", "middle"),
    [
        pytest.param("EPSG:5041", 25.2, 86.0, 2000.0, 25, id="beyond 84 degrees north"),
        pytest.param("EPSG:5042", -140.0, -85.0, 2000.0, -140, id="beyond 80 degrees south"),
        pytest.param("EPSG:5041", 0.0, 90.0, 2000.0, None, id="over the pole"),
        pytest.param("EPSG:3857", 6.0, 0.1, 8000.0, 6, id="wide, on the edge of two UTM zones"),
    ],
)
def test_where_no_utm_zone_is_true_the_crs_is_the_property_s_own(
    tmp_path, crs, lon, lat, across, middle
):
    inputs = read_inputs(load_site(site_at(tmp_path / "site", crs, lon, lat, across)))
    found = inputs.grid.crs
    assert found.coordinate_operation.method_name == "Transverse Mercator"
    if middle is not None:
        about = {part.name: part.value for part in found.coordinate_operation.params}
        assert about["Longitude of natural origin"] == middle
    assert off_the_ground(found, *corners(inputs.boundary.total_bounds)) <= 0.001
    assert any("not true to scale" in note and found.name in note for note in inputs.notes)
    assert height_error(tmp_path / "site", inputs) < (EAST + SOUTH) / 8
    # A file that goes out and comes back is in the same CRS.
    inputs.boundary.to_file(tmp_path / "out.gpkg")
    assert gpd.read_file(tmp_path / "out.gpkg").crs == found


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("EPSG:3857", "up to 35 % longer than on the ground; leave it out, or write EPSG:32756"),
        pytest.param(
            "EPSG:3577",
            "up to 2.6 % longer than on the ground; leave it out, or write EPSG:32756",
            marks=pytest.mark.long,
        ),
        ("EPSG:5042", "another part of the earth"),
    ],
)
def test_a_crs_that_was_asked_for_is_refused_with_the_figure(tmp_path, asked, words):
    path = site_at(tmp_path / "site", "EPSG:32756", asked=asked)
    with pytest.raises(InputError) as refused:
        read_inputs(load_site(path))
    [error] = refused.value.errors
    assert error.where == "site.crs" and words in str(error)


def test_a_crs_that_was_asked_for_and_is_true_is_used(tmp_path):
    inputs = read_inputs(load_site(site_at(tmp_path / "site", "EPSG:3857", asked="EPSG:7856")))
    assert inputs.grid.crs == pyproj.CRS("EPSG:7856")
    assert inputs.boundary.area.sum() == pytest.approx(true_area(tmp_path / "site"), rel=0.002)
    assert not any("not true to scale" in note for note in inputs.notes)


def test_a_dem_in_feet_is_worked_in_metres(tmp_path):
    # EPSG:2225 is in US survey feet.
    inputs = read_inputs(load_site(site_at(tmp_path / "site", "EPSG:2225", -123.5, 40.3, 600.0)))
    assert inputs.grid.crs == pyproj.CRS("EPSG:32610")
    assert inputs.boundary.area.sum() == pytest.approx(true_area(tmp_path / "site"), rel=0.002)
    assert height_error(tmp_path / "site", inputs) < (EAST + SOUTH) / 8


def test_a_boundary_in_web_mercator_goes_with_a_dem_that_is_true(tmp_path):
    path = site_at(tmp_path / "site", "EPSG:7856")
    land = gpd.read_file(tmp_path / "site" / "land.gpkg")
    land.to_crs(3857).to_file(tmp_path / "site" / "land.gpkg")
    inputs = read_inputs(load_site(path))
    assert inputs.grid.crs == pyproj.CRS("EPSG:7856")
    assert inputs.boundary.area.sum() == pytest.approx(land.area.sum(), rel=1e-6)
    assert not any("not true to scale" in note for note in inputs.notes)


def test_the_property_counts_and_not_the_far_ends_of_its_dem(tmp_path):
    path = site_at(tmp_path / "site", "EPSG:32631", 5.99, 0.1)
    with rasterio.open(
        tmp_path / "site" / "dem.tif", "w", driver="GTiff", width=4000, height=20, count=1,
        dtype="float32", crs="EPSG:4326", transform=from_origin(5.98, 0.101, 0.0001, 0.0001),
    ) as file:  # fmt: skip
        file.write(np.full((20, 4000), 300, np.float32), 1)  # its middle is in the next zone
    assert read_inputs(load_site(path)).grid.crs == pyproj.CRS("EPSG:32631")


def test_blocks_kept_in_a_crs_that_is_not_true_are_refused_with_what_helps(mercator, tmp_path):
    folder, plan = mercator
    site = load_site(folder / "site.toml")
    file = tmp_path / "blocks.gpkg"
    plan.blocks.assign(status="printed", until=0).to_crs(3857).to_file(file, layer="blocks")
    plan.trees.to_crs(3857).to_file(file, layer="trees")
    kept = site.model_copy(update={"blocks": site.blocks.model_copy(update={"file": str(file)})})
    with pytest.raises(InputError, match="save the layer in the site's CRS") as refused:
        read_kept_blocks(kept, plan.grid.crs)
    assert "[site] crs" not in str(refused.value)


@given(st.floats(-180, 180), st.floats(-90, 90), st.floats(50, 50_000), st.floats(0, 360))
def test_lengths_are_true_in_the_crs_of_any_place(lon, lat, across, turn):
    ways = turn + np.arange(0, 360, 90)
    ends = EARTH.fwd(np.full(4, lon), np.full(4, lat), ways, np.full(4, across / 2))
    spots = np.append(lon, ends[0]), np.append(lat, ends[1])
    crs = metric_crs(*spots)
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(*spots)
    assert off_the_ground(crs, x, y) <= 0.001 + 1e-6
    factors = pyproj.Proj(crs).get_factors(*spots)
    for scale in (factors.meridional_scale, factors.parallel_scale):
        assert np.abs(scale - 1).max() <= 0.001
    assert np.abs(factors.areal_scale - 1).max() <= 0.00201
    assert abs(stretch(crs, *spots)) <= 0.001
