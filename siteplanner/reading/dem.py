"""Reads the DEM: only the window round the property, brought to the working grid in metres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
import rasterio.fill
import rasterio.merge
import scipy.ndimage
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.warp import calculate_default_transform, reproject, transform_bounds

from siteplanner.base.errors import Errors, input_error
from siteplanner.base.grid import BoolGrid, Grid
from siteplanner.base.units import area_words, hectares, length_unit, metres_in
from siteplanner.reading.files.tiles import opened
from siteplanner.reading.files.true_metres import in_metres
from siteplanner.reading.height_step import step_of
from siteplanner.site.site_file import Site

#: No planning cell is smaller than this unless the site file says so.
SMALLEST_CELL_M = 2.0
#: No ground on dry land is lower or higher.
LOWEST_M, HIGHEST_M = -500.0, 9000.0
#: More cells than these, of the file's own, are not read at once.
MOST_CELLS = 400_000_000


@dataclass(frozen=True)
class Heights:
    """Heights on the working grid, m, float32, NaN where the DEM has none.

    ``filled`` marks cells in small holes of the DEM whose height was worked out from their
    surroundings; ``step_m`` is what the file's own heights are rounded to (0: finer than 5 cm);
    ``notes`` are sentences on what was done.
    """

    grid: Grid
    dem: NDArray[np.float32]
    filled: BoolGrid
    step_m: float
    notes: tuple[str, ...]


def read_dem(site: Site, crs: pyproj.CRS, boundary: shapely.Geometry) -> Heights:
    """Read the heights round ``boundary`` (a geometry in ``crs``), margin included.

    Tiles are joined, the first that knows a cell decides. Cells in the working CRS that are
    already the planning cell are cut, not resampled; finer ones are averaged down by area;
    another CRS or coarser cells are resampled bilinearly. Small holes are filled from their
    rims (inverse distance), large ones in the property refused.

    Raises :class:`~siteplanner.InputError` when the DEM does not cover the boundary.
    """
    notes: list[str] = []
    margin = site.dem.margin_m
    west, south, east, north = boundary.bounds
    box = (west - margin, south - margin, east + margin, north + margin)
    label = ", ".join(site.dem.files)
    path = site.folder / label
    with opened(site) as sources:
        metres, words = _unit(site, sources[0])
        native_crs = pyproj.CRS.from_wkt(sources[0].crs.to_wkt()).to_2d()
        try:
            values, transform = _joined(path, sources, crs, native_crs, box)
        except RasterioError as error:
            raise input_error(
                path,
                "",
                f"it cannot be read as a raster ({error.__cause__ or error})",
                "save the DEM again as a GeoTIFF; the file may be incomplete, or a tile missing",
            ) from None
    values *= metres
    _must_be_heights(path, values)
    if words:
        notes.append(words)
    step = step_of(values)
    if step:
        notes.append(
            f"The DEM's heights are rounded to steps of {_in_own_unit(step, metres)}, which makes "
            "false terraces on slopes. For water flow and curvature they were smoothed by up to "
            "half a step."
        )
    native = abs(transform.a)
    same = native_crs.equals(crs, ignore_axis_order=True)
    square = bool(np.isclose(native, abs(transform.e), rtol=1e-6))
    cell = site.dem.cell_m or _own_cell(native, same and square, native_crs, crs, values, transform)
    if not (same and square and np.isclose(native, cell, rtol=1e-6)):
        finer = _metres_across(native, native_crs, crs, boundary) < cell * 0.99
        how = Resampling.average if finer else Resampling.bilinear
        values, transform = _resampled(values, transform, native_crs, crs, cell, box, how)
        own = "m" if same else "m on the map of its own CRS"
        unit = own if in_metres(native_crs) else unit_of_map(native_crs)
        done = "averaged by area" if finer else "resampled"
        notes.append(
            f"The DEM's cells of {native:g} {unit} were {done} to the planning cell of {cell:g} m."
        )
    dem = np.ascontiguousarray(values, dtype=np.float32)
    grid = Grid(crs, transform, dem.shape)
    dem, filled = _without_small_holes(path, grid, dem, boundary, site.dem.largest_hole_m2)
    if filled.any():
        notes.append(
            f"{int(filled.sum())} cells ({filled.sum() * grid.cell_area:.0f} m²) in small holes of "
            "the DEM were filled from the ground around them; the layer void_filled marks them."
        )
    _must_cover(path, grid, dem, boundary)
    reach = min(
        west - grid.bounds[0],
        south - grid.bounds[1],
        grid.bounds[2] - east,
        grid.bounds[3] - north,
    )
    if reach < margin - 2 * grid.cell:
        notes.append(
            f"The DEM reaches only {max(reach, 0):.0f} m past the boundary ({margin:.0f} m asked "
            "for). Water and cold air from further away are not included."
        )
    return Heights(grid, dem, filled, step, tuple(notes))


def _must_be_heights(path: Path, values: NDArray[np.float64]) -> None:
    known = np.isfinite(values)
    if not known.any():
        return
    low, high = float(values[known].min()), float(values[known].max())
    if low < LOWEST_M or high > HIGHEST_M:
        raise input_error(
            path,
            "",
            f"its heights from {low:.6g} to {high:.6g} m are not possible",
            "set the number that means no height (dem.nodata), or the unit (dem.heights_in), in "
            "the site file",
        )


def _unit(site: Site, source: Any) -> tuple[float, str]:
    """Metres in the DEM's unit of height, and what to tell the user of it.

    Said in the site file, else by a vertical CRS, else by the band's own unit, else metres.
    """
    if site.dem.heights_in != "auto":
        factor = metres_in(site.dem.heights_in)
    else:
        factor = metres_of_heights(pyproj.CRS.from_wkt(source.crs.to_wkt()), source.units[0])
    unit = length_unit(factor)
    words = "" if factor == 1 else f"Heights were converted from {unit} to metres (× {factor:.6g})."
    return factor, words


def _in_own_unit(length_m: float, metres: float) -> str:
    """Say a length with the DEM's own unit of ``metres`` beside it, where that is not the metre."""
    own = "" if metres == 1 else f" ({length_m / metres:.3g} {length_unit(metres)})"
    return f"{length_m:.4g} m{own}"


