"""What counted trees say of those not counted: shares weighted by block, and what to foretell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaln, logsumexp

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

#: Shares alive that are weighed against each other: even steps of the angle whose squared sine is
#: the share, since counts scatter alike all along it (the arcsine transformation, from memory).
_ANGLES = (np.arange(128) + 0.5) * (np.pi / 256)
_SHARES = np.sin(_ANGLES) ** 2
#: Correlations that are weighed against each other: even steps of their square root, which is how
#: far shares scatter. For rows all have the same prior weight, so it is uniform on the standard
#: deviation, as Gelman (2006), Bayesian Analysis 1:515-533, suggests.
_CORRELATIONS = np.maximum(np.linspace(0, 0.95, 12) ** 2, 1e-5)
#: Before its own trees are counted, a block is expected to be like the others of its zone; this
#: weighs as many trees as make half a tree of the rarer fate, and one more tree (our own choice:
#: of those tried, its intervals held the truth nearest to as often as they say).
_RARER_TREES, _MORE_TREES = 0.5, 1.0


@dataclass(frozen=True)
class Share:
    """Share alive, and how many lone trees, counted at random, would say as much of it."""

    alive: float
    worth: float


def stratified(trees: ArrayLike, counted: ArrayLike, alive: ArrayLike, effect: ArrayLike) -> Share:
    """Share alive in blocks of so many ``trees``, of which some were ``counted``, one value each.

    Every block weighs what stands in it, however many trees of it were counted: sum of
    W x alive / counted, W the block's share of the trees; its variance is the sum of
    W^2 x effect x p (1 - p) / counted, with ``effect`` the design effect of counting whole rows
    (stratified sampling, from memory; any textbook on survey sampling). A block's p is taken
    with two trees of the common share, so that few trees all alive leave a doubt. Blocks
    without counted trees are left out; with none the share is NaN, worth 0.
    """
    n = np.asarray(counted, dtype=np.float64)
    some = n > 0
    n, a = n[some], np.asarray(alive, dtype=np.float64)[some]
    weight = np.asarray(trees, dtype=np.float64)[some]
    if not len(n) or not weight.sum():
        return Share(math.nan, 0.0)
    weight = weight / weight.sum()
    p = (a + 2 * (a.sum() + 1) / (n.sum() + 2)) / (n + 2)
    middle = float(weight @ p)
    effects = np.broadcast_to(np.asarray(effect, dtype=np.float64), some.shape)[some]
    variance = float(np.sum(weight**2 * effects * p * (1 - p) / n))
    return Share(float(weight @ (a / n)), middle * (1 - middle) / variance)


@dataclass(frozen=True)
class Trees:
    """Trees of some species in some blocks, one value each.

    ``zone`` numbers what is compared: blocks that share a zone and a species. ``left`` trees were
    not counted; they stand in rows of ``row_size`` trees (mean, each row weighing its trees).
    Where no other block of the zone was counted, ``believed`` share alive is expected, which
    weighs ``belief`` trees.
    """

    zone: Whole
    left: Whole
    row_size: Floats
    believed: Floats
    belief: float


@dataclass(frozen=True)
class Counted:
    """What was counted, one value each: of ``planted`` trees in rows of ``row_size``, ``alive``.

    ``cell`` is the position in ``Trees`` that they belong to. A whole row has ``row_size`` of
    ``planted``; of a block counted as a whole it is the mean size of its rows.
    """

    cell: Whole
    planted: Floats
    alive: Floats
    row_size: Floats


def foretell(trees: Trees, counted: Counted, confidence: float) -> tuple[Whole, Floats, Whole]:
    """Trees alive among those not counted: the fewest, the mean and the most, one value a cell.

    A predictive interval, beta-binomial. Trees of one row share part of their fate, and so do
    trees of one block (Beta distributed shares; counts beta-binomial). How alike they are is not
    known: every correlation of a grid is weighed by how likely it makes all counts together (the
    marginal likelihood), so its doubt is in the interval. A block's own share follows from its
    own counts and, lightly, from the other blocks of its zone (see ``_RARER_TREES``); leaning on
    them as far as blocks seem alike would make intervals too wide where they are alike and too
    narrow where they only seem so. A block without counts has only the others to go by, and may
    differ from them as blocks do. The beta-binomial has the mean and the variance of all this.

    Hierarchical beta-binomial with frequency coverage as the measure: as in Tak, Kelly & Morris
    (2016), arXiv:1612.01595; prior weights and grid are our own choice.
    """
    if not len(trees.zone):
        return trees.left, trees.believed, trees.left
    likely = _likelihood(counted, len(trees.zone))
    others = _others(trees, counted)
    has = np.bincount(counted.cell, minlength=len(trees.zone)) > 0
    joint = likely + _beta_on_shares(others.share, others.trees)
    fits = logsumexp(joint, axis=1)
    of_rows = _weights(fits[has].sum(axis=0))
    after = np.exp(joint - fits[:, None]) * of_rows
    if not has.all():
        after[~has] = _without_counts(likely, others, has, of_rows)[~has]
    mean = after.sum(axis=2) @ _SHARES
    spread = after.sum(axis=2) @ _SHARES**2 - mean**2
    rows_effect = 1 + (trees.row_size[:, None] - 1) * _CORRELATIONS
    lone = np.einsum("cpr,p,cr->c", after, _SHARES * (1 - _SHARES), rows_effect)
    # Variance = left x lone + left^2 x spread; alike is the one correlation that gives it.
    left = trees.left
    scatter = (lone + left * spread) / (mean * (1 - mean))
    alike = np.clip((scatter - 1) / np.maximum(left - 1, 1), 1e-6, 1 - 1e-3)
    ends = [_interval(int(n), m, a, confidence) for n, m, a in zip(left, mean, alike, strict=True)]
    fewest, most = np.array(ends, dtype=np.int64).reshape(-1, 2).T
    return fewest, left * mean, most


def _likelihood(counted: Counted, cells: int) -> Floats:
    """Log likelihood at each share and correlation in rows: (cells, shares, correlations).

    Only differences within a cell mean anything. Rows counted together are one beta-binomial count
    with the variance of the sum.
    """
    kinds, which = np.unique(
        np.stack([counted.planted, counted.alive, counted.row_size], axis=1),
        axis=0,
        return_inverse=True,
    )
    n, a, size = (kinds[:, i, None, None] for i in range(3))
    alike = np.clip((size - 1) / np.maximum(n - 1, 1) * _CORRELATIONS, 1e-6, 1 - 1e-3)
    total = 1 / alike - 1
    lived, died = _SHARES[:, None] * total, (1 - _SHARES[:, None]) * total
    logs = betaln(a + lived, n - a + died) - betaln(lived, died)
    of = np.zeros((cells, len(_SHARES), len(_CORRELATIONS)))
    np.add.at(of, counted.cell, logs[which.ravel()])
    return of


@dataclass(frozen=True)
class _Others:
    """What the other blocks of a zone say of one, (cells, correlations in rows).

    The ``share`` alive and how many ``trees`` it weighs; its ``doubt``, one over the number of
    lone trees that would say as much; ``uneven`` (cells), the sum of the blocks' squared weights.
    """

    share: Floats
    trees: Floats
    doubt: Floats
    uneven: Floats


def _others(trees: Trees, counted: Counted) -> _Others:
    """Sum the other blocks' counts, each tree worth as much as its row's likeness leaves of it.

    One tree alive and one dead are added (the rule of succession), so that a zone in which all
    live still leaves a doubt.
    """
    cells, zones = len(trees.zone), int(trees.zone.max()) + 1
    effect = 1 + (counted.row_size[:, None] - 1) * _CORRELATIONS
    sums = np.zeros((3, cells, len(_CORRELATIONS)))
    for total, number in zip(sums, (counted.planted, counted.alive), strict=False):
        np.add.at(total, counted.cell, number[:, None] / effect)
    sums[2] = sums[0] ** 2
    member = (np.arange(zones)[:, None] == trees.zone).astype(np.float64)
    n, a, squares = np.maximum((member @ sums)[:, trees.zone] - sums, 0.0)
    none = n[:, 0] < 1e-9
    share = np.where(none[:, None], trees.believed[:, None], (a + 1) / (n + 2))
    share = np.clip(share, 1e-3, 1 - 1e-3)
    weighs = _RARER_TREES / np.minimum(share, 1 - share) + _MORE_TREES
    weighs = np.where(none[:, None], max(trees.belief, 1e-3), weighs)
    uneven = np.where(none, 1.0, squares[:, 0] / np.maximum(n[:, 0], 1e-9) ** 2)
    return _Others(share, weighs, 1 / (n + 2), uneven)


def _without_counts(
    likely: Floats, others: _Others, has: NDArray[np.bool_], of_rows: Floats
) -> Floats:
    """Shares of blocks without counts, weighed: (cells, shares, correlations in rows).

    They scatter about their zone as its counted blocks do. How much that is, is weighed over the
    grid like the correlation in rows, by the likelihood of each block's counts given the others'.
    The prior is uniform on the correlation of blocks, which is cautious (our own choice): few
    blocks cannot show that all are alike, and then the interval is wide.
    """
    share, doubt = others.share @ of_rows, others.doubt @ of_rows
    wide = _CORRELATIONS * (1 + others.uneven[:, None]) + doubt[:, None]
    scattered = _beta_on_shares(np.broadcast_to(share[:, None], wide.shape), 1 / wide - 1)
    with np.errstate(divide="ignore"):
        counts = logsumexp(likely[has] + np.log(of_rows), axis=2)[:, :, None]
    fits = logsumexp(counts + scattered[has], axis=1).sum(axis=0)
    of_blocks = _weights(fits + np.log(_CORRELATIONS) / 2)
    return (np.exp(scattered) @ of_blocks)[:, :, None] * of_rows


def _beta_on_shares(mean: Floats, trees: Floats) -> Floats:
    """Log weights of ``_SHARES`` in Beta distributions: from (cells, k) to (cells, shares, k)."""
    total = np.maximum(trees, 1e-3)
    lived, died = (mean * total)[:, None], ((1 - mean) * total)[:, None]
    # Even steps of the angle: the density is sqrt(share x (1 - share)) times that of the share.
    log = (lived - 0.5) * np.log(_SHARES)[:, None] + (died - 0.5) * np.log1p(-_SHARES)[:, None]
    return log - logsumexp(log, axis=1, keepdims=True)


def _weights(log: Floats) -> Floats:
    """Weights that sum to 1, from their logarithms."""
    weights = np.exp(log - log.max())
    return weights / weights.sum()


def _interval(left: int, mean: float, alike: float, confidence: float) -> tuple[int, int]:
    """Fewest and most of ``left`` trees: a central interval of the beta-binomial distribution.

    A number is inside if no more than the tail lies beyond it, counting half of its own chance
    (mid-p, see Berry & Armitage 1995, The Statistician 44:417-423), since intervals of whole
    numbers are too wide on average otherwise.
    """
    if left <= 0:
        return 0, 0
    total = 1 / alike - 1
    chance = _beta_binomial(np.arange(left + 1), left, mean * total, (1 - mean) * total)
    below = np.cumsum(chance) - chance / 2
    tail = (1 - confidence) / 2
    inside = np.flatnonzero((below >= tail) & (below <= 1 - tail))
    return (int(inside[0]), int(inside[-1])) if len(inside) else (int(chance.argmax()),) * 2


def _beta_binomial(number: Whole, of: int, alpha: float, beta: float) -> Floats:
    """Chance of each ``number`` out of so many, of a share that is beta distributed.

    >>> _beta_binomial(np.arange(3), 2, 1.0, 1.0).round(3).tolist()
    [0.333, 0.333, 0.333]
    """
    ways = -np.log(of + 1) - betaln(of - number + 1, number + 1)
    return np.exp(ways + betaln(number + alpha, of - number + beta) - betaln(alpha, beta))


def mean_size(sizes: ArrayLike) -> float:
    """Mean size of rows, each weighing its trees; 1 for none."""
    s = np.asarray(sizes, dtype=np.float64)
    return float(s @ s / s.sum()) if s.sum() else 1.0
