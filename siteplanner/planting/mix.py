"""The mix: how many of which species a zone takes, as a small integer program."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from siteplanner.site import Mix as Rules

#: The solver stops after this many nodes, not after some seconds: same plan on any machine.
_NODES = 2000


@dataclass(frozen=True)
class Mixed:
    """Trees of each species, int64 (species,), and in words what could not be held to."""

    trees: NDArray[np.int64]
    given_up: tuple[str, ...]


def choose_mix(
    fit: NDArray[np.float64],
    survival: NDArray[np.float64],
    pioneer: NDArray[np.bool_],
    supply: NDArray[np.int64],
    places: int,
    rules: Rules,
) -> Mixed:
    """Share ``places`` out among species to get the most expected survivors of fitting trees.

    ``fit`` (0-100) is each species' mean score on the zone's places that it can take,
    ``survival`` its expected share alive, ``supply`` the number of places where it fits at
    least ``rules.lowest_fit``. Bound by the rules: number of species, largest and smallest
    share of one, share of pioneers. Rules that cannot be met together are given up one by
    one, in the order pioneers, number of species, largest share, and said. The trees always
    add up to ``places`` unless no species fits at all.
    """
    usable = supply >= max(1, int(rules.smallest_share * places))
    if places == 0 or not usable.any():
        return Mixed(np.zeros(len(fit), dtype=np.int64), ())
    tries: list[tuple[str, dict[str, float]]] = [
        ("", {}),
        ("the share of pioneers", {"pioneer_share": 0.0}),
        ("the least number of species", {"least_species": 1}),
        ("the largest share of one species", {"largest_share": 1.0}),
        ("the smallest share of one species", {"smallest_share": 0.0}),
        ("the places where a species fits", {"supply": 1.0}),
    ]
    loosened: dict[str, float] = {}
    given_up: list[str] = []
    for words, change in tries:
        loosened |= change
        if words:
            given_up.append(words)
        trees = _solve(fit, survival, pioneer, supply, usable, places, rules, loosened)
        if trees is not None:
            return Mixed(trees, tuple(given_up))
    raise AssertionError("without rules a mix always exists")


def _solve(
    fit: NDArray[np.float64], survival: NDArray[np.float64], pioneer: NDArray[np.bool_],
    supply: NDArray[np.int64], usable: NDArray[np.bool_], places: int, rules: Rules,
    loosened: dict[str, float],
) -> NDArray[np.int64] | None:
    """Solve for trees (integers) and use of each species (0 or 1); None when impossible."""
    n = len(fit)
    held = rules.model_dump() | loosened
    most = np.where(usable, np.ceil(held["largest_share"] * places), 0)
    if "supply" not in loosened:
        most = np.minimum(most, np.where(usable, supply, 0))
    least = np.ceil(held["smallest_share"] * places)
    # Every species is worth its fit times its chance to live; a tiny slope by order settles
    # ties the same way on every machine.
    worth = fit / 100 * survival * (1 - 1e-6 * np.arange(n))
    cost = np.concatenate([-worth, np.zeros(n)])
    eye = np.eye(n)
    ones, none = np.ones(n), np.zeros(n)
    rows = [
        LinearConstraint(np.concatenate([ones, none]), places, places),
        LinearConstraint(np.hstack([eye, -np.diag(most)]), -np.inf, 0),
        LinearConstraint(np.hstack([eye, -np.diag(np.minimum(least, most))]), 0, np.inf),
        LinearConstraint(np.concatenate([none, ones]),
                         min(held["least_species"], int(usable.sum())), np.inf),
        LinearConstraint(np.concatenate([pioneer.astype(float), none]),
                         np.ceil(held["pioneer_share"] * places), np.inf),
    ]
    result = milp(cost, constraints=rows, integrality=np.ones(2 * n),
                  bounds=Bounds(np.zeros(2 * n), np.concatenate([most, (most > 0)])),
                  options={"node_limit": _NODES})
    if result.x is None:
        return None
    return np.rint(result.x[:n]).astype(np.int64)
