"""Finds voids that a DEM does not declare: one value, with cliffs round it, in place of heights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from siteplanner.base.grid import BoolGrid

#: No ground on dry land is lower or higher, m.
LOWEST_M, HIGHEST_M = -500.0, 9000.0
#: What software writes where it has no height (common practice, no source), the furthest from
#: heights first, so that none hides behind another.
_CODES = (-99999.0, 65535.0, -32768.0, 32767.0, -32767.0, -9999.0, 9999.0, -999.0, 999.0, 0.0)
#: A cliff is this high from cell to cell, m, and higher than all but this share of other steps.
_CLIFF_M, _SHARE = 5.0, 0.99
#: Share of a patch's rim that need not be cliff: a void may touch ground as low as its code.
_OPEN = 0.05
#: Steps of the ground are told from at most about so many cells.
_SAMPLE = 2_000_000


def undeclared_voids(
    heights: NDArray[np.float64], metres: float
) -> tuple[BoolGrid, dict[float, int]]:
    """Find cells (rows, columns) whose height is none, and how many there are of each value.

    ``heights`` are in the DEM's own unit, ``metres`` long, NaN where declared unknown. 0, or a
    well-known code beyond all other heights, is a void where it is no possible height; otherwise,
    patch by patch, where nearly all of the patch's rim is a cliff that the rest of the ground does
    not have: a sea at 0 has a beach somewhere, a void has none. Patches without a rim stay.
    """
    found = np.zeros(heights.shape, dtype=bool)
    told: dict[float, int] = {}
    for value in _CODES:
        cells = heights == value
        rest = heights[np.isfinite(heights) & ~cells & ~found] if cells.any() else heights[:0]
        if not rest.size or (value and rest.min() <= value <= rest.max()):
            continue  # none, nothing else, or a height among others
        if LOWEST_M <= value * metres <= HIGHEST_M:
            cells = _cliffed(np.where(found, np.nan, heights), cells, metres)
        if cells.any():
            found |= cells
            told[value] = int(cells.sum())
    return found, told


def _cliffed(heights: NDArray[np.float64], cells: BoolGrid, metres: float) -> BoolGrid:
    """Those patches of ``cells`` that have cliffs round them."""
    patch, count = label(cells, np.ones((3, 3)))
    owners, steps = [], []
    ground = []
    every = max(1, heights.size // _SAMPLE)
    for here, there in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        step = np.abs(heights[here] - heights[there]) * metres
        rim = (cells[here] != cells[there]) & np.isfinite(step)
        owners.append(np.maximum(patch[here], patch[there])[rim])
        steps.append(step[rim])
        others = step[~cells[here] & ~cells[there] & np.isfinite(step)]
        ground.append(others[::every])
    rest = np.concatenate(ground)
    cliff = max(_CLIFF_M, float(np.quantile(rest, _SHARE)) if rest.size else 0.0)
    owner, is_cliff = np.concatenate(owners), np.concatenate(steps) > cliff
    around = np.bincount(owner, minlength=count + 1)
    low = np.bincount(owner[~is_cliff], minlength=count + 1)
    void = (around > 0) & (low <= _OPEN * around)
    void[0] = False
    return void[patch]


def note_on_voids(told: dict[float, int]) -> list[str]:
    """Say what was found and how to say otherwise; nothing where nothing was found."""
    if not told:
        return []
    many = " and ".join(f"{value:.6g} on {count:,} cells" for value, count in told.items())
    return [
        f"The DEM has {many}, with cliffs round them or past any height on earth: they are taken "
        f"as no height, though the file does not declare it. {way_out(told)}"
    ]


def way_out(told: dict[float, int]) -> str:
    """How to keep such heights, for a note or an error; empty where nothing was found."""
    if not told:
        return ""
    values = " and ".join(f"{value:.6g}" for value in told)
    return f'If heights of {values} are real there, write nodata = "none" under [dem].'
