"""The DEM's edge and cold air: how it leaves there, and how far that matters within.

The ground beyond is not known. It is taken to fall on as it does within, so that air leaves as
down a slope without end; where it falls inwards or not at all, none leaves and none comes in. On
level ground without end air has nowhere to go: it lies as deep as the night makes it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from siteplanner.base.grid import BoolGrid, FloatGrid
from siteplanner.ground.cold._air import Edges as Faces
from siteplanner.reading.heights.edges import Edges

#: Ground within these distances of the edge, m, says how it falls beyond: the first over which it
#: falls outwards, since a bank, a step of whole metres or a level field says little of the land.
#: Tried on cut-down DEMs of real ground. Judgement.
_SEEN_M = (100.0, 300.0, 1000.0)
#: A change of depth that counts, m, and the share of the ground from which on it is told.
_COUNTS_M, _TOLD = 0.5, 0.01
#: The effect is taken to reach through the whole DEM when it comes this near to its middle.
_THROUGH = 0.9


def edge_faces(
    bed: NDArray[np.float32], unknown: BoolGrid, cell: float, share: float
) -> tuple[Faces, Faces]:
    """Find the faces, between columns and between rows, through which air leaves the ground.

    ``bed`` (m) and ``unknown`` are (rows, columns); the rim is unknown. Beyond a face the ground
    falls ``share`` times as steeply as within, by a line fitted (least squares) to the cells
    straight inwards of it. An infinite share gives no faces: what flows over the edge has fallen
    into nothing.
    """
    if np.isinf(share):
        none = np.zeros(0, np.int64), np.zeros(0, np.float32)
        return none, none
    row, col, fall = _falls(bed, unknown, cell)
    across = row * (bed.shape[1] - 1) + col, np.float32(share) * fall
    col, row, fall = _falls(bed.T, unknown.T, cell)
    return across, (row * bed.shape[1] + col, np.float32(share) * fall)


def _falls(
    bed: NDArray[np.float32], unknown: BoolGrid, cell: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]:
    """Row and left column of each face at the edge along rows, and its fall, positive rightwards.

    The fall (m from cell to cell) is nil where the ground falls outwards over no distance.
    """
    row, left = np.nonzero(unknown[:, 1:] != unknown[:, :-1])
    rightwards = unknown[row, left + 1]
    start, way = np.where(rightwards, left, left + 1), np.where(rightwards, -1, 1)
    fall = np.zeros(len(row))
    for metres in _SEEN_M:
        wider = _fitted_fall(bed, unknown, row, start, way, max(1, round(metres / cell)))
        fall = np.where(fall > 0, fall, np.maximum(wider, 0))
    signed = (-way * fall).astype(np.float32)
    return row.astype(np.int64), left.astype(np.int64), signed


def _fitted_fall(
    bed: NDArray[np.float32],
    unknown: BoolGrid,
    row: NDArray[np.intp],
    start: NDArray[np.intp],
    way: NDArray[np.intp],
    steps: int,
) -> NDArray[np.float64]:
    """Fall towards each start, m from cell to cell, over so many cells along its row from there.

    Only as far as the ground is known; nil where no second cell is.
    """
    inwards = np.arange(steps + 1)
    # The rim is unknown on every side, so a line inwards ends there at the latest.
    cols = np.clip(start[:, None] + way[:, None] * inwards, 0, bed.shape[1] - 1)
    here = row[:, None], cols
    seen = np.logical_and.accumulate(~unknown[here], axis=1)
    middle = (seen.sum(axis=1, keepdims=True) - 1) / 2
    off = np.where(seen, inwards - middle, 0)
    fall = (off * bed[here]).sum(axis=1) / np.maximum((off**2).sum(axis=1), 0.5)
    return np.asarray(fall, dtype=np.float64)


def share_felt(effect: FloatGrid, cells: BoolGrid) -> float:
    """Share of ``cells`` whose cold air hangs on how the ground falls beyond the DEM's edge."""
    return float((np.abs(effect[cells]) >= _COUNTS_M).mean()) if cells.any() else 0.0


def edge_effect_note(
    effect: FloatGrid, cells: BoolGrid, cell: float, edges: Edges | None = None
) -> list[str]:
    """Say how far the ground beyond the edge matters to the cold air on ``cells``, and what to do.

    ``effect`` is the layer ``cold_air_edge_effect``, m, NaN where the ground is unknown; ``edges``
    tells whether the DEM or the margin cuts, the DEM without it.
    """
    felt = np.abs(effect) >= _COUNTS_M
    share = share_felt(effect, cells)
    if share < _TOLD:
        return []
    away = distance_transform_edt(np.pad(np.isfinite(effect), 1))[1:-1, 1:-1] * cell
    reach, nearest = float(away[felt].max()), float(away[felt & cells].min())
    wider = 100 * int(np.ceil(max(reach - nearest, 1) / 100))
    through = reach > _THROUGH * away.max()
    advice = (
        "It reaches through the whole DEM, as it does on a plain: use a DEM that goes on to where "
        "the ground falls clearly, or put minimum thermometers there."
        if through
        else f"Use a DEM that reaches {wider:,} m further on all sides."
    )
    if edges is not None:
        further = (
            "raise it under [dem], or put minimum thermometers there: on a plain it helps little."
        )
        if not through:
            further = f"set it to {min(edges.margin_m + wider, 5000.0):.0f} under [dem]."
        advice = edges.advice(advice, further)
        if edges.tried_m > edges.margin_m:
            advice += " Put minimum thermometers there."
    return [
        f"On {share:.0%} of the ground the cold air's depth at dawn depends on how the land lies "
        f"beyond the DEM's edge, by up to {float(np.abs(effect[felt & cells]).max()):.1f} m "
        f"(layer cold_air_edge_effect), and the frost estimate with it. {advice}"
    ]
