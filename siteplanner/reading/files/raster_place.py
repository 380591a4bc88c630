"""Tells a raster that does not say where it lies, lies askew, or would be fetched."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pyproj

from siteplanner.base.crs import crs_words
from siteplanner.base.errors import input_error

_FETCHES = re.compile(rb"/vsi(curl|s3|gs|az|adls|oss|swift|hdfs|webhdfs)|https?://", re.IGNORECASE)
#: Half the long axis of the earth (WGS 84); other ellipsoids of the earth are within 0.1 %.
_EARTH_M = 6_378_137.0
#: No map of the earth has a larger number on it, in whatever unit.
_FURTHEST = 1e9
_SOURCE = re.compile(rb"<Source(Filename|Dataset)[^>]*>([^<]*)<", re.IGNORECASE)


def must_be_here(path: Path) -> None:
    """Raise :class:`~siteplanner.InputError` for a VRT whose sources are on a network."""
    if path.suffix.lower() != ".vrt":
        return
    for found in _SOURCE.finditer(path.read_bytes()):
        if _FETCHES.search(found[2]):
            raise input_error(
                path,
                "",
                "it reads its heights over the network",
                "copy the tiles to this computer and name the copies",
            )


def of_the_earth(crs: pyproj.CRS) -> bool:
    """Whether a CRS is for the surface of the earth, in degrees or projected, and can be used."""
    radius = crs.ellipsoid.semi_major_metre if crs.ellipsoid else 0.0
    if not (crs.is_geographic or crs.is_projected) or not abs(radius / _EARTH_M - 1) < 0.01:
        return False
    try:
        pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    except pyproj.exceptions.ProjError:  # a method that nobody knows
        return False
    return True


def misplaced(source: Any, crs: pyproj.CRS) -> tuple[str, str] | None:
    """What is wrong with an open raster's place on the ground, and the remedy; None if nothing."""
    t = source.transform
    if np.dtype(source.dtypes[0]).kind == "c":
        return "its heights are complex numbers", "save the DEM again with real numbers"
    if not np.isfinite(t[:6]).all() or np.abs([*t[:6], *source.bounds]).max() > _FURTHEST:
        return "its place on the ground is no number on a map", "georeference it in a GIS again"
    if t.is_identity:
        return "it is not georeferenced", "georeference it in a GIS and save it again"
    if t.b or t.d or t.a <= 0 or t.e >= 0:
        return "it is rotated or upside down", "save the DEM again with north up"
    if not of_the_earth(crs):
        return (
            f"its CRS ({crs_words(crs)}) is not for the surface of the earth",
            "set the CRS it was made in, such as EPSG:32756",
        )
    west, south, east, north = source.bounds
    across, up = max(abs(west), abs(east)), max(abs(south), abs(north))
    if crs.is_geographic and (across > 361 or up > 91):
        return (
            "its CRS is in degrees, but its numbers are not degrees",
            "set the CRS it was made in",
        )
    if crs.is_projected and across <= 180 and up <= 90:
        return (
            "its CRS is in metres, but its numbers are degrees",
            "set its CRS to the one in degrees, such as EPSG:4326",
        )
    return None
