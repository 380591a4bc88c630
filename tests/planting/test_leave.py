"""Ground that may be better off unplanted is named; the user decides."""

import geopandas as gpd
import numpy as np
import shapely

from siteplanner.base.grid import Grid
from siteplanner.planting.zones.leave import better_left

CRS = "EPSG:32756"
GRID = Grid(CRS, (5.0, 0, 0, 0, -5.0, 100), (20, 60))


def frame(shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def blocks(*names):
    squares = [shapely.box(100 * n, 0, 100 * n + 100, 100) for n in range(len(names))]
    return frame(squares, block=list(names))


def months(*of_block):
    return np.repeat(np.float32(of_block), 20)[None].repeat(20, 0)


def test_a_block_beside_bush_may_regenerate_and_one_under_water_is_left():
    # All of A1 but its western fifth and a bit lies within 40 m of the bush between A1 and B1.
    bush = frame([shapely.box(58, 0, 100, 100)], kind=["bush"])
    said = better_left(blocks("A1", "B1", "C1"), bush, months(2, 3, 10), GRID)
    assert len(said) == 2
    assert said[0].startswith("Block A1: at least 80% of the ground is within 40 m of bush")
    assert "use = 'regenerate'" in said[0]
    assert said[1].startswith("Block C1: half of the ground or more is waterlogged for 9 months")
    assert "use = 'leave'" in said[1]


def test_a_wet_block_beside_bush_is_left_and_not_fenced_to_regenerate():
    bush = frame([shapely.box(0, 0, 300, 100)], kind=["bush"])
    said = better_left(blocks("A1", "B1", "C1"), bush, months(9, 9, 9), GRID)
    assert len(said) == 1 and said[0].startswith("Blocks A1, B1, C1: half")


def test_what_is_unknown_or_elsewhere_is_no_reason_to_speak_up():
    track = frame([shapely.box(0, 0, 300, 100)], kind=["track"])
    assert better_left(blocks("A1", "B1", "C1"), track, months(np.nan, 8.9, 0), GRID) == []
    half = months(0, 0, 0)
    half[:9, :20] = 12  # under half of A1
    assert better_left(blocks("A1"), track, half, GRID) == []
