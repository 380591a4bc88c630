"""How far scores can be trusted: a model's hint of the soil counts half of what is known."""

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from affine import Affine

from siteplanner.base.grid import Grid
from siteplanner.suitability.confidence import hints_on, known_share, less_known
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import score_species

GRID = Grid(pyproj.CRS("EPSG:32756"), Affine(5, 0, 600000, 0, -5, 5300000), (4, 8))
WEST, SOUTH, EAST, NORTH = GRID.bounds
BELOW = [0.2, 0.8, np.inf, np.inf]
NOTHING = [-np.inf, -np.inf, np.inf, np.inf]


def soils(*hints):
    """The whole ground; over it its western half; over that its north-western corner."""
    shapes = [
        shapely.box(WEST, SOUTH, EAST, NORTH),
        shapely.box(WEST, SOUTH, WEST + 20, NORTH),
        shapely.box(WEST, NORTH - 10, WEST + 10, NORTH),
    ]
    return gpd.GeoDataFrame({"hint": list(hints)}, geometry=shapes[: len(hints)], crs=GRID.crs)


def test_a_dug_spot_on_top_of_a_hint_is_known():
    whole, west, corner = (np.zeros(GRID.shape, dtype=bool) for _ in range(3))
    whole[:] = west[:, :4] = corner[:2, :2] = True
    assert np.array_equal(hints_on(soils(True), GRID), whole)
    assert np.array_equal(hints_on(soils(True, False), GRID), whole & ~west)
    assert np.array_equal(hints_on(soils(True, False, False), GRID), whole & ~west)
    assert not hints_on(soils(False, False), GRID).any()


def test_a_soil_factor_that_is_a_hint_counts_half_and_others_count_whole():
    """Two factors, one of the soil: 3 of 4 halves are known on a hint, and 1 of 2 where unknown."""
    factors = [
        Factor("soil_depth", np.array([BELOW, NOTHING]), None),
        Factor("slope", np.array([BELOW, BELOW]), None),
    ]
    depth = np.ones(GRID.shape, np.float32)
    depth[:, 6:] = np.nan
    layers = {"soil_depth": depth, "slope": np.ones(GRID.shape, np.float32)}
    mask = np.ones(GRID.shape, dtype=bool)
    mask[3] = False
    hints = hints_on(soils(True, False), GRID)
    before = score_species(factors, layers, mask)
    after = less_known(before, layers, hints)
    both, tough = after.on_grid(after.confidence)[:, 0]
    assert both.tolist() == [100] * 4 + [75] * 2 + [50] * 2
    assert (tough == 100).all()  # asks nothing of the soil
    assert np.array_equal(after.score, before.score)
    info, share = known_share(after, hinted=True)
    assert share[0].tolist() == both.tolist() and "counts half" in info.method
    assert "counts half" not in known_share(before)[0].method
