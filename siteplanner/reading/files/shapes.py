"""Looks at the shapes of a layer: repairs what it can, and tells wrong axes and units."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siteplanner.base.crs import crs_words
from siteplanner.base.errors import Errors, input_error
from siteplanner.reading.files.parts import stray_holes, which
from siteplanner.reading.files.raster_place import of_the_earth

#: Longitudes further from Greenwich than this may be a property on the 180th meridian.
_NEAR_MERIDIAN = 160.0
#: More features than these are not named one by one.
_MOST_SAID = 10
#: Past it no area can be worked out; what is only far away is told as such further on.
_FURTHEST = 1e100


def repaired(
    path: Path, place: str, frame: gpd.GeoDataFrame, polygons: bool, notes: list[str]
) -> gpd.GeoDataFrame:
    """Leave out heights, repair polygons that cross themselves, drop those without an area.

    What was done is added to ``notes``. Raises :class:`~siteplanner.InputError` for
    corners without finite coordinates or past all maps, and when nothing is left.
    """
    if frame.empty:
        raise input_error(
            path,
            place,
            "it has no features with finite coordinates",
            "check that the right layer was saved",
        )
    shapes = frame.geometry.array
    if shapely.has_z(shapes).any():
        notes.append(f"{path.name}, {place}: the heights stored in its corners are not used.")
    flat = shapely.force_2d(shapes)
    corners, of = shapely.get_coordinates(flat, return_index=True)
    errors = Errors()
    for off, what in (
        (~np.isfinite(corners), "a corner has no finite coordinates"),
        (np.abs(corners) > _FURTHEST, "a corner is out of range: no map has such numbers"),
    ):
        for number in np.unique(of[off.any(axis=1)])[:_MOST_SAID]:
            errors.add(
                path,
                f"{place}, feature {frame.index[number] + 1}",
                what,
                "draw that corner again in a GIS",
            )
        errors.raise_any()
    if not polygons:
        return frame.set_geometry(gpd.GeoSeries(flat, index=frame.index, crs=frame.crs))
    crossed = pd.Series(~shapely.is_valid(flat), index=frame.index)
    loose = np.zeros(len(flat), dtype=bool)
    for n in np.flatnonzero(crossed & (shapely.get_dimensions(flat) == 2)):
        together = stray_holes(flat[n])
        loose[n] = shapely.get_num_geometries(together) > shapely.get_num_geometries(flat[n])
        flat[n] = together
    if loose.any():
        notes.append(
            f"{path.name}, {place}: a hole outside its outline is used as a part of the ground: "
            f"{which(pd.Series(loose, index=frame.index))}. Check it on the map."
        )
    flat = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    frame = frame.set_geometry(gpd.GeoSeries(flat, index=frame.index, crs=frame.crs))
    gone = frame.geometry.is_empty
    if gone.all():
        raise input_error(path, place, "it has no area", "draw it as a polygon round the ground")
    if (crossed & ~gone).any():
        notes.append(
            f"{path.name}, {place}: repaired where an outline crosses itself: "
            f"{which(crossed & ~gone)}. Check it on the map."
        )
    if gone.any():
        notes.append(f"{path.name}, {place}: left out without an area: {which(gone)}.")
    return frame[~gone]


def unwrapped(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Join what the 180th meridian divides: west of it longitudes go on past 180 (181 for -179).

    Polygons cut there, as RFC 7946 asks, are one again. Other layers stay as they are.
    """
    if frame.crs is None or not frame.crs.is_geographic or frame.empty:
        return frame
    shapes = frame.geometry.to_numpy()
    lon = shapely.get_coordinates(shapes)[:, 0]
    if not (np.abs(lon) > _NEAR_MERIDIAN).all() or not lon.min() < 0 < lon.max():
        return frame
    past = np.array([360.0, 0.0])
    moved = shapely.transform(shapes, lambda xy: xy + past * (xy[:, :1] < 0))
    areas = shapely.get_type_id(moved) == shapely.GeometryType.MULTIPOLYGON
    moved[areas] = [shapely.union_all(shapely.get_parts(shape)) for shape in moved[areas]]
    return frame.set_geometry(gpd.GeoSeries(moved, index=frame.index, crs=frame.crs))


def check_axes(path: Path, place: str, frame: gpd.GeoDataFrame) -> None:
    """Raise :class:`~siteplanner.InputError` when numbers do not go with their CRS.

    Degrees called metres and the reverse, latitude before longitude, and corners on the other
    side of the earth.
    """
    if not of_the_earth(frame.crs):
        raise input_error(
            path,
            place,
            f"its CRS ({crs_words(frame.crs)}) is not for the surface of the earth",
            "set the CRS it was drawn in, in a GIS",
        )
    west, south, east, north = frame.total_bounds
    across, up = max(abs(west), abs(east)), max(abs(south), abs(north))
    if frame.crs.is_geographic:
        if up > 90 and across <= 90 and up <= 360:
            raise input_error(
                path,
                place,
                "latitude and longitude are swapped",
                "save it again with longitude first",
            )
        _must_be_degrees(path, place, frame)
    elif frame.crs.is_projected and across <= 180 and up <= 90:
        raise input_error(
            path,
            place,
            "its CRS is in metres, but its numbers are degrees",
            "set its CRS to the one in degrees, such as EPSG:4326, in a GIS",
        )


def _must_be_degrees(path: Path, place: str, frame: gpd.GeoDataFrame) -> None:
    """Name corners that are out of range, or refuse the CRS where most of them are."""
    xy, of = shapely.get_coordinates(frame.geometry.array, return_index=True)
    lon, lat = xy.T
    out = (np.abs(lon) > 360) | (np.abs(lat) > 90)
    if out.mean() > 0.5:
        raise input_error(
            path,
            place,
            f"its CRS is in degrees, but its numbers (up to {np.abs(xy).max():.0f}) are not",
            "set the CRS it was drawn in, in a GIS",
        )
    wrong = "is out of range"
    if not out.any() and np.ptp(lon) > 180:
        out = np.abs(lon - np.median(lon)) > 90
        wrong = f"is far from the others, which lie near longitude {np.median(lon):.4g}"
    errors = Errors()
    for number in np.unique(of[out])[:_MOST_SAID]:
        first = np.flatnonzero(out & (of == number))[0]
        errors.add(
            path,
            f"{place}, feature {frame.index[number] + 1}",
            f"a corner at longitude {lon[first]:.6g}, latitude {lat[first]:.6g} {wrong}",
            "correct its numbers: a sign or a decimal point may be wrong",
        )
    errors.raise_any()
