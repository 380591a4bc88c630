"""Blocks are cut to a crew's days: nothing lost, like parts, near the track."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.parts import for_crews, into_parts
from siteplanner.planting.rows.layout import Places
from siteplanner.site.planting import WorkRates

CRS = "EPSG:32756"


def blocks_of(*shapes, slope=0.0, spacing=4.0):
    names = [f"A{n}" for n in range(1, len(shapes) + 1)]
    columns = {"block": names, "zone": "A", "slope_deg": slope, "spacing_m": spacing}
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS)


def grid_places(blocks, spacing=4.0):
    """A place every few metres in every planted block, with row numbers of no meaning."""
    west, south, east, north = blocks.total_bounds
    x, y = np.meshgrid(np.arange(west + 1.3, east, spacing), np.arange(south + 1.7, north, spacing))
    point, block = gpd.GeoSeries.from_xy(x.ravel(), y.ravel(), crs=CRS).sindex.query(
        blocks.geometry, predicate="intersects"
    )[::-1]
    return Places(x.ravel()[point], y.ravel()[point], block, np.zeros(len(point), np.int64))


def a_hundred_a_day(trees, slope):
    return trees / 100


def number_of(places, blocks):
    return np.bincount(places.block, minlength=len(blocks))


def test_small_blocks_stay_as_they_are():
    blocks = blocks_of(shapely.box(0, 0, 40, 40))
    places = grid_places(blocks)
    parts, same = into_parts(blocks, places, a_hundred_a_day, 3.0)
    assert parts is blocks and same is places


def test_a_long_block_is_cut_across_in_like_parts():
    blocks = blocks_of(shapely.box(0, 0, 400, 80))
    places = grid_places(blocks)
    parts, dealt = into_parts(blocks, places, a_hundred_a_day, 5.0)
    assert len(places.x) == 2000
    assert list(parts["block"]) == ["A1a", "A1b", "A1c", "A1d"]
    number = number_of(dealt, parts)
    assert number.sum() == 2000 and np.ptp(number) <= 20 and number.max() <= 550
    assert parts.geometry.apply(lambda g: g.minimum_clearance).min() > 1
    # Cuts of 80 m across, none of 400 m along.
    assert parts.length.sum() == pytest.approx(2 * 400 + 2 * 80 + 3 * 2 * 80, rel=0.01)


def test_both_parts_reach_the_track_even_where_that_cut_is_longer():
    blocks = blocks_of(shapely.box(0, 0, 100, 130))
    places = grid_places(blocks)
    track = shapely.LineString([(-50, -5), (150, -5)])
    plain, _ = into_parts(blocks, places, a_hundred_a_day, 5.0)
    assert sorted(plain.distance(track)) == pytest.approx([5, 70], abs=2)
    near, _ = into_parts(blocks, places, a_hundred_a_day, 5.0, track)
    assert sorted(near.distance(track)) == pytest.approx([5, 5])


@settings(max_examples=examples(40))
@given(
    radii=st.lists(st.floats(60, 150), min_size=8, max_size=14),
    hole=st.booleans(),
    most=st.floats(0.8, 6),
)
def test_parts_of_ugly_blocks_are_whole_and_hold_their_places(radii, hole, most):
    turn = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    corners = np.column_stack([np.cos(turn), np.sin(turn)]) * np.array(radii)[:, None]
    shape = shapely.Polygon(corners + 5_350_000.123)
    if hole:
        shape = shape.difference(shapely.Point(5_350_000, 5_350_000).buffer(20))
    half = shapely.box(*shape.bounds[:2], 5_350_010.7, shape.bounds[3])
    both = [*shapely.get_parts(shape.intersection(half)), *shapely.get_parts(shape - half)]
    blocks = blocks_of(*both)
    places = grid_places(blocks, 7.3)
    parts, dealt = into_parts(blocks, places, a_hundred_a_day, most)
    assert parts.area.sum() == pytest.approx(shape.area, rel=1e-9)
    assert (parts.geom_type == "Polygon").all() and parts.is_valid.all()
    assert shapely.coverage_is_valid(parts.geometry.to_numpy())
    assert parts["block"].is_unique
    own = parts.geometry.iloc[dealt.block].distance(
        gpd.GeoSeries.from_xy(dealt.x, dealt.y, crs=CRS), align=False
    )
    assert (own < 1e-6).all()
    # A place never changes to a part of another block.
    kept = parts["block"].str.rstrip("abcdefghijklmnopqrstuvwxyz").to_numpy()[dealt.block]
    assert (kept == blocks["block"].to_numpy()[places.block]).all()


def test_blocks_that_are_not_planted_stay_and_planted_ones_are_counted_alone():
    shapes = [shapely.box(0, 0, 200, 60), shapely.box(200, 0, 260, 60), shapely.box(0, 60, 260, 99)]
    blocks = blocks_of(*shapes, spacing=[0.0, 4.0, 4.0])
    planted = blocks[blocks["spacing_m"] > 0].reset_index(drop=True)
    no_features = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=CRS)
    rates = WorkRates(people=1, trees_a_person_day=120.0, block_days=2.0)
    whole, with_trees, dealt = for_crews(blocks, grid_places(planted), no_features, rates)
    assert list(whole["block"]) == ["A1", "A2", "A3a", "A3b", "A3c"]
    assert list(with_trees["block"]) == ["A2", "A3a", "A3b", "A3c"]
    assert number_of(dealt, with_trees).min() > 150
    # The block above has the cuts' ends as corners now, so that edges are shared exactly.
    assert shapely.coverage_is_valid(whole.geometry.to_numpy())
