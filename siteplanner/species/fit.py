"""The fit: what each species thinks of each cell, by its most limiting factor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

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
#: How scores of factors become one score.
INDICES = ("limiting", "square root", "product")
MOST_FACTORS = 200
_NONE = 255
#: From here on a score is full: rounding must not make a factor limit where it does not.
_FULL = np.float32(99.9999)
_BLOCK = 1024
_MOST_CODES = 4096
_FINE = np.float32(1024)


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
    out = np.empty((factor.species, values.size), dtype=np.float32)
    for species, (a, b, c, d) in enumerate(factor.points.astype(np.float32)):
        with np.errstate(invalid="ignore", divide="ignore"):
            rising = 100 * (values - a) / (b - a) if np.isfinite(a) and b > a else None
            falling = 100 * (d - values) / (d - c) if np.isfinite(d) and d > c else None
        below = (0.0 if np.isfinite(a) else SURVIVES) if rising is None else rising
        above = (0.0 if np.isfinite(d) else SURVIVES) if falling is None else falling
        got = np.where(values < b, below, np.where(values > c, above, 100))
        out[species] = np.where(np.isnan(values), np.nan, np.clip(got, 0, 100))
    return out


def fit(
    factors: Sequence[Factor],
    layers: Mapping[str, FloatGrid],
    mask: BoolGrid,
    *,
    index: str = "limiting",
) -> Fit:
    """Score every species on every cell of the mask, all factors in one pass.

    ``index`` is one of ``INDICES``. By default a score is that of the most limiting factor
    (maximum limitation, FAO Soils Bulletin 32, 1976); of several that would kill, the one
    furthest past its limit is named. With R the factors' scores: "square root" is
    Rmin × √∏(other R / 100) (Khiddir 1986), "product" is 100 × ∏(R / 100) (Storie 1978). A
    factor that is unknown on a cell does not lower the score, but the top class is withheld
    and the confidence falls.

    Raises ``ValueError`` for another index, and for more factors than can be told apart.
    """
    if index not in INDICES:
        raise ValueError(f"no index {index!r}; choose from: {', '.join(INDICES)}")
    if len(factors) > MOST_FACTORS:
        raise ValueError(f"at most {MOST_FACTORS} factors can be scored, not {len(factors)}")
    values = np.stack([layers[factor.layer][mask] for factor in factors])
    species = factors[0].species
    sides = np.zeros((len(factors), species, 8), dtype=np.float32)
    matters = np.zeros((len(factors), species), dtype=np.bool_)
    for place, factor in enumerate(factors):
        if factor.points is not None:
            sides[place] = _sides(factor.points)
            matters[place] = np.isfinite(factor.points).any(axis=1)
        else:
            assert factor.scores is not None
            matters[place] = (factor.scores < 100).any(axis=1)
    asked = matters.sum(axis=0)[:, None]
    known = np.maximum(asked - np.arange(len(factors) + 1), 0)
    share = np.where(asked > 0, 100 * known // np.maximum(asked, 1), 100).astype(np.uint8)
    outs = [np.empty((species, values.shape[1]), dtype=np.uint8) for _ in range(3)]
    _score(
        values,
        sides,
        np.array([f.points is not None for f in factors]),
        matters,
        *_class_groups(factors, values),
        share,
        np.float32(UNKNOWN_CAP),
        INDICES.index(index),
        *outs,
    )
    return Fit(mask, tuple(f.layer for f in factors), *outs)


def _sides(points: NDArray[np.float64]) -> NDArray[np.float32]:
    """Straight sides and steps of each species' trapezium: (species, 8) float32.

    Columns: foot and rise per unit of the lower side, foot and fall per unit of the upper one;
    then the lower step's place and the score below it, the upper step's place and the score
    above it. A side that is not there is infinitely far away.
    """
    a, b, c, d = points.astype(np.float32).astype(np.float64).T
    with np.errstate(invalid="ignore", divide="ignore"):
        rising, falling = np.isfinite(a) & (b > a), np.isfinite(d) & (d > c)
        up = np.where(rising, 100 / (b - a), 1)
        down = np.where(falling, 100 / (d - c), 1)
    return np.column_stack(
        [
            np.where(rising, a, -np.inf),
            up,
            np.where(falling, d, np.inf),
            down,
            np.where(rising, -np.inf, b),
            np.where(np.isfinite(a), 0, SURVIVES),
            np.where(falling, np.inf, c),
            np.where(np.isfinite(d), 0, SURVIVES),
        ]
    ).astype(np.float32)


def _class_groups(
    factors: Sequence[Factor], values: NDArray[np.float32]
) -> tuple[NDArray[np.uint16], NDArray[np.int32], NDArray[np.float32]]:
    """Join layers of categories, so that one look-up scores several of them.

    Returns for each group the code of every cell; by species and code the lowest score of the
    group's factors (times ``_FINE``) packed above the factor that gives it (8 bits); and by
    species and code the product of (score / 100).
    """
    species = factors[0].species
    groups: list[tuple[Any, ...]] = []
    for place, factor in enumerate(factors):
        if factor.scores is None:
            continue
        unknown = factor.scores.shape[1]
        here = np.pad(factor.scores, ((0, 0), (0, 1)), constant_values=100)
        if groups and groups[-1][1].shape[1] * here.shape[1] <= _MOST_CODES:
            codes, lowest, worst, product = groups.pop()
        else:
            codes = np.zeros(values.shape[1], dtype=np.uint16)
            lowest, worst, product = (np.full((species, 1), v) for v in (100, _NONE, 1))
        mine = np.nan_to_num(values[place], nan=unknown).astype(np.uint16)
        lower = here[:, None] < lowest[:, :, None]
        groups.append(
            (
                codes * np.uint16(here.shape[1]) + mine,
                np.minimum(lowest[:, :, None], here[:, None]).reshape(species, -1),
                np.where(lower, place, worst[:, :, None]).reshape(species, -1),
                (product[:, :, None] * here[:, None] / 100).reshape(species, -1),
            )
        )
    most = max([1, *(lowest.shape[1] for _, lowest, _, _ in groups)])
    all_codes = np.zeros((len(groups), values.shape[1]), dtype=np.uint16)
    packed = np.zeros((len(groups), species, most), dtype=np.int32)
    products = np.ones((len(groups), species, most), dtype=np.float32)
    for group, (codes, lowest, worst, product) in enumerate(groups):
        all_codes[group] = codes
        fine = np.rint(lowest * _FINE).astype(np.int32)
        packed[group, :, : lowest.shape[1]] = fine << 8 | worst
        products[group, :, : lowest.shape[1]] = product
    return all_codes, packed, products


@numba.njit(cache=True, nogil=True)
def _limit(x, side, factor, lowest, worst):  # type: ignore[no-untyped-def]
    """Lower ``lowest`` to one factor's score and put ``factor`` to ``worst`` where it falls.

    NaN compares false throughout, so an unknown value changes nothing.
    """
    a, up, d, down = side[0], side[1], side[2], side[3]
    b, below, c, above = side[4], side[5], side[6], side[7]
    if np.isfinite(a) or np.isfinite(d):
        for i in range(x.size):
            v = x[i]
            rising = (v - a) * up
            falling = (d - v) * down
            got = falling if falling < rising else rising
            before, by = lowest[i], worst[i]
            lower = got < before
            lowest[i] = got if lower else before
            worst[i] = factor if lower else by
    if np.isfinite(b) or np.isfinite(c):
        for i in range(x.size):
            v = x[i]
            got = below if v < b else (above if v > c else np.float32(100))
            before, by = lowest[i], worst[i]
            lower = got < before
            lowest[i] = got if lower else before
            worst[i] = factor if lower else by


@numba.njit(cache=True, nogil=True)
def _score_block(  # type: ignore[no-untyped-def]
    start, stop,
    values, sides, numeric, matters,
    codes, class_worst, class_product,
    share, cap, index, score, limiting, confidence,
):  # fmt: skip
    """Fill the outputs for the cells from ``start`` to ``stop``, all species and factors."""
    n_factors, n_species = matters.shape
    n = stop - start
    lowest = np.empty(n, dtype=np.float32)
    worst = np.empty(n, dtype=np.float32)
    product = np.empty(n, dtype=np.float32)
    alone = np.empty(n, dtype=np.float32)
    spare = np.empty(n, dtype=np.float32)
    missing = np.empty(n, dtype=np.uint8)
    looked = np.empty(n, dtype=np.int32)
    gap = np.zeros((n_factors, n), dtype=np.uint8)
    gaps = np.zeros(n_factors, dtype=np.bool_)
    for f in range(n_factors):
        x, here = values[f, start:stop], gap[f]
        some = np.uint8(0)
        for i in range(n):
            here[i] = np.uint8(x[i] != x[i])
            some |= here[i]
        gaps[f] = some > 0
    for s in range(n_species):
        lowest[:] = _FULL
        worst[:] = np.float32(_NONE)
        missing[:] = 0
        if index > 0:
            product[:] = np.float32(1)
        unknown = False
        for f in range(n_factors):
            if not matters[f, s]:
                continue
            if gaps[f]:
                unknown = True
                here = gap[f]
                for i in range(n):
                    missing[i] += here[i]
            if not numeric[f]:
                continue
            x = values[f, start:stop]
            if index > 0:
                alone[:] = _FULL
                _limit(x, sides[f, s], np.float32(f), alone, spare)
                for i in range(n):
                    product[i] *= max(alone[i], np.float32(0)) / np.float32(100)
            _limit(x, sides[f, s], np.float32(f), lowest, worst)
        for g in range(codes.shape[0]):
            code = codes[g, start:stop]
            table = class_worst[g, s]
            for i in range(n):  # apart from the comparing, which works on eight at once
                looked[i] = table[code[i]]
            for i in range(n):
                packed = looked[i]
                got = np.float32(packed >> np.int32(8)) / _FINE
                before, by = lowest[i], worst[i]
                lower = got < before
                lowest[i] = got if lower else before
                worst[i] = np.float32(packed & np.int32(255)) if lower else by
            if index > 0:
                for i in range(n):
                    product[i] *= class_product[g, s, code[i]]
        if index > 0:
            for i in range(n):
                least = max(lowest[i], np.float32(0)) / np.float32(100)
                if index == 2 or least == 0:
                    lowest[i] = np.float32(100) * product[i]
                else:
                    lowest[i] = np.float32(100) * least * np.sqrt(product[i] / least)
        out, sure = score[s, start:stop], confidence[s, start:stop]
        by_missing = share[s]
        if unknown:
            for i in range(n):
                got = lowest[i]
                lowest[i] = cap if (got > cap) & (missing[i] > 0) else got
            for i in range(n):
                sure[i] = by_missing[missing[i]]
        else:
            sure[:] = 100
        name = limiting[s, start:stop]
        for i in range(n):
            got = lowest[i]
            got = got if got > 0 else np.float32(0)
            out[i] = np.uint8(np.int32(got + np.float32(0.5)))
            name[i] = np.uint8(np.int32(worst[i]))


@numba.njit(cache=True, parallel=True, nogil=True)
def _score(  # type: ignore[no-untyped-def]
    values, sides, numeric, matters,
    codes, class_worst, class_product,
    share, cap, index, score, limiting, confidence,
):  # fmt: skip
    """Fill ``score``, ``limiting`` and ``confidence``; each thread has its own cells."""
    n_cells = values.shape[1]
    for block in numba.prange((n_cells + _BLOCK - 1) // _BLOCK):
        start = np.int64(block) * _BLOCK
        _score_block(
            start, min(start + _BLOCK, n_cells),
            values, sides, numeric, matters,
            codes, class_worst, class_product,
            share, cap, index, score, limiting, confidence,
        )  # fmt: skip
