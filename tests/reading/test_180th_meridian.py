"""A property on both sides of the 180th meridian is planned as any other."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from bad_inputs.good_site import change
from made_plan import made_plan
from site_around import site_around

from siteplanner.base.crs import cut_at_180, past_180, web_map
from siteplanner.handover.gis.handheld import write_handheld
from siteplanner.handover.map.ground import MapFrame
from siteplanner.reading.inputs import read_inputs
from siteplanner.site.site_file import load_site

LAT, CELL, CELLS = -42.0, 1 / 3600 / 8, 120  # open sea; degrees
UTM = pyproj.CRS("EPSG:32760")
TO_DEGREES = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)


def height(lon, lat):
    """Made-up ground, m, by degrees counted from the meridian and the middle."""
    return 300 + 4000 * (lon % 360 - 180) + 7000 * (lat - LAT)


def write(path, west, cells):
    lon = west + (np.arange(cells) + 0.5) * CELL
    lat = LAT + (CELLS / 2 - np.arange(CELLS) - 0.5) * CELL
    profile = {"driver": "GTiff", "width": cells, "height": CELLS, "count": 1, "dtype": "float32",
               "crs": "EPSG:4326",
               "transform": Affine(CELL, 0, west, 0, -CELL, LAT + CELLS / 2 * CELL)}  # fmt: skip
    with rasterio.open(path, "w", **profile) as file:
        file.write(height(*np.meshgrid(lon, lat)).astype(np.float32), 1)
    return path.name


def site_across(folder, dem):
    """A site of 100 m by 80 m whose outline is cut at the meridian; its site file and shape."""
    folder.mkdir()
    half = CELLS // 2
    files = {
        "past 180": lambda: write(folder / "a.tif", 180 - half * CELL, CELLS),
        "before -180": lambda: write(folder / "a.tif", -180 - half * CELL, CELLS),
        "two tiles": lambda: [
            write(folder / "b.tif", -180, half),
            write(folder / "c.tif", 180 - half * CELL, half),
        ],
    }[dem]()
    there = pyproj.Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    x, y = there.transform(180.0, LAT)
    square = shapely.box(x - 60, y - 40, x + 40, y + 40)
    path = site_around(folder, {"file": files, "margin_m": 30.0}, square, UTM)

    def degrees(xy):
        lon, lat = TO_DEGREES.transform(*xy.T)
        return np.column_stack([past_180(lon), lat])

    outline = shapely.MultiPolygon(cut_at_180(shapely.transform(square, degrees)))
    assert len(outline.geoms) == 2 and np.ptp(shapely.get_coordinates(outline)[:, 0]) > 359
    land = gpd.GeoDataFrame({"name": ["All"], "plant": [1]}, geometry=[outline], crs=4326)
    land.to_file(folder / "land.gpkg", layer="land")
    return path, square


@pytest.mark.parametrize("dem", ["past 180", "before -180", "two tiles"])
def test_outline_and_heights_on_both_sides_are_one(tmp_path, dem):
    path, square = site_across(tmp_path / "site", dem)
    inputs = read_inputs(load_site(path))
    assert inputs.grid.crs == UTM
    [outline] = shapely.get_parts(inputs.boundary.union_all())
    assert outline.symmetric_difference(square).area < 0.05
    rows, cols = np.indices(inputs.grid.shape)
    x, y = inputs.grid.transform @ (cols.ravel() + 0.5, rows.ravel() + 0.5)
    lon, lat = TO_DEGREES.transform(x, y)
    known = np.isfinite(inputs.dem)
    assert known[inputs.grid.cover([square])].all()
    off = inputs.dem.ravel() - height(lon, lat)
    assert np.abs(off[known.ravel()]).max() < 0.02


def test_a_working_crs_may_be_named(tmp_path):
    path, _ = site_across(tmp_path / "site", "past 180")
    change(path, site={"crs": "EPSG:32701"})  # the zone east of the meridian
    assert read_inputs(load_site(path)).grid.crs == pyproj.CRS("EPSG:32701")


def plan_across():
    """The hand-made plan, its middle moved to the meridian."""
    crs = pyproj.CRS("+proj=tmerc +lon_0=180 +k=1 +x_0=620100 +y_0=10000000 +datum=WGS84")
    plan = made_plan()
    frames = {name: getattr(plan, name).set_crs(crs, allow_override=True)
              for name in ("blocks", "rows", "trees", "zones", "boundary")}  # fmt: skip
    return replace(plan, grid=replace(plan.grid, crs=crs), **frames)


def test_files_for_handhelds_are_cut_at_the_meridian(tmp_path):
    plan = plan_across()
    write_handheld(plan, tmp_path)
    trees = gpd.read_file(tmp_path / "trees.geojson").geometry.x
    assert len(trees) == len(plan.trees) and (trees > 179.99).any() and (trees < -179.99).any()
    assert np.abs(trees).between(179.99, 180).all()
    tracks = gpd.read_file(tmp_path / "trees.gpx", layer="tracks")
    outlines = tracks[tracks["name"].str.endswith("outline")]
    shapes = [*tracks.geometry, *gpd.read_file(tmp_path / "trees.kml", layer="A1").geometry]
    lines = [part for shape in shapes for part in shapely.get_parts(shape)]
    xs = [shapely.get_coordinates(line)[:, 0] for line in lines]
    assert all(np.ptp(x) < 0.1 and np.abs(x).max() <= 180 for x in xs)
    assert any(len(shape.geoms) > 1 for shape in outlines.geometry)  # one that was cut


def test_the_map_is_in_one_piece():
    frame = MapFrame.around(plan_across().boundary.geometry)
    assert frame.width < 1000 and frame.crs in (web_map(179.9), web_map(-179.9))
    world = pyproj.Transformer.from_crs("EPSG:4326", web_map(179.0), always_xy=True)
    usual = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    assert world.transform(179.0, LAT) == pytest.approx(usual.transform(179.0, LAT))
    assert world.transform(-179.0, LAT)[0] > usual.transform(180.0, LAT)[0]


def test_far_from_the_meridian_nothing_is_cut():
    shape = shapely.box(147.0, -42.0, 147.1, -41.9)
    assert cut_at_180(shape) == [shape] and web_map(147.0) == "EPSG:3857"
