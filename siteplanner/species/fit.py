"""The fit: what each species thinks of each cell, by its most limiting factor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from siteplanner.grid import BoolGrid, FloatGrid
from siteplanner.species.table import SURVIVES, Factor

#: Lowest score of each class, best first. FAO Soils Bulletin 32 (1976) names the classes; the
#: break points are those of parametric land evaluation, from memory.
CLASSES: tuple[tuple[str, int, str], ...] = (
    ("S1", 85, "suits well"),
    ("S2", 60, "suits"),
    ("S3", 40, "marginal"),
    ("N1", 25, "do not plant"),
    ("N2", 0, "do not plant"),
)
#: Highest score of a species one of whose factors was never measured there.
UNKNOWN_CAP = CLASSES[0][1] - 1
NOT_SCORED = 255
_BLOCK = 2048


@dataclass(frozen=True)
class Fit:
    """Scores of all species on the cells of a mask, in the mask's row-major order.

    ``score`` 0-100, ``limiting`` the index into ``factors`` of the lowest-scoring factor
    (255 where nothing limits), ``confidence`` 0-100 the share of the species' factors that are
    known there; each uint8 (species, cells).
    """

    mask: BoolGrid
    factors: tuple[str, ...]
    score: NDArray[np.uint8]
    limiting: NDArray[np.uint8]
    confidence: NDArray[np.uint8]

    def on_grid(self, values: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Spread (species, cells) over the grid: (species, rows, columns), 255 elsewhere."""
        out = np.full((len(values), *self.mask.shape), NOT_SCORED, dtype=np.uint8)
        out[:, self.mask] = values
        return out


def class_of(score: int) -> tuple[str, str]:
    """FAO class and its plain words for a score of 0-100."""
    for name, lowest, words in CLASSES:
        if score >= lowest:
            return name, words
    raise ValueError(f"a score is 0 to 100, not {score}")


def score_factor(factor: Factor, values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Score one factor alone, 0-100 float32 (species, cells); NaN where it is unknown.

    Numeric factors rise linearly from "dies below" to "thrives from" and fall linearly from
    "thrives to" to "dies above". Where a species has no outer point it scores 50 beyond the
    inner one: it lives but does not thrive.
    """
    values = np.asarray(values, dtype=np.float32)
    if factor.scores is not None:
        known = np.isfinite(values)
        codes = np.where(known, values, 0).astype(np.intp)
        return np.where(known, factor.scores[:, codes], np.float32(np.nan))
    assert factor.points is not None
    ramps = _ramps(factor.points)
    out = np.empty((len(ramps), values.size), dtype=np.float32)
    for species, (a, b, c, d, up, down, below, above) in enumerate(ramps):
        with np.errstate(invalid="ignore"):
            rising = (values - a) * up if np.isfinite(a) else np.full_like(values, below)
            falling = (d - values) * down if np.isfinite(d) else np.full_like(values, above)
        rising = np.where(values >= b, np.float32(100), rising)
        falling = np.where(values <= c, np.float32(100), falling)
        out[species] = np.clip(np.minimum(rising, falling), 0, 100)
        out[species, np.isnan(values)] = np.nan
    return out


def _ramps(points: NDArray[np.float64]) -> NDArray[np.float32]:
    """Corners and steepness of each species' trapezium: (species, 8) float32.

    Columns: four points, score gained per unit below, lost per unit above, score below when
    there is no "dies below", score above when there is no "dies above".
    """
    a, b, c, d = points.T
    with np.errstate(invalid="ignore", divide="ignore"):
        up = np.where(np.isfinite(a) & (b > a), 100 / (b - a), 0)
        down = np.where(np.isfinite(d) & (d > c), 100 / (d - c), 0)
    flat = np.full_like(a, SURVIVES)
    return np.column_stack([a, b, c, d, up, down, flat, flat]).astype(np.float32)


def fit(factors: Sequence[Factor], layers: Mapping[str, FloatGrid], mask: BoolGrid) -> Fit:
    """Score every species on every cell of the mask, all factors in one pass.

    A score is that of the most limiting factor (maximum limitation, FAO Soils Bulletin 32,
    1976). A factor that is unknown on a cell does not lower the score, but the top class is
    withheld and the confidence falls.
    """
    values = np.stack([layers[factor.layer][mask] for factor in factors])
    numeric = np.array([factor.points is not None for factor in factors])
    species = factors[0].species
    ramps = np.zeros((len(factors), species, 8), dtype=np.float32)
    widest = max([1, *(f.scores.shape[1] for f in factors if f.scores is not None)])
    tables = np.zeros((len(factors), species, widest), dtype=np.float32)
    matters = np.zeros((len(factors), species), dtype=np.bool_)
    for place, factor in enumerate(factors):
        if factor.points is not None:
            ramps[place] = _ramps(factor.points)
            matters[place] = np.isfinite(factor.points).any(axis=1)
        else:
            assert factor.scores is not None
            tables[place, :, : factor.scores.shape[1]] = factor.scores
            matters[place] = (factor.scores < 100).any(axis=1)
    outs = [np.empty((species, values.shape[1]), dtype=np.uint8) for _ in range(3)]
    _score(values, numeric, ramps, tables, matters, np.float32(UNKNOWN_CAP), *outs)
    return Fit(mask, tuple(f.layer for f in factors), *outs)


@numba.njit(cache=True, parallel=True, nogil=True)
def _score(values, numeric, ramps, tables, matters, cap, score, limiting, confidence):  # type: ignore[no-untyped-def]
    """Fill ``score``, ``limiting`` and ``confidence``; each thread has its own cells."""
    n_factors, n_cells = values.shape
    n_species = ramps.shape[1]
    blocks = (n_cells + _BLOCK - 1) // _BLOCK
    for block in numba.prange(blocks):
        start = block * _BLOCK
        stop = min(start + _BLOCK, n_cells)
        lowest = np.empty(_BLOCK, dtype=np.float32)
        worst = np.empty(_BLOCK, dtype=np.uint8)
        unknown = np.empty(_BLOCK, dtype=np.uint8)
        for s in range(n_species):
            lowest[:] = np.float32(100)
            worst[:] = np.uint8(255)
            unknown[:] = np.uint8(0)
            asked = 0
            for f in range(n_factors):
                if not matters[f, s]:
                    continue
                asked += 1
                a, b, c, d = ramps[f, s, 0], ramps[f, s, 1], ramps[f, s, 2], ramps[f, s, 3]
                up, down = ramps[f, s, 4], ramps[f, s, 5]
                below, above = ramps[f, s, 6], ramps[f, s, 7]
                open_below, open_above = np.isinf(a), np.isinf(d)
                for i in range(stop - start):
                    x = values[f, start + i]
                    if np.isnan(x):
                        unknown[i] += np.uint8(1)
                        continue
                    if not numeric[f]:
                        got = tables[f, s, int(x)]
                    else:
                        got = np.float32(100)
                        if x < b:
                            got = below if open_below else (x - a) * up
                        elif x > c:
                            got = above if open_above else (d - x) * down
                    if got < lowest[i]:
                        lowest[i] = max(got, np.float32(0))
                        worst[i] = np.uint8(f)
            for i in range(stop - start):
                got = lowest[i]
                if unknown[i] > 0 and got > cap:
                    got = cap
                score[s, start + i] = np.uint8(got + np.float32(0.5))
                limiting[s, start + i] = worst[i]
                known = asked - unknown[i]
                confidence[s, start + i] = np.uint8(100 * known // asked) if asked else 100
