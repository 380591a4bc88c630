"""Where water goes: filled DEM, flow, catchment, wetness, channels and height above them."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.strips import over_rows, plain
from siteplanner.ground.layer import CELL, WHOLE_GRID, layer, radius
from siteplanner.ground.water._flood import breached, flood
from siteplanner.ground.water._flow import accumulate, across_level, spread, steepest, to_channel

#: The least catchment of a channel, in the DEM's own cells (common practice, no source).
LEAST_CELLS = 100.0
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
        name="depression_filled_dem",
        title="Heights with hollows filled",
        unit="m",
        method=(
            "Each hollow without an outlet is filled to the lowest point of its rim, flooding "
            "inwards from the edge of the DEM and of its voids. Filling is for water flow only: "
            "ponds and dams fill to their crest, and the layer hollow_depth has their depth. "
            "With the setting breach, in m, a bank that holds water back (a road over a culvert) "
            "is breached in the model where lower ground is within that distance of the hollow's "
            "bottom; without it, none is."
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
            "Steepest of the eight directions down the filled DEM; on level ground, the shortest "
            "path to lower ground."
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
def flow(
    terrace_smoothed_dem: FloatGrid, grid: Grid, *, breach: float = 0.0
) -> tuple[FloatGrid, FloatGrid, FloatGrid]:
    """Fill heights (m), tell flow direction (codes of ``DIRECTIONS``) and upstream area (m2).

    Each (rows, cols), NaN where the heights are. Cells on the edge of the DEM or beside a void
    let water out when no neighbour is lower. ``breach`` is how far, in m, the bottom of a
    hollow may lie from lower ground for the bank between them to be cut.
    """
    heights = plain(terrace_smoothed_dem)
    filled, came_from = flood(heights)
    if breach > 0:
        far = max(1, round(breach / grid.cell))
        filled, came_from = flood(breached(heights, filled, far))
    ways = came_from
    over_rows(steepest, heights.shape, filled, ways)
    across_level(filled, ways)
    inside = np.s_[1:-1, 1:-1]
    area = _where_known(accumulate(ways)[inside], grid.cell_area, heights)
    direction = _where_known(ways[inside], 1.0, heights)
    return np.ascontiguousarray(filled[inside]), direction, area


@layer(
    LayerInfo(
        title="Depth of hollows",
        unit="m",
        method=(
            "Filled heights less the heights themselves: how deep water would be behind the "
            "lowest point of the rim of a pond, a dam or a bank. Small depths are mostly noise "
            "of the DEM."
        ),
        source="common practice, no source",
        valid=(0.0, 500.0),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def hollow_depth(depression_filled_dem: FloatGrid, terrace_smoothed_dem: FloatGrid) -> FloatGrid:
    """Depth of water behind the lowest spill, m, (rows, cols); 0 where a bank was cut."""
    return np.maximum(depression_filled_dem - terrace_smoothed_dem, np.float32(0))


@layer(
    LayerInfo(
        title="Hollows without an outlet: water may stand",
        unit="m",
        method=(
            "Depth to which water would stand before it spills, in hollows that are over 1 m deep "
            "at their deepest, unless set otherwise; 0 elsewhere. A pond, a dam, a sinkhole, or "
            "ground behind a bank whose culvert the DEM does not show (setting breach of the "
            "layer function flow)."
        ),
        source="depth by priority flood, see depression_filled_dem; 1 m judgement",
        valid=(0.0, 500.0),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def closed_hollows(hollow_depth: FloatGrid, *, deepest_m: float = 1.0) -> FloatGrid:
    """Depth (m, (rows, cols)) of the hollows that are over ``deepest_m`` at their deepest, else 0.

    NaN where unknown.
    """
    hollow, count = scipy.ndimage.label(hollow_depth > 0, np.ones((3, 3)))
    deepest = scipy.ndimage.maximum(hollow_depth, hollow, np.arange(count + 1))
    counts = np.asarray(deepest > deepest_m)
    counts[0] = False
    return np.where(counts[hollow] | np.isnan(hollow_depth), hollow_depth, np.float32(0))


@layer(
    LayerInfo(
        title="Catchment per metre of contour",
        unit="m",
        method=(
            "Map area that drains through the cell, divided by the cell's width, when water is "
            "shared among all lower neighbours by drop and contour length."
        ),
        source="multiple flow after Quinn et al. (1991), from memory",
        valid=(0.0, 1e9),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def specific_contributing_area(
    depression_filled_dem: FloatGrid, flow_direction: FloatGrid, grid: Grid
) -> FloatGrid:
    """Upstream area per unit of contour length, m, (rows, cols); multiple flow directions.

    Dividing by the cell's width gives some 10 % too much on slopes askew to the grid (measured
    on a cone), a tenth of a unit in the wetness index.
    """
    cells = spread(plain(depression_filled_dem), plain(flow_direction))
    return _where_known(cells, grid.cell, depression_filled_dem)


@layer(
    LayerInfo(
        title="Topographic wetness",
        unit="ln m",
        method=(
            "ln(a / tan b): a is the catchment per metre of contour, b the slope, taken as at "
            "least 0.1 degrees unless set otherwise. High where water collects and stays."
        ),
        source="Beven & Kirkby (1979), Hydrol. Sci. Bull. 24:43-69",
        valid=(-10.0, 30.0),
        colours="YlGnBu_09",
        on_map=True,
    ),
    reach=CELL,
)
def wetness(
    specific_contributing_area: FloatGrid, slope: FloatGrid, *, least_slope: float = 0.1
) -> FloatGrid:
    """Topographic wetness index ln(a / tan b), (rows, cols); ``least_slope`` in degrees.

    After Beven & Kirkby (1979).
    """
    tangent = np.tan(np.radians(np.maximum(slope, np.float32(least_slope))))
    return np.log(specific_contributing_area / tangent)


@layer(
    LayerInfo(
        title="Channels",
        unit="1 channel, 0 not",
        method=(
            "Cells with an upstream area of 2 ha or more, and of 100 of the DEM's own cells or "
            "more, unless set otherwise (channel_area, least_cells)."
        ),
        source="common practice, no source",
        valid=(0.0, 1.0),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def channels(
    flow_accumulation: FloatGrid,
    dem_cell: float = 0.0,
    *,
    channel_area: float = 20_000.0,
    least_cells: float = LEAST_CELLS,
) -> FloatGrid:
    """1 where the upstream area is at least ``channel_area`` (m2), else 0, (rows, cols).

    It is at least ``least_cells`` of the DEM's own cells, ``dem_cell`` m wide: the course of less
    water than that is the DEM's chance, not the land's shape.
    """
    area = max(channel_area, least_cells * dem_cell**2)
    found = (flow_accumulation >= area).astype(np.float32)
    found[np.isnan(flow_accumulation)] = np.nan
    return found


@layer(
    LayerInfo(
        title="Height above the nearest channel",
        unit="m",
        method=(
            "Filled height of the cell less that of the first channel cell downstream; unknown "
            "where water leaves the map before it reaches a channel."
        ),
        source="height above the nearest drainage, from memory",
        valid=(0.0, 3000.0),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def height_above_nearest_drainage(
    depression_filled_dem: FloatGrid, flow_direction: FloatGrid, channels: FloatGrid
) -> FloatGrid:
    """Height above the channel that the cell drains to, m, (rows, cols)."""
    return to_channel(plain(depression_filled_dem), plain(flow_direction), plain(channels))


@layer(
    LayerInfo(
        title="Flood-flat",
        unit="1 yes, 0 no",
        method=(
            "Level ground (up to 5 degrees) at most 1.5 m above the stream that it drains to, "
            "for streams with a catchment of 20 ha or more, and of 100 of the DEM's own cells "
            "or more, unless set otherwise. A first guess "
            "at where floods may reach, not a flood map: ask the local authority."
        ),
        source="common practice, no source",
        valid=(0.0, 1.0),
        colours="YlGnBu_09",
        classes=("no", "yes"),
    ),
    reach=WHOLE_GRID,
)
def flood_flat(
    depression_filled_dem: FloatGrid,
    flow_direction: FloatGrid,
    flow_accumulation: FloatGrid,
    slope: FloatGrid,
    dem_cell: float = 0.0,
    *,
    stream_area: float = 200_000.0,
    height: float = 1.5,
    level: float = 5.0,
    least_cells: float = LEAST_CELLS,
) -> FloatGrid:
    """1 on level ground (``level``, degrees) up to ``height`` (m) above a stream, else 0.

    (rows, cols); a stream is a cell with ``stream_area`` (m2) or more upstream, and a channel
    of the DEM (see ``channels``).
    """
    stream = channels(
        flow_accumulation, dem_cell, channel_area=stream_area, least_cells=least_cells
    )
    above = to_channel(plain(depression_filled_dem), plain(flow_direction), plain(stream))
    return low_and_level(above, slope, flow_accumulation, height, level)


def low_and_level(
    above: FloatGrid, slope: FloatGrid, flow_accumulation: FloatGrid, height: float, level: float
) -> FloatGrid:
    """1 on slopes to ``level`` (degrees) at most ``height`` (m) above a stream, else 0."""
    low = (above <= np.float32(height)) & (slope <= np.float32(level))
    return _where_known(low, 1.0, flow_accumulation)


#: Strips beside water by size of stream; a layer's code is the place in this list.
STRIPS = ("none", "beside a small stream", "beside a stream", "beside a large stream")


@layer(
    LayerInfo(
        title="Strip beside water",
        unit="class",
        method=(
            "Ground up to 5 m from the middle of a small stream (catchment from 2 ha), 10 m from "
            "a stream (from 20 ha), 20 m from a large one (from 200 ha), unless set otherwise. "
            "Local rules on planting and machines beside water decide."
        ),
        source="common practice, no source",
        valid=(0.0, 3.0),
        colours="YlGnBu_09",
        classes=STRIPS,
    ),
    reach=radius("large"),
)
def riparian_strip(
    flow_accumulation: FloatGrid,
    channels: FloatGrid,
    grid: Grid,
    *,
    small: float = 5.0,
    middle: float = 10.0,
    large: float = 20.0,
    middle_area: float = 200_000.0,
    large_area: float = 2_000_000.0,
) -> FloatGrid:
    """Strips of half width ``small``, ``middle``, ``large`` (m) as codes of ``STRIPS``.

    (rows, cols), by the stream's upstream area in m2.
    """
    size = (channels == 1).astype(np.uint8)
    size += (channels == 1) & (flow_accumulation >= np.float32(middle_area))
    size += (channels == 1) & (flow_accumulation >= np.float32(large_area))
    wide = np.array([0.0, small, middle, large]) / grid.cell
    return _where_known(strips_along(size, wide), 1.0, flow_accumulation)


def strips_along(size: NDArray[np.uint8], wide: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Tell the largest ``size`` of a stream within its width, in cells, ``wide[size]``."""
    rows, cols = size.shape
    out = np.zeros(size.shape, np.uint8)
    for which in range(1, len(wide)):
        row, col = np.nonzero(size == which)
        far = int(wide[which])
        down = np.arange(-far, far + 1)[:, None]
        span = np.sqrt(wide[which] ** 2 - down**2).astype(np.int64)
        # Each row of a disc is a run of cells, told by its ends: streams are few, so this takes a
        # tenth of the time of a distance transform.
        line = (row + down + far) * (cols + 1)
        begin = (line + np.maximum(col - span, 0)).ravel()
        end = (line + np.minimum(col + span + 1, cols)).ravel()
        size_of_all = (rows + 2 * far) * (cols + 1)
        runs = np.bincount(begin, minlength=size_of_all) - np.bincount(end, minlength=size_of_all)
        within = np.cumsum(runs).reshape(-1, cols + 1)[far : far + rows, :cols] > 0
        out[within] = which
    return out


def _where_known(counts: NDArray[Any], times: float, heights: FloatGrid) -> FloatGrid:
    """Multiply as float32, with NaN where the height is unknown, without a float64 grid."""
    out = np.empty(counts.shape, np.float32)
    np.multiply(counts, times, out=out, casting="same_kind")
    out[np.isnan(heights)] = np.nan
    return out
