"""Soil layers from the soil polygons: depth, pH, stones, texture, drainage, available water."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import ArrayLike, NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES
from siteplanner.ground.layer import CELL, layer, radius

#: Sand and clay, percent by weight, that stand for each texture class in Saxton & Rawls
#: (2006), Table 3.
_SAND_CLAY = {
    "sand": (88, 5),
    "loamy sand": (80, 5),
    "sandy loam": (65, 10),
    "loam": (40, 20),
    "silt loam": (20, 15),
    "silt": (10, 5),
    "sandy clay loam": (60, 25),
    "clay loam": (30, 35),
    "silty clay loam": (10, 35),
    "sandy clay": (50, 40),
    "silty clay": (10, 45),
    "clay": (25, 50),
}

_NUMBER = (
    "Mean of the soil polygons in the cell, weighted by the area that each covers; unknown where "
    "most of that area is unknown. Gaps of up to 10 m between polygons get the value of the "
    "nearest polygon."
)
_CLASS = (
    "Class that covers most of the cell, over all its soil polygons; unknown where most of that "
    "area is unknown. Gaps of up to 10 m between polygons get the class of the nearest polygon."
)
_SOIL_MAP = "the soil polygons of the site"


@layer(
    LayerInfo(
        name="soil_depth",
        title="Soil depth",
        unit="m",
        method=_NUMBER,
        source=_SOIL_MAP,
        valid=(0.0, 50.0),
        colours="YlOrBr_09",
    ),
    LayerInfo(
        name="soil_ph",
        title="Soil pH",
        unit="pH in water",
        method=_NUMBER,
        source=_SOIL_MAP,
        valid=(2.0, 12.0),
        colours="RdYlBu_11",
    ),
    LayerInfo(
        name="stoniness",
        title="Stones in the soil",
        unit="percent of volume",
        method=_NUMBER,
        source=_SOIL_MAP,
        valid=(0.0, 100.0),
        colours="YlOrBr_09",
    ),
    LayerInfo(
        name="texture_class",
        title="Soil texture",
        unit="USDA class",
        method=_CLASS,
        source=_SOIL_MAP,
        valid=(0.0, len(TEXTURE_CLASSES) - 1.0),
        colours="viridis",
        classes=TEXTURE_CLASSES,
    ),
    LayerInfo(
        name="drainage_class",
        title="Soil drainage",
        unit="USDA natural drainage class",
        method=_CLASS,
        source=_SOIL_MAP,
        valid=(0.0, len(DRAINAGE_CLASSES) - 1.0),
        colours="YlGnBu_09",
        classes=DRAINAGE_CLASSES,
        on_map=True,
    ),
    LayerInfo(
        name="soil_gap_filled",
        title="Gaps of the soil map that were filled",
        unit="1 filled, 0 mapped",
        method="Cells without a soil polygon, in a gap of up to 10 m between polygons.",
        source=_SOIL_MAP,
        valid=(0.0, 1.0),
        colours="Greys_09",
        classes=("mapped", "filled"),
    ),
    reach=radius("widest_gap"),
)
def soil_map(
    soils: gpd.GeoDataFrame, grid: Grid, *, widest_gap: float = 10.0
) -> tuple[FloatGrid, ...]:
    """Soil depth (m), pH, stones (percent), texture and drainage codes, and filled gaps.

    Each (rows, cols). Cells are shared out among polygons by the exact area covered, so a
    sliver counts for what it is; where polygons overlap the later one counts. Gaps of up to
    ``widest_gap`` (m) between polygons belong to the nearest polygon.
    """
    parts = _cover(soils, grid, widest_gap)
    codes = [
        _codes(soils["texture"], TEXTURE_CLASSES),
        _codes(soils["drainage"], DRAINAGE_CLASSES),
    ]
    numbers = [soils[name].to_numpy(np.float64) for name in ("depth_m", "ph", "stones_percent")]
    filled = np.where(parts.covered > 0, np.float32(0), np.float32(np.nan))
    filled[(parts.gap > 0) & (parts.gap == parts.covered)] = 1
    made = [
        *(_mean(parts, values) for values in numbers),
        *(_most(parts, values) for values in codes),
        filled,
    ]
    return tuple(layer_.reshape(grid.shape) for layer_ in made)


@layer(
    LayerInfo(
        title="Water that the soil holds for plants",
        unit="mm",
        method=(
            "Field capacity less wilting point of the texture class's typical sand and clay at "
            "the stated organic matter (2.5 percent unless set otherwise), times soil depth, "
            "less the stones. Unknown where texture, depth or stones are unknown."
        ),
        source="Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70:1569-1578",
        valid=(0.0, 15_000.0),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def available_water(
    texture_class: FloatGrid,
    soil_depth: FloatGrid,
    stoniness: FloatGrid,
    *,
    organic_matter: float = 2.5,
) -> FloatGrid:
    """Available water over the soil's depth, mm, (rows, cols); organic matter in percent.

    After Saxton & Rawls (2006).
    """
    sand, clay = np.transpose([_SAND_CLAY[name] for name in TEXTURE_CLASSES]) / 100
    wilting, capacity, _ = soil_water(sand, clay, organic_matter)
    held = np.append(capacity - wilting, np.nan).astype(np.float32)
    codes = np.where(np.isnan(texture_class), len(TEXTURE_CLASSES), texture_class)
    fraction = held[codes.astype(np.intp)]
    return fraction * soil_depth * np.float32(1000) * (1 - stoniness / np.float32(100))


def soil_water(
    sand: ArrayLike, clay: ArrayLike, organic_matter: ArrayLike = 2.5
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Water held at wilting point, field capacity and saturation, as fractions of volume.

    ``sand`` and ``clay`` are fractions by weight, ``organic_matter`` percent by weight; any
    shapes that broadcast. Equations 1, 2, 3 and 5 of Saxton & Rawls (2006), without gravel,
    salt and compaction.
    """
    s, c, om = (np.asarray(v, dtype=np.float64) for v in (sand, clay, organic_matter))
    first = (
        -0.024 * s
        + 0.487 * c
        + 0.006 * om
        + 0.005 * s * om
        - 0.013 * c * om
        + 0.068 * s * c
        + 0.031
    )
    wilting = first + (0.14 * first - 0.02)
    first = (
        -0.251 * s
        + 0.195 * c
        + 0.011 * om
        + 0.006 * s * om
        - 0.027 * c * om
        + 0.452 * s * c
        + 0.299
    )
    capacity = first + (1.283 * first**2 - 0.374 * first - 0.015)
    first = (
        0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
    )
    saturation = capacity + first + (0.636 * first - 0.107) - 0.097 * s + 0.043
    return wilting, capacity, saturation


