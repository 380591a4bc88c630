"""Ground in tiles gives what the whole grid gives, wherever the seams run."""

import json
import time
from dataclasses import dataclass, field

import numpy as np
import pytest
import rasterio
from examples import examples
from ground.surfaces import grid_of, hills
from hypothesis import given, settings
from hypothesis import strategies as st
from shared_data import shared
from typer.testing import CliRunner

from siteplanner.base.errors import InputError
from siteplanner.cli.app import app
from siteplanner.ground.resolve import catalogue, check, resolve
from siteplanner.ground.water.surface_water import flow
from siteplanner.reading.height_step import step_of
from siteplanner.tiled import tile_flow, whole_grid
from siteplanner.tiled.ground import ground_in_tiles, why_not
from siteplanner.tiled.over_tiles import Workers
from siteplanner.tiled.tiles import Box, Lines, cut

long = pytest.mark.long

#: Every kind of reach: cells, neighbours, radii, and each whole-grid layer that tiles can make.
LAYERS = (
    "slope",
    "aspect",
    "hillshade",
    "terrace_smoothed_dem",
    "plan_curvature",
    "topographic_position_30m",
    "topographic_position_600m",
    "ruggedness",
    "depression_filled_dem",
    "flow_direction",
    "flow_accumulation",
    "hollow_depth",
    "wetness",
    "height_above_nearest_drainage",
    "flood_flat",
    "riparian_strip",
    "ls_factor",
    "sun_exposure",
    "sky_view_factor",
    "heat_load",
    "edge_contamination_catchment",
)
SETTINGS = {
    "sun": {"shade_reach": 150.0},
    "channels": {"channel_area": 2000.0},
    "flood_flat": {"stream_area": 4000.0},
}


@dataclass
class Held:
    """A raster in memory that reads and writes as one on the disk does."""

    values: np.ndarray
    raster: "Held" = field(init=False)

    def __post_init__(self):
        self.raster, self.shape = self, self.values.shape

    def read(self, box):
        inside = box.within(self.shape)
        out = np.full(box.shape, np.nan, np.float32)
        whole = Box(0, self.shape[0], 0, self.shape[1])
        out[inside.seen_from(box)] = self.values[inside.seen_from(whole)]
        return out

    def read_plain(self, box):
        return self.values[box.top : box.bottom, box.left : box.right].copy()

    def write(self, box, values):
        self.values[box.top : box.bottom, box.left : box.right] = values


def flow_in_tiles(dem, side):
    """Filled heights, directions and counts of cells, worked out in tiles in memory."""
    boxes, crowd = cut(dem.shape, side), Workers()
    filled = tile_flow.fill(Held(dem), boxes, Held(np.empty_like(dem)), crowd)
    store, direction = Held(np.empty(dem.shape, np.uint8)), Held(np.empty_like(dem))
    steps = tile_flow.ways(filled, boxes, store, crowd)
    tile_flow.finish_ways(filled, store, steps, boxes, direction, crowd)
    links = tile_flow.Links(direction, boxes)
    enter = tile_flow.entering(direction, boxes, links, crowd, "")
    cells = Held(np.empty(dem.shape, np.int32))
    for box in boxes:
        cells.write(box, tile_flow.accumulated(direction, box, links, enter))
    return filled.heights.values, direction.values, cells.values


def same_flow(dem, side):
    filled, direction, area = flow(dem, grid_of(dem.shape, 1.0))
    in_tiles = flow_in_tiles(dem, side)
    assert in_tiles[0].tobytes() == filled.tobytes()
    assert np.array_equal(in_tiles[1], direction, equal_nan=True)
    known = ~np.isnan(area)
    assert np.array_equal(in_tiles[2][known], area[known])


@settings(max_examples=examples(25))
@given(
    seed=st.integers(0, 9999),
    shape=st.tuples(st.integers(1, 17), st.integers(1, 17)),
    side=st.integers(1, 9),
    heights=st.sampled_from([1, 2, 4, 1000]),
    voids=st.integers(0, 3),
)
def test_flats_pits_and_voids_drain_alike_however_the_ground_is_cut(
    seed, shape, side, heights, voids
):
    rng = np.random.default_rng(seed)
    dem = rng.integers(0, heights, shape).astype(np.float32)
    for _ in range(voids):  # voids of up to a third of the ground, so that whole tiles are unknown
        top, left = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        dem[top : top + rng.integers(1, 7), left : left + rng.integers(1, 7)] = np.nan
    same_flow(dem, side)


