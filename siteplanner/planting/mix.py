"""The mix: how many of which species a zone takes, as an integer program that can be placed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from siteplanner.site import Mix as Rules

#: The solver stops after this many nodes, not after some seconds: same plan on any machine.
_NODES = 200
_GAP = 1e-3
#: Share of a zone's places that may stay empty so that the rules hold.
_EMPTY = 0.3
#: At most this many species compete for a zone, the worthiest ones.
_CANDIDATES = 14


@dataclass(frozen=True)
class Supply:
    """A zone's planting places, gathered to groups on which the same species fit.

    ``group`` int64 (places,), the group of each place, -1 where no species fits; ``size``
    int64 (groups,); ``fit`` float64 (groups, species), mean score, NaN where the species does
    not fit the group.
    """

    group: NDArray[np.int64]
    size: NDArray[np.int64]
    fit: NDArray[np.float64]


@dataclass(frozen=True)
class Mixed:
    """Trees of each species on each group, int64 (groups, species); and what was given up."""

    trees: NDArray[np.int64]
    given_up: tuple[str, ...]


def gather(scores: NDArray[np.float64], survival: NDArray[np.float64], rules: Rules) -> Supply:
    """Gather places by the species that fit them at least ``rules.lowest_fit``.

    ``scores`` (places, species) 0-100, ``survival`` (species,) 0-1. A species that fits fewer
    places than the smallest share of a mix is left out, as are all but the worthiest
    candidates (fit × survival over the zone).
    """
    fits = scores >= rules.lowest_fit
    supply = fits.sum(axis=0)
    worth = np.where(fits, scores, 0).sum(axis=0) * survival
    worth[supply < max(1, rules.smallest_share * len(scores))] = 0
    candidates = np.argsort(-worth, kind="stable")[:_CANDIDATES]
    allowed = np.zeros(scores.shape[1], dtype=bool)
    allowed[candidates[worth[candidates] > 0]] = True
    fits &= allowed
    plantable = fits.any(axis=1)
    kinds, of_place = np.unique(fits[plantable], axis=0, return_inverse=True)
    group = np.full(len(scores), -1, dtype=np.int64)
    group[plantable] = of_place
    size = np.bincount(of_place, minlength=len(kinds))
    total = np.zeros((len(kinds), scores.shape[1]))
    np.add.at(total, of_place, scores[plantable])
    mean = np.where(kinds, total / np.maximum(size, 1)[:, None], np.nan)
    return Supply(group, size.astype(np.int64), mean)


def choose_mix(
    supply: Supply, survival: NDArray[np.float64], pioneer: NDArray[np.bool_], rules: Rules
) -> Mixed:
    """Choose the trees of each species on each group with the most expected survivors.

    A tree counts its fit × ``survival``; a place gets at most one tree, of a species that fits
    it. The zone's totals keep to the rules: number of species, largest and smallest share of
    one, share of pioneers. Where that leaves more than ``_EMPTY`` of the places empty, rules
    are given up one by one, pioneers first, and said.
    """
    groups, species = supply.fit.shape
    if groups == 0:
        return Mixed(np.zeros((0, species), dtype=np.int64), ())
    tries: list[tuple[str, dict[str, float]]] = [
        ("", {}),
        ("the share of pioneers", {"pioneer_share": 0.0}),
        ("the least number of species", {"least_species": 1}),
        ("the largest share of one species", {"largest_share": 1.0}),
    ]
    loosened: dict[str, float] = {"smallest_share": rules.smallest_share}
    given_up: list[str] = []
    for words, change in [*tries, ("the smallest share of one species", {"smallest_share": 0.0})]:
        loosened |= change
        if words:
            given_up.append(words)
        trees = _solve(supply, survival, pioneer, rules.model_dump() | loosened)
        if trees is not None and trees.sum() >= (1 - _EMPTY) * supply.size.sum():
            return Mixed(trees, tuple(given_up))
    raise AssertionError("without rules every place takes a tree")


def _solve(
    supply: Supply,
    survival: NDArray[np.float64],
    pioneer: NDArray[np.bool_],
    rules: dict[str, float],
) -> NDArray[np.int64] | None:
    """Solve for trees by group and species and the use (0 or 1) of each species."""
    group, kind = np.nonzero(np.isfinite(supply.fit))
    pairs, species = len(group), supply.fit.shape[1]
    places = int(supply.size.sum())
    usable = np.zeros(species, dtype=bool)
    usable[kind] = True
    groups = len(supply.size)
    fewest = np.where(usable, np.ceil(rules["smallest_share"] * places), 0.0)
    # A tiny slope by order settles ties between equal species in one way.
    worth = supply.fit[group, kind] / 100 * survival[kind] * (1 - 1e-6 * kind)
    of_group = scipy.sparse.csr_array((np.ones(pairs), (group, np.arange(pairs))))
    of_kind = scipy.sparse.csr_array(
        (np.ones(pairs), (kind, np.arange(pairs))), shape=(species, pairs)
    )
    # Unknowns: trees of each pair, use of each species, places left empty in each group. Shares
    # are of the trees planted, places less empty ones.
    largest, pioneers = rules["largest_share"], rules["pioneer_share"]
    held = [
        _held(
            [of_group, _zeros(groups, species), scipy.sparse.eye_array(groups)],
            supply.size,
            supply.size,
        ),
        _held(
            [of_kind, _zeros(species, species), largest * np.ones((species, groups))],
            -np.inf,
            largest * places,
        ),
        _held(
            [
                of_kind,
                scipy.sparse.diags_array(np.full(species, -float(places))),
                _zeros(species, groups),
            ],
            -np.inf,
            0,
        ),
        _held([of_kind, scipy.sparse.diags_array(-fewest), _zeros(species, groups)], 0, np.inf),
        _held(
            [_zeros(1, pairs), np.ones((1, species)), _zeros(1, groups)],
            min(rules["least_species"], int(usable.sum())),
            np.inf,
        ),
        _held(
            [
                pioneer[kind].astype(float)[None],
                _zeros(1, species),
                pioneers * np.ones((1, groups)),
            ],
            pioneers * places,
            np.inf,
        ),
    ]
    unknowns = pairs + species + groups
    result = milp(
        np.r_[-worth, np.zeros(species + groups)],
        constraints=held,
        integrality=np.ones(unknowns),
        bounds=Bounds(np.zeros(unknowns), np.r_[supply.size[group], usable, supply.size]),
        options={"node_limit": _NODES, "mip_rel_gap": _GAP},
    )
    if result.x is None:
        return None
    trees = np.zeros(supply.fit.shape, dtype=np.int64)
    trees[group, kind] = np.rint(result.x[:pairs]).astype(np.int64)
    return trees


def _held(parts: list[Any], low: Any, high: Any) -> LinearConstraint:
    """Join the parts of a constraint that speak of trees, of use and of empty places."""
    return LinearConstraint(
        scipy.sparse.hstack([scipy.sparse.csr_array(p) for p in parts]), low, high
    )


def _zeros(rows: int, columns: int) -> scipy.sparse.csr_array:
    return scipy.sparse.csr_array((rows, columns))
