"""Patterns: density, spacing, bearing, and staying inside."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from siteplanner.planting.patterns import density_per_ha, patterns, square, triangular

FIELD = shapely.box(620_000, 5_350_000, 620_200, 5_350_200)


@pytest.mark.parametrize(
    ("pattern", "spacing", "stems"),
    # 10 000 / s² and 2 / (√3 s²) a hectare: the geometry itself.
    [
        ("square", 2, 2500),
        ("square", 3, 1111),
        ("square", 4, 625),
        ("triangular", 2, 2887),
        ("triangular", 3, 1283),
        ("triangular", 4, 722),
    ],
)
def test_stems_per_hectare(pattern, spacing, stems):
    assert round(density_per_ha(pattern, spacing)) == stems
    x, _, _ = patterns()[pattern](FIELD, spacing, 30.0)
    edge = FIELD.length * spacing / 2 / 1e4 * stems
    assert abs(len(x) - stems * FIELD.area / 1e4) <= edge


blobs = st.lists(
    st.tuples(st.floats(0, 80), st.floats(0, 80), st.floats(3, 30)), min_size=1, max_size=5
)


@given(
    blobs=blobs,
    spacing=st.floats(1, 6),
    bearing=st.floats(0, 180),
    pattern=st.sampled_from([square, triangular]),
)
@settings(max_examples=60, deadline=None)
def test_places_lie_inside_and_keep_the_spacing(blobs, spacing, bearing, pattern):
    discs = [
        shapely.Point(x, y).buffer(r).difference(shapely.Point(x, y).buffer(r / 3))
        for x, y, r in blobs
    ]
    area = shapely.get_parts(shapely.union_all(discs))[0]
    x, y, row = pattern(area, spacing, bearing)
    assert shapely.contains_xy(area, x, y).all()
    if len(x) > 1:
        apart = cKDTree(np.column_stack([x, y])).query(np.column_stack([x, y]), k=2)[0][:, 1]
        assert apart.min() >= spacing - 1e-6
        assert sorted(set(row)) == list(range(row.max() + 1))


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 135.0])
def test_rows_run_along_the_bearing(bearing):
    x, y, row = square(FIELD, 4.0, bearing)
    mine = row == row.max() // 2
    east, north = x[mine][-1] - x[mine][0], y[mine][-1] - y[mine][0]
    assert np.degrees(np.arctan2(east, north)) % 180 == pytest.approx(bearing % 180, abs=1e-6)