def unit_of_map(crs: pyproj.CRS) -> str:
    """Name the unit that a CRS counts in, in the plural: degrees, feet."""
    axis = crs.axis_info[0]
    if crs.is_projected:
        return length_unit(axis.unit_conversion_factor)
    return f"{axis.unit_name}s"


def metres_of_heights(crs: pyproj.CRS, band_unit: str | None) -> float:
    """Metres in a raster's unit of height, by its vertical CRS, else by its band; else metres."""
    vertical = [part for part in crs.sub_crs_list if part.is_vertical]
    if vertical:
        return float(vertical[0].axis_info[0].unit_conversion_factor)
    return metres_in(str(band_unit or "").lower(), 1.0)


def _joined(
    path: Path,
    sources: Sequence[Any],
    crs: pyproj.CRS,
    native_crs: pyproj.CRS,
    box: tuple[float, float, float, float],
) -> tuple[NDArray[np.float64], Affine]:
    """Heights of the window from all tiles, float64 with NaN, and the window's transform."""
    t = sources[0].transform
    wide, high = abs(t.a), abs(t.e)
    west, south, east, north = transform_bounds(crs.to_wkt(), native_crs.to_wkt(), *box)
    bounds = [source.bounds for source in sources]
    west = max(west - 2 * wide, min(b.left for b in bounds))
    south = max(south - 2 * high, min(b.bottom for b in bounds))
    east = min(east + 2 * wide, max(b.right for b in bounds))
    north = min(north + 2 * high, max(b.top for b in bounds))
    if not (west < east and south < north):
        swapped = shapely.box(box[1], box[0], box[3], box[2])
        if crs == native_crs and any(swapped.intersects(shapely.box(*b)) for b in bounds):
            raise input_error(
                path,
                "",
                "the boundary is at the DEM only with its axes swapped",
                "save the boundary again with easting first",
            )
        raise input_error(
            path,
            "",
            "the DEM and the boundary are in different places",
            "check the CRS of both files",
        )
    # Keep to the first tile's lattice, so that joining copies cells and moves none.
    west, east = (t.c + np.round((v - t.c) / wide) * wide for v in (west, east))
    south, north = (t.f + np.round((v - t.f) / high) * high for v in (south, north))
    cells = (east - west) / wide * ((north - south) / high)
    if cells > MOST_CELLS:
        raise input_error(
            path,
            "",
            f"{cells / 1e6:.0f} million cells of {wide:g} (CRS units) surround the property",
            "save the DEM again with larger cells, 0.5 m or more",
        )
    merged, transform = rasterio.merge.merge(
        list(sources),
        bounds=(west, south, east, north),
        res=(wide, high),
        nodata=np.nan,
        dtype="float64",
    )
    values = merged[0]
    scale, offset = sources[0].scales[0], sources[0].offsets[0]
    if (scale, offset) != (1.0, 0.0):
        values = values * scale + offset
    values[~np.isfinite(values)] = np.nan
    return values, transform


def _metres_across(
    native: float, native_crs: pyproj.CRS, crs: pyproj.CRS, boundary: shapely.Geometry
) -> float:
    """Width of a native cell at the property, metres."""
    if native_crs.equals(crs, ignore_axis_order=True):
        return native
    there = pyproj.Transformer.from_crs(crs, native_crs, always_xy=True)
    back = pyproj.Transformer.from_crs(native_crs, crs, always_xy=True)
    x, y = there.transform(boundary.centroid.x, boundary.centroid.y)
    x0, y0 = back.transform(x, y)
    x1, y1 = back.transform(x, y + native)
    return float(np.hypot(x1 - x0, y1 - y0))


