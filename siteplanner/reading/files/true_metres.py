"""Chooses the CRS to work in: one whose metres are metres on the ground of the property.

A projected CRS in metres need not be true to scale: on a web map at 42° south, a metre of the map
is 0.74 m of ground. Every spacing, setback and area is of the map, so the map has to be true.
"""

from __future__ import annotations

from contextlib import suppress

import geopandas as gpd
import numpy as np
import pyproj
import rasterio.coords
from numpy.typing import ArrayLike
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion

from siteplanner.base.crs import crs_words, with_code
from siteplanner.base.errors import Errors, InputError, input_error
from siteplanner.reading.files.features import POLYGONS, read_features
from siteplanner.reading.files.raster_place import of_the_earth
from siteplanner.reading.files.tiles import opened
from siteplanner.site.site_file import Site

#: No length on the map may differ by a larger share from the ground, and so no area by more than
#: twice that. UTM keeps it in the whole of a zone: 0.9996 on the middle meridian, 1.00098 at the
#: edge on the equator (0.9996 from memory, 1.00098 measured).
MOST_OFF = 0.001
#: Latitudes between which UTM is used (from memory).
_UTM_FROM, _UTM_TO = -80.0, 84.0
_EARTH = pyproj.Geod(ellps="WGS84")
_STEP_M = 100.0
#: Where a property lies: (longitudes, latitudes), degrees, WGS 84.
Spots = tuple[np.ndarray, np.ndarray]


def working_crs(site: Site, notes: list[str] | None = None) -> pyproj.CRS:
    """Choose the CRS to work in: the site file's, else the DEM's, else one made for the place.

    The DEM's own is left, and ``notes`` say so, where it is not true to scale at the property.

    Raises :class:`~siteplanner.InputError` when the DEM cannot be opened or has no
    CRS, or when a CRS named in the site file is unknown, not in metres or not true to scale.
    """
    named = _named(site)
    with opened(site) as sources:
        crs = with_code(pyproj.CRS.from_wkt(sources[0].crs.to_wkt()).to_2d())
        bounds = np.array([source.bounds for source in sources])
    box = rasterio.coords.BoundingBox(*bounds[:, :2].min(axis=0), *bounds[:, 2:].max(axis=0))
    spots = _spots(site, crs, box)
    if not np.isfinite(spots).all():
        if named is None and not in_metres(crs):
            raise input_error(
                site.folder / ", ".join(site.dem.files),
                "",
                "its coordinates are outside the area of its CRS",
                "check its CRS",
            )
        return named or crs  # said when the DEM is read
    if named is not None:
        _must_be_true(site, named, spots)
        return named
    if not in_metres(crs):
        return metric_crs(*spots)
    wrong = not_true(crs, *spots, "the property")
    if not wrong:
        return crs
    better = metric_crs(*spots)
    if notes is not None:
        notes.append(
            f"The DEM's CRS, {crs_words(crs)}, {wrong}. The site is worked in {crs_words(better)} "
            f"instead, where spacings and setbacks are true to {100 * MOST_OFF:g} %."
        )
    return better


def in_metres(crs: pyproj.CRS) -> bool:
    """Whether a CRS is projected and counts in metres, true to scale or not."""
    return bool(
        crs.is_projected
        and all(abs(axis.unit_conversion_factor - 1) < 1e-9 for axis in crs.axis_info[:2])
    )


def stretch(crs: pyproj.CRS, lon: ArrayLike, lat: ArrayLike) -> float:
    """Share by which lengths on a CRS's map differ from the ground, where they differ most.

    0.34: up to 34 % too long; negative: too short; infinite where the CRS does not reach. Spots
    in degrees. Steps on the map in all directions are compared with geodesics. PROJ's own scale
    factors are not asked: they take the ellipsoid of a web map for a sphere, 0.7 % wrong.
    """
    to_map = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    x, y = to_map.transform(np.atleast_1d(lon), np.atleast_1d(lat))
    turn = np.radians(np.arange(0, 180, 5))[:, None]
    east, north = _STEP_M / 2 * np.sin(turn), _STEP_M / 2 * np.cos(turn)
    ends = (*degrees(crs, x - east, y - north), *degrees(crs, x + east, y + north))
    if not np.isfinite(ends).all():
        return np.inf
    off = _STEP_M / _EARTH.inv(*ends)[2] - 1
    return float(off.flat[np.abs(off).argmax()])


