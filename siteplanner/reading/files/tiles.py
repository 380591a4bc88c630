"""Finds and opens the files that make up the DEM, and chooses the CRS to work in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.warp import transform_bounds

from siteplanner.base.errors import Errors, input_error
from siteplanner.reading.files.raster_place import misplaced, must_be_here
from siteplanner.reading.files.text import must_hold
from siteplanner.site.site_file import Site

#: Files of a folder that are taken for tiles of the DEM.
TILES = (".tif", ".tiff", ".asc", ".img", ".vrt", ".dt2", ".hgt", ".bil", ".flt")


def tiles(site: Site) -> list[Path]:
    """List the files that make up the DEM: one, several, or all rasters of a folder.

    Raises :class:`~siteplanner.InputError` for what is not there.
    """
    errors = Errors()
    found: list[Path] = []
    for name in site.dem.files:
        path = site.folder / name
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in TILES)
            if not inside:
                errors.add(
                    path,
                    "",
                    "the folder has no raster that could be a DEM",
                    f"put tiles with one of the endings {', '.join(TILES)} into it",
                )
            found += inside
        elif path.exists():
            found.append(path)
        else:
            errors.add(path, "", "this file does not exist", "check the path in the site file")
    errors.raise_any()
    return found


@contextmanager
def opened(site: Site) -> Iterator[list[Any]]:
    """Open all tiles, in the CRS of the first, with the site file's CRS and nodata if given.

    Raises :class:`~siteplanner.InputError` for a tile that cannot be read, has no CRS
    or several bands.
    """
    errors = Errors()
    with ExitStack() as stack:
        sources: list[Any] = []
        for path in tiles(site):
            with errors.gather():
                must_hold(path)
                must_be_here(path)
            if errors.found:
                continue
            try:
                source = stack.enter_context(rasterio.open(path))
            except RasterioError as error:
                errors.add(
                    path,
                    "",
                    f"it cannot be read as a raster ({error})",
                    "save the DEM again as a GeoTIFF",
                )
                continue
            if source.count != 1:
                errors.add(
                    path, "", f"it has {source.count} bands", "give a DEM with one band of heights"
                )
            crs = rasterio.CRS.from_user_input(site.dem.crs) if site.dem.crs else source.crs
            if crs is None:
                errors.add(
                    path,
                    "",
                    "it has no coordinate reference system (CRS)",
                    "set the DEM's CRS in a GIS and save it again, or write dem.crs in the site "
                    'file, such as crs = "EPSG:32756"',
                )
                continue
            wrong = misplaced(source, pyproj.CRS.from_wkt(crs.to_wkt()))
            if wrong:
                errors.add(path, "", *wrong)
                continue
            given = {} if site.dem.nodata is None else {"src_nodata": site.dem.nodata}
            first = sources[0].crs if sources else crs
            if given or crs != source.crs or crs != first:
                nodata = given.get("src_nodata", source.nodata)
                source = stack.enter_context(
                    WarpedVRT(
                        source,
                        src_crs=crs,
                        crs=first,
                        resampling=Resampling.bilinear,
                        nodata=nodata,
                        **given,
                    )
                )
            sources.append(source)
        errors.raise_any()
        yield sources


def working_crs(site: Site) -> pyproj.CRS:
    """Choose the CRS to work in: the site file's, else the DEM's, else the UTM zone.

    Raises :class:`~siteplanner.InputError` when the DEM cannot be opened or has no
    CRS, or when a CRS named in the site file is unknown or not in metres.
    """
    errors = Errors()
    for place, name in (("site.crs", site.site.crs), ("dem.crs", site.dem.crs)):
        if name is None:
            continue
        try:
            named = pyproj.CRS.from_user_input(name)
        except pyproj.exceptions.CRSError:
            errors.add(
                site.path,
                place,
                f"{name!r} is not a known CRS",
                "write an EPSG code such as EPSG:32756",
            )
            continue
        if place == "site.crs" and not in_metres(named.to_2d()):
            errors.add(
                site.path,
                place,
                f"{name!r} is not projected in metres",
                "choose a projected CRS in metres, such as the UTM zone, or leave it out",
            )
    errors.raise_any()
    with opened(site) as sources:
        crs = pyproj.CRS.from_wkt(sources[0].crs.to_wkt()).to_2d()
        bounds = sources[0].bounds
    if site.site.crs is not None:
        named = pyproj.CRS.from_user_input(site.site.crs).to_2d()
        _must_be_meant_for(site, named, crs, bounds)
        return named
    if in_metres(crs):
        return crs
    west, south, east, north = transform_bounds(crs.to_wkt(), "EPSG:4326", *bounds)
    zone = int(np.clip((west + east) / 2 // 6 + 31, 1, 60))
    return pyproj.CRS.from_epsg((32700 if south + north < 0 else 32600) + zone)


def _must_be_meant_for(
    site: Site, named: pyproj.CRS, crs: pyproj.CRS, bounds: tuple[float, float, float, float]
) -> None:
    """Refuse a CRS that is meant for another part of the earth than the DEM's (with 3° to spare).

    Metres would be no metres there.
    """
    area = named.area_of_use
    try:
        west, south, east, north = transform_bounds(crs.to_wkt(), "EPSG:4326", *bounds)
    except RasterioError:
        return  # said when the DEM is read
    if area is None or not np.isfinite([west, south, east, north]).all():
        return
    across = ((west + east) / 2 - area.west) % 360 - (area.east - area.west) % 360
    if 3 < across < 357 or not area.south - 3 < (south + north) / 2 < area.north + 3:
        raise input_error(
            site.path,
            "site.crs",
            f"{named.name!r} is for another part of the earth than the DEM",
            "choose the projected CRS of the property, or leave it out",
        )


def in_metres(crs: pyproj.CRS) -> bool:
    """Whether a CRS is projected and counts in metres."""
    return bool(
        crs.is_projected
        and all(abs(axis.unit_conversion_factor - 1) < 1e-9 for axis in crs.axis_info[:2])
    )
