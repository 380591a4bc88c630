"""Tells a raster that does not say where it lies, lies askew, or would be fetched."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pyproj

from siteplanner.base.errors import input_error

_FETCHES = re.compile(rb"/vsi(curl|s3|gs|az|adls|oss|swift|hdfs|webhdfs)|https?://", re.IGNORECASE)
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
                "it would fetch its heights over the network",
                "copy the tiles to this machine and name those",
            )


def misplaced(source: Any, crs: pyproj.CRS) -> tuple[str, str] | None:
    """What is wrong with an open raster's place on the ground, and the remedy; None if nothing."""
    t = source.transform
    if np.dtype(source.dtypes[0]).kind == "c":
        return "its heights are complex numbers", "save the DEM again with plain numbers"
    if t.is_identity:
        return "it has no place on the ground", "georeference it in a GIS and save it again"
    if t.b or t.d or t.a <= 0 or t.e >= 0:
        return "its rows are turned or upside down", "save the DEM again with north up"
    if not (crs.is_geographic or crs.is_projected):
        return (
            f"its CRS ({crs.name}) is not one of the earth's surface",
            "set the CRS it was made in, such as EPSG:32756",
        )
    west, south, east, north = source.bounds
    across, up = max(abs(west), abs(east)), max(abs(south), abs(north))
    if crs.is_geographic and (across > 361 or up > 91):
        return "its numbers are no degrees, as its CRS says", "set the CRS it was made in"
    if crs.is_projected and across <= 180 and up <= 90:
        return (
            "its numbers are degrees, but its CRS counts in metres",
            "set its CRS to the one in degrees, such as EPSG:4326",
        )
    return None
