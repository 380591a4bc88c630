"""Coordinate reference systems by their code, as everything that names one says them."""

from __future__ import annotations

import pyproj


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
