"""The mix: how many of which species a zone takes, as an integer program that can be placed.

The aim is the target community: each species' share of the trees. What lies off the aim costs,
the more the further off (diminishing returns), expected survivors count for less. Rules (roles,
number of species, greatest share) give way only at a higher cost, so that there always is a
plan, the nearest one to what was asked, and what gave way is known in trees. No rule is paid for
with places that stay empty: only stock and budget leave any.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.program import Columns, Program
from siteplanner.planting.mix.clashes import Clash, GivenWay, clashes_of
from siteplanner.planting.mix.supply import Candidates, Supply, aim_of
from siteplanner.site.planting import Mix as Rules

#: The solver stops after this many nodes, not after some seconds: same plan on any machine.
_NODES = 200
_OPTIMALITY_GAP = 1e-4
#: A mix found in two steps, first which species and then how many, must be shown to be so near.
_PROVEN = 1e-3
#: What one tree costs, in survivors: off the aim (three steps, as far as half the aim again,
#: twice it, beyond), over or under a share that a rule asks for, not planted (beside what its
#: planting costs in shares of roles: more than all rules that a tree may break).
_UNDER, _OVER = 0.5, (0.5, 0.75, 1.0)
_OVER_TO = (0.5, 1.0)
_RULE = 3.0
_LEFT = 8.0
#: What a species too few costs, as a share of the zone's trees; one that must be there.
_SPECIES, _MUST = 0.15, 2.0


@dataclass(frozen=True)
class Mixed:
    """Trees of each species, int64 (species,), and how good the mix is.

    ``target_deviation`` is the number of trees that would have to be of another species to meet the
    aim, of those that stay too; ``survivors`` are expected; ``most_survivors`` could be had by
    looking at survival alone under the same rules (a bound: parts of species are allowed), and
    ``most_target_deviation`` is how far that would be off the aim: the two show what the aim costs.
    ``optimality_gap``: how much better, as a share of the places, a mix might be at most.
    """

    trees: NDArray[np.int64]
    clashes: tuple[Clash, ...] = ()
    target_deviation: int = 0
    survivors: float = 0.0
    most_survivors: float = 0.0
    most_target_deviation: int = 0
    optimality_gap: float = 0.0


def choose_mix(
    supply: Supply,
    kinds: Candidates,
    rules: Rules,
    *,
    stock: NDArray[np.int64] | None = None,
    budget: float | None = None,
) -> Mixed:
    """Choose the trees of each species in a zone.

    ``stock`` (species,) and ``budget`` are what this zone may use; they never give way. Every
    other rule may, and is then told among the clashes; the mix is the nearest that can be had.
    """
    nothing = np.zeros(len(kinds.names), dtype=np.int64)
    if supply.places == 0:
        return Mixed(nothing)
    zone, values, optimality_gap = _solved(supply, kinds, rules, stock, budget)
    if values[zone.left][0] > 0.5 and not _spent(zone, values, kinds, supply, budget):
        # Ground that a few species share may be too little for the smallest share of each.
        free = rules.model_copy(update={"smallest_share": 0.0, "smallest_clump": 1})
        freely = _solved(supply, kinds, free, stock, budget)
        if freely[1][freely[0].left][0] < values[zone.left][0] - 0.5:
            zone, values, optimality_gap = freely
    trees = np.rint(values[zone.trees]).astype(np.int64)
    gave = GivenWay(
        values[zone.missed],
        round(values[zone.few][0]),
        values[zone.over_share],
        {role: float(values[short][0]) for role, short in zone.short.items()},
    )
    tough = zone_program(
        supply, kinds, rules.model_copy(update={"aim_first": 0.0}), stock=stock, budget=budget
    )
    loosely, _ = tough.program.solve(nodes=_NODES, optimality_gap=_OPTIMALITY_GAP, whole=False)
    return Mixed(
        trees,
        clashes_of(gave, supply, kinds, rules, trees, stock),
        _off(trees + supply.stays, zone.aim),
        float(values[zone.placed] @ zone.worth),
        float(loosely[tough.placed] @ tough.worth),
        _off(loosely[tough.trees] + supply.stays, zone.aim),
        optimality_gap / supply.places,
    )


def _solved(
    supply: Supply,
    kinds: Candidates,
    rules: Rules,
    stock: NDArray[np.int64] | None,
    budget: float | None,
) -> tuple[Zone, NDArray[np.float64], float]:
    """Write a zone's program and solve it; also the solver's gap, in its costs."""
    zone = zone_program(supply, kinds, rules, stock=stock, budget=budget)
    values, gap = zone.program.solve_in_two(
        zone.trees, nodes=_NODES, optimality_gap=_OPTIMALITY_GAP, proven=_PROVEN
    )
    return zone, values, gap


def _spent(
    zone: Zone,
    values: NDArray[np.float64],
    kinds: Candidates,
    supply: Supply,
    budget: float | None,
) -> bool:
    """Tell whether the budget buys no more tree of any species that suits the zone."""
    if budget is None or kinds.cost is None:
        return False
    suits = np.isfinite(supply.suitability).any(axis=0)
    return bool(budget - values[zone.trees] @ kinds.cost < kinds.cost[suits].min())


def _off(trees: NDArray[np.floating] | NDArray[np.int64], aim: NDArray[np.float64]) -> int:
    """Trees that would have to be of another species to meet the aim."""
    return int(np.rint(np.maximum(trees - aim * trees.sum(), 0).sum()))


@dataclass(frozen=True)
class Zone:
    """A zone's program: which unknowns are what, what a placed tree is worth, and the aim."""

    program: Program
    placed: Columns
    worth: NDArray[np.float64]
    trees: Columns
    used: Columns
    left: Columns
    over_share: Columns
    few: Columns
    missed: Columns
    short: dict[str, Columns]
    aim: NDArray[np.float64]


