"""Coordinate reference systems by their code, as everything that names one says them."""

from __future__ import annotations

import numpy as np
import pyproj
import shapely
from numpy.typing import ArrayLike, NDArray

#: Longitudes within so many degrees of 180 may be of a property on both sides of it.
_NEAR_180 = 5.0
#: Half the way round the equator on the web's map, m.
_HALF_ROUND_M = 20037508.342789244


def with_code(crs: pyproj.CRS) -> pyproj.CRS:
    """Give a CRS as its EPSG code defines it, where one defines the same; else the CRS itself.

    Files say a CRS in many ways (older WKT, a compound with heights, none but parameters); the
    code is what people and other programs know it by.
    """
    code = crs.to_epsg()
    if code is None:
        return crs
    known = pyproj.CRS.from_epsg(code)
    return known if known.equals(crs, ignore_axis_order=True) else crs


def crs_words(crs: pyproj.CRS) -> str:
    """Say a CRS by its EPSG code, with its name after it; by its name alone where it has none.

    >>> crs_words(pyproj.CRS("EPSG:32756"))
    'EPSG:32756 (WGS 84 / UTM zone 56S)'
    """
    known = with_code(crs)
    authority = known.to_authority()
    return f"{':'.join(authority)} ({known.name})" if authority and known.to_epsg() else crs.name


def web_map(lon: float) -> str:
    """Give the CRS of web maps for a place at a longitude: EPSG:3857.

    By the 180th meridian its east goes on past 180, so that what lies on both sides is one.

    >>> web_map(147.0)
    'EPSG:3857'
    """
    if abs(lon) < 180 - _NEAR_180:
        return "EPSG:3857"
    return (
        "+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=180 "
        f"+x_0={_HALF_ROUND_M if lon > 0 else -_HALF_ROUND_M} +y_0=0 +k=1 +units=m +nadgrids=@null "
        "+no_defs"
    )


def past_180(lon: ArrayLike) -> NDArray[np.float64]:
    """Let longitudes go on past 180 where some of them lie on its other side.

    >>> past_180([179.5, -179.5]).tolist(), past_180([1.0, -1.0]).tolist()
    ([179.5, 180.5], [1.0, -1.0])
    """
    lon = np.asarray(lon, dtype=np.float64)
    across = lon.size and lon.max() > 180 - _NEAR_180 and lon.min() < _NEAR_180 - 180
    return np.where(lon < 0, lon + 360, lon) if across else lon


def cut_at_180(shape: shapely.Geometry) -> list[shapely.Geometry]:
    """Cut a shape in degrees, which may go on past 180, at that meridian: each part in -180..180.

    RFC 7946 (2016), section 3.1.9, asks for it; a shape on one side stays as it is.
    """
    west, _, east, _ = shape.bounds
    if east <= 180:
        return [shape]
    if west >= 180:
        return [shapely.transform(shape, lambda xy: xy - [360.0, 0.0])]
    halves = [shapely.intersection(shape, shapely.box(low, -90, low + 180, 90)) for low in (0, 180)]
    parts = [part for half in halves for part in shapely.get_parts(half)]
    same = [p for p in parts if shapely.get_dimensions(p) == shapely.get_dimensions(shape)]
    return [part for one in same for part in cut_at_180(one)]