@pytest.mark.parametrize(
    "side",
    [pytest.param(7, marks=long), 32, pytest.param(60, marks=long), pytest.param(200, marks=long)],
)
def test_hills_drain_alike_however_they_are_cut(side):
    dem = hills((150, 131), 5, relief=60, rough=3)
    dem[40:90, 60:90] = np.minimum(dem[40:90, 60:90], 480)  # a lake across several tiles
    dem[100:, 0:40] = np.nan
    same_flow(dem, side)


def test_level_ground_that_winds_through_all_tiles_drains_to_its_only_end():
    dem = np.full((33, 33), 9, np.float32)
    for turn in range(0, 33, 4):  # a ditch to and fro that leaves the map at its last end
        dem[turn, 1:-1] = 5
        dem[turn : turn + 5, 1 if turn % 8 else 31] = 5
    dem[0], dem[-1] = 9, 9
    dem[32, 16] = 1
    same_flow(dem, 6)


def write_dem(path, dem, grid, **more):
    options = {"crs": grid.crs.to_wkt(), "transform": grid.transform, "nodata": np.nan, **more}
    with rasterio.open(
        path, "w", driver="GTiff", height=dem.shape[0], width=dem.shape[1], count=1,
        dtype=dem.dtype, **options,
    ) as file:  # fmt: skip
        file.write(dem, 1)


def read_layer(path):
    with rasterio.open(path) as file:
        return file.read(1, masked=True).astype(np.float32).filled(np.nan)


def untiled(dem, grid, names, settings):
    """Layers from the resolver on the whole grid."""
    given = {
        "dem": dem,
        "grid": grid,
        "latitude": grid.centre_lonlat[1],
        "height_step": step_of(dem),
        "dem_cell": grid.cell,
    }
    book = catalogue("test", extra=())
    return resolve(check(book, names, list(given), settings, "test"), given, names, settings)


@pytest.mark.parametrize(
    ("seed", "tile", "step"),
    [pytest.param(1, 37, 0.0, marks=long), (2, 30, 1.0), pytest.param(3, 500, 0.0, marks=long)],
)
def test_layers_of_every_reach_are_the_whole_grids_to_the_bit(tmp_path, seed, tile, step):
    dem = hills((90, 75), seed, relief=60, rough=1)
    if step:
        dem = (np.round(dem / step) * step).astype(np.float32)
    dem[30:40, 20:50], dem[70, 3] = np.nan, np.nan
    assert step_of(dem) == step
    # Far from the zone's meridian, where north differs from tile to tile.
    grid = grid_of(dem.shape, 10.0, east_of_meridian=200_000)
    write_dem(tmp_path / "dem.tif", dem, grid)
    whole = untiled(dem, grid, LAYERS, SETTINGS)
    files = ground_in_tiles(
        tmp_path / "dem.tif", tmp_path / "out", LAYERS, tile=tile, settings=SETTINGS
    )
    for name, file in zip(LAYERS, files, strict=True):
        assert np.array_equal(read_layer(file), whole[name], equal_nan=True), name
        assert np.isfinite(whole[name]).any(), name


@long
def test_a_real_dem_in_tiles_is_the_whole_to_the_bit(tmp_path):
    with rasterio.open(shared("dem/us_ca_bigtujunga_30m_epsg32611.tif")) as file:
        metres = file.read(1)[100:400, 300:650]  # whole metres: many flats
    grid = grid_of(metres.shape, 30.0)
    write_dem(tmp_path / "dem.tif", metres, grid, nodata=-32768)
    dem = metres.astype(np.float32)
    names = ("slope", "topographic_position_150m", "flow_direction", "flow_accumulation", "wetness")
    files = ground_in_tiles(tmp_path / "dem.tif", tmp_path / "out", names, tile=133)
    whole = untiled(dem, grid, names, {})
    for name, file in zip(names, files, strict=True):
        assert np.array_equal(read_layer(file), whole[name], equal_nan=True), name
    same_flow(dem, 61)


