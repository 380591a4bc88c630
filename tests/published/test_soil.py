"""Soil against Saxton & Rawls (2006), Table 3, and the Soil Survey Manual's texture rules."""

import numpy as np
import pytest

from siteplanner.base.soil_classes import TEXTURE_CLASSES, texture_class_of
from siteplanner.ground.soil.soils import soil_water

# Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70:1569-1578, Table 3 (organic matter 2.5 %):
# sand, clay, wilting point, field capacity, saturation in percent; seen through a page that
# prints the class values again.
TABLE_3 = {
    "sand": (88, 5, 5, 10, 46),
    "loamy sand": (80, 5, 5, 12, 46),
    "sandy loam": (65, 10, 8, 18, 45),
    "loam": (40, 20, 14, 28, 46),
    "silt loam": (20, 15, 11, 31, 48),
    "silt": (10, 5, 6, 30, 48),
    "sandy clay loam": (60, 25, 17, 27, 43),
    "clay loam": (30, 35, 22, 36, 48),
    "silty clay loam": (10, 35, 22, 38, 51),
    "silty clay": (10, 45, 27, 41, 52),
    "sandy clay": (50, 40, 25, 36, 44),
    "clay": (25, 50, 30, 42, 50),
}


@pytest.mark.parametrize("name", TABLE_3)
def test_water_of_each_class_as_in_table_3(name):
    sand, clay, *printed = TABLE_3[name]
    computed = [100 * share for share in soil_water(sand / 100, clay / 100, 2.5)]
    assert computed == pytest.approx(printed, abs=0.5 + 1e-9)


def test_table_3_sands_and_clays_lie_in_their_class():
    sand, clay = np.array([row[:2] for row in TABLE_3.values()]).T
    codes = texture_class_of(sand, 100 - sand - clay, clay)
    assert [TEXTURE_CLASSES[c] for c in codes] == list(TABLE_3)


def test_water_of_the_documented_sample():
    # Sand 0.20, clay 0.20, organic matter 2.5 %: documentation of the R package HydroTools.
    wilting, capacity, saturation = soil_water(0.20, 0.20, 2.5)
    assert wilting == pytest.approx(0.1365448, abs=1e-7)
    assert capacity == pytest.approx(0.3208775, abs=1e-7)
    assert saturation == pytest.approx(0.482125, abs=1e-6)


def _in_tenths(name, s, z, c):
    """Tell whether a point belongs to the class, in whole tenths of a percent.

    Soil Survey Manual (USDA Handbook 18, 2017), the wording of each class in turn.
    """
    z15, z2 = 2 * z + 3 * c, z + 2 * c  # the first is doubled
    return {
        "sand": s > 850 and z15 < 300,
        "loamy sand": 700 <= s <= 900 and z15 >= 300 and z2 < 300,
        "sandy loam": z2 >= 300 and ((70 <= c < 200 and s > 520) or (c < 70 and z < 500)),
        "loam": 70 <= c < 270 and 280 <= z < 500 and s <= 520,
        "silt loam": z >= 500 and (120 <= c < 270 or (z < 800 and c < 120)),
        "silt": z >= 800 and c < 120,
        "sandy clay loam": 200 <= c < 350 and z < 280 and s > 450,
        "clay loam": 270 <= c < 400 and 200 < s <= 450,
        "silty clay loam": 270 <= c < 400 and s <= 200,
        "sandy clay": c >= 350 and s > 450,
        "silty clay": c >= 400 and z >= 400,
        "clay": c >= 400 and s <= 450 and z < 400,
    }[name]


def test_every_point_of_the_triangle_falls_in_the_first_class_that_holds_it():
    sand, clay = np.meshgrid(np.arange(1001), np.arange(1001))
    keep = sand + clay <= 1000
    sand, clay = sand[keep], clay[keep]
    silt = 1000 - sand - clay
    codes = texture_class_of(sand / 10, silt / 10, clay / 10)
    assert codes.min() == 0 and len(np.unique(codes)) == 12
    order = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11)
    for n in range(0, len(sand), 7):
        s, z, c = int(sand[n]), int(silt[n]), int(clay[n])
        first = next(k for k in order if _in_tenths(TEXTURE_CLASSES[k], s, z, c))
        assert codes[n] == first, (s, z, c)


@pytest.mark.parametrize(
    ("sand", "silt", "clay", "name"),
    [
        (90, 5, 5, "sand"),
        (86, 14, 0, "sand"),
        (80, 15, 5, "loamy sand"),
        (70, 20, 10, "sandy loam"),
        (65, 25, 10, "sandy loam"),
        (52, 41, 7, "loam"),
        (40, 40, 20, "loam"),
        (43, 50, 7, "silt loam"),
        (0, 80, 20, "silt loam"),
        (0, 88, 12, "silt loam"),
        (10, 85, 5, "silt"),
        (60, 15, 25, "sandy clay loam"),
        (45, 28, 27, "clay loam"),
        (20, 53, 27, "silty clay loam"),
        (50, 10, 40, "sandy clay"),
        (20, 40, 40, "silty clay"),
        (25, 25, 50, "clay"),
    ],
)
def test_points_beside_the_borders(sand, silt, clay, name):
    # Worked out by hand from the manual's rules.
    assert TEXTURE_CLASSES[texture_class_of(sand, silt, clay)] == name
