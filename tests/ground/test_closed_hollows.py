"""Hollows without an outlet: their depth and area, the trees in them, and what is said."""

import dataclasses
import json

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from shared_data import shared
from site_around import site_around

from siteplanner import load_site, make_plan
from siteplanner.base.grid import Grid
from siteplanner.ground.water.surface_water import closed_hollows, flow, hollow_depth
from siteplanner.handover.block_work import block_works
from siteplanner.handover.cautions import cautions_of
from siteplanner.handover.map.data import page_data
from siteplanner.planting.standing_water import hollows_of, note_on_hollows

CELL, CRS = 5.0, "EPSG:32756"
GRID = Grid(pyproj.CRS(CRS), Affine(CELL, 0, 620_000, 0, -CELL, 5_350_000), (80, 80))


def slope_with(*bowls):
    """A slope of 1 in 20 to the east with bowls: (row, column, radius in cells, depth in m)."""
    rows, cols = np.indices(GRID.shape)
    heights = 300 - 0.25 * cols
    for row, col, radius, depth in bowls:
        away = np.hypot(rows - row, cols - col)
        inside = away <= radius
        # A bowl of ``depth`` under its lowest rim, which is on the east.
        level = 300 - 0.25 * (col + radius)
        heights = np.where(
            inside, np.minimum(heights, level - depth * (1 - away / radius)), heights
        )
    return heights.astype(np.float32)


def depths_of(heights, **how):
    filled, _, _ = flow(heights, GRID)
    return closed_hollows(hollow_depth(filled, heights), **how)


def test_only_hollows_over_a_metre_deep_count_and_with_all_of_their_water():
    heights = slope_with((20, 20, 10, 3.0), (60, 60, 10, 0.8))
    depth = depths_of(heights)
    cone = np.pi * 10**2
    assert depth.max() == pytest.approx(3.0, abs=0.3)
    assert (depth > 0).sum() == pytest.approx(cone, rel=0.15)
    assert (depth[40:, 40:] == 0).all(), "0.8 m is mostly the DEM's noise"
    assert (depths_of(heights, deepest_m=0.5)[40:, 40:] > 0).any()


def test_unknown_ground_is_no_hollow_and_a_slope_has_none():
    heights = slope_with((20, 20, 10, 3.0))
    heights[18:22, 18:22] = np.nan  # water leaves through a void, so nothing is known to stand
    depth = depths_of(heights)
    assert np.isnan(depth[18:22, 18:22]).all() and not (depth > 0).any()
    assert (depths_of(slope_with()) == 0).all()


def note(depth, grid, cells, trees, dem_cell):
    return note_on_hollows(hollows_of(depth, grid, cells, trees), len(trees), dem_cell)


def trees_at(cells):
    x, y = GRID.transform @ (np.array(cells)[:, ::-1].T + 0.5)
    return gpd.GeoDataFrame(geometry=gpd.points_from_xy(x, y), crs=CRS)


def test_the_note_counts_hectares_depth_and_trees_of_each():
    depth = depths_of(slope_with((20, 20, 10, 3.0), (60, 60, 12, 2.0)))
    everywhere = np.ones(GRID.shape, bool)
    trees = trees_at([(20, 20), (21, 20), (60, 60), (5, 5), (40, 40)])
    (said,) = note(depth, GRID, everywhere, trees, 5.0)
    hectares = (depth > 0).sum() * 25 / 1e4
    assert f"2 hollows over 1 m deep have no outlet, together {hectares:.2f} ha" in said
    assert "3 of the 5 trees (60%)" in said
    assert "round 620302, 5349698" in said and "1 tree" in said and "2 trees" in said
    assert "Water may stand there" in said and "coarse" not in said
    assert "DEM is coarse" in note(depth, GRID, everywhere, trees, 30.0)[0]
    elsewhere = ~everywhere
    elsewhere[:10, :10] = True
    assert note(depth, GRID, elsewhere, trees, 5.0) == []
    west = GRID.cover([shapely.box(620_000, 5_349_600, 620_200, 5_350_000)])
    assert "1 hollow over 1 m deep has no outlet" in note(depth, GRID, west, trees, 5.0)[0]