def _codes(words: ArrayLike, classes: tuple[str, ...]) -> NDArray[np.float64]:
    place = {word: code for code, word in enumerate(classes)}
    return np.array([place.get(w, np.nan) for w in np.asarray(words, dtype=object)])


@dataclass(frozen=True)
class _Parts:
    """What part of which cell each soil polygon covers, one entry a polygon and cell.

    ``soil`` is the polygon's place in the table; ``covered`` and ``gap`` are the shares of each
    cell (flat) under polygons, filled gaps included, and under filled gaps alone.
    """

    cell: NDArray[np.int64]
    soil: NDArray[np.int64]
    share: NDArray[np.float64]
    covered: NDArray[np.float64]
    gap: NDArray[np.float64]


def _cover(soils: gpd.GeoDataFrame, grid: Grid, widest_gap: float) -> _Parts:
    """Share cells out among polygons, then small gaps among their nearest polygons."""
    shapes = _without_overlaps(soils.geometry.array)
    cells = grid.shape[0] * grid.shape[1]
    cell, soil, share = _shares(shapes, np.arange(len(shapes)), grid)
    gaps = _gaps(shapes, widest_gap)
    gap_cell, _, gap_share = _shares(gaps, np.arange(len(gaps)), grid)
    gap_soil = np.array([], dtype=np.int64)
    if len(gap_cell):
        down, right = np.divmod(gap_cell, grid.shape[1])
        west, _, _, north = grid.bounds
        middles = shapely.points(west + (right + 0.5) * grid.cell, north - (down + 0.5) * grid.cell)
        gap_soil = shapely.STRtree(shapes).nearest(middles)
    gap = np.bincount(gap_cell, gap_share, cells).astype(np.float64)
    cell, soil = np.append(cell, gap_cell), np.append(soil, gap_soil)
    share = np.append(share, gap_share)
    covered = np.bincount(cell, share, cells).astype(np.float64)
    return _Parts(cell, soil, share, covered, gap)


