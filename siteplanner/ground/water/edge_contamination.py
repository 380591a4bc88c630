"""Edge contamination: water and cold air that may come from beyond the DEM's edge."""

from __future__ import annotations

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.ground.layer import WHOLE_GRID, layer
from siteplanner.ground.water._flow import accumulate
from siteplanner.ground.water._neighbours import DOWN, OUT, RIGHT, rimmed
from siteplanner.reading.heights.edges import Edges


@layer(
    LayerInfo(
        title="Edge contamination of the catchment",
        unit="1 contaminated, 0 whole",
        method=(
            "Cells downstream of an edge of the DEM (or of a void) where water flows inwards, away "
            "from the edge: more water may come from beyond, so the upstream area and the wetness "
            "may be too low. Told along the flow directions."
        ),
        source="common practice, no source",
        valid=(0.0, 1.0),
        colours="Greys_09",
        classes=("whole", "contaminated"),
    ),
    reach=WHOLE_GRID,
)
def edge_contamination_catchment(flow_direction: FloatGrid) -> FloatGrid:
    """1 where water from beyond the DEM may be missing, else 0, (rows, cols)."""
    ways, enters = inlets(flow_direction)
    fed = accumulate(rimmed(ways, OUT), rimmed(enters, 0))[1:-1, 1:-1] > 0
    return np.where(np.isfinite(flow_direction), fed, np.nan).astype(np.float32)


def inlets(flow_direction: FloatGrid) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """Ways as codes, ``OUT`` where unknown, and 1 at cells of the edge that send water inwards."""
    known = np.isfinite(flow_direction)
    edge = known & ~scipy.ndimage.binary_erosion(known, np.ones((3, 3)))
    ways = np.where(known, flow_direction, OUT).astype(np.uint8)
    rows, cols = np.nonzero(edge & (ways < OUT))
    way = ways[rows, cols]
    inwards = ~edge[rows + np.array(DOWN)[way], cols + np.array(RIGHT)[way]]
    enters = np.zeros(known.shape, np.int32)
    enters[rows[inwards], cols[inwards]] = 1
    return ways, enters


@layer(
    LayerInfo(
        title="Edge contamination of cold air",
        unit="1 contaminated, 0 whole",
        method=(
            "Cells where edge_contamination_catchment says that ground beyond the edge slopes "
            "towards them, and the whole of each cold-air pool (air at dawn as deep as the "
            "setting lies_m) that such a cell lies in or beside: more cold air may come from "
            "beyond, so the night may be colder than estimated."
        ),
        source="common practice, no source",
        valid=(0.0, 1.0),
        colours="Greys_09",
        classes=("whole", "contaminated"),
    ),
    reach=WHOLE_GRID,
)
def edge_contamination_cold_air(
    edge_contamination_catchment: FloatGrid, cold_air_depth: FloatGrid, *, lies_m: float = 2.0
) -> FloatGrid:
    """1 where cold air from beyond the DEM may be missing, else 0, (rows, cols); NaN unknown.

    ``lies_m`` is the depth, m, from which air counts as a pool.
    """
    around = np.ones((3, 3))
    fed = edge_contamination_catchment == 1
    pools, _ = scipy.ndimage.label(cold_air_depth >= lies_m, structure=around)
    reached = np.unique(pools[scipy.ndimage.binary_dilation(fed, around)])
    missing = fed | np.isin(pools, reached[reached > 0])
    return np.where(np.isnan(edge_contamination_catchment), np.nan, missing).astype(np.float32)


def edge_note(
    catchment: FloatGrid, cold_air: FloatGrid, cells: BoolGrid, edges: Edges | None = None
) -> list[str]:
    """Tell on what share of the cells water and cold air may be missing; none under 1 %.

    ``edges`` tells whether the DEM or the margin cuts, the DEM without it.
    """
    if not cells.any():
        return []
    water, air = (float((part[cells] == 1).mean()) for part in (catchment, cold_air))
    if max(water, air) < 0.01:
        return []
    advice = "Use a DEM that reaches to the surrounding ridges."
    if edges is not None:
        ridges = "raise it under [dem] until the surrounding ridges are inside."
        advice = edges.advice(advice, ridges)
    edge = "the edge of the ground that was read" if edges and not edges.ends else "the DEM's edge"
    return [
        f"On {_told(water)} of the ground more water, and on {_told(air)} more cold air, may come "
        f"from beyond {edge}. Wetness, channels, flood-flat and frost may be "
        "underestimated there (layers edge_contamination_catchment and "
        f"edge_contamination_cold_air). {advice}"
    ]


def _told(share: float) -> str:
    return f"{share:.0%}" if share >= 0.01 else "less than 1%"