def zone_program(
    supply: Supply,
    kinds: Candidates,
    rules: Rules,
    *,
    stock: NDArray[np.int64] | None = None,
    budget: float | None = None,
) -> Zone:
    """Write a zone's mix as an integer program; only trees and uses are whole numbers.

    Every share is of all the zone's trees, those that stay too.
    """
    group, kind = np.nonzero(np.isfinite(supply.suitability))
    places, species, stays = supply.places, len(kinds.names), supply.stays
    total = places + int(stays.sum())
    ground = np.bincount(kind, supply.size[group], species)
    most = ground if stock is None else np.minimum(ground, stock)
    worth = supply.suitability[group, kind] / 100 * kinds.survival[kind]
    aim = aim_of(supply, kinds)
    each = np.arange(species)
    # A tiny slope by order settles ties between equal species in one way.
    program = Program(offset=2.0 * places)
    placed = program.add(-worth * (1 - 1e-6 * kind), 0, supply.size[group])
    trees = program.add(np.zeros(species), 0, most, whole=True)
    used = program.add(np.zeros(species), 0, (most > 0).astype(float), whole=True)
    dear = _LEFT + _RULE * sum(rules.roles_asked().values())
    left = program.add(np.array([dear]), 0, places)
    pull = rules.aim_first
    under = program.add(np.full(species, _UNDER * pull), 0, total)
    over = [
        program.add(np.full(species, cost * pull), 0, upto)
        for cost, upto in zip(_OVER, (*(aim * total * s for s in _OVER_TO), total), strict=True)
    ]
    over_share = program.add(np.full(species, _RULE), 0, total)
    few = program.add(np.array([_SPECIES * places]), 0, rules.least_species)
    must = kinds.listed(rules.must) & (stays == 0)
    missed = program.add(np.full(species, _MUST * places), 0, must.astype(float))

    rows = np.arange(len(supply.size))
    program.rule([(group, placed, 1.0)], -np.inf, supply.size, rows)
    program.rule([(kind, placed, 1.0), (each, trees, -1.0)], 0, 0, each)
    program.rule([(0, trees, 1.0), (0, left, 1.0)], places, places)
    # Off the aim: trees, with those that stay, = aim + over - under.
    program.rule(
        [(each, trees, -1.0), *((each, part, 1.0) for part in over), (each, under, -1.0)],
        stays - aim * total,
        stays - aim * total,
        each,
    )
    # Shares are of the trees planted: places less empty ones, and what stays.
    largest = rules.largest_share
    program.rule(
        [(each, trees, 1.0), (each, over_share, -1.0), (each, left.repeat(species), largest)],
        -np.inf,
        largest * total - stays,
        each,
    )
    program.rule([(each, trees, 1.0), (each, used, -most)], -np.inf, 0, each)
    fewest = np.ceil(max(rules.smallest_share * total, rules.smallest_clump, 1))
    fewest = np.minimum(np.maximum(fewest - stays, 1), most)
    program.rule([(each, trees, 1.0), (each, used, -fewest)], 0, np.inf, each)
    program.rule(
        [(0, used, (stays == 0).astype(float)), (0, few, 1.0)],
        rules.least_species - np.count_nonzero(stays),
        np.inf,
    )
    program.rule([(each, used, 1.0), (each, missed, 1.0)], must.astype(float), np.inf, each)
    short = {}
    for role, share in rules.roles_asked().items():
        having = kinds.having(role).astype(float)
        short[role] = program.add(np.array([_RULE]), 0, total)
        program.rule(
            [(0, trees, having), (0, short[role], 1.0), (0, left, share)],
            share * total - having @ stays,
            np.inf,
        )
    if budget is not None and kinds.cost is not None:
        program.rule([(0, trees, kinds.cost)], -np.inf, budget)
    return Zone(program, placed, worth, trees, used, left, over_share, few, missed, short, aim)
