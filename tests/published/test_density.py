"""Stems a hectare and spacings of planting grids, against published and worked values."""

import numpy as np
import pytest
import shapely
from affine import Affine

from siteplanner.base.grid import Grid
from siteplanner.planting.rows.patterns import Relief, density_per_ha, lay, patterns
from siteplanner.planting.rows.slope_distance import stretch_along

ACRE_FT2 = 43_560
FT = 0.3048


def rising_east(slope: float) -> Relief:
    """A plane of 400 m by 400 m that rises to the east."""
    east = (np.arange(200) + 0.5) * 2 * np.tan(np.radians(slope))
    heights = np.broadcast_to(east, (200, 200)).astype(np.float32)
    return Relief(heights, Grid(None, Affine(2, 0, 0, 0, -2, 400), (200, 200)))


def stems_per_ha(pattern: str, in_row: float, between: float, **more: float) -> float:
    """Stems a map hectare that the package's pattern sets out.

    The package's own figure for the pattern must say the same. The field is 60 whole steps along
    the rows and 60 rows wide (in metres), and no place lies on its edge, so that no part of a step
    is cut off and the count is exact.
    """
    field = shapely.box(0.37, 0.37, 0.37 + 60 * between, 0.37 + 60 * in_row)
    x, _, row = lay(patterns()[pattern], field, in_row, 0.0, **more)
    assert row.max() + 1 == 60
    found = len(x) / field.area * 1e4
    assert density_per_ha(pattern, in_row, **more) == pytest.approx(found)
    return found


@pytest.mark.parametrize(
    ("spacing", "square", "triangle"),
    # Geometry: 10 000 / s² and 1.1547 times as many (computed, no source needed).
    [(1, 10000, 11547), (1.5, 4444, 5132), (1.8, 3086, 3564), (2, 2500, 2887), (2.5, 1600, 1848),
     (3, 1111, 1283), (4, 625, 722), (5, 400, 462)],
)  # fmt: skip
def test_square_and_triangular(spacing, square, triangle):
    assert round(stems_per_ha("square", spacing, spacing)) == square
    # 3563.9 and 462.0 round as printed; tables that round up or down differ by one.
    found = stems_per_ha("triangular", spacing, spacing * np.sqrt(3) / 2)
    assert found == pytest.approx(triangle, abs=0.6)


@pytest.mark.parametrize(("in_row", "between", "stems"), [(2, 3, 1667), (2.5, 4, 1000)])
def test_rectangular(in_row, between, stems):
    assert round(stems_per_ha("rectangular", in_row, between, row_spacing_m=between)) == stems


def test_nine_by_nine_feet_is_538_an_acre():
    """Coder, University of Georgia: 43 560 / (a × b), 538 trees an acre at 9 by 9 feet."""
    per_acre = stems_per_ha("square", 9 * FT, 9 * FT) * ACRE_FT2 * FT**2 / 1e4
    assert round(per_acre) == 538


def test_a_grid_with_a_tree_in_each_middle_has_twice_as_many():
    """Wiant (1973), Tree Planters' Notes 24(3): quincunx at spacing a = square of √(a² / 2)."""
    closer = np.sqrt(3.0**2 / 2)
    assert stems_per_ha("square", closer, closer) == pytest.approx(
        2 * stems_per_ha("square", 3.0, 3.0)
    )


@pytest.mark.parametrize(("spacing", "slope", "slope_distance"), [(2.0, 30, 2.309)])
def test_slope_distance(spacing, slope, slope_distance):
    """Horizontal = measured × cos(slope): AWF-Wiki, University of Göttingen."""
    uphill = shapely.LineString([(100 + spacing * n, 200) for n in range(50)])
    relief = rising_east(slope)
    (stretch,) = stretch_along(np.array([uphill]), relief.dem, relief.grid)
    assert spacing * stretch == pytest.approx(slope_distance, abs=5e-4)
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
    field = shapely.box(50, 50, 350, 350)
    x, _, _ = lay(patterns()[pattern], field, 3.0, 0.0, relief=rising_east(slope))
    expected = density_per_ha(pattern, 3.0) * field.area / 1e4
    assert abs(len(x) - expected) <= field.length * 3.0 / 2 * density_per_ha(pattern, 3.0) / 1e4
