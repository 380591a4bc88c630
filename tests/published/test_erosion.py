"""LS against USDA Agriculture Handbook 703 (Renard et al. 1997)."""

import numpy as np
import pytest
from ground.surfaces import grid_of

from siteplanner.ground.relief.erosion import (
    bare_strips_erode,
    length_exponent,
    ls_factor,
    steepness_factor,
)

FEET = (25, 50, 100, 200, 300, 400, 1000)
# Handbook 703, Table 4-2 (moderate ratio of rill to interrill erosion), as reposted by the
# Institute of Water Research, Michigan State University: slope in percent, LS by length in feet.
TABLE_4_2 = {
    0.2: (0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.06),
    0.5: (0.08, 0.08, 0.09, 0.09, 0.09, 0.10, 0.10),
    1: (0.12, 0.13, 0.14, 0.16, 0.17, 0.18, 0.20),
    2: (0.19, 0.22, 0.27, 0.31, 0.35, 0.37, 0.47),
    3: (0.25, 0.32, 0.39, 0.48, 0.55, 0.60, 0.80),
    4: (0.31, 0.40, 0.52, 0.67, 0.77, 0.86, 1.19),
    5: (0.37, 0.49, 0.65, 0.85, 1.01, 1.13, 1.63),
    6: (0.43, 0.58, 0.78, 1.05, 1.25, 1.42, 2.11),
    8: (0.53, 0.74, 1.04, 1.45, 1.77, 2.03, 3.15),
    10: (0.67, 0.97, 1.38, 1.98, 2.44, 2.84, 4.56),
    12: (0.84, 1.23, 1.79, 2.61, 3.26, 3.81, 6.28),
    14: (1.00, 1.48, 2.19),
}


def length_steepness(length, slope):
    """RUSLE's LS of an even slope: horizontal ``length`` in m, ``slope`` in degrees."""
    longer = length / (72.6 * 0.3048)
    return longer ** length_exponent(slope) * steepness_factor(slope)


def test_ls_of_even_slopes_as_in_table_4_2():
    made, printed = [], []
    for percent, row in TABLE_4_2.items():
        slope = np.degrees(np.arctan(percent / 100))
        made += [float(length_steepness(feet * 0.3048, slope)) for feet in FEET[: len(row)]]
        printed += row
    assert len(printed) == 80
    # Printed to a hundredth; 72.6 feet are 22.128 m.
    assert made == pytest.approx(printed, abs=0.0055)


def test_steepness_and_exponent_of_the_unit_plot():
    nine = np.degrees(np.arctan(0.09))
    assert steepness_factor(nine) == pytest.approx(1.0, abs=0.01)
    assert length_exponent(nine) == pytest.approx(0.501, abs=0.001)


def test_cells_in_line_have_the_even_slopes_ls_on_average():
    # Ten cells of 10 m one below the other, straight down the grid; computed, not printed.
    grid = grid_of((10, 1), 10.0)
    catchment = (10.0 * np.arange(1, 11, dtype=np.float32))[:, None]
    slope, aspect = np.full((10, 1), 8, np.float32), np.full((10, 1), 180, np.float32)
    made = ls_factor(catchment, slope, aspect, grid)
    assert made.mean() == pytest.approx(float(length_steepness(100.0, 8.0)), rel=2e-3)
    assert (np.diff(made[:, 0]) > 0).all()
    longer = ls_factor(catchment * 100, slope, aspect, grid)
    assert longer[-1] == longer[-2]  # past the longest slope no more is counted


def test_strips_are_flagged_where_ls_is_large():
    layer = np.array([[6.9, 7.0, np.nan]], np.float32)
    assert np.array_equal(bare_strips_erode(layer), [[0, 1, np.nan]], equal_nan=True)
