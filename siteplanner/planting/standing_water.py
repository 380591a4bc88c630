"""Trees in hollows without an outlet, where water may stand: said to the user, who decides."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
from scipy.ndimage import label

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.units import hectares
from siteplanner.reading.heights.coarse import coarseness

#: So many hollows are named with their place, those with the most trees first.
_NAMED = 3


def hollows_of(
    closed_hollows: FloatGrid, grid: Grid, cells: BoolGrid, trees: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Outline the hollows on ``cells``, those with the most trees first, then the largest.

    ``closed_hollows`` is the layer, m, (rows, cols), 0 outside hollows; ``trees`` has points.
    Returns ``hollow`` (1, 2 …), ``area_ha`` and ``trees`` on ``cells``, ``depth_m`` and ``east``
    and ``north`` of the deepest spot of the whole hollow, ``geometry`` (MultiPolygon, on ``cells``
    too).
    """
    number, count = label(closed_hollows > 0, np.ones((3, 3)))
    here = np.bincount(number[cells], minlength=count + 1)
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    standing = np.bincount(grid.sample(number, x, y), minlength=count + 1)
    found = np.flatnonzero(here[1:]) + 1
    order = found[np.lexsort((-here[found], -standing[found]))]
    parts: dict[int, list[shapely.Geometry]] = {int(one): [] for one in order}
    for part, one in rasterio.features.shapes(
        number.astype(np.int32), cells & (number > 0), 8, grid.transform
    ):
        parts[int(one)].append(shapely.geometry.shape(part))
    deepest = [np.where(number == one, closed_hollows, 0).argmax() for one in order]
    row, col = np.unravel_index(np.array(deepest, dtype=np.int64), closed_hollows.shape)
    east = grid.transform.c + (col + 0.5) * grid.cell
    north = grid.transform.f - (row + 0.5) * grid.cell
    return gpd.GeoDataFrame(
        {
            "hollow": np.arange(1, len(order) + 1),
            "area_ha": hectares(here[order] * grid.cell_area),
            "depth_m": closed_hollows[row, col].astype(np.float64),
            "trees": standing[order],
            "east": east,
            "north": north,
        },
        geometry=[shapely.MultiPolygon([*shapely.get_parts(shapely.union_all(mine))])
                  for mine in parts.values()],
        crs=grid.crs,
    )  # fmt: skip


def note_on_hollows(hollows: gpd.GeoDataFrame, trees: int, dem_cell: float) -> list[str]:
    """Say how large and deep hollows (see ``hollows_of``) are and how many trees stand in each.

    ``trees`` is how many there are at all, ``dem_cell`` the width of the DEM's cells, m. Nothing
    where there is no hollow.
    """
    if hollows.empty:
        return []
    wet = int(hollows["trees"].sum())
    named = [_named(hollow) for hollow in hollows.head(_NAMED).itertuples()]
    more = f"; and {len(hollows) - _NAMED} more" if len(hollows) > _NAMED else ""
    share = f" ({wet / trees:.0%})" if trees else ""
    coarse = " The DEM is coarse and may miss an outlet." if coarseness(dem_cell) else ""
    kinds = "hollow over 1 m deep has" if len(hollows) == 1 else "hollows over 1 m deep have"
    return [
        f"{len(hollows)} {kinds} no outlet, together {hollows['area_ha'].sum():.2f} ha of the "
        f"property. {wet:,} of the {trees:,} trees{share} stand in one: {'; '.join(named)}{more}. "
        "Water may stand there (layer hollows): a pond, a dam, a sinkhole, or a bank whose culvert "
        f"the DEM does not show.{coarse} Look there after rain before you plant."
    ]


def _named(hollow: Any) -> str:
    """One hollow: its number, where it is deepest, how large, how deep, how many trees."""
    trees = f"{hollow.trees:,} tree{'' if hollow.trees == 1 else 's'}"
    return (
        f"{trees} in hollow {hollow.hollow} "
        f"round {hollow.east:.0f}, {hollow.north:.0f} "
        f"({hollow.area_ha:.2f} ha, up to {hollow.depth_m:.1f} m deep)"
    )
