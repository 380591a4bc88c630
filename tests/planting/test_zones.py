"""Zones and blocks: right kinds, nothing too narrow, no gap and no overlap, steady under noise."""

import shutil

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from conftest import SITE
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy.ndimage import binary_opening, gaussian_filter

from siteplanner.base.grid import Grid
from siteplanner.planting.zones.blocks import blocks_of, name_blocks
from siteplanner.planting.zones.setbacks import plantable_area, with_setbacks
from siteplanner.planting.zones.zones import (
    NOTHING_FITS,
    TOO_STEEP,
    _disc,
    _opened,
    kinds_of_ground,
    shapes_of_kinds,
)
from siteplanner.site.site_file import load_site
from siteplanner.suitability.of_site import assessed

GRID = Grid(pyproj.CRS("EPSG:32756"), Affine(2, 0, 600000, 0, -2, 5300000), (120, 160))
ROWS, COLS = np.mgrid[:120, :160]


def kinds(scores, *, slope=None, smallest_m2=400.0, width=12.0, most=8):
    return kinds_of_ground(
        np.stack(scores).astype(np.uint8),
        np.zeros(GRID.shape, np.float32) if slope is None else slope.astype(np.float32),
        np.ones(GRID.shape, dtype=bool),
        GRID,
        kinds=most,
        smallest_m2=smallest_m2,
        smooth_m=4.0,
        smallest_width_m=width,
        steepest_deg=38.0,
        lowest_suitability=40,
    )


def test_ground_on_which_the_same_species_fit_is_one_kind():
    wet, dry = np.where(COLS < 70, 90, 10), np.where(COLS < 70, 10, 90)
    labels = kinds([wet, dry]).labels
    assert np.unique(labels).tolist() == [0, 1]
    # The larger is kind 0; the line between runs where the ground changes.
    assert (labels[:, 75:] == 0).all() and (labels[:, :65] == 1).all()


def test_scores_that_nobody_would_plant_on_make_no_kinds():
    assert np.unique(kinds([np.full(GRID.shape, 90), np.where(COLS < 80, 0, 39)]).labels) == [0]


def test_flat_and_steep_ground_are_two_kinds_even_if_the_same_species_fit():
    slope = np.where(COLS < 60, 1, 30)
    labels = kinds([np.full(GRID.shape, 90)], slope=slope).labels
    assert (labels[:, 65:] == 0).all() and (labels[:, :55] == 1).all()
    gentle = np.where(COLS < 60, 1, 8)
    assert np.unique(kinds([np.full(GRID.shape, 90)], slope=gentle).labels) == [0]


def test_where_nothing_fits_and_where_it_is_too_steep_are_kinds_of_their_own():
    slope = np.where(COLS > 120, 50, 5)
    labels = kinds([np.where(COLS < 60, 20, 90)], slope=slope).labels
    assert set(np.unique(labels)) == {0, NOTHING_FITS, TOO_STEEP}
    assert (labels[:, :55] == NOTHING_FITS).all() and (labels[:, 125:] == TOO_STEEP).all()


def test_strips_and_specks_join_the_ground_around_them():
    strip = np.where(abs(COLS - 80) < 2, 10, 90)
    speck = np.where((abs(COLS - 30) < 4) & (abs(ROWS - 30) < 4), 10, 90)
    other = 100 - np.minimum(strip, speck)
    assert np.unique(kinds([np.minimum(strip, speck), other]).labels) == [0]


@given(seed=st.integers(0, 10_000))
@settings(max_examples=examples(15))
def test_zones_are_nowhere_narrow_and_blocks_cover_all_without_gap_or_overlap(seed):
    draw = np.random.default_rng(seed)
    fields = [gaussian_filter(draw.standard_normal(GRID.shape), 9) for _ in range(3)]
    found = kinds([50 + 40 * f / abs(f).max() for f in fields])
    disc = np.hypot(*np.mgrid[-2:3, -2:3]) <= 2  # 10 m, on cells of 2 m
    narrow = 0
    for label in np.unique(found.labels):
        mine = np.pad(found.labels == label, 4, mode="edge")
        narrow += (mine & ~binary_opening(mine, disc)).sum()
    assert narrow <= 0.02 * found.labels.size  # corners at most
    shapes = shapes_of_kinds(found, 4.0)
    west, south, east, north = GRID.bounds
    middle = (west + east) / 2 + draw.uniform(-40, 40)
    fields = gpd.GeoDataFrame(
        {"name": ["a", "b"], "plant": [True, True]},
        geometry=[shapely.box(west, south, middle, north), shapely.box(middle, south, east, north)],
        crs=GRID.crs,
    )
    area = shapely.difference(
        shapely.box(west + 5.1, south + 5.1, east - 5.1, north - 5.1),
        shapely.LineString([(west, south), (east, north - 30)]).buffer(7.3),
    )
    blocks, lost = blocks_of(
        shapes, fields, area, smallest_m2=200, join_m2=1000, smallest_width_m=10
    )
    assert blocks.area.sum() + lost == pytest.approx(area.area, rel=1e-9)
    assert shapely.coverage_is_valid(blocks.geometry.to_numpy())
    assert set(blocks.geom_type) == {"Polygon"} and blocks.area.min() >= 200


