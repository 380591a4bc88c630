"""The mix: how many of which species a zone takes, as an integer program that can be placed.

The aim is the target community: each species' share of the trees. What lies off the aim costs,
the more the further off (diminishing returns), expected survivors count for less. Rules (roles,
number of species, greatest share) give way only at a higher cost, so that there always is a
plan, the nearest one to what was asked, and what gave way is known in trees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.program import Columns, Program
from siteplanner.site.planting import Mix as Rules

#: The solver stops after this many nodes, not after some seconds: same plan on any machine.
_NODES = 200
_OPTIMALITY_GAP = 1e-4
#: Share of a zone's places that rather stay empty than that a rule gives way.
_EMPTY = 0.1
#: What one tree costs, in survivors: off the aim (three steps, as far as half the aim again,
#: twice it, beyond), over or under a share that a rule asks for, not planted (as far as
#: ``_EMPTY``, beyond).
_UNDER, _OVER = 0.5, (0.5, 0.75, 1.0)
_OVER_TO = (0.5, 1.0)
_RULE = 3.0
_LEFT = (1.0, 8.0)
#: What a species too few costs, as a share of the zone's trees; one that must be there.
_SPECIES, _MUST = 0.15, 2.0
#: At most this many species compete for a zone, the worthiest ones, and this many groups of
#: places are told apart; places of rarer groups count as the commoner group within theirs.
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


@dataclass(frozen=True)
class Clash:
    """A rule that gave way: in words, and by how many trees (or species)."""

    words: str
    short: int
    unit: str = "trees"


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


def gather(scores: NDArray[np.floating], kinds: Candidates, rules: Rules) -> Supply:
    """Gather places by the species that fit them.

    ``scores`` (places, species) 0-100, NaN where a species may not stand. A species fits at
    ``rules.lowest_suitability`` or better, or at what ``rules.role_suitability`` asks of its
    roles. One that fits fewer places than the least number in a mix is left out, unless it must
    be there; so are all but the worthiest candidates (suitability × survival over the zone).
    """
    lowest = np.full(len(kinds.names), float(rules.lowest_suitability))
    for role, least in rules.role_suitability.items():
        having = kinds.having(role)
        lowest[having] = np.maximum(lowest[having], least)
    fits = np.nan_to_num(scores, nan=-1.0) >= lowest
    fits[:, kinds.listed(rules.never)] = False
    must = kinds.listed(rules.must)
    supply = fits.sum(axis=0)
    worth = np.where(fits, scores, 0).sum(axis=0, dtype=np.float64) * kinds.survival
    few = supply < max(1, rules.smallest_share * len(scores), rules.smallest_clump)
    worth[few & ~(must & (supply > 0))] = 0
    if kinds.aim is not None:
        worth[(kinds.aim > 0) & (worth > 0)] += worth.sum()
    worth[must & (worth > 0)] += worth.sum()
    candidates = np.argsort(-worth, kind="stable")[:_CANDIDATES]
    allowed = np.zeros(scores.shape[1], dtype=bool)
    allowed[candidates[worth[candidates] > 0]] = True
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
    zone = zone_program(supply, kinds, rules, stock=stock, budget=budget)
    values, optimality_gap = zone.program.solve(nodes=_NODES, optimality_gap=_OPTIMALITY_GAP)
    trees = np.rint(values[zone.trees]).astype(np.int64)
    tough = zone_program(
        supply, kinds, rules.model_copy(update={"aim_first": 0.0}), stock=stock, budget=budget
    )
    loosely, _ = tough.program.solve(nodes=_NODES, optimality_gap=_OPTIMALITY_GAP, whole=False)
    return Mixed(
        trees,
        _clashes(zone, values, kinds, rules, supply.stays),
        _off(trees + supply.stays, zone.aim),
        float(values[zone.placed] @ zone.worth),
        float(loosely[tough.placed] @ tough.worth),
        _off(loosely[tough.trees] + supply.stays, zone.aim),
        optimality_gap / supply.places,
    )


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
    left = program.add(np.array(_LEFT), 0, np.array([_EMPTY * places, places]))
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
        [(each, trees, 1.0), (each, over_share, -1.0)]
        + [(each, left[n : n + 1].repeat(species), largest) for n in range(2)],
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


def _clashes(
    zone: Zone,
    values: NDArray[np.float64],
    kinds: Candidates,
    rules: Rules,
    stays: NDArray[np.int64],
) -> tuple[Clash, ...]:
    """Name the rules that gave way, and by how much."""
    found = []
    trees = values[zone.trees].sum() + stays.sum()
    for name, missed in zip(kinds.names, values[zone.missed], strict=True):
        if missed > 0.5:
            found.append(Clash(f"{name} must be planted, but no free ground suits it", 1, ""))
    if (few := round(values[zone.few][0])) > 0:
        asked = rules.least_species
        found.append(
            Clash(
                f"{asked} species were asked for, but only {asked - few} suit this ground",
                few,
                "species",
            )
        )
    for role, short in zone.short.items():
        share = rules.roles_asked()[role]
        # Less than a tree is the rounding of a share to whole trees.
        if (lack := int(np.ceil(values[short][0] - 1e-6))) > 1:
            wanted = f"{share:.0%} {role} were asked for ({int(np.ceil(share * trees))} trees)"
            found.append(Clash(f"{wanted}; the mix has {lack} trees fewer", lack))
    for name, over in zip(kinds.names, values[zone.over_share], strict=True):
        if (more := int(np.ceil(over - 1e-6))) > 1:
            words = f"no species should exceed {rules.largest_share:.0%} of the trees"
            found.append(Clash(f"{words}; {name} does, by {more} trees", more))
    return tuple(found)
