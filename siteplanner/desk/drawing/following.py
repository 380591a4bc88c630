"""What follows the boundary: the one paddock or soil of a new site, as large as the property."""

from __future__ import annotations

import pyproj
import shapely

from siteplanner.base.errors import InputError
from siteplanner.desk.drawing.drawn import drawn_of
from siteplanner.desk.drawing.features import WrongError, layer_in, plain
from siteplanner.desk.drawing.held import HeldError
from siteplanner.desk.drawing.saving import StaleError, save
from siteplanner.site.site_file import Site

#: Outlines that differ by no more ground (m2) are the same.
_SAME_M2 = 1.0
_FOLLOWING = ("paddocks", "soils")


def follow_boundary(site: Site, before: shapely.Geometry, crs: pyproj.CRS) -> tuple[str, ...]:
    """Give layers of one feature, as large as the boundary was ``before``, the present boundary.

    Gives the ids of the layers that followed. One that cannot be saved stays as it was.
    """
    drawn = drawn_of(site)
    now = _whole(layer_in(drawn["boundary"], crs).shapes)
    followed = []
    for name in _FOLLOWING:
        one = drawn.get(name)
        if one is None or not (one.there and one.editable):
            continue
        try:
            layer = layer_in(one, crs)
            if len(layer.shapes) != 1 or _differ(layer.shapes[0], before) > _SAME_M2:
                continue
            [feature] = plain(layer)
            save(
                site,
                one,
                layer.version,
                [{**feature, "geometry": shapely.geometry.mapping(now)}],
                crs,
            )
        except (InputError, WrongError, HeldError, StaleError):
            continue
        followed.append(name)
    return tuple(followed)


def whole_of(site: Site, crs: pyproj.CRS) -> shapely.Geometry:
    """The boundary as one shape. Raises :class:`~siteplanner.InputError`."""
    return _whole(layer_in(drawn_of(site)["boundary"], crs).shapes)


def _whole(shapes: object) -> shapely.Geometry:
    return shapely.union_all(shapely.make_valid(shapes))


def _differ(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """Ground that only one of two shapes has, m2."""
    return float(shapely.symmetric_difference(shapely.make_valid(one), other).area)
