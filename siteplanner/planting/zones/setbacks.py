"""Setbacks: the ground kept clear around things, and what is left to plant."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

#: Added to every setback, m: exact geometry and numbers rounded in files cannot then disagree.
SAFETY_M = 0.01
#: Kinds that a tree must not reach when it falls, grown to its mature height.
FALL_ON = ("power_line", "building")
#: Height of a species whose mature height nobody wrote down.
UNKNOWN_HEIGHT_M = 20.0
_QUARTER = 16
#: An inscribed polygon stands for a circle in a buffer; widening it by this puts it outside.
_WIDEN = 1 / np.cos(np.pi / (4 * _QUARTER))


def with_setbacks(
    no_plant: gpd.GeoDataFrame, boundary: gpd.GeoDataFrame, metres: dict[str, float]
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Give each feature its ``setback_m``, and the ground that is kept clear for it.

    Returns the features with the column ``setback_m`` and the areas kept clear (``kind,
    setback_m, geometry``), one a feature and one along the inside of the boundary.
    """
    features = no_plant.assign(setback_m=[float(metres[kind]) for kind in no_plant["kind"]])
    clear = [
        around(shape, m) for shape, m in zip(features.geometry, features["setback_m"], strict=True)
    ]
    edge = float(metres["boundary"])
    outline = boundary.union_all()
    clear.append(shapely.intersection(around(outline.boundary, edge), outline))
    setbacks = gpd.GeoDataFrame(
        {"kind": [*features["kind"], "boundary"], "setback_m": [*features["setback_m"], edge]},
        geometry=clear,
        crs=boundary.crs,
    )
    return features[["kind", "name", "setback_m", "geometry"]], setbacks


def around(shape: shapely.Geometry, metres: float) -> shapely.Geometry:
    """All ground within ``metres`` of a shape, never less (true circles lie inside it)."""
    return shapely.buffer(shape, (metres + SAFETY_M) * _WIDEN, quad_segs=_QUARTER)


def plantable_area(
    boundary: gpd.GeoDataFrame, paddocks: gpd.GeoDataFrame, setbacks: gpd.GeoDataFrame
) -> shapely.Geometry:
    """Ground of the paddocks to be planted, inside the boundary and outside all setbacks."""
    fields = paddocks[paddocks["plant"]].union_all()
    inside = shapely.intersection(fields, boundary.union_all())
    return shapely.difference(inside, setbacks.union_all())


def clear_of(
    x: NDArray[np.float64], y: NDArray[np.float64], no_plant: gpd.GeoDataFrame
) -> NDArray[np.bool_]:
    """Tell which points keep every feature's ``setback_m``, by exact distance."""
    clear = np.ones(len(x), dtype=bool)
    for shape, metres in zip(no_plant.geometry, no_plant["setback_m"], strict=True):
        near, points = _around(x, y, shape, float(metres))
        clear[near] &= ~shapely.dwithin(shape, points, float(metres))
    return clear


def _around(
    x: NDArray[np.float64], y: NDArray[np.float64], shape: shapely.Geometry, metres: float
) -> tuple[NDArray[np.int64], NDArray[np.object_]]:
    """Give the points in the shape's bounds widened by some metres: which they are, and as points.

    The shape is made ready for many tests.
    """
    west, south, east, north = shape.bounds
    within = (x >= west - metres) & (x <= east + metres)
    within &= (y >= south - metres) & (y <= north + metres)
    near = np.flatnonzero(within)
    shapely.prepare(shape)
    return near, shapely.points(x[near], y[near])


def too_tall(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    height_m: NDArray[np.float64],
    no_plant: gpd.GeoDataFrame,
) -> NDArray[np.bool_]:
    """Tell which species (their mature heights) may not stand on which points.

    A tree keeps its mature height off the kinds in ``FALL_ON``, so that it cannot fall on them
    (common practice, no source; the operator and local codes decide). Unknown heights count as
    ``UNKNOWN_HEIGHT_M``. Returns bool (points, species).
    """
    reach = np.where(np.isfinite(height_m), height_m, UNKNOWN_HEIGHT_M)
    near = np.full(len(x), np.inf)
    for shape in no_plant.geometry[no_plant["kind"].isin(FALL_ON)]:
        mine, points = _around(x, y, shape, float(reach.max(initial=0.0)))
        near[mine] = np.minimum(near[mine], shapely.distance(shape, points))
    return near[:, None] <= reach[None, :]