def _own_cell(
    native: float,
    kept: bool,
    native_crs: pyproj.CRS,
    crs: pyproj.CRS,
    values: NDArray[np.float64],
    transform: Affine,
) -> float:
    """The planning cell when the site file names none: the DEM's own, but 2 m at least."""
    if kept:
        return native if native >= SMALLEST_CELL_M else SMALLEST_CELL_M
    rows, cols = values.shape
    bounds = rasterio.transform.array_bounds(rows, cols, transform)
    chosen, _, _ = calculate_default_transform(
        native_crs.to_wkt(), crs.to_wkt(), cols, rows, *bounds
    )
    return max(SMALLEST_CELL_M, round(float(chosen.a), 1))


def _resampled(
    values: NDArray[np.float64],
    transform: Affine,
    native_crs: pyproj.CRS,
    crs: pyproj.CRS,
    cell: float,
    box: tuple[float, float, float, float],
    how: Resampling,
) -> tuple[NDArray[np.float64], Affine]:
    """Bring the window to square cells whose edges are multiples of the cell size."""
    rows, cols = values.shape
    covered = transform_bounds(
        native_crs.to_wkt(), crs.to_wkt(), *rasterio.transform.array_bounds(rows, cols, transform)
    )
    west, south = (max(box[i], covered[i]) for i in (0, 1))
    east, north = (min(box[i], covered[i]) for i in (2, 3))
    left, top = np.floor(west / cell) * cell, np.ceil(north / cell) * cell
    shape = (int(np.ceil((top - south) / cell)), int(np.ceil((east - left) / cell)))
    placed = Affine(cell, 0, left, 0, -cell, top)
    out = np.full(shape, np.nan)
    reproject(
        values,
        out,
        src_transform=transform,
        src_crs=native_crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=placed,
        dst_crs=crs.to_wkt(),
        dst_nodata=np.nan,
        resampling=how,
    )
    return out, placed


def _without_small_holes(
    path: Path,
    grid: Grid,
    dem: NDArray[np.float32],
    boundary: shapely.Geometry,
    largest_m2: float,
) -> tuple[NDArray[np.float32], BoolGrid]:
    """Fill holes of up to ``largest_m2``; voids that reach the DEM's edge are no holes.

    Raises :class:`~siteplanner.InputError` with place and size of each larger hole in
    the property.
    """
    unknown = np.isnan(dem)
    filled = np.zeros(dem.shape, dtype=bool)
    if not unknown.any():
        return dem, filled
    labels, count = scipy.ndimage.label(unknown, structure=np.ones((3, 3)))
    rim = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    cells = np.bincount(labels.ravel(), minlength=count + 1)
    hole = np.ones(count + 1, dtype=bool)
    hole[rim] = hole[0] = False
    small = hole & (cells * grid.cell_area <= largest_m2)
    inside = np.bincount(labels[grid.cover([boundary])], minlength=count + 1) > 0
    errors = Errors()
    for number in np.flatnonzero(hole & ~small & inside):
        row, col = scipy.ndimage.center_of_mass(labels == number)
        x, y = grid.transform @ (col + 0.5, row + 0.5)
        errors.add(
            path,
            f"round {x:.0f}, {y:.0f}",
            f"a hole of {cells[number] * grid.cell_area:.0f} m² has no heights",
            "get a DEM without this hole or, if the ground there is even, raise "
            "dem.largest_hole_m2 in the site file",
        )
    errors.raise_any()
    filled = small[labels]
    if not filled.any():
        return dem, filled
    search = float(np.sqrt(cells[small].max())) * 2 + 5
    known = (~unknown).astype(np.uint8)
    worked_out = rasterio.fill.fillnodata(dem.copy(), mask=known, max_search_distance=search)
    return np.where(filled, worked_out, dem).astype(np.float32), filled


def _must_cover(
    path: Path, grid: Grid, dem: NDArray[np.float32], boundary: shapely.Geometry
) -> None:
    uncovered = boundary.difference(shapely.box(*grid.bounds)).area
    holes = float((grid.cover([boundary]) & np.isnan(dem)).sum()) * grid.cell_area
    bare = uncovered + holes
    if bare > 0.5 * grid.cell_area:
        share = bare / boundary.area
        raise input_error(
            path,
            "",
            f"the DEM does not cover the boundary: {area_words(hectares(bare))} ({share:.0%}) have "
            "no height",
            "get a DEM that covers the whole property, better with 400 m around it",
        )
