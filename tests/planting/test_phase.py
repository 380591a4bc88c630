"""The phase of lattices: as many trees as the best of many shifts, found by trying them all."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.planting.rows.layout import set_out
from siteplanner.planting.rows.patterns import patterns, rectangular, square, strip, triangular

#: Distance between rows and stagger of each pattern, in spacings: the geometry itself.
SHAPES = {
    "square": (1.0, 0.0),
    "triangular": (np.sqrt(3) / 2, 0.5),
    "rectangular": (1.5, 0.0),
}


def best_of_all(area, spacing, bearing, pattern, tries):
    """Most places that a lattice of any of ``tries`` × ``tries`` shifts has inside."""
    between, stagger = SHAPES[pattern]
    turned = shapely.affinity.rotate(area, bearing - 90, origin=(0, 0))  # rows run eastwards
    west, south, east, north = turned.bounds
    rows = np.arange(south // (between * spacing) - 1, north // (between * spacing) + 2)
    steps = np.arange(west // spacing - 2, east // spacing + 2)
    x, y = np.meshgrid(steps * spacing, rows * between * spacing)
    x = x + (rows % 2)[:, None] * stagger * spacing
    shifts = (np.arange(tries) + 0.5) / tries * spacing
    shapely.prepare(turned)
    return max(
        int(shapely.contains_xy(turned, x + right, y + up * between).sum())
        for right in shifts
        for up in shifts
    )


@pytest.mark.parametrize("number", [2, 5, 12, 40])
@pytest.mark.parametrize("bearing", [0.0, 90.0])
@pytest.mark.parametrize("corner", [(0.0, 0.0), (620_001.37, 5_350_000.9)])
def test_a_square_block_along_the_grid_holds_n_squared(number, bearing, corner):
    area = shapely.affinity.translate(shapely.box(0, 0, 3.0 * number, 3.0 * number), *corner)
    x, y, _ = square(area, 3.0, bearing)
    assert len(x) == number**2
    # Nothing is gained by standing on the edge: half a spacing is left all round.
    assert shapely.distance(area.exterior, shapely.points(x, y)).min() > 1.3


@pytest.mark.parametrize("width", [3, 4.5, 6, 7.5, 9, 12])
@pytest.mark.parametrize("turn", [0, 25, 90])
def test_strips_hold_as_many_trees_as_the_best_shift(width, turn):
    spacing = 2.5
    belt = shapely.affinity.rotate(shapely.box(0, 0, 300, width), turn, origin=(0, 0))
    along = (90 - turn) % 180
    most = best_of_all(belt, spacing, along, "triangular", 24)
    assert len(strip(belt, spacing, 17.0)[0]) >= 0.99 * most
    # Rows fit the width at both edges: one more than whole row spacings.
    rows = int(width // (spacing * np.sqrt(3) / 2)) + 1
    assert most >= rows * 119


blobs = st.lists(
    st.tuples(st.floats(0, 40), st.floats(0, 40), st.floats(4, 20)), min_size=1, max_size=4
)


@given(
    blobs=blobs,
    spacing=st.floats(1.5, 6),
    bearing=st.floats(0, 180),
    pattern=st.sampled_from([square, triangular, rectangular]),
)
@settings(max_examples=examples(60), deadline=None)
def test_no_shift_holds_more(blobs, spacing, bearing, pattern):
    discs = [
        shapely.box(x, y, x + r, y + r).difference(shapely.Point(x, y).buffer(r / 3))
        for x, y, r in blobs
    ]
    area = shapely.get_parts(shapely.union_all(discs))[0]
    most = best_of_all(area, spacing, bearing, pattern.__name__, 8)
    # Shifts between those that are tried may hold a tree or two more.
    assert len(pattern(area, spacing, bearing)[0]) >= 0.99 * most - 2


def test_a_block_is_set_out_alike_whatever_blocks_there_are():
    shapes = [shapely.Point(200 * n, 50 * n).buffer(40 + n) for n in range(4)]
    blocks = gpd.GeoDataFrame(
        {"pattern": ["square", "triangular", "strip", "rectangular"], "spacing_m": 3.0,
         "bearing_deg": [0.0, 20.0, 40.0, 60.0]},
        geometry=shapes, crs="EPSG:32756",
    )  # fmt: skip
    nothing = gpd.GeoDataFrame({"setback_m": []}, geometry=[], crs=blocks.crs)
    together = set_out(blocks, patterns(), nothing)
    for index in range(4):
        alone = set_out(blocks.iloc[[index]], patterns(), nothing)
        mine = together.only(together.block == index)
        assert np.array_equal(alone.x, mine.x) and np.array_equal(alone.y, mine.y)