def test_a_small_piece_joins_its_paddock_and_never_over_the_fence():
    shapes = gpd.GeoDataFrame(
        {"kind": [1, 0, TOO_STEEP]},
        geometry=[
            shapely.box(0, 0, 60, 50),
            shapely.box(60, 0, 100, 50),
            shapely.box(0, 50, 100, 60),
        ],
        crs=GRID.crs,
    )
    fields = gpd.GeoDataFrame(
        {"name": ["west", "east"], "plant": [True, True]},
        geometry=[shapely.box(0, 0, 65, 60), shapely.box(65, 0, 100, 60)],
        crs=GRID.crs,
    )
    blocks, lost = blocks_of(
        shapes, fields, shapely.box(0, 0, 100, 60), smallest_m2=100, join_m2=300
    )
    assert lost == 0
    named = name_blocks(blocks)
    found = {(r.zone, r.paddock): round(r.geometry.area) for r in named.itertuples()}
    assert found == {
        ("A", "west"): 3250, ("B", "east"): 1750, ("X", "west"): 650, ("X", "east"): 350,
    }  # fmt: skip


def adjusted_rand(a, b):
    """How alike two divisions are, 1 the same, 0 by chance (Hubert and Arabie 1985)."""
    a, b = (np.unique(x, return_inverse=True)[1] for x in (a, b))
    table = np.zeros((a.max() + 1, b.max() + 1))
    np.add.at(table, (a, b), 1)

    def pairs(counts):
        return (counts * (counts - 1) / 2).sum()

    both, in_a, in_b = pairs(table), pairs(table.sum(axis=1)), pairs(table.sum(axis=0))
    chance = in_a * in_b / pairs(table.sum())
    return (both - chance) / ((in_a + in_b) / 2 - chance)


def test_adjusted_rand():
    assert adjusted_rand(np.array([0, 0, 1, 1]), np.array([5, 5, 3, 3])) == 1
    assert adjusted_rand(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])) == pytest.approx(-0.5)


def zone_of_cells(folder):
    site = load_site(folder / "site.toml")
    inputs, ground, suitability = assessed(site, ("slope",))
    grid, rules = inputs.grid, site.zones
    _, setbacks = with_setbacks(inputs.no_plant, inputs.boundary, site.setbacks.model_dump())
    area = plantable_area(inputs.boundary, inputs.paddocks, setbacks)
    plantable = grid.cover([area]) & suitability.mask
    found = kinds_of_ground(
        suitability.on_grid(suitability.score), ground.layers["slope"], plantable, grid,
        kinds=rules.kinds, smallest_m2=rules.smallest_m2, smooth_m=rules.smooth_m,
        smallest_width_m=rules.smallest_width_m, steepest_deg=site.planting.steepest_deg,
        lowest_suitability=site.mix.lowest_suitability,
    )  # fmt: skip
    times = round(found.grid.cell / grid.cell)
    rows, cols = np.nonzero(plantable)
    return found.labels[rows // times, cols // times]


@pytest.mark.long
def test_ten_centimetres_of_noise_leave_the_zones(tmp_path):
    folder = tmp_path / "site"
    shutil.copytree(SITE.parent, folder)
    before = zone_of_cells(folder)
    with rasterio.open(folder / "dem.tif") as file:
        profile, heights, cell = file.profile, file.read(1), file.res[0]
    noise = gaussian_filter(np.random.default_rng(4).standard_normal(heights.shape), 15 / cell)
    heights += (0.10 / noise.std() * noise).astype(heights.dtype)
    with rasterio.open(folder / "dem.tif", "w", **profile) as file:
        file.write(heights, 1)
    after = zone_of_cells(folder)
    assert (after != before).any()
    assert adjusted_rand(before, after) >= 0.9


@given(seed=st.integers(0, 10_000))
@settings(max_examples=examples(10))
def test_rasterised_area_is_the_polygon_s_area(seed):
    """A property of 100 ha in a random outline, on cells of 2 m: to 0.1 %."""
    draw = np.random.default_rng(seed)
    turn = np.sort(draw.uniform(0, 2 * np.pi, 12))
    reach = draw.uniform(450, 700, 12)
    outline = shapely.Polygon(
        np.column_stack([600800 + reach * np.cos(turn), 5299200 + reach * np.sin(turn)])
    )
    grid = Grid(GRID.crs, GRID.transform, (800, 800))
    assert grid.cover([outline]).sum() * grid.cell_area == pytest.approx(outline.area, rel=1e-3)


@settings(max_examples=examples(40))
@given(cells=arrays(bool, array_shapes(min_dims=2, max_dims=2, max_side=14)), width=st.floats(0, 9))
def test_ground_is_opened_as_the_library_opens_it(cells, width):
    disc = _disc(width)
    wide = np.pad(cells, 40, mode="edge")
    expected = binary_opening(wide, disc)[40:-40, 40:-40]
    assert (_opened(cells, disc) == expected).all()
