"""Where water goes: filled DEM, flow, catchment, wetness, channels and height above them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground._flow import accumulate, flood, spread, steepest, to_channel
from siteplanner.ground._strips import over_rows, plain
from siteplanner.ground.layer import CELL, WHOLE_GRID, LayerInfo, layer

#: Where a cell's water goes: a neighbour, clockwise from grid east, or off the map.
DIRECTIONS = (
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
    "north",
    "north-east",
    "off the map",
)


@layer(
    LayerInfo(
        name="filled_dem",
        title="Heights with hollows filled",
        unit="m",
        method=(
            "Each hollow without an outlet is raised to its lowest spill, flooding inwards from "
            "the edge of the DEM and of its gaps. Filling is for water paths only: real ponds "
            "and dams are filled too."
        ),
        source="Barnes, Lehman & Mulla (2014), priority-flood, from memory",
        valid=(-500.0, 9000.0),
        colours="viridis",
    ),
    LayerInfo(
        name="flow_direction",
        title="Flow direction",
        unit="code",
        method=(
            "Steepest way down to one of eight neighbours on the filled DEM; across level "
            "ground, back along the way the flood came in."
        ),
        source="steepest of eight neighbours, from memory",
        valid=(0.0, 8.0),
        colours="viridis",
        classes=DIRECTIONS,
    ),
    LayerInfo(
        name="flow_accumulation",
        title="Upstream area",
        unit="m2",
        method="Map area that drains through the cell along the flow directions, itself included.",
        source="common practice, no source",
        valid=(0.0, 1e12),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def flow(dem: FloatGrid, grid: Grid) -> tuple[FloatGrid, FloatGrid, FloatGrid]:
    """Fill heights (m), tell flow direction (codes of ``DIRECTIONS``) and upstream area (m2).

    Each (rows, cols), NaN where ``dem`` is. Cells on the edge of the DEM or beside a gap let
    water out when no neighbour is lower.
    """
    heights = plain(dem)
    filled, came_from = flood(heights)
    over_rows(steepest, heights.shape, filled, came_from)
    inside = np.s_[1:-1, 1:-1]
    area = _where_known(accumulate(came_from)[inside], grid.cell_area, heights)
    direction = _where_known(came_from[inside], 1.0, heights)
    return np.ascontiguousarray(filled[inside]), direction, area


@layer(
    LayerInfo(
        title="Catchment per metre of contour",
        unit="m",
        method=(
            "Map area that drains through the cell, divided by the cell's width, when water "
            "parts among all lower neighbours by drop and contour length."
        ),
        source="multiple flow after Quinn et al. (1991), from memory",
        valid=(0.0, 1e9),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def specific_catchment(filled_dem: FloatGrid, flow_direction: FloatGrid, grid: Grid) -> FloatGrid:
    """Upstream area per unit of contour length, m, (rows, cols); multiple flow directions.

    Dividing by the cell's width gives some 10 % too much on slopes askew to the grid (measured
    on a cone), a tenth of a unit in the wetness index.
    """
    cells = spread(plain(filled_dem), plain(flow_direction))
    return _where_known(cells, grid.cell, filled_dem)


@layer(
    LayerInfo(
        title="Topographic wetness",
        unit="ln m",
        method=(
            "ln(a / tan b): a is the catchment per metre of contour, b the slope, taken as at "
            "least 0.1 degrees unless set otherwise. High where water gathers and lingers."
        ),
        source="Beven & Kirkby (1979), Hydrol. Sci. Bull. 24:43-69",
        valid=(-10.0, 30.0),
        colours="YlGnBu_09",
        on_map=True,
    ),
    reach=CELL,
)
def wetness(
    specific_catchment: FloatGrid, slope: FloatGrid, *, least_slope: float = 0.1
) -> FloatGrid:
    """Topographic wetness index ln(a / tan b), (rows, cols); ``least_slope`` in degrees.

    After Beven & Kirkby (1979).
    """
    tangent = np.tan(np.radians(np.maximum(slope, np.float32(least_slope))))
    return np.log(specific_catchment / tangent)


@layer(
    LayerInfo(
        title="Channels",
        unit="1 channel, 0 not",
        method="Cells whose upstream area reaches the stated one (2 ha unless set otherwise).",
        source="common practice, no source",
        valid=(0.0, 1.0),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def channels(flow_accumulation: FloatGrid, *, channel_area: float = 20_000.0) -> FloatGrid:
    """1 where the upstream area is at least ``channel_area`` (m2), else 0, (rows, cols)."""
    found = (flow_accumulation >= channel_area).astype(np.float32)
    found[np.isnan(flow_accumulation)] = np.nan
    return found


@layer(
    LayerInfo(
        title="Height above the nearest channel",
        unit="m",
        method=(
            "Filled height of the cell less that of the first channel cell on its water's way "
            "down; unknown where water leaves the map before it meets one."
        ),
        source="height above the nearest drainage, from memory",
        valid=(0.0, 3000.0),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def height_above_channel(
    filled_dem: FloatGrid, flow_direction: FloatGrid, channels: FloatGrid
) -> FloatGrid:
    """Height above the channel that the cell drains to, m, (rows, cols)."""
    return to_channel(plain(filled_dem), plain(flow_direction), plain(channels))


def _where_known(counts: NDArray[Any], times: float, heights: FloatGrid) -> FloatGrid:
    """Multiply as float32, with NaN where the height is unknown, without a float64 grid."""
    out = np.empty(counts.shape, np.float32)
    np.multiply(counts, times, out=out, casting="same_kind")
    out[np.isnan(heights)] = np.nan
    return out
