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
from rasterio.errors import RasterioError
from rasterio.warp import transform_bounds

from siteplanner.base.errors import Errors, input_error
from siteplanner.base.grid import BoolGrid, Grid
from siteplanner.base.units import area_words, hectares, length_unit, metres_in
from siteplanner.reading.files.tiles import must_hold_all_rows, opened
from siteplanner.reading.height_step import step_of
from siteplanner.reading.heights.coarse import dem_cell_m, note_on_coarse
from siteplanner.reading.heights.edges import USUAL_MARGIN_M, Edges, edges_of
from siteplanner.reading.heights.resampled import on_planning_cells
from siteplanner.reading.heights.undeclared import (
    HIGHEST_M,
    LOWEST_M,
    note_on_voids,
    undeclared_voids,
    way_out,
)
from siteplanner.site.site_file import Site

#: More cells than these, of the file's own, are not read at once.
MOST_CELLS = 400_000_000


@dataclass(frozen=True)
class Heights:
    """Heights on the working grid, m, float32, NaN where the DEM has none.

    ``filled`` marks cells in small holes of the DEM whose height was worked out from their
    surroundings; ``step_m`` is what the file's own heights are rounded to (0: finer than 5 cm);
    ``cell_m`` is the width of what the heights can show, m: the DEM's own cells, or the grid's
    where these are wider; ``edges`` tells what cuts the grid; ``notes`` are sentences on
    what was done.
    """

    grid: Grid
    dem: NDArray[np.float32]
    filled: BoolGrid
    step_m: float
    cell_m: float
    edges: Edges
    notes: tuple[str, ...]


def read_dem(site: Site, crs: pyproj.CRS, boundary: shapely.Geometry) -> Heights:
    """Read the heights round ``boundary`` (a geometry in ``crs``), margin included.

    Tiles are joined, the first that knows a cell decides. Cells in the working CRS that are
    already the planning cell are cut; others are resampled (``heights.resampled``). Small
    holes are filled from their rims (inverse distance), large ones in the property refused.

    Raises :class:`~siteplanner.InputError` when the DEM does not cover the boundary.
    """
    notes: list[str] = []
    margin = USUAL_MARGIN_M if site.dem.margin_m is None else site.dem.margin_m
    west, south, east, north = boundary.bounds
    box = (west - margin, south - margin, east + margin, north + margin)
    label = ", ".join(site.dem.files)
    path = site.folder / label
    with opened(site) as sources:
        metres, words = _unit(site, sources[0])
        own_cell = dem_cell_m(sources)
        native_crs = pyproj.CRS.from_wkt(sources[0].crs.to_wkt()).to_2d()
        for source in sources:
            must_hold_all_rows(path, source)
        try:
            values, transform = _joined(path, sources, crs, native_crs, box)
        except RasterioError as error:
            raise input_error(
                path,
                "",
                f"it cannot be read as a raster ({error.__cause__ or error})",
                "save the DEM again as a GeoTIFF; the file may be incomplete, or a tile missing",
            ) from None
    voids: dict[float, int] = {}
    if site.dem.nodata != "none":
        none, voids = undeclared_voids(values, metres)
        values[none] = np.nan
    notes += note_on_voids(voids)
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
    values, transform, done = on_planning_cells(
        values, transform, native_crs, crs, box, site.dem.cell_m, own_cell
    )
    notes += done
    dem = np.ascontiguousarray(values, dtype=np.float32)
    grid = Grid(crs, transform, dem.shape)
    keep = way_out(voids)
    dem, filled = _without_small_holes(path, grid, dem, boundary, site.dem.largest_hole_m2, keep)
    if filled.any():
        notes.append(
            f"{int(filled.sum())} cells ({filled.sum() * grid.cell_area:.0f} m²) in small holes of "
            "the DEM were filled from the ground around them; the layer void_filled marks them."
        )
    _must_cover(path, grid, dem, boundary, keep)
    edges, cut = edges_of(grid, boundary.bounds, margin, own_cell)
    notes = [*note_on_coarse(own_cell, grid.cell), *notes, *cut]
    return Heights(grid, dem, filled, step, max(own_cell, grid.cell), edges, tuple(notes))


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
    with np.errstate(invalid="ignore"):  # a NaN that signals is a NaN
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


def _without_small_holes(
    path: Path,
    grid: Grid,
    dem: NDArray[np.float32],
    boundary: shapely.Geometry,
    largest_m2: float,
    keep: str,
) -> tuple[NDArray[np.float32], BoolGrid]:
    """Fill holes of up to ``largest_m2``; voids that reach the DEM's edge are no holes.

    Raises :class:`~siteplanner.InputError` with place and size of each larger hole in
    the property; ``keep`` says how to keep heights that were taken for none.
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
            f"dem.largest_hole_m2 in the site file. {keep}".rstrip(". "),
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
    path: Path, grid: Grid, dem: NDArray[np.float32], boundary: shapely.Geometry, keep: str
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
            f"get a DEM that covers the whole property, better with 400 m around it. {keep}".rstrip(
                ". "
            ),
        )
