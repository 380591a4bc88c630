"""Finds voids that a DEM does not declare: one value, with cliffs round it, in place of heights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

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
#: Of a value that no software is known for, a void has so many cells together, and each step of
#: its rim is this high, m, and so many times as high as the next one outside: the sides of a lake
#: or a mesa are steep for more than a cell.
_TOGETHER, _SHEER_M, _TIMES_OUTSIDE = 9, 10.0, 4.0
#: Cells side by side, and cells one above the other.
_IN_SITE_FILE = 'write nodata = "none" under [dem]'
_SIDES = ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:]))


def undeclared_voids(
    heights: NDArray[np.float64], metres: float
) -> tuple[BoolGrid, dict[float, int]]:
    """Find cells (rows, columns) whose height is none, and how many there are of each value.

    ``heights`` are in the DEM's own unit, ``metres`` long, NaN where declared unknown. 0, or a
    well-known code beyond all other heights, is a void where it is no possible height; otherwise,
    patch by patch, where nearly all of the patch's rim is a cliff that the rest of the ground does
    not have: a sea at 0 has a beach somewhere, a void has none. Patches without a rim stay. So it
    is with any other value that is repeated exactly, where the rim is sheer too.
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
    left = np.where(found, np.nan, heights)
    for value in _with_sheer_rims(left, metres):
        cells = _cliffed(left, left == value, metres)
        if cells.any():
            found |= cells
            told[value] = int(cells.sum())
    return found, told


def _with_sheer_rims(heights: NDArray[np.float64], metres: float) -> list[float]:
    """Values that fill a level patch whose whole rim is sheer, with no steep ground outside it."""
    level = np.zeros(heights.shape, dtype=bool)
    edge = level.copy()
    for here, there in _SIDES:
        alike = heights[here] == heights[there]
        high = np.abs(heights[here] - heights[there]) * metres > _SHEER_M
        for side in (here, there):
            level[side] |= alike
            edge[side] |= high
    values, number = np.unique(heights[level & edge], return_counts=True)
    values = values[number >= _TOGETHER // 2]
    if not len(values):
        return []
    patch, count = _level_patches(heights, level & np.isin(heights, values))
    # Without the patches' own rims: on a small DEM they are more than the steps left out.
    sheer = max(_SHEER_M, _usual_step(heights, patch > 0, metres))
    low, around = np.zeros(count + 1), np.zeros(count + 1)
    for turned in (0, 1, 2, 3):  # from each patch outwards, in each direction
        ground, mine = np.rot90(heights, turned), np.rot90(patch, turned)
        inside, outside, beyond = mine[:, :-2], ground[:, 1:-1], ground[:, 2:]
        step = np.abs(ground[:, :-2] - outside) * metres
        rim = (inside > 0) & (inside != mine[:, 1:-1]) & np.isfinite(step)
        next_one = np.nan_to_num(np.abs(outside - beyond) * metres)
        next_one[inside == mine[:, 2:]] = 0  # a strip of ground that the patch goes round
        gentle = rim & ~((step > sheer) & (step > _TIMES_OUTSIDE * next_one))
        around += np.bincount(inside[rim], minlength=count + 1)
        low += np.bincount(inside[gentle], minlength=count + 1)
    cells = np.bincount(patch.ravel(), minlength=count + 1)
    void = (cells >= _TOGETHER) & (around > 0) & (low <= _OPEN * around)
    void[0] = False
    largest = int(cells[1:].argmax()) + 1
    void[largest] &= not _is_the_ground(heights, patch == largest)
    return [float(value) for value in np.unique(heights[void[patch]])]


def _is_the_ground(heights: NDArray[np.float64], level: BoolGrid) -> bool:
    """Whether a level patch is the ground itself: most of it, with hardly a height beside it.

    Round the holes in such ground are cliffs as well, seen from the ground.
    """
    rest = heights[np.isfinite(heights) & ~level]
    return bool(rest.size < np.count_nonzero(level) and np.unique(rest).size < _TOGETHER)


def _level_patches(heights: NDArray[np.float64], among: BoolGrid) -> tuple[NDArray[np.int64], int]:
    """Number the patches of one height (1, 2 …, 0 outside ``among``), and tell how many."""
    number = np.cumsum(among).reshape(heights.shape) - 1
    pairs = []
    for here, there in _SIDES:
        joined = among[here] & (heights[here] == heights[there])
        pairs.append(np.stack([number[here][joined], number[there][joined]]))
    one, other = np.concatenate(pairs, axis=1)
    total = int(among.sum())
    count, of = connected_components(
        coo_array((np.ones(len(one), np.int8), (one, other)), shape=(total, total)), directed=False
    )
    patch = np.zeros(heights.shape, dtype=np.int64)
    patch[among] = of + 1
    return patch, count


def _usual_step(heights: NDArray[np.float64], apart: BoolGrid, metres: float) -> float:
    """Step from cell to cell, m, that all but ``_SHARE`` of them do not pass; 0 without any.

    Steps to and from cells ``apart`` are left out.
    """
    every = max(1, heights.size // _SAMPLE)
    ground = []
    for here, there in _SIDES:
        step = np.abs(heights[here] - heights[there])
        known = np.isfinite(step) & ~apart[here] & ~apart[there]
        ground.append(step[known][::every])
    rest = np.concatenate(ground)
    return float(np.quantile(rest, _SHARE)) * metres if rest.size else 0.0


def _cliffed(heights: NDArray[np.float64], cells: BoolGrid, metres: float) -> BoolGrid:
    """Those patches of ``cells`` that have cliffs round them."""
    patch, count = label(cells, np.ones((3, 3)))
    owners, steps = [], []
    for here, there in _SIDES:
        step = np.abs(heights[here] - heights[there]) * metres
        rim = (cells[here] != cells[there]) & np.isfinite(step)
        owners.append(np.maximum(patch[here], patch[there])[rim])
        steps.append(step[rim])
    cliff = max(_CLIFF_M, _usual_step(heights, cells, metres))
    owner, is_cliff = np.concatenate(owners), np.concatenate(steps) > cliff
    around = np.bincount(owner, minlength=count + 1)
    low = np.bincount(owner[~is_cliff], minlength=count + 1)
    void = (around > 0) & (low <= _OPEN * around)
    void[0] = False
    return void[patch]


def note_on_voids(told: dict[float, int], keep: str = _IN_SITE_FILE) -> list[str]:
    """Say what was found and how to ``keep`` it; nothing where nothing was found."""
    if not told:
        return []
    many = " and ".join(f"{value:.6g} on {count:,} cells" for value, count in told.items())
    return [
        f"The DEM has {many}, with cliffs round them or past any height on earth: they are taken "
        f"as no height, though the file does not declare it. {way_out(told, keep)}"
    ]


def way_out(told: dict[float, int], keep: str = _IN_SITE_FILE) -> str:
    """How to keep such heights, for a note or an error; empty where nothing was found."""
    if not told:
        return ""
    values = " and ".join(f"{value:.6g}" for value in told)
    return f"If heights of {values} are real there, {keep}."