@long
def test_water_that_parts_is_the_whole_grids_within_a_millionth(tmp_path, monkeypatch):
    monkeypatch.setattr(whole_grid, "OVERLAP", 3)  # so that water crosses seams many times
    dem = hills((120, 100), 4, relief=80, rough=0.5)
    grid = grid_of(dem.shape, 5.0)
    write_dem(tmp_path / "dem.tif", dem, grid)
    (file,) = ground_in_tiles(
        tmp_path / "dem.tif", tmp_path / "out", ["specific_contributing_area"], tile=20
    )
    whole = untiled(dem, grid, ["specific_contributing_area"], {})["specific_contributing_area"]
    assert read_layer(file) == pytest.approx(whole, rel=1e-6)
    assert whole.max() > 1000 * 5


def test_the_number_of_workers_changes_no_byte(tmp_path):
    dem = hills((80, 90), 6, relief=60)
    write_dem(tmp_path / "dem.tif", dem, grid_of(dem.shape, 10.0))
    names = ["flow_direction", "wetness", "topographic_position_150m"]
    for workers in (1, 3):
        ground_in_tiles(
            tmp_path / "dem.tif", tmp_path / str(workers), names, tile=32, workers=workers
        )
    files = sorted(p.name for p in (tmp_path / "1").iterdir())
    assert files == sorted([*(f"{n}.tif" for n in names), "plan.json"])
    for name in files:
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "3" / name).read_bytes(), name


def test_tiles_that_wait_for_a_slow_disk_are_few():
    begun, ahead, order = [], [], []

    class Slow:
        def write(self, box, values):
            time.sleep(0.01)
            order.append(box)
            ahead.append(len(begun) - len(order))

    def work(box):
        begun.append(box)
        return {"layer": box}, box.top

    boxes = cut((40, 1), 1)
    told = Workers(2).over("", boxes, work, {"layer": Slow()})
    assert told == list(range(40)) and order == boxes
    assert max(ahead) <= 3


def test_lines_hold_what_lies_around_each_tile():
    values = np.arange(48.0).reshape(6, 8)
    boxes = cut(values.shape, 3)
    for away in (0, 1, 4):
        lines = Lines(values.shape, boxes, away, np.float64, -1.0)
        for box in boxes:
            lines.lay(box, lines.crossing(box, values[box.top : box.bottom, box.left : box.right]))
        padded = np.pad(values, 6, constant_values=-1.0)
        for box in boxes:
            ring = lines.ring(box)
            top, left = box.top - away - 1 + 6, box.left - away - 1 + 6
            there = padded[top : top + ring.shape[0], left : left + ring.shape[1]]
            for edge in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
                assert np.array_equal(ring[edge], there[edge])


def test_layers_that_cannot_be_made_in_tiles_are_refused_by_name(tmp_path):
    dem = hills((40, 40), 7)
    path, out = tmp_path / "dem.tif", tmp_path / "out"
    write_dem(path, dem, grid_of(dem.shape, 10.0))
    with pytest.raises(InputError) as refused:
        ground_in_tiles(path, out, ["landform", "soil_ph", "slop", "slope"])
    first, second, third = (str(detail) for detail in refused.value.errors)
    assert "landform" in first and "whole grid" in first and "siteplanner plan" in first
    assert "soil_ph needs soils" in second
    assert "'slop'" in third and "slope" in third
    assert not out.exists()
    with pytest.raises(InputError, match="breach"):
        ground_in_tiles(path, out, ["slope"], settings={"flow": {"breach": 5.0}})
    with pytest.raises(InputError, match="no layer is named"):
        ground_in_tiles(path, out, [])
    book = catalogue("test", extra=())
    assert why_not(book, "landform") and not why_not(book, "wetness")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"crs": None}, "no coordinate reference system"),
        ({"crs": "EPSG:4326"}, "not projected in metres"),
        ({"crs": "EPSG:3857"}, "lengths on its map are up to 3[78] % longer"),
        ({"transform": rasterio.Affine(10, 0, 0, 0, -20, 0)}, "not square"),
        ({"transform": rasterio.Affine(7, 7, 0, 7, -7, 0)}, "not square"),
    ],
)
def test_a_dem_that_cannot_be_used_is_named_with_the_remedy(tmp_path, change, words):
    dem = hills((20, 20), 8)
    path = tmp_path / "dem.tif"
    write_dem(path, dem, grid_of(dem.shape, 10.0), **change)
    with pytest.raises(InputError, match=words) as refused:
        ground_in_tiles(path, tmp_path / "out", ["slope"])
    assert str(path) in str(refused.value)


