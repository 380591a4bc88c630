"""What counted trees say of those not counted: shares weighted by block, and what to foretell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaln

#: How many comparisons of blocks the setting ``belief_trees`` is worth when it is asked how much
#: blocks of one zone differ (judgement).
_BELIEF_COMPARISONS = 2
#: Shares are held so far from 0 and 1 where a distribution needs both.
_NEVER = 1e-3


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


def row_correlation(counts: pd.DataFrame, effect: float) -> float:
    """How alike the fates of trees in one row are, 0 to 1, from the design effect of rows.

    effect = 1 + (m - 1) x correlation, with m the mean size of the rows counted, each weighing
    its trees (Kish, from memory).
    """
    sizes = counts.loc[counts["row"] > 0, "planted"].to_numpy(dtype=np.float64)
    return min((effect - 1) / (_mean_size(sizes) - 1), 1.0) if _mean_size(sizes) > 1 else 0.0


def _mean_size(sizes: ArrayLike) -> float:
    """Mean size of rows, each weighing its trees; 1 for none."""
    s = np.asarray(sizes, dtype=np.float64)
    return float(s @ s / s.sum()) if s.sum() else 1.0


def block_correlation(blocks: pd.DataFrame, effect: float, belief_trees: float) -> float:
    """How alike the fates of trees in one block are, beyond those of their zone, 0 to 1.

    ``blocks`` has ``zone, species, counted, alive``, one row a block and species. Sum over zones
    and species of n (p - mean)^2 / (mean (1 - mean)), less what counting alone scatters, over
    what full likeness would add (a moment estimator, from memory). Few comparisons say little:
    they are read together with 1 / (belief_trees + 1), which counts as two.
    """
    scatter = free = full = 0.0
    for _, mine in blocks[blocks["counted"] > 0].groupby(["zone", "species"], sort=True):
        n, a = mine["counted"].to_numpy(np.float64), mine["alive"].to_numpy(np.float64)
        mean = a.sum() / n.sum()
        if len(n) > 1 and 0 < mean < 1:
            scatter += float(n @ (a / n - mean) ** 2) / (mean * (1 - mean))
            free += len(n) - 1
            full += float(n.sum() - n @ n / n.sum())
    found = min(max((scatter - effect * free) / full, 0.0), 1.0) if full else 0.0
    believed = _BELIEF_COMPARISONS / (belief_trees + 1)
    return (free * found + believed) / (free + _BELIEF_COMPARISONS)


@dataclass(frozen=True)
class Prior:
    """What is believed of a block before its own trees are counted: a share, worth some trees."""

    share: float
    trees: float


def prior_of(others: Share, blocks: int, correlation: float) -> Prior:
    """Say what ``blocks`` other blocks of the zone, together ``others``, let one expect of a block.

    It may differ from them as blocks do (``correlation``), and they are known only so well.
    """
    doubt = correlation * (1 + 1 / blocks) + 1 / others.worth
    return Prior(others.alive, max(1 / doubt - 1, 1.0))


def foretell(
    alive: float,
    counted: int,
    planted: int,
    prior: Prior,
    *,
    effect: float,
    rows_effect: float,
    confidence: float,
) -> tuple[int, float, int]:
    """Trees alive in a whole block of ``planted``, of which ``counted`` were looked at.

    Returns the fewest, the mean and the most: a predictive interval, beta-binomial. The share
    alive follows a Beta distribution after the count, whose trees are worth 1 / ``effect``
    each; the trees not counted are drawn with it in rows, whose fates scatter ``rows_effect``
    times as much as lone trees'. The beta-binomial has the mean and the variance of that
    (conjugate rule and moments, from memory; any textbook on Bayesian statistics).
    """
    left = planted - counted
    if left <= 0:
        return int(alive), float(alive), int(alive)
    belief = min(max(prior.share, _NEVER), 1 - _NEVER)
    worth = prior.trees + counted / effect
    share = (prior.trees * belief + alive / effect) / worth
    # Var = left x share x (1 - share) x scatter; alike is the one correlation that gives it.
    scatter = (left + rows_effect * worth) / (worth + 1)
    alike = (scatter - 1) / (left - 1) if left > 1 else 0.0
    alike = min(max(alike, 1e-9), 1 - _NEVER)
    total = 1 / alike - 1
    many = np.arange(left + 1)
    chance = _beta_binomial(many, left, share * total, (1 - share) * total)
    tail = (1 - confidence) / 2
    low, high = np.searchsorted(np.cumsum(chance), [tail, 1 - tail])
    return int(alive + low), alive + left * share, int(alive + high)


def _beta_binomial(
    number: NDArray[np.int64], of: int, alpha: float, beta: float
) -> NDArray[np.float64]:
    """Chance of each ``number`` out of so many, of a share that is beta distributed.

    >>> _beta_binomial(np.arange(3), 2, 1.0, 1.0).round(3).tolist()
    [0.333, 0.333, 0.333]
    """
    ways = -np.log(of + 1) - betaln(of - number + 1, number + 1)
    return np.exp(ways + betaln(number + alpha, of - number + beta) - betaln(alpha, beta))


def effect_of_rows(sizes: ArrayLike, correlation: float) -> float:
    """Design effect of rows of these sizes (trees), see ``row_correlation``."""
    return 1 + (_mean_size(sizes) - 1) * correlation
