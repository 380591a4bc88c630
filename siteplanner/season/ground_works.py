"""The ground that is worked: what it is like, new fences, and lines for a machine."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, Grid, cells_of_each
from siteplanner.base.results.memory import Call, afresh
from siteplanner.ground.assess import Ground
from siteplanner.planting.lay_out import Layout
from siteplanner.planting.rows.patterns import pattern_infos
from siteplanner.planting.zones import describe
from siteplanner.reading.inputs import Inputs
from siteplanner.site.planting import WorkRates

BURIED = ("buried_pipe", "buried_cable", "septic_field", "heritage")


#: The least length worth a line for the machine; the most that it may rise along its length.
SHORTEST_RIP_M, RIP_GRADE = 20.0, 0.03


def fences(no_plant: gpd.GeoDataFrame, fields: gpd.GeoDataFrame, within_m: float) -> pd.DataFrame:
    """Metres of new fence and gates round each paddock that is planted.

    An edge that an existing fence follows within ``within_m`` needs none, nor one that two planted
    paddocks share twice.
    """
    old = no_plant.geometry[no_plant["kind"] == "fence"].union_all()
    done = old.buffer(within_m)
    rows = []
    for paddock in fields[fields["trees"] > 0].itertuples():
        edge = shapely.difference(shapely.boundary(paddock.geometry), done)
        rows.append((paddock.name, round(edge.length), int(edge.length > within_m)))
        done = shapely.union(done, edge.buffer(within_m))
    return pd.DataFrame(rows, columns=["paddock", "fence_m", "gates"])


def rip_lines(
    layout: Layout,
    blocks: gpd.GeoDataFrame,
    grounds: list[describe.GroundSummary],
    inputs: Inputs,
    rates: WorkRates,
) -> gpd.GeoDataFrame:
    """Rows that a machine may follow: level along their length, on ground that bears it.

    None on blocks whose steeper ground is over ``rates.rip_steepest_deg``, none
    in the setback of what is buried. Columns ``block, length_m, geometry``.
    """
    pattern = blocks["pattern"]
    ripped = {name for name, facts in pattern_infos().items() if facts.ripped}
    bears = [
        name
        for name, form, one in zip(blocks["block"], pattern, grounds, strict=True)
        if form in ripped and one.slope_to <= rates.rip_steepest_deg
    ]
    rows = layout.rows[
        layout.rows["block"].isin(bears) & (layout.rows["length_m"] >= SHORTEST_RIP_M)
    ]
    lines = rows.geometry.to_numpy()
    grid, dem = inputs.grid, inputs.dem
    ends = [shapely.get_coordinates(shapely.get_point(lines, n)) for n in (0, -1)]
    rise = np.abs(np.diff([grid.sample(dem, *end.T).astype(float) for end in ends], axis=0)[0])
    level = rise <= RIP_GRADE * rows["length_m"].to_numpy()
    buried = layout.setbacks.geometry[layout.setbacks["kind"].isin(BURIED)].union_all()
    kept = shapely.difference(lines[level], buried)
    found = gpd.GeoDataFrame(
        {"block": rows["block"].to_numpy()[level]}, geometry=kept, crs=inputs.grid.crs
    ).explode(ignore_index=True)
    found = found[found.length >= SHORTEST_RIP_M].reset_index(drop=True)
    return found.assign(length_m=found.length)[["block", "length_m", "geometry"]]


def grounds_of(
    blocks: gpd.GeoDataFrame,
    planted: gpd.GeoDataFrame,
    grid: Grid,
    ground: Ground,
    scored: BoolGrid,
    call: Call = afresh,
) -> tuple[list[describe.GroundSummary], list[frozenset[str]]]:
    """What the ground of each block is like, and the marks that planting windows go by.

    Marks compare a block with all ground that is ``planted``.
    """

    def summed(cells: NDArray[np.int64]) -> describe.GroundSummary:
        return call(describe.ground_of, ground, cells)

    of_cell = np.where(scored, grid.number(blocks.geometry), 0)
    whole = summed(np.flatnonzero(grid.cover(planted.geometry) & scored))
    found = []
    for shape, cells in zip(blocks.geometry, cells_of_each(of_cell, len(blocks)), strict=True):
        # A block thinner than a cell: what lies about it.
        around = cells if len(cells) else np.flatnonzero(grid.cover([shape], all_touched=True))
        found.append(summed(around))
    return found, [describe.tags(one, whole) for one in found]
