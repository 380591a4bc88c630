"""Stems a hectare and spacings of planting grids, against published and worked values."""

import numpy as np
import pytest
import shapely

from siteplanner.planting.rows.patterns import density_per_ha, lay, patterns

ACRE_FT2 = 43_560
FT = 0.3048


@pytest.mark.parametrize(
    ("spacing", "square", "triangle"),
    # Geometry: 10 000 / s² and 1.1547 times as many (computed, no source needed).
    [(1, 10000, 11547), (1.5, 4444, 5132), (1.8, 3086, 3564), (2, 2500, 2887), (2.5, 1600, 1848),
     (3, 1111, 1283), (4, 625, 722), (5, 400, 462)],
)  # fmt: skip
def test_square_and_triangular(spacing, square, triangle):
    assert round(density_per_ha("square", spacing)) == square
    # 3563.9 and 462.0 round as printed; tables that round up or down differ by one.
    assert density_per_ha("triangular", spacing) == pytest.approx(triangle, abs=0.6)


@pytest.mark.parametrize(("in_row", "between", "stems"), [(2, 3, 1667), (2.5, 4, 1000)])
def test_rectangular(in_row, between, stems):
    assert round(density_per_ha("rectangular", in_row, between)) == stems


def test_nine_by_nine_feet_is_538_an_acre():
    """Coder, University of Georgia: 43 560 / (a × b), 538 trees an acre at 9 by 9 feet."""
    per_acre = density_per_ha("square", 9 * FT) * ACRE_FT2 * FT**2 / 1e4
    assert round(per_acre) == 538


def test_a_grid_with_a_tree_in_each_middle_has_twice_as_many():
    """Wiant (1973), Tree Planters' Notes 24(3): quincunx at spacing a = square of √(a² / 2)."""
    assert density_per_ha("square", np.sqrt(3.0**2 / 2)) == pytest.approx(
        2 * density_per_ha("square", 3.0)
    )


@pytest.mark.parametrize(("spacing", "slope", "slope_distance"), [(2.0, 30, 2.309)])
def test_slope_distance(spacing, slope, slope_distance):
    """Horizontal = measured × cos(slope): AWF-Wiki, University of Göttingen."""
    assert spacing / np.cos(np.radians(slope)) == pytest.approx(slope_distance, abs=5e-4)
    # Taped along a slope of 30° a grid of 2 m has 2887 stems a map hectare (computed).
    field = shapely.box(0, 0, 400, 400)
    x, _, _ = lay(
        patterns()["square"], field, spacing, 0.0, fall_deg=90, slope_deg=slope, along_ground=True
    )
    assert len(x) / 16 == pytest.approx(2887, rel=0.01)


@pytest.mark.parametrize("pattern", ["square", "triangular", "rectangular", "contour"])
@pytest.mark.parametrize("slope", [0, 15, 30, 45])
def test_counts_on_a_plane_are_area_by_spacing_within_the_edge(pattern, slope):
    """On map distances the slope of a plane does not matter to the count."""
    from affine import Affine

    from siteplanner.base.grid import Grid
    from siteplanner.planting.rows.patterns import Relief

    east = (np.arange(200) + 0.5) * 2 * np.tan(np.radians(slope))
    relief = Relief(
        np.broadcast_to(east, (200, 200)).astype(np.float32),
        Grid(None, Affine(2, 0, 0, 0, -2, 400), (200, 200)),
    )
    field = shapely.box(50, 50, 350, 350)
    x, _, _ = lay(patterns()[pattern], field, 3.0, 0.0, relief=relief)
    expected = density_per_ha(pattern, 3.0) * field.area / 1e4
    assert abs(len(x) - expected) <= field.length * 3.0 / 2 * density_per_ha(pattern, 3.0) / 1e4
