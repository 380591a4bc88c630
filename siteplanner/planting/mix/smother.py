"""Smothering: no tall nurse stands so near that what it nurses grows up under its crown.

A nurse reaches as far as half its crown. What stays lower than it and does not bear shade is
smothered within that distance (common practice, no source). Trees change places until as few as
can be are; all numbers stay as they are.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.base.kernels import kernel

#: Points of suitability that a tree less under a nurse's crown is worth.
_FREED = 20.0
#: A tree changes places with one of so many nearest, or of theirs.
_NEAREST = 24


def reach_of(facts: pd.DataFrame, pioneer: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Distance (nurse, other) in metres within which a nurse smothers another species, 0: never.

    ``facts`` has ``mature_height_m, crown_m`` (NaN: not known, and then never) and may have
    ``shade``; a species of which nothing is said does not bear shade.
    """
    height = facts["mature_height_m"].to_numpy(dtype=np.float64)
    crown = facts["crown_m"].to_numpy(dtype=np.float64) if "crown_m" in facts else height * np.nan
    shade = facts["shade"] if "shade" in facts else pd.Series("", index=facts.index)
    bears = shade.astype(str).str.contains("shade").to_numpy(dtype=bool)
    under = pioneer[:, None] & ~pioneer & ~bears & (height[:, None] > height)
    return np.where(under, np.nan_to_num(crown / 2)[:, None], 0.0)


def unsmothered(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kinds: NDArray[np.int64],
    scores: NDArray[np.floating],
    reach: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Swap trees so that fewer stand under a nurse's crown; numbers stay as they are.

    ``kinds`` (places,) is -1 where a place stays empty, ``reach`` as :func:`reach_of` gives it.
    Two trees change places only where both may stand, and where what is gained (``_FREED`` points
    for each tree freed) is more than what is lost in suitability.
    """
    if len(x) < 3 or not smothered(x, y, kinds, reach).any():
        return kinds
    points = np.column_stack([x, y])
    away, near = cKDTree(points).query(points, k=min(_NEAREST + 1, len(x)))
    nobody = len(reach)
    # A row and a column more for empty places, which smother nobody.
    squared = np.zeros((nobody + 1, nobody + 1), dtype=np.float32)
    squared[:nobody, :nobody] = reach**2
    worth = np.concatenate([scores, np.zeros((len(x), 1))], axis=1).astype(np.float32)
    worth[~np.isfinite(worth)] = -1e6
    kind = np.where(kinds < 0, nobody, kinds).astype(np.int64)
    apart = np.ascontiguousarray(away**2, dtype=np.float32)
    for _ in range(3):
        if not _swap(np.ascontiguousarray(near), apart, worth, squared, kind, _FREED):
            break
    return np.where(kind == nobody, -1, kind)


def smothered(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kinds: NDArray[np.int64],
    reach: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Tell (places,) which trees stand under the crown of a nurse that smothers them."""
    under = np.zeros(len(x), dtype=bool)
    standing = np.flatnonzero(kinds >= 0)
    if not reach.any() or len(standing) < 2:
        return under
    points = np.column_stack([x, y])[standing]
    pairs = cKDTree(points).query_pairs(float(reach.max()), output_type="ndarray")
    away = np.hypot(*(points[pairs[:, 0]] - points[pairs[:, 1]]).T)
    for one, other in (pairs.T, pairs.T[::-1]):
        within = away < reach[kinds[standing[one]], kinds[standing[other]]]
        under[standing[other[within]]] = True
    return under


@kernel(
    "int64(int64[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1], int64[::1], float64)"
)
def _swap(near, apart, worth, reach, kind, freed):  # type: ignore[no-untyped-def]
    """One pass over the smothered trees, in place; gives the number of swaps."""
    swaps = 0
    places, width = near.shape
    for i in range(places):
        mine = kind[i]
        under = False
        for n in range(1, width):
            under = under or apart[i, n] < reach[kind[near[i, n]], mine]
        if not under:
            continue
        best, into = 0.0, i
        for step in range(1, width * width):
            j = near[near[i, step // width], step % width]
            other = kind[j]
            if other == mine or j == i:
                continue
            got = worth[i, other] + worth[j, mine] - worth[i, mine] - worth[j, other]
            if got <= -1e5:
                continue
            # Pairs that are gone less pairs that come; that of the two themselves stays as it is.
            for n in range(1, width):
                k = near[i, n]
                if k != j:
                    got += freed * (apart[i, n] < reach[kind[k], mine])
                    got += freed * (apart[i, n] < reach[mine, kind[k]])
                    got -= freed * (apart[i, n] < reach[kind[k], other])
                    got -= freed * (apart[i, n] < reach[other, kind[k]])
                k = near[j, n]
                if k != i:
                    got += freed * (apart[j, n] < reach[kind[k], other])
                    got += freed * (apart[j, n] < reach[other, kind[k]])
                    got -= freed * (apart[j, n] < reach[kind[k], mine])
                    got -= freed * (apart[j, n] < reach[mine, kind[k]])
            if got > best:
                best, into = got, j
        if best > 0:
            kind[i], kind[into] = kind[into], kind[i]
            swaps += 1
    return swaps