def metric_crs(lon: ArrayLike, lat: ArrayLike) -> pyproj.CRS:
    """Give a CRS that is true to scale at a property: the UTM zone of the first of its spots.

    Where that is not true enough, as on the equator far past the edge of a zone, or UTM is not
    used, near the poles, it is a Transverse Mercator about the nearest whole degree: true to 0.1 %
    up to 250 km from its meridian. A whole degree, so that it stays when an outline is edited.
    """
    east, north = float(np.atleast_1d(lon)[0]), float(np.atleast_1d(lat)[0])
    if _UTM_FROM <= north <= _UTM_TO:
        zone = int((east + 180) % 360 // 6) + 1
        utm = pyproj.CRS.from_epsg((32700 if north < 0 else 32600) + zone)
        if abs(stretch(utm, lon, lat)) <= MOST_OFF:
            return utm
    middle = round((east + 180) % 360) - 180
    about = TransverseMercatorConversion(
        latitude_natural_origin=0,
        longitude_natural_origin=middle,
        false_easting=500_000,
        false_northing=10_000_000 if north < 0 else 0,
        scale_factor_natural_origin=1,
    )
    name = f"WGS 84 / Transverse Mercator about {abs(middle)} degrees {'E' if middle >= 0 else 'W'}"
    made = ProjectedCRS(about, name=name, geodetic_crs=pyproj.CRS.from_epsg(4326))
    return pyproj.CRS.from_wkt(made.to_wkt())


def not_true(crs: pyproj.CRS, lon: ArrayLike, lat: ArrayLike, where: str) -> str:
    """Say how a CRS is not true to scale at spots, words that go after its name; "" if it is.

    ``where`` are words for the spots.
    """
    off = stretch(crs, lon, lat)
    if abs(off) <= MOST_OFF:
        return ""
    if not np.isfinite(off):
        return f"does not reach {where}"
    percent = 100 * abs(off)
    digits = 2 if percent < 1 else 1 if percent < 10 else 0
    more = "longer" if off > 0 else "shorter"
    return (
        f"is not true to scale at {where}: lengths on its map are up to {percent:.{digits}f} % "
        f"{more} than on the ground"
    )


def spots_of(frame: gpd.GeoDataFrame) -> Spots:
    """Give spots all over the extent of shapes: its middle first, then corners and sides."""
    west, south, east, north = frame.total_bounds
    across = np.array([0.5, 0, 0, 0, 0.5, 0.5, 1, 1, 1])
    up = np.array([0.5, 0, 0.5, 1, 0, 1, 0, 0.5, 1])
    return degrees(frame.crs, west + across * (east - west), south + up * (north - south))


def degrees(crs: pyproj.CRS, x: ArrayLike, y: ArrayLike) -> Spots:
    """Give places on a CRS's map in degrees, infinite where the map does not reach."""
    to_degrees = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(np.atleast_1d(x), np.atleast_1d(y))
    return lon, lat


def _spots(site: Site, crs: pyproj.CRS, box: rasterio.coords.BoundingBox) -> Spots:
    """Where the property lies; the middle of the DEM where its outline is not on the DEM.

    What is wrong with the outline is said when it is read for itself.
    """
    with suppress(InputError):
        path = site.folder / site.boundary.file
        land = read_features(path, site.boundary.layer, {}, None, POLYGONS)
        lon, lat = spots_of(land)
        there = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
        x, y = there.transform(lon[0], lat[0])
        if box.left <= x <= box.right and box.bottom <= y <= box.top:
            return lon, lat
    return degrees(crs, box.left / 2 + box.right / 2, box.bottom / 2 + box.top / 2)


def _named(site: Site) -> pyproj.CRS | None:
    """Give the site file's own CRS, None where it names none; the DEM's is looked at too."""
    errors = Errors()
    known: dict[str, pyproj.CRS] = {}
    for place, name in (("site.crs", site.site.crs), ("dem.crs", site.dem.crs)):
        if name is None:
            continue
        try:
            known[place] = with_code(pyproj.CRS.from_user_input(name).to_2d())
        except pyproj.exceptions.CRSError:
            errors.add(
                site.path,
                place,
                f"{name!r} is not a known CRS",
                "write an EPSG code such as EPSG:32756",
            )
            continue
        if not of_the_earth(known[place]):
            errors.add(
                site.path,
                place,
                f"{name!r} is not for the surface of the earth",
                "write an EPSG code such as EPSG:32756",
            )
        elif place == "site.crs" and not in_metres(known[place]):
            errors.add(
                site.path,
                place,
                f"{name!r} is not projected in metres",
                "choose a projected CRS in metres, such as the UTM zone, or leave it out",
            )
    errors.raise_any()
    return known.get("site.crs")


def _must_be_true(site: Site, named: pyproj.CRS, spots: Spots) -> None:
    """Refuse a CRS that is meant for another part of the earth, or not true to scale here.

    Of the area that a CRS is meant for, 3° past its edge is allowed.
    """
    area = named.area_of_use
    elsewhere = False
    if area is not None:
        across, wide = (spots[0][0] - area.west) % 360, (area.east - area.west) % 360 or 360
        up = spots[1][0]
        elsewhere = wide + 3 < across < 357 or not area.south - 3 < up < area.north + 3
    if elsewhere:
        raise input_error(
            site.path,
            "site.crs",
            f"{named.name!r} is for another part of the earth than the property",
            "choose the projected CRS of the property, or leave it out",
        )
    wrong = not_true(named, *spots, "the property")
    if wrong:
        code = metric_crs(*spots).to_epsg()
        raise input_error(
            site.path,
            "site.crs",
            f"{named.name!r} {wrong}",
            f"leave it out, or write EPSG:{code}" if code else "leave it out",
        )