@pytest.mark.parametrize("value", [0.0, -9999.0, 77.0])
@pytest.mark.parametrize("tile", [64, 128])
def test_undeclared_voids_are_unknown_in_every_tile(tmp_path, value, tile):
    dem = hills((128, 128), 7) + np.float32(300)
    dem[40:70, 50:90] = value  # over the seams of four tiles
    dem[5:10, 100:108] = value
    write_dem(tmp_path / "dem.tif", dem, grid_of(dem.shape, 5.0))
    notes = []
    [made] = ground_in_tiles(tmp_path / "dem.tif", tmp_path / "out", ["slope"], tile=tile,
                             notes=notes)  # fmt: skip
    with rasterio.open(made) as file:
        unknown = np.isnan(file.read(1))
    assert unknown[dem == value].all() and unknown.mean() < 0.15
    [said] = notes
    assert f"{value:g} on 1,240 cells" in said and "--all-heights" in said
    assert json.loads((tmp_path / "out" / "plan.json").read_text())["warnings"] == notes
    [made] = ground_in_tiles(tmp_path / "dem.tif", tmp_path / "out", ["slope"], tile=tile,
                             notes=(kept := []), all_heights=True)  # fmt: skip
    with rasterio.open(made) as file:
        assert np.isfinite(file.read(1)[42:68, 52:88]).all() and kept == []


def test_a_sea_with_one_void_in_it_all_stays(tmp_path):
    dem = hills((128, 128), 7)
    dem = np.maximum(dem - np.quantile(dem, 0.2), 0).astype(np.float32)
    top, left = (min(max(v - 5, 0), 117) for v in np.unravel_index(dem.argmax(), dem.shape))
    dem[top : top + 10, left : left + 10] = 0  # cliffs round it, but 0 is the sea elsewhere
    write_dem(tmp_path / "dem.tif", dem, grid_of(dem.shape, 5.0))
    notes = []
    ground_in_tiles(tmp_path / "dem.tif", tmp_path / "out", ["slope"], tile=64, notes=notes)
    assert notes == []


def test_a_coarse_dem_is_said_to_be_coarse(tmp_path):
    dem = hills((70, 70), 9)
    write_dem(tmp_path / "dem.tif", dem, grid_of(dem.shape, 50.0))
    run = CliRunner().invoke(
        app, ["ground", str(tmp_path / "dem.tif"), "--out", str(tmp_path / "out"),
              "--layers", "slope,aspect"],
    )  # fmt: skip
    assert run.exit_code == 0 and "note: The DEM is coarse: its cells are 50 m wide" in run.stdout
    with rasterio.open(tmp_path / "out" / "slope.tif") as file:
        assert "With cells of 50 m, as here, slope classes" in file.tags()["method"]
    with rasterio.open(tmp_path / "out" / "aspect.tif") as file:
        assert "With cells of" not in file.tags()["method"]


def test_the_command_writes_whole_folders_only(tmp_path):
    dem = hills((70, 70), 9)
    path, out = tmp_path / "dem.tif", tmp_path / "out"
    write_dem(path, dem, grid_of(dem.shape, 10.0))
    run = CliRunner().invoke(
        app, ["ground", str(path), "--out", str(out), "--layers", "slope,aspect", "--tile", "64"]
    )
    assert run.exit_code == 0, run.output
    assert "Aspect, slope …" in run.stderr and f"written: {out}" in run.stdout
    assert sorted(p.name for p in out.iterdir()) == ["aspect.tif", "plan.json", "slope.tif"]
    with rasterio.open(out / "slope.tif") as file:
        assert file.tags()["unit"] == "degrees" and file.block_shapes == [(64, 64)]
    made_of = json.loads((out / "plan.json").read_text())
    assert made_of["grid"]["rows"] == 70 and set(made_of["files"]) == {"slope.tif", "aspect.tif"}
    before = (out / "slope.tif").read_bytes()
    path.write_bytes(path.read_bytes()[:3000])  # a DEM cut short fails midway
    run = CliRunner().invoke(
        app, ["ground", str(path), "--out", str(out), "--layers", "slope", "--quiet"]
    )
    assert isinstance(run.exception, InputError), run.exception
    assert (out / "slope.tif").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dem.tif", "out"]
