"""What to improve first: ranked by how far the scores of what is planted move."""

from types import SimpleNamespace

import numpy as np
import pytest

from siteplanner.reading.files.sources import Source
from siteplanner.season.improve import improve_first
from siteplanner.suitability.factors import Factor

WHOLE = np.ones((10, 10), dtype=bool)
COLD = Factor("winter_minimum", np.array([[-8.0, -4.0, np.inf, np.inf]]), None)
SITE = SimpleNamespace(mix=SimpleNamespace(lowest_suitability=40))


def first(*, error_c=2.0, soil=5.0, dem_cell=2.0, better="", sources=True):
    """One species that is at its limit of cold: 1 °C is 25 points."""
    ground = SimpleNamespace(
        layers={
            "winter_minimum": np.full(WHOLE.shape, -5.0, np.float32),
            "winter_minimum_error": np.full(WHOLE.shape, error_c, np.float32),
        }
    )
    rows = (Source("heights", "h.tif", better=better),) if sources else ()
    said = improve_first(
        SimpleNamespace(sources=rows, dem_cell=dem_cell),
        ground,
        SimpleNamespace(factors=(COLD,)),
        WHOLE,
        SimpleNamespace(best=np.full(100, soil)),
        SITE,
    )
    return said[0] if said else ""


def test_the_larger_doubt_comes_first_with_its_points():
    """75 points at -5 °C: 0 at -7 °C (not planted) and 100 at -3 °C are 75 and 25 away: 50."""
    said = first(error_c=2.0, soil=5.0)
    assert said.index("1. a minimum thermometer") < said.index("2. dig the spots")
    assert "move by 50 points" in said and "move by 5 points" in said
    assert first(error_c=0.1, soil=9.0).startswith("What to improve first: 1. dig the spots")


def test_what_would_change_nothing_is_not_asked_for():
    assert "dig" not in first(soil=0.2) and "thermometer" not in first(error_c=0.0)
    assert first(error_c=0.0, soil=0.0) == ""
    assert first(sources=False) == ""


@pytest.mark.parametrize(
    ("better", "place"),
    [("national heights may exist here", 1), ("lidar, if there is any", 3), ("", 3)],
)
def test_coarse_heights_come_first_where_finer_ones_may_be_had_and_last_else(better, place):
    said = first(dem_cell=31.0, better=better)
    assert f"{place}. get heights with cells of 5 m or less" in said
    assert better in said
    assert "heights" not in first(dem_cell=10.0, better=better)
