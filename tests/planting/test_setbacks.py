"""Setbacks by kind and by mature height, by exact distance."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from siteplanner.planting.zones.setbacks import UNKNOWN_HEIGHT_M, clear_of, too_tall, with_setbacks
from siteplanner.site.planting import Setbacks

CRS = "EPSG:32756"
SPOTS = np.random.default_rng(1).uniform(0, 200, (2, 4000))


def things(**shapes):
    return gpd.GeoDataFrame(
        {"kind": list(shapes), "name": ""}, geometry=list(shapes.values()), crs=CRS
    )


def test_tall_species_keep_their_height_off_lines_and_buildings():
    line = shapely.LineString([(0, 100), (200, 120)])
    house = shapely.box(50, 30, 60, 45)
    heights = np.array([3.0, 12.0, 30.0, np.nan])
    features = things(power_line=line, building=house, fence=shapely.LineString([(0, 0), (9, 9)]))
    tall = too_tall(*SPOTS, heights, features)
    points = shapely.points(*SPOTS)
    near = np.minimum(shapely.distance(points, line), shapely.distance(points, house))
    for kind, height in enumerate([3.0, 12.0, 30.0, UNKNOWN_HEIGHT_M]):
        assert (tall[:, kind] == (near <= height)).all()


def test_each_kind_has_its_own_distance():
    metres = Setbacks().model_dump()
    shape = shapely.LineString([(60, 90), (120, 100)])
    boundary = gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 200, 200)], crs=CRS)
    for kind in metres.keys() - {"boundary"}:
        features, areas = with_setbacks(things(**{kind: shape}), boundary, metres)
        clear = clear_of(*SPOTS, features)
        away = shapely.distance(shapely.points(*SPOTS), shape)
        assert (clear == (away > metres[kind])).all(), kind
        # The area shown covers all that is kept clear.
        assert shapely.contains_xy(areas.geometry.iloc[0], *SPOTS[:, ~clear]).all()


@pytest.mark.parametrize(
    "kind", ["septic_field", "heritage", "native_grassland", "slip", "dam_wall", "buried_cable"]
)
def test_more_kinds_are_known(kind):
    assert getattr(Setbacks(), kind) > 0


def test_nothing_to_keep_clear_of_keeps_all():
    assert clear_of(*SPOTS, things().assign(setback_m=[])).all()
