"""Suitability: what each species thinks of each cell, by its most limiting factor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid
from siteplanner.base.strips import over_rows
from siteplanner.suitability._score import A_CLASS, A_NUMBER, FINE, NONE, score_cells
from siteplanner.suitability.classes import CLASSES, NOT_SCORED
from siteplanner.suitability.factors import SURVIVES, Factor

#: Highest score of a species one of whose factors was never measured there.
UNKNOWN_CAP = CLASSES[0][1] - 1
#: How scores of factors become one score.
INDICES = ("limiting", "square root", "product")
MOST_FACTORS = 200
_MOST_CODES = 4096


@dataclass(frozen=True)
class Suitability:
    """What each species thinks of each cell of a mask, in the mask's row-major order.

    ``score`` 0-100, ``limiting`` the index into ``factors`` of the lowest-scoring factor
    (255 where nothing limits), ``confidence`` 0-100 the share of the species' factors that are
    known there; each uint8 (species, cells).
    """

    mask: BoolGrid
    factors: tuple[Factor, ...]
    score: NDArray[np.uint8]
    limiting: NDArray[np.uint8]
    confidence: NDArray[np.uint8]

    def on_grid(self, values: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Spread (species, cells) over the grid: (species, rows, columns), 255 elsewhere."""
        out = np.full((len(values), *self.mask.shape), NOT_SCORED, dtype=np.uint8)
        out[:, self.mask] = values
        return out


def class_of(score: int) -> tuple[str, str]:
    """FAO class and its plain words for a score of 0-100.

    >>> class_of(100), class_of(0)
    (('S1', 'suits well'), ('N2', 'do not plant'))
    """
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


def score_species(
    factors: Sequence[Factor],
    layers: Mapping[str, FloatGrid],
    mask: BoolGrid,
    *,
    index: str = "limiting",
) -> Suitability:
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
    sides = np.zeros((len(factors), species, 6), dtype=np.float32)
    asks = np.zeros((species, len(factors)), dtype=np.uint8)
    for place, factor in enumerate(factors):
        if factor.points is not None:
            sides[place] = _sides(factor.points)
            asks[:, place] = np.isfinite(factor.points).any(axis=1) * A_NUMBER
        else:
            assert factor.scores is not None
            asks[:, place] = (factor.scores < 100).any(axis=1) * A_CLASS
    asked = np.count_nonzero(asks, axis=1)[:, None]
    known = np.maximum(asked - np.arange(len(factors) + 1), 0)
    share = np.where(asked > 0, 100 * known // np.maximum(asked, 1), 100).astype(np.uint8)
    score, limiting, confidence = (
        np.empty((species, values.shape[1]), dtype=np.uint8) for _ in range(3)
    )
    over_rows(
        score_cells,
        (values.shape[1], species),
        INDICES.index(index),
        values,
        asks,
        confidence,
        score,
        limiting,
        sides,
        *_class_groups(factors, values),
        share,
        np.float32(UNKNOWN_CAP),
    )
    return Suitability(mask, tuple(factors), score, limiting, confidence)


def _sides(points: NDArray[np.float64]) -> NDArray[np.float32]:
    """Both sides of each species' trapezium: (species, 6) float32.

    Columns: the lower side's foot, its rise per unit and the score below which it does not
    fall; then the upper side's foot, fall per unit and lowest score. A step is a side of
    infinite slope; at its very place, where that gives no number, the score is full. A side
    that is not there is infinitely far away.
    """
    a, b, c, d = points.astype(np.float32).astype(np.float64).T
    with np.errstate(invalid="ignore", divide="ignore"):  # a step has no width, or no number for it
        lower, upper = _side(a, b, b - a, -np.inf), _side(d, c, d - c, np.inf)
    return np.column_stack([*lower, *upper]).astype(np.float32)


def _side(
    dies: NDArray[np.float64], thrives: NDArray[np.float64], width: NDArray[np.float64], far: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Foot, slope and lowest score of one side, each (species,)."""
    slopes = np.isfinite(dies) & (width > 0)
    step = ~slopes & np.isfinite(thrives)
    slope = np.where(slopes, 100 / width, np.where(step, np.inf, 1))
    foot = np.where(slopes, dies, np.where(step, thrives, far))
    lowest = np.where(step, np.where(np.isfinite(dies), 0, SURVIVES), -np.inf)
    return foot, slope, lowest


def _class_groups(
    factors: Sequence[Factor], values: NDArray[np.float32]
) -> tuple[NDArray[np.uint16], NDArray[np.int32], NDArray[np.float32]]:
    """Join layers of categories, so that one look-up scores several of them.

    Returns for each group the code of every cell; by species and code the lowest score of the
    group's factors (times ``FINE``) packed above the factor that gives it (8 bits); and by
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
            lowest, worst, product = (np.full((species, 1), v) for v in (100, NONE, 1))
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
        fine = np.rint(lowest * FINE).astype(np.int32)
        packed[group, :, : lowest.shape[1]] = fine << 8 | worst
        products[group, :, : lowest.shape[1]] = product
    return all_codes, packed, products
