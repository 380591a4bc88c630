"""Map tiles: any program for MBTiles reads them, and everything stands where it is."""

import io
import sqlite3
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
import shapely
from made_plan import made_plan
from PIL import Image, ImageColor, ImageDraw
from pyproj import CRS, Transformer

from siteplanner.handover.gis import tiles
from siteplanner.handover.gis.tiles import write_tiles


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def file(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("tiles") / "plan.mbtiles"
    write_tiles(plan, path)
    return path


def pixel(file, zoom, x, y):
    """Colour of the tile's pixel over a place in web Mercator, read by the standard's own rules."""
    side = 2 * np.pi * 6378137 / 2**zoom
    column, row = (x + np.pi * 6378137) / side, (np.pi * 6378137 - y) / side
    with sqlite3.connect(file) as base:
        ((data,),) = base.execute(
            "select tile_data from tiles where zoom_level = ? and tile_column = ? and tile_row = ?",
            (zoom, int(column), 2**zoom - 1 - int(row)),
        ).fetchall()
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    assert picture.size == (256, 256)
    return picture.getpixel((int(column % 1 * 256), int(row % 1 * 256)))


def test_gdal_reads_the_tiles_where_the_property_is(plan, file):
    with rasterio.open(file) as read:
        assert read.driver == "MBTiles" and read.crs.to_epsg() == 3857
        west, south, east, north = read.bounds
    area = plan.boundary.to_crs(3857).total_bounds
    assert (area[:2] > [west - 0.1, south - 0.1]).all()
    assert (area[2:] < [east + 0.1, north + 0.1]).all()
    with sqlite3.connect(file) as base:
        said = dict(base.execute("select name, value from metadata"))
        zooms = [zoom for (zoom,) in base.execute("select distinct zoom_level from tiles")]
    bounds = np.array(said["bounds"].split(","), float)
    assert bounds == pytest.approx(plan.boundary.to_crs(4326).total_bounds, abs=2e-6)
    assert (int(said["minzoom"]), int(said["maxzoom"])) == (min(zooms), max(zooms)) == (14, 18)


def test_each_tree_has_its_species_colour_at_its_place(plan, file):
    move = Transformer.from_crs(plan.grid.crs, 3857, always_xy=True)
    places = np.column_stack(
        move.transform(*shapely.get_coordinates(plan.trees.geometry.to_numpy()).T)
    )
    right = 0
    chosen = range(0, len(places), 12)
    for at in chosen:
        want = ImageColor.getrgb(plan.species["colour"].iloc[plan.tree_species[at]])
        found = pixel(file, 18, *places[at])
        right += max(abs(a - b) for a, b in zip(want, found, strict=True)) < 24
    assert right > 0.8 * len(chosen)  # names and numbers cover some


def test_same_plan_same_bytes(plan, file, tmp_path):
    write_tiles(plan, tmp_path / "again.mbtiles")
    assert (tmp_path / "again.mbtiles").read_bytes() == file.read_bytes()


def test_a_property_across_the_180th_meridian_has_tiles_as_fine(plan, file, tmp_path):
    west, south, *_ = plan.grid.bounds
    at = Transformer.from_crs(plan.grid.crs, 4326, always_xy=True).transform(
        west + 200, south + 150
    )
    across = CRS(f"+proj=tmerc +lat_0={at[1]} +lon_0=180 +x_0={west + 200} +y_0={south + 150}")
    frames = ("zones", "blocks", "rows", "trees", "boundary", "paddocks", "no_plant", "setbacks")
    moved = replace(
        plan,
        grid=replace(plan.grid, crs=across),
        **{name: getattr(plan, name).set_crs(across, allow_override=True) for name in frames},
    )
    write_tiles(moved, tmp_path / "across.mbtiles")
    found = []
    for path in (file, tmp_path / "across.mbtiles"):
        with sqlite3.connect(path) as base:
            found.append(base.execute(
                "select zoom_level, count(*), max(tile_column) from tiles group by zoom_level"
            ).fetchall())  # fmt: skip
    assert [zoom for zoom, *_ in found[1]] == [zoom for zoom, *_ in found[0]]
    assert found[1][-1][1] <= 2 * found[0][-1][1] and found[1][-1][2] == 2**18 - 1


def test_stamped_dots_are_those_drawn_one_by_one(monkeypatch):
    monkeypatch.setattr(tiles, "_AT_ONCE", 50)
    colours = [(200, 20, 20), (20, 200, 20), (20, 20, 200)]
    random = np.random.default_rng(1)
    places = random.uniform(-5, 95, (300, 2))  # so near that many cover others, some off the edge
    kinds = random.integers(0, 3, 300)
    one_by_one = Image.new("RGB", (90, 90), "white")
    draw = ImageDraw.Draw(one_by_one)
    for (x, y), kind in zip(places.tolist(), kinds, strict=True):
        draw.ellipse((x - 2.5, y - 2.5, x + 2.5, y + 2.5), fill=colours[kind], outline="black")
    blank = Image.new("RGB", (90, 90), "white")
    stamped = tiles._dotted(blank, places, kinds, SimpleNamespace(colours=colours), 2.5)
    assert np.array_equal(np.asarray(stamped), np.asarray(one_by_one))
