"""Reads the DEM: only the window round the property, brought to the working grid."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import rasterio
import rioxarray
import shapely
import xarray as xr
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.warp import transform_bounds

from siteplanner.errors import fault
from siteplanner.grid import Grid
from siteplanner.site import Site


@dataclass(frozen=True)
class Heights:
    """Heights on the working grid, m, float32, NaN where the DEM has none; and what was done."""

    grid: Grid
    dem: NDArray[np.float32]
    notes: tuple[str, ...]


def working_crs(site: Site) -> pyproj.CRS:
    """Choose the CRS to work in: the site file's, else the DEM's, else the UTM zone.

    Raises :class:`~siteplanner.errors.InputError` when the DEM cannot be opened or has no
    CRS, or when the CRS named in the site file is unknown or not in metres.
    """
    path = site.folder / site.dem.file
    if site.site.crs is not None:
        try:
            crs = pyproj.CRS.from_user_input(site.site.crs)
        except pyproj.exceptions.CRSError:
            raise fault(
                site.path,
                "site.crs",
                f"{site.site.crs!r} is no known CRS",
                "write an EPSG code such as EPSG:32756, or leave it out",
            ) from None
        if not _in_metres(crs):
            raise fault(
                site.path,
                "site.crs",
                f"{site.site.crs!r} is not projected in metres",
                "choose a projected CRS in metres, such as the UTM zone, or leave it out",
            )
        _open_crs(path)
        return crs
    crs, bounds = _open_crs(path)
    if _in_metres(crs):
        return crs
    west, south, east, north = transform_bounds(crs.to_wkt(), "EPSG:4326", *bounds)
    zone = int(np.clip((west + east) / 2 // 6 + 31, 1, 60))
    return pyproj.CRS.from_epsg((32700 if south + north < 0 else 32600) + zone)


def _in_metres(crs: pyproj.CRS) -> bool:
    return bool(
        crs.is_projected
        and all(abs(axis.unit_conversion_factor - 1) < 1e-9 for axis in crs.axis_info[:2])
    )


def _open_crs(path: Path) -> tuple[pyproj.CRS, tuple[float, float, float, float]]:
    if not path.exists():
        raise fault(path, "", "there is no such file", "check the path in the site file")
    try:
        with rasterio.open(path) as source:
            crs, bounds = source.crs, tuple(source.bounds)
    except RasterioError as error:
        raise fault(
            path, "", f"it cannot be read as a raster ({error})", "save the DEM again as a GeoTIFF"
        ) from None
    if crs is None:
        raise fault(
            path,
            "",
            "it has no coordinate reference system (CRS)",
            "set the DEM's CRS in a GIS and save it again",
        )
    return pyproj.CRS.from_wkt(crs.to_wkt()), bounds


def read_dem(site: Site, crs: pyproj.CRS, boundary: shapely.Geometry) -> Heights:
    """Read the heights round ``boundary`` (a geometry in ``crs``), margin included.

    A DEM in the working CRS whose cells already are the planning cell is cut, not resampled.
    A finer one is averaged down, another CRS is warped (bilinear). Raises
    :class:`~siteplanner.errors.InputError` when the DEM does not cover the boundary.
    """
    path = site.folder / site.dem.file
    notes: list[str] = []
    margin = site.dem.margin_m
    west, south, east, north = boundary.bounds
    box = (west - margin, south - margin, east + margin, north + margin)
    try:
        source = rioxarray.open_rasterio(path, masked=True)
        assert isinstance(source, xr.DataArray)
        if source.sizes["band"] != 1:
            raise fault(
                path,
                "",
                f"it has {source.sizes['band']} bands",
                "give a DEM with one band of heights",
            )
        try:
            cut = source.rio.clip_box(*box, crs=crs.to_wkt()).squeeze("band", drop=True)
        except rioxarray.exceptions.NoDataInBounds:
            raise fault(
                path,
                "",
                "the DEM lies somewhere else than the boundary",
                "check the CRS of both files",
            ) from None
        cell = site.dem.cell_m
        rounded = 0.0
        native = abs(float(cut.rio.transform().a))
        same = pyproj.CRS.from_wkt(cut.rio.crs.to_wkt()).equals(crs)
        if cell is None:
            cell = max(2.0, round(native, 2)) if same else _metric_cell(cut, crs)
        square = np.isclose(native, abs(float(cut.rio.transform().e)), rtol=1e-6)
        if not (same and square and np.isclose(native, cell, rtol=1e-6)):
            finer = same and native < cell
            cut = _to_grid(
                cut, crs, cell, box, Resampling.average if finer else Resampling.bilinear
            )
            notes.append(
                f"The DEM's cells of {native:g} {'m' if same else 'units'} were "
                f"{'averaged' if finer else 'resampled'} to the planning cell of "
                f"{cell:g} m."
            )
            rounded = cell
    except RasterioError as error:
        raise fault(
            path, "", f"it cannot be read as a raster ({error})", "save the DEM again as a GeoTIFF"
        ) from None
    dem = np.ascontiguousarray(cut.to_numpy(), dtype=np.float32)
    dem[~np.isfinite(dem)] = np.nan
    grid = Grid(crs, Affine(*cut.rio.transform()[:6]), dem.shape)
    _must_cover(path, grid, dem, boundary)
    reach = np.array(
        [
            west - grid.bounds[0],
            south - grid.bounds[1],
            grid.bounds[2] - east,
            grid.bounds[3] - north,
        ]
    )
    if reach.min() < margin - max(grid.cell, rounded):
        notes.append(
            f"The DEM reaches only {max(reach.min(), 0):.0f} m past the boundary "
            f"({margin:.0f} m asked for); water and cold air from beyond it are missing."
        )
    return Heights(grid, dem, tuple(notes))


def _metric_cell(cut: xr.DataArray, crs: pyproj.CRS) -> float:
    """Cell size in metres that a warp of the window to ``crs`` would choose, to the decimetre."""
    target = cut.rio.reproject(crs.to_wkt()).rio.transform()
    return max(2.0, round(float(target.a), 1))


def _to_grid(
    cut: xr.DataArray,
    crs: pyproj.CRS,
    cell: float,
    box: tuple[float, float, float, float],
    how: Resampling,
) -> xr.DataArray:
    """Warp the window to square cells whose edges are multiples of the cell size."""
    west, north = np.floor(box[0] / cell) * cell, np.ceil(box[3] / cell) * cell
    shape = (int(np.ceil((north - box[1]) / cell)), int(np.ceil((box[2] - west) / cell)))
    return cut.rio.reproject(
        crs.to_wkt(),
        transform=Affine(cell, 0, west, 0, -cell, north),
        shape=shape,
        resampling=how,
        nodata=np.nan,
    )


def _must_cover(
    path: Path, grid: Grid, dem: NDArray[np.float32], boundary: shapely.Geometry
) -> None:
    uncovered = boundary.difference(shapely.box(*grid.bounds)).area
    holes = float((grid.cover([boundary]) & np.isnan(dem)).sum()) * grid.cell_area
    bare = uncovered + holes
    if bare > 0.5 * grid.cell_area:
        share = bare / boundary.area
        raise fault(
            path,
            "",
            f"the DEM does not cover the boundary: {bare / 1e4:.2f} ha "
            f"({share:.0%}) have no height",
            "get a DEM that reaches at least to the boundary, better 400 m past it",
        )