def _without_overlaps(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Take from each polygon what a later one covers."""
    shapes = np.array(shapes, dtype=object)
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    later = second > first
    overlapping = (
        shapely.area(shapely.intersection(shapes[first[later]], shapes[second[later]])) > 0
    )
    cut = shapes.copy()
    for one, other in zip(first[later][overlapping], second[later][overlapping], strict=True):
        cut[one] = shapely.difference(cut[one], shapes[other])
    return cut


def _gaps(shapes: NDArray[np.object_], widest: float) -> NDArray[np.object_]:
    """Ground between polygons that closes when they grow by half the gap."""
    if not len(shapes) or widest <= 0:
        return np.array([], dtype=object)
    whole = shapely.union_all(shapes)
    buffered = shapely.buffer(whole, widest / 2, join_style="mitre")
    closed = shapely.buffer(buffered, -widest / 2, join_style="mitre")
    gaps = shapely.get_parts(shapely.difference(closed, whole))
    return gaps[shapely.area(gaps) > 1e-6]


def _shares(
    shapes: NDArray[np.object_], soil: NDArray[np.int64], grid: Grid
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Cells under each shape (flat), the soil that the shape stands for, the share covered."""
    west, south, east, north = grid.bounds
    keep = shapely.intersects(shapely.box(west, south, east, north), shapes)
    keep &= ~shapely.is_empty(shapes)
    empty = np.array([], dtype=np.int64)
    if not keep.any():
        return empty, empty, np.array([], dtype=np.float64)
    lattice = NumPyRasterSource(np.broadcast_to(np.uint8(0), grid.shape), west, south, east, north)
    frame = gpd.GeoDataFrame({"soil": soil[keep]}, geometry=shapes[keep], crs=grid.crs)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Spatial reference system")
        found = exact_extract(
            lattice, frame, ["cell_id", "coverage"], include_cols=["soil"], output="pandas"
        )
    counts = found["cell_id"].map(len)
    return (
        np.concatenate(found["cell_id"].to_list()).astype(np.int64),
        np.repeat(found["soil"].to_numpy(), counts),
        np.concatenate(found["coverage"].to_list()).astype(np.float64),
    )


def _mean(parts: _Parts, values: NDArray[np.float64]) -> FloatGrid:
    """Area-weighted mean of the known values, NaN where they cover less than half."""
    mine = values[parts.soil]
    known = np.isfinite(mine)
    cells = len(parts.covered)
    weight = np.bincount(parts.cell[known], parts.share[known], cells)
    total = np.bincount(parts.cell[known], parts.share[known] * mine[known], cells)
    out = np.full(cells, np.nan, np.float32)
    told = (weight > 0) & (weight >= 0.5 * parts.covered)
    out[told] = total[told] / weight[told]
    return out


def _most(parts: _Parts, codes: NDArray[np.float64]) -> FloatGrid:
    """Code that covers most of the cell, NaN where the known ones cover less than half."""
    mine = codes[parts.soil]
    cells = len(parts.covered)
    best, weight = np.zeros(cells), np.zeros(cells)
    out = np.full(cells, np.nan, np.float32)
    for code in np.unique(codes[np.isfinite(codes)]):
        here = mine == code
        covers = np.bincount(parts.cell[here], parts.share[here], cells)
        more = covers > best
        out[more], best[more] = code, covers[more]
        weight += covers
    out[weight < 0.5 * parts.covered] = np.nan
    return out
