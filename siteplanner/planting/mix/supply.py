"""What a mix is chosen from: the species, and a zone's places gathered by what suits them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.site.planting import Mix as Rules

#: At most this many species compete for a zone, the worthiest ones (more only where places would
#: have none), and this many groups of places are told apart; places of rarer groups count as the
#: commoner group within theirs.
_CANDIDATES = 20
_GROUPS = 150


@dataclass(frozen=True)
class Candidates:
    """What the mix knows of the species, one entry a species in each.

    ``survival`` 0-1 (an assumption); ``roles`` as in the species table; ``aim`` weights of the
    target community, 0 or more; ``cost`` of a tree in the ground.
    """

    names: tuple[str, ...]
    survival: NDArray[np.float64]
    roles: tuple[tuple[str, ...], ...]
    aim: NDArray[np.float64] | None = None
    cost: NDArray[np.float64] | None = None

    def having(self, role: str) -> NDArray[np.bool_]:
        """Tell which species have a role."""
        return np.array([role in roles for roles in self.roles], dtype=bool)

    def listed(self, names: Sequence[str]) -> NDArray[np.bool_]:
        """Tell which species are named."""
        return np.isin(np.array(self.names, dtype=object), list(names))


@dataclass(frozen=True)
class Supply:
    """A zone's planting places, gathered to groups on which the same species fit.

    ``group`` int64 (places,), the group of each place, -1 where no species fits; ``size``
    int64 (groups,); ``suitability`` float64 (groups, species), mean score, NaN where the species
    does not fit the group. ``standing`` int64 (species,) are the zone's trees that stay, which
    count in its shares; ``whole`` the supply of their places and these together, whose ground the
    aim goes by. Both are None where no tree stays.
    """

    group: NDArray[np.int64]
    size: NDArray[np.int64]
    suitability: NDArray[np.float64]
    standing: NDArray[np.int64] | None = None
    whole: Supply | None = None

    @property
    def places(self) -> int:
        """Number of places on which some species fits."""
        return int(self.size.sum())

    @property
    def stays(self) -> NDArray[np.int64]:
        """Trees of each species that stay in the zone, int64 (species,)."""
        none = np.zeros(self.suitability.shape[1], dtype=np.int64)
        return none if self.standing is None else self.standing

    def where(self) -> NDArray[np.bool_]:
        """Tell which species may stand on which place, bool (places, species)."""
        fits = np.isfinite(self.suitability)
        if not len(fits):
            return np.zeros((len(self.group), self.suitability.shape[1]), dtype=bool)
        return fits[self.group] & (self.group >= 0)[:, None]


def gather(scores: NDArray[np.floating], kinds: Candidates, rules: Rules) -> Supply:
    """Gather places by the species that fit them.

    ``scores`` (places, species) 0-100, NaN where a species may not stand. A species fits at
    ``rules.lowest_suitability`` or better, or at what ``rules.role_suitability`` asks of its
    roles. One that fits fewer places than the least number in a mix is left out, unless it must
    be there; so are all but the worthiest candidates (suitability × survival over the zone).
    Places that only such species fit take the worthiest of these: a rule leaves none empty.
    """
    lowest = np.full(len(kinds.names), float(rules.lowest_suitability))
    for role, least in rules.role_suitability.items():
        having = kinds.having(role)
        lowest[having] = np.maximum(lowest[having], least)
    fits = np.nan_to_num(scores, nan=-1.0) >= lowest
    fits[:, kinds.listed(rules.never)] = False
    must = kinds.listed(rules.must)
    supply = fits.sum(axis=0)
    each = np.where(fits, scores, 0)
    worth = each.sum(axis=0, dtype=np.float64) * kinds.survival
    few = supply < max(1, rules.smallest_share * len(scores), rules.smallest_clump)
    worth[few & ~(must & (supply > 0))] = 0
    if kinds.aim is not None:
        worth[(kinds.aim > 0) & (worth > 0)] += worth.sum()
    worth[must & (worth > 0)] += worth.sum()
    candidates = np.argsort(-worth, kind="stable")[:_CANDIDATES]
    allowed = np.zeros(scores.shape[1], dtype=bool)
    allowed[candidates[worth[candidates] > 0]] = True
    bare = fits.any(axis=1) & ~fits[:, allowed].any(axis=1)
    while bare.any():
        # One point more, so that what fits at 0 is worth more than what does not fit.
        there = np.where(fits[bare], each[bare] + 1, 0).sum(axis=0, dtype=np.float64)
        best = (there * np.maximum(kinds.survival, 1e-6)).argmax()
        allowed[best] = True
        bare &= ~fits[:, best]
    fits &= allowed
    return _grouped(scores, fits)


def _grouped(scores: NDArray[np.floating], fits: NDArray[np.bool_]) -> Supply:
    """Number the groups; a rare group joins the largest one that asks no more of its places."""
    group = np.full(len(fits), -1, dtype=np.int64)
    plantable = fits.any(axis=1)
    packed = np.packbits(fits[plantable], axis=1)
    keys = np.ascontiguousarray(packed).view(f"V{packed.shape[1]}").ravel()
    _, first, of_place = np.unique(keys, return_index=True, return_inverse=True)
    kinds = fits[plantable][first]
    size = np.bincount(of_place, minlength=len(kinds))
    order = np.argsort(-size, kind="stable")
    kept, into = order[:_GROUPS], np.arange(len(kinds))
    for rare in order[_GROUPS:]:
        within = kept[~(kinds[kept] & ~kinds[rare]).any(axis=1)]
        into[rare] = within[0] if len(within) else rare
    _, number = np.unique(into, return_inverse=True)
    used = np.unique(into)
    of_place, kinds = number[of_place], kinds[used]
    group[plantable] = of_place
    size = np.bincount(of_place, minlength=len(kinds)).astype(np.int64)
    suitability = np.full(kinds.shape, np.nan)
    for kind in np.flatnonzero(kinds.any(axis=0)):
        total = np.bincount(of_place, scores[plantable, kind].astype(np.float64), len(kinds))
        suitability[:, kind] = np.where(kinds[:, kind], total / np.maximum(size, 1), np.nan)
    return Supply(group, size, suitability)


def aim_of(supply: Supply, kinds: Candidates) -> NDArray[np.float64]:
    """Share of each species in the target community here; they add up to 1 (or are all 0).

    It is of all the zone's ground, that of trees that stay too. Where weights are given they are
    kept among the species that fit. Else the aim goes by the
    ground that a species fits and the square of its mean suitability there (our own rule of thumb).
    """
    supply = supply.whole or supply
    size = supply.size[:, None] * np.isfinite(supply.suitability)
    ground = size.sum(axis=0)
    if kinds.aim is not None:
        weight = np.where(ground > 0, kinds.aim, 0.0)
        if weight.sum() > 0:
            return np.asarray(weight / weight.sum())
    total = np.nansum(supply.suitability * size, axis=0)
    mean = total / np.maximum(ground, 1)
    weight = ground * mean**2
    return np.asarray(weight / weight.sum()) if weight.sum() > 0 else weight
