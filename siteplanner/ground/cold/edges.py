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
from siteplanner.ground.cold._air import Edges

#: Ground within this distance of the edge, m, says how it falls beyond: a field or so, since one
#: cell says little. Tried from 30 to 400 m on cut-down DEMs of real ground.
_SEEN_M = 100.0
#: A change of depth that counts, m, and the share of the ground from which on it is told.
_COUNTS_M, _TOLD = 0.5, 0.01
#: The effect is taken to reach through the whole DEM when it comes this near to its middle.
_THROUGH = 0.9


def edge_faces(
    bed: NDArray[np.float32], beyond_known: BoolGrid, cell: float, share: float
) -> tuple[Edges, Edges]:
    """Find the faces, between columns and between rows, through which air leaves the ground.

    ``bed`` (m) and ``beyond_known`` are (rows, columns) and include the rim. Beyond a face the
    ground falls ``share`` times as steeply as the line fitted to the cells within 100 m inwards
    of it (least squares). An infinite share gives no faces: all that flows over the edge has
    fallen into nothing.
    """
    steps = max(1, round(_SEEN_M / cell))
    if np.isinf(share):
        none = np.zeros(0, np.int64), np.zeros(0, np.float32)
        return none, none
    row, col, fall = _falls(bed, beyond_known, steps)
    across = row * (bed.shape[1] - 1) + col, np.float32(share) * fall
    col, row, fall = _falls(bed.T, beyond_known.T, steps)
    return across, (row * bed.shape[1] + col, np.float32(share) * fall)


def _falls(
    bed: NDArray[np.float32], beyond_known: BoolGrid, steps: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]:
    """Row and left column of each face at the edge along rows, and its fall, positive rightwards.

    The fall (m from cell to cell) is nil where the ground falls inwards.
    """
    row, left = np.nonzero(beyond_known[:, 1:] != beyond_known[:, :-1])
    rightwards = beyond_known[row, left + 1]
    inwards = np.arange(steps + 1)
    cols = np.where(rightwards[:, None], left[:, None] - inwards, left[:, None] + 1 + inwards)
    # The rim is unknown on every side, so a line inwards ends there at the latest.
    here = row[:, None], np.clip(cols, 0, bed.shape[1] - 1)
    seen = np.logical_and.accumulate(~beyond_known[here], axis=1)
    middle = (seen.sum(axis=1, keepdims=True) - 1) / 2
    off = np.where(seen, inwards - middle, 0)
    fall = (off * bed[here]).sum(axis=1) / np.maximum((off**2).sum(axis=1), 0.5)
    outwards = np.maximum(fall, 0).astype(np.float32)
    return row.astype(np.int64), left.astype(np.int64), np.where(rightwards, outwards, -outwards)


def edge_effect_note(effect: FloatGrid, cells: BoolGrid, cell: float) -> list[str]:
    """Say how far the ground beyond the edge matters to the cold air on ``cells``, and what to do.

    ``effect`` is the layer ``cold_air_edge_effect``, m, NaN where the ground is unknown.
    """
    felt = np.abs(effect) >= _COUNTS_M
    share = float(felt[cells].mean()) if cells.any() else 0.0
    if share < _TOLD:
        return []
    away = distance_transform_edt(np.pad(np.isfinite(effect), 1))[1:-1, 1:-1] * cell
    reach, nearest = float(away[felt].max()), float(away[felt & cells].min())
    wider = 100 * int(np.ceil(max(reach - nearest, 1) / 100))
    advice = (
        "It reaches through the whole DEM, as it does on a plain: use a DEM that goes on to where "
        "the ground falls clearly, or put minimum thermometers there."
        if reach > _THROUGH * away.max()
        else f"Use a DEM that reaches {wider:,} m further on all sides."
    )
    return [
        f"On {share:.0%} of the ground the cold air's depth at dawn depends on how the land lies "
        f"beyond the DEM's edge, by up to {float(np.abs(effect[felt & cells]).max()):.1f} m "
        f"(layer cold_air_edge_effect), and the frost estimate with it. {advice}"
    ]
