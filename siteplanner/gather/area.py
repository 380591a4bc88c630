"""The property as services are told of it: a box in degrees, rounded outwards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import shapely

from siteplanner.base.errors import input_error
from siteplanner.reading.files.features import POLYGONS, read_features
from siteplanner.reading.files.schema_matching import layer_of

#: West, south, east, north, degrees.
Box = tuple[float, float, float, float]
#: Boxes are rounded outwards to so many degrees: about a kilometre.
ROUND = 0.01
_METRES_A_DEGREE = 111_195.0
#: Wider outlines are no single property (judgement).
WIDEST_DEG = 0.5


@dataclass(frozen=True)
class Area:
    """A property: ``outline`` in degrees (WGS 84)."""

    outline: shapely.Geometry

    @property
    def middle(self) -> tuple[float, float]:
        """Longitude and latitude of the middle."""
        point = self.outline.centroid
        return float(point.x), float(point.y)

    @property
    def box(self) -> Box:
        """The outline's own box, not rounded; nothing of it is sent."""
        west, south, east, north = self.outline.bounds
        return west, south, east, north

    def around(self, metres: float) -> Box:
        """A box ``metres`` wider on each side, rounded outwards to 0.01°."""
        west, south, east, north = self.box
        up = metres / _METRES_A_DEGREE
        widest = min(max(abs(south), abs(north)) + up, 89.0)
        aside = up / math.cos(math.radians(widest))
        return rounded((west - aside, south - up, east + aside, north + up))


def rounded(box: Box) -> Box:
    """Round a box outwards to 0.01°.

    >>> rounded((147.2879, -42.0590, 147.3121, -42.0410))
    (147.28, -42.06, 147.32, -42.04)
    """
    low = [round(math.floor(round(v / ROUND, 6)) * ROUND, 2) for v in box[:2]]
    high = [round(math.ceil(round(v / ROUND, 6)) * ROUND, 2) for v in box[2:]]
    return max(low[0], -180.0), max(low[1], -90.0), min(high[0], 180.0), min(high[1], 90.0)


def in_words(box: Box) -> str:
    """Say a box in a sentence."""
    west, south, east, north = box
    return f"{west:g} to {east:g} east, {south:g} to {north:g} north"


def read_area(path: Path) -> Area:
    """Read a property's outline from a file of polygons.

    Raises :class:`~siteplanner.InputError`, also for an outline that is no single property.
    """
    if not path.exists():
        raise input_error(path, "", "this file does not exist", "check the path")
    frame: gpd.GeoDataFrame = read_features(
        path, layer_of(path, "boundary", []), {}, None, POLYGONS
    ).to_crs(4326)
    outline = frame.union_all()
    west, south, east, north = outline.bounds
    if east > 180:  # counted on past the meridian by the reader
        raise input_error(
            path,
            "",
            "it lies on both sides of the 180th meridian, where the services' boxes end",
            "gather for the part on each side by itself, or give the site's files yourself",
        )
    if east - west > WIDEST_DEG or north - south > WIDEST_DEG:
        raise input_error(
            path,
            "",
            f"it is {east - west:.2f}° wide and {north - south:.2f}° high",
            f"give the outline of one property, up to {WIDEST_DEG}° each way",
        )
    return Area(outline)
