"""Trees in hollows without an outlet, where water may stand: said to the user, who decides."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from scipy.ndimage import label

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.units import hectares
from siteplanner.reading.heights.coarse import coarseness

#: So many hollows are named with their place, those with the most trees first.
_NAMED = 3


def note_on_hollows(
    closed_hollows: FloatGrid,
    grid: Grid,
    cells: BoolGrid,
    trees: gpd.GeoDataFrame,
    dem_cell: float,
) -> list[str]:
    """Say how large and deep the hollows on ``cells`` are and how many trees stand in each.

    ``closed_hollows`` is the layer, m, (rows, cols), 0 outside hollows; ``trees`` has points and
    ``dem_cell`` is the width of the DEM's cells, m. Nothing where there is no hollow.
    """
    hollow, count = label(closed_hollows > 0, np.ones((3, 3)))
    here = np.bincount(hollow[cells], minlength=count + 1)
    found = np.flatnonzero(here[1:]) + 1
    if not len(found):
        return []
    standing = np.bincount(
        grid.sample(hollow, trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()),
        minlength=count + 1,
    )
    wet = int(standing[1:].sum())
    order = found[np.lexsort((-here[found], -standing[found]))][:_NAMED]
    named = [
        _named(closed_hollows, hollow == one, cells, grid, int(standing[one])) for one in order
    ]
    more = f"; and {len(found) - _NAMED} more" if len(found) > _NAMED else ""
    area = hectares(float(here[found].sum()) * grid.cell_area)
    share = f" ({wet / len(trees):.0%})" if len(trees) else ""
    coarse = " The DEM is coarse and may miss an outlet." if coarseness(dem_cell) else ""
    kinds = "hollow over 1 m deep has" if len(found) == 1 else "hollows over 1 m deep have"
    return [
        f"{len(found)} {kinds} no outlet, together {area:.2f} ha of the property. {wet:,} of the "
        f"{len(trees):,} trees{share} stand in one: {'; '.join(named)}{more}. Water may stand "
        "there (layer closed_hollows): a pond, a dam, a sinkhole, or a bank whose culvert the DEM "
        f"does not show.{coarse} Look there after rain before you plant."
    ]


def _named(depth: FloatGrid, hollow: BoolGrid, cells: BoolGrid, grid: Grid, standing: int) -> str:
    """One hollow: where it is deepest, how large on ``cells``, how deep, how many trees."""
    row, col = np.unravel_index(int(np.where(hollow, depth, 0).argmax()), depth.shape)
    x, y = grid.transform @ (col + 0.5, row + 0.5)
    area = hectares(float((hollow & cells).sum()) * grid.cell_area)
    trees = f"{standing:,} tree{'' if standing == 1 else 's'}"
    return f"{trees} round {x:.0f}, {y:.0f} ({area:.2f} ha, up to {depth[row, col]:.1f} m deep)"
