"""The layout: exact numbers, suitability before chance, spacing across blocks, setbacks."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from examples import examples
from handover.small_site import small_site
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from site_around import laid_out

from siteplanner import load_site
from siteplanner.base.grid import Grid
from siteplanner.planting.mix.assign import place_species
from siteplanner.planting.rows.layout import (
    bearing_off_fall_line,
    mean_fall,
    number_rows,
    row_bearing,
    set_out,
)
from siteplanner.planting.rows.patterns import Relief, patterns
from siteplanner.planting.zones.setbacks import plantable_area, with_setbacks

CRS = "EPSG:32756"


@given(st.lists(st.integers(0, 40), min_size=1, max_size=6), st.integers(0, 20), st.integers(0, 99))
def test_numbers_come_out_exactly(trees, empty, seed):
    places = sum(trees) + empty
    scores = np.random.default_rng(seed).uniform(0, 100, (places, len(trees)))
    placed = place_species(scores, np.array(trees), seed)
    assert np.bincount(placed[placed >= 0], minlength=len(trees)).tolist() == trees
    assert (placed == -1).sum() == empty


def test_each_species_gets_the_ground_it_likes():
    scores = np.zeros((200, 2))
    scores[:100, 0] = scores[100:, 1] = 90
    placed = place_species(scores, np.array([100, 100]), seed=1)
    assert (placed[:100] == 0).all() and (placed[100:] == 1).all()


def test_more_trees_than_places_is_refused():
    with pytest.raises(ValueError, match="5 trees for 3 places"):
        place_species(np.zeros((3, 1)), np.array([5]), seed=1)


def blocks(*shapes, spacing=3.0):
    return gpd.GeoDataFrame(
        {
            "pattern": "square",
            "spacing_m": spacing,
            "bearing_deg": [10.0 * i for i in range(len(shapes))],
        },
        geometry=list(shapes),
        crs=CRS,
    )


def test_touching_blocks_keep_the_spacing_between_them():
    nothing = gpd.GeoDataFrame({"setback_m": []}, geometry=[], crs=CRS)
    both = blocks(shapely.box(0, 0, 61, 60), shapely.box(61, 0, 120, 60)).assign(
        bearing_deg=[25.0, 40.0]
    )

    def nearest(*parts):
        points = np.column_stack([np.concatenate(xy) for xy in parts])
        return cKDTree(points).query(points, k=2)[0][:, 1].min()

    alone = [set_out(both.iloc[[n]], patterns(), nothing) for n in range(2)]
    assert nearest([p.x for p in alone], [p.y for p in alone]) < 2.0
    places = set_out(both, patterns(), nothing)
    assert nearest([places.x], [places.y]) >= 3.0 - 1e-9
    # The earlier block keeps all its places.
    assert (places.block == 0).sum() == len(alone[0].x)


def test_a_row_ends_at_a_lane_and_rows_are_numbered_in_turn():
    horseshoe = shapely.box(0, 0, 60, 60).difference(shapely.box(20, -1, 40, 30))
    ground = blocks(horseshoe).assign(bearing_deg=90.0)
    nothing = gpd.GeoDataFrame({"setback_m": []}, geometry=[], crs=CRS)
    places = number_rows(set_out(ground, patterns(), nothing), ground)
    numbers = np.unique(places.row)
    assert numbers.tolist() == list(range(1, len(numbers) + 1))
    for one in numbers:
        x = np.sort(places.x[places.row == one])
        assert np.diff(x).max(initial=0) < 3.0 + 1e-6
        assert np.ptp(places.y[places.row == one]) < 1e-6


def hilly():
    """Hills under the ugly polygons."""
    rows, cols = np.mgrid[:120, :120]
    heights = 8 * np.sin(cols / 12) * np.cos(rows / 15) + 0.2 * cols
    return Relief(heights.astype(np.float32), Grid(None, Affine(2, 0, -20, 0, -2, 220), (120, 120)))


def spikes(numbers):
    """An ugly star-shaped polygon with a hole."""
    turn = np.linspace(0, 2 * np.pi, len(numbers), endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * np.array(numbers)[:, None] + 100
    return shapely.Polygon(ring).difference(shapely.Point(103, 98).buffer(4))


@given(
    st.lists(st.floats(15, 90), min_size=5, max_size=14),
    st.floats(0, 25),
    st.floats(0, 15),
    st.sampled_from(sorted(patterns())),
)
@settings(max_examples=examples(80))
def test_no_place_lies_in_a_setback_or_outside_the_ground(numbers, line_m, point_m, pattern):
    outline = spikes(numbers)
    boundary = gpd.GeoDataFrame(geometry=[outline], crs=CRS)
    things = gpd.GeoDataFrame(
        {"kind": ["power_line", "building"], "name": ["", ""]},
        geometry=[shapely.LineString([(0, 90), (120, 110), (200, 60)]), shapely.Point(130, 130)],
        crs=CRS,
    )
    metres = {"power_line": line_m, "building": point_m, "boundary": 2.0}
    features, setbacks = with_setbacks(things, boundary, metres)
    area = plantable_area(boundary, boundary.assign(plant=True), setbacks)
    parts = [p for p in shapely.get_parts(area) if p.geom_type == "Polygon"]
    if not parts:
        return
    ground = blocks(*parts).assign(pattern=pattern)
    places = set_out(ground, patterns(), features, relief=hilly())
    points = shapely.points(places.x, places.y)
    for shape, metres in zip(features.geometry, features["setback_m"], strict=True):
        assert (shapely.distance(points, shape) > metres).all()
    assert (shapely.distance(points, outline.boundary) > 2.0).all()
    assert shapely.contains_xy(outline, places.x, places.y).all()


@pytest.mark.parametrize(("fall_to", "bearing"), [(0, 90), (45, 135), (90, 0), (200, 110)])
def test_rows_run_across_the_slope(fall_to, bearing):
    grid = Grid(None, Affine(2, 0, 0, 0, -2, 0), (30, 40))
    rows, cols = np.mgrid[:30, :40]
    turn = np.radians(fall_to)
    dem = (-(cols * 2 * np.sin(turn) - rows * 2 * np.cos(turn)) * 0.3).astype(np.float32)
    fall, slope = mean_fall(dem, grid, np.arange(dem.size))
    assert row_bearing(fall, slope) == pytest.approx(bearing, abs=0.11)
    assert slope == pytest.approx(np.degrees(np.arctan(0.3)), abs=0.01)


def test_rows_asked_for_do_not_run_straight_down_ground_that_washes():
    assert bearing_off_fall_line(100, 90, washes=True) == 135
    assert bearing_off_fall_line(80, 90, washes=True) == 45
    assert bearing_off_fall_line(275, 90, washes=True) == 135
    assert bearing_off_fall_line(30, 90, washes=True) == 30
    assert bearing_off_fall_line(100, 90, washes=False) == 100


def test_every_fourth_row_is_a_lane_if_asked():
    nothing = gpd.GeoDataFrame({"setback_m": []}, geometry=[], crs=CRS)
    ground = blocks(shapely.box(0, 0, 90, 90))
    full = set_out(ground, patterns(), nothing)
    laned = set_out(ground, patterns(), nothing, lane_every=4)
    gone = set(np.unique(full.row)) - set(np.unique(laned.row))
    assert gone == set(range(3, full.row.max() + 1, 4))


def test_the_bearing_of_strips_is_that_of_their_rows(tmp_path):
    site = load_site(small_site(tmp_path / "site"))
    rules = site.planting.model_copy(update={"pattern": "strip", "rules": (), "bearing_deg": 100.0})
    layout = laid_out(site.model_copy(update={"planting": rules}))
    rows = layout.rows[layout.rows["trees"] > 3]
    assert len(rows) > 10
    ends = np.array([[line.coords[0], line.coords[-1]] for line in rows.geometry])
    east, north = (ends[:, 1] - ends[:, 0]).T
    of_block = rows["block"].map(layout.blocks.set_index("block")["bearing_deg"]).to_numpy()
    off = (np.degrees(np.arctan2(east, north)) - of_block + 90) % 180 - 90
    assert np.abs(off).max() < 0.2
    assert not np.isclose(of_block, 100.0, atol=1).all()
    assert layout.planted["bearing_deg"].isin(layout.blocks["bearing_deg"]).all()