def test_outlines_hold_the_cells_that_they_count():
    depth = depths_of(slope_with((20, 20, 10, 3.0), (60, 60, 12, 2.0)))
    trees = trees_at([(60, 60), (61, 60), (20, 20)])
    found = hollows_of(depth, GRID, np.ones(GRID.shape, bool), trees)
    assert found["hollow"].tolist() == [1, 2] and found["trees"].tolist() == [2, 1]
    assert found.area.to_numpy() / 1e4 == pytest.approx(found["area_ha"].to_numpy())
    assert np.array_equal(GRID.cover(found.geometry), depth > 0)
    assert found["depth_m"].tolist() == pytest.approx([depth[50:].max(), depth[:40].max()])
    north = GRID.cover([shapely.box(620_000, 5_349_900, 620_400, 5_350_000)])  # cuts one in two
    (one,) = hollows_of(depth, GRID, north, trees).itertuples()
    assert np.array_equal(GRID.cover([one.geometry]), (depth > 0) & north)
    assert one.depth_m == pytest.approx(depth[:40].max())
    assert hollows_of(np.zeros_like(depth), GRID, north, trees).empty


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    folder = tmp_path_factory.mktemp("site")
    heights = slope_with((40, 40, 20, 4.0))
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=80, height=80, count=1, dtype="float32",
        crs=CRS, transform=GRID.transform,
    ) as file:  # fmt: skip
        file.write(heights, 1)
    square = shapely.box(620_130, 5_349_730, 620_270, 5_349_870)
    return make_plan(load_site(site_around(folder, {"file": "dem.tif"}, square, CRS)))


def test_trees_in_a_hollow_are_said_in_warnings_on_sheets_and_on_the_map(plan):
    depth = plan.grid.sample(
        plan.layers["closed_hollows"],
        plan.trees.geometry.x.to_numpy(),
        plan.trees.geometry.y.to_numpy(),
    )
    stand = int((depth > 0).sum())
    assert stand > 0.5 * len(plan.trees)
    (said,) = (text for text in plan.warnings if "no outlet" in text)
    assert f"{stand:,} of the {len(plan.trees):,} trees" in said
    told = [text for work in block_works(plan) for text in cautions_of(plan, work)]
    assert any(text.startswith("Hollow without an outlet") for text in told)
    shown = next(one for one in page_data(plan)["layers"] if one["name"] == "closed_hollows")
    with_trees = plan.hollows["trees"].sum()
    assert with_trees == stand and len(page_data(plan)["hollows"]) == len(plan.hollows)
    assert shown["title"] == "Hollows without an outlet: water may stand" and shown["high"] > 3


def test_a_plan_without_hollows_says_and_shows_nothing(plan):
    dry = dataclasses.replace(
        plan, layers={k: v for k, v in plan.layers.items() if k != "closed_hollows"}
    )
    told = [text for work in block_works(dry) for text in cautions_of(dry, work)]
    assert not any("Hollow" in text for text in told)
    assert all(one["name"] != "closed_hollows" for one in page_data(dry)["layers"])


def test_the_crater_of_a_real_volcanic_cone_has_no_outlet():
    held = json.loads(shared("dem/nz_maungawhau_10m_nocrs.json").read_text(encoding="utf-8"))
    heights = np.array(held["values"], np.float32).reshape(held["height"], held["width"])
    grid = Grid(pyproj.CRS("EPSG:2193"), Affine(10, 0, 0, 0, -10, 0), heights.shape)
    filled, _, _ = flow(heights, grid)
    depth = closed_hollows(hollow_depth(filled, heights))
    crater = depth > 0
    assert depth.max() > 10
    assert heights[crater].min() > np.median(heights), "it lies on the cone"
    trees = gpd.GeoDataFrame(geometry=gpd.points_from_xy([0.5], [-0.5]), crs=grid.crs)
    (said,) = note(depth, grid, np.isfinite(heights), trees, 10.0)
    assert "no outlet" in said and "0 of the 1 trees" in said
