"""Finds and opens the files that make up the DEM."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pyproj
import rasterio
import rasterio.shutil
from affine import Affine
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.io import MemoryFile
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from siteplanner.base.errors import Errors, input_error
from siteplanner.reading.files.drivers import listening
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


#: Drivers of grids that are text, which are read row by row from the top.
_TEXT = ("AAIGrid", "GRASSASCIIGrid")


def must_hold_all_rows(path: Path, source: Any) -> None:
    """Raise :class:`~siteplanner.InputError` for a grid of text that ends early.

    Its driver never comes back from a row further down, so that rows are read from the top here.
    """
    source = getattr(source, "src_dataset", source)
    if source.driver not in _TEXT:
        return
    for row in range(source.height):
        try:
            source.read(1, window=Window(0, row, 1, 1))
        except RasterioError:
            raise input_error(
                path,
                f"row {row + 1} of {source.height}",
                "it cannot be read from there on",
                "copy or save the DEM again; the file may be incomplete",
            ) from None


def _at_180(source: Any, crs: Any) -> bool:
    """Whether a tile in degrees reaches the 180th meridian, or goes on past it."""
    t = source.transform
    west, east = t.c, t.c + t.a * source.width
    return bool(crs.is_geographic and (west <= -180 + t.a or east >= 180 - t.a))


def _across_180(stack: ExitStack, path: Path, source: Any, crs: Any) -> list[tuple[Any, Any]]:
    """Give a tile in degrees counted from the 180th meridian, on whose sides it then is one.

    The tile comes once for each side of the earth on which it lies, its cells as they are; one
    that is not in degrees stays.
    """
    if not crs.is_geographic:
        return [(source, crs)]
    told = pyproj.CRS.from_wkt(crs.to_wkt()).to_2d().to_json_dict()
    told.pop("id", None)
    if "datum" not in told:  # an ensemble cannot say its meridian; WGS 84 is the only one so used
        told = pyproj.CRS.from_proj4("+proj=longlat +datum=WGS84 +pm=180").to_json_dict()
    told["datum"]["prime_meridian"] = {"name": "180th meridian", "longitude": 180}
    told["datum"].pop("id", None)
    from_180 = rasterio.CRS.from_wkt(pyproj.CRS.from_json_dict(told).to_wkt())
    given = []
    for turn in (-180.0, 180.0, -540.0):
        west = source.bounds.left + turn
        if west < 90 and west + source.transform.a * source.width > -90:
            memory = stack.enter_context(MemoryFile(ext=".vrt"))
            rasterio.shutil.copy(path.absolute(), memory.name, driver="VRT")
            with rasterio.open(memory.name, "r+") as moved:
                moved.transform = Affine.translation(turn, 0) @ source.transform
                moved.crs = from_180
            given.append((stack.enter_context(rasterio.open(memory.name)), from_180))
    return given


@contextmanager
def opened(site: Site) -> Iterator[list[Any]]:
    """Open all tiles, in the CRS of the first, with the site file's CRS and nodata if given.

    Raises :class:`~siteplanner.InputError` for a tile that cannot be read, has no CRS
    or several bands.
    """
    errors = Errors()
    with ExitStack() as stack:
        sources: list[Any] = []
        found: list[tuple[Path, Any, Any]] = []
        for path in tiles(site):
            with errors.gather():
                must_hold(path)
                must_be_here(path)
            if errors.found:
                continue
            try:
                with listening():
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
            found.append((path, source, crs))
        if any(_at_180(source, crs) for _, source, crs in found):
            found = [
                (path, *moved)
                for path, source, crs in found
                for moved in _across_180(stack, path, source, crs)
            ]
        for _, source, crs in found:
            said = site.dem.nodata
            given = {} if said in (None, "none") else {"src_nodata": said}
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
