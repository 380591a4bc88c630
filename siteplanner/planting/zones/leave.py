"""Ground that may be better off unplanted: said to the user, who decides.

Tolerating a place is not a reason to plant it. Bush beside it may seed it, once stock is kept
out; ground that stands in water most of the year may be a wetland, which planting would harm.
Rules and figures are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely

from siteplanner.base.grid import FloatGrid, Grid, cells_of_each

#: Bush seeds ground within so many metres of it well.
SEEDS_M = 40.0
#: So much of a block near bush is reason to speak up; so much under water, and for how long.
NEAR_SHARE, WET_SHARE, WET_MONTHS = 0.8, 0.5, 9.0

_LET_GROW = (
    "{blocks}: at least {share:.0%} of the ground is within {metres:.0f} m of bush, which may "
    "seed it. Where stock is kept out and seedlings come up by themselves, fence it and let it "
    "regenerate instead of planting. Watch it for a year if you can."
)
_LEAVE = (
    "{blocks}: half of the ground or more is waterlogged for {months:.0f} months of the year. It "
    "may be a wetland: leave it as it is until someone who knows wetlands has looked at it. "
    "Drains, banks and planting there may need a consent."
)
_SAY_SO = " To do so, draw it with use = '{use}' in the file that [decisions] zones names."


def better_left(
    blocks: gpd.GeoDataFrame,
    no_plant: gpd.GeoDataFrame,
    months_waterlogged: FloatGrid,
    grid: Grid,
) -> list[str]:
    """Sentences on blocks (``block, geometry``) that may be fenced and left, or left as they are.

    ``no_plant`` has ``kind``; ``months_waterlogged`` is (rows, cols), NaN where unknown, which
    is no reason to speak up.
    """
    bush = no_plant.geometry[no_plant["kind"] == "bush"].union_all().buffer(SEEDS_M)
    near = shapely.area(shapely.intersection(blocks.geometry.to_numpy(), bush))
    seeded = near >= NEAR_SHARE * blocks.area.to_numpy()
    wet_cells = np.nan_to_num(months_waterlogged).ravel() >= WET_MONTHS
    cells_of = cells_of_each(grid.number(blocks.geometry), len(blocks))
    wet = np.array(
        [bool(len(cells)) and float(wet_cells[cells].mean()) >= WET_SHARE for cells in cells_of],
        dtype=bool,
    )
    names = blocks["block"].to_numpy()
    said = []
    if len(named := names[seeded & ~wet]):
        words = _LET_GROW.format(blocks=_blocks(named), share=NEAR_SHARE, metres=SEEDS_M)
        said.append(words + _SAY_SO.format(use="regenerate"))
    if len(named := names[wet]):
        words = _LEAVE.format(blocks=_blocks(named), months=WET_MONTHS)
        said.append(words + _SAY_SO.format(use="leave"))
    return said


def _blocks(names: Sequence[str]) -> str:
    return f"Block{'s' if len(names) > 1 else ''} {', '.join(names)}"
