"""Years: which part of which block is planted when, within what each year can take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.program import Program
from siteplanner.site.planting import Years

_NODES = 20
_OPTIMALITY_GAP = 0.03
#: What opening a paddock in one more year costs, as a share of all trees: crews, fences and
#: gates are moved for it. What a metre further from the access costs a tree, in years.
_OPENED = 0.01
_FURTHER = 1e-4


@dataclass(frozen=True)
class Use:
    """What each part takes in the year of its planting, and in the next for its infill."""

    now: NDArray[np.float64]
    next: NDArray[np.float64]

    def total(self) -> float:
        """What all parts take together."""
        return float(self.now.sum() + self.next.sum())


@dataclass(frozen=True)
class Parts:
    """Parts of blocks that are planted at once, one entry a part in each.

    ``trees`` are planted, ``tubes`` filled for it on ``bench_m2`` of bench, ``money`` and
    ``crew_days`` spent. ``paddock`` is a number; ``access_m`` the distance from the nearest
    track. ``after`` is the part that must have stood for some years, -1 for none. ``earliest``
    is the first year, from 0, in which the part can be planted.
    """

    trees: NDArray[np.int64]
    tubes: Use
    bench_m2: Use
    money: Use
    crew_days: Use
    paddock: NDArray[np.int64]
    access_m: NDArray[np.float64]
    after: NDArray[np.int64]
    earliest: NDArray[np.int64]


def spread(
    parts: Parts, rules: Years, tubes_beyond: int = 0, tube_m2: float = 0.0
) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Choose the year (0 … number-1) of each part, ``number`` where it does not fit any more.

    As many trees as early as the limits let be; near the access first, few paddocks a year. A
    part that waits for nurse trees comes ``nurse_years`` later at the soonest. Also says what
    is left for later and which limit holds it back. So many tubes as small batches need beyond
    what the parts say, ``tubes_beyond`` of ``tube_m2`` each, are kept back in every year.
    """
    number, count = rules.number, len(parts.trees)
    if count == 0:
        return np.empty(0, dtype=np.int64), ()
    limits = _limits(parts, rules)
    kept_back = {"tubes": tubes_beyond, "bench space": tubes_beyond * tube_m2}
    last = number + rules.nurse_years
    if not limits:
        first = parts.earliest[parts.after]  # of what a part waits for, where it does
        waited = np.maximum(first + rules.nurse_years, parts.earliest)
        year = np.minimum(np.where(parts.after >= 0, waited, parts.earliest), number)
        return year, _left(parts, year, rules, {})
    weight = parts.trees / max(1, parts.trees.sum())
    further = parts.access_m - parts.access_m.min()
    # With 1 added the optimality gap is a share of about a year.
    program = Program(offset=-1.0)
    # One unknown a part and year; the year after the last is "later".
    chosen = []
    for t in range(number + 1):
        late = t if t < number else last
        # What lies near comes first: a far part loses less by waiting.
        cost = weight * late * (1 - _FURTHER * np.minimum(further, 5000.0) / 2)
        # Opening a paddock is no reason to leave a small block out.
        cost = cost + 2 * _OPENED * (t == number)
        chosen.append(program.add(cost, 0, np.where(parts.earliest <= t, 1, 0), whole=True))
    paddocks = int(parts.paddock.max()) + 1
    each = np.arange(count)
    program.rule([(each, part, 1.0) for part in chosen], 1, 1, each)
    for t in range(number):
        opened = program.add(np.full(paddocks, _OPENED), 0, 1)
        program.rule(
            [(each, chosen[t], 1.0), (each, opened[parts.paddock], -1.0)], -np.inf, 0, each
        )
        for words, (use, most) in limits.items():
            taken = [(0, chosen[t], use.now)]
            if t:  # the infill of what was planted the year before
                taken.append((0, chosen[t - 1], use.next))
            program.rule(taken, -np.inf, max(0.0, most - kept_back.get(words, 0.0)))
    waits = np.flatnonzero(parts.after >= 0)
    if len(waits):
        rows = np.arange(len(waits))
        for t in range(number):
            # Planted by year t only if what it waits for stood by year t - nurse_years.
            here = [(rows, chosen[s][waits], 1.0) for s in range(t + 1)]
            there = [
                (rows, chosen[s][parts.after[waits]], -1.0)
                for s in range(max(0, t + 1 - rules.nurse_years))
            ]
            program.rule(here + there, -np.inf, 0, rows)
    values, _ = program.solve(nodes=_NODES, optimality_gap=_OPTIMALITY_GAP)
    year = np.argmax([values[part] for part in chosen], axis=0).astype(np.int64)
    return year, _left(parts, year, rules, limits)


def _limits(parts: Parts, rules: Years) -> dict[str, tuple[Use, float]]:
    """Use of each part and the most a year, by the words for it."""
    found: dict[str, tuple[Use, float]] = {}
    if rules.tubes is not None:
        found["tubes"] = (parts.tubes, float(rules.tubes))
    if rules.bench_m2 is not None:
        found["bench space"] = (parts.bench_m2, rules.bench_m2)
    if rules.money is not None:
        found["money"] = (parts.money, rules.money)
    if rules.crew_days is not None:
        found["crew-days"] = (parts.crew_days, rules.crew_days)
    return found


def _left(
    parts: Parts,
    year: NDArray[np.int64],
    rules: Years,
    limits: dict[str, tuple[Use, float]],
) -> tuple[str, ...]:
    later = year >= rules.number
    if not later.any():
        return ()
    trees = int(parts.trees[later].sum())
    said = [f"{trees:,} trees do not fit into the {rules.number} years and are left for later"]
    for words, (use, most) in limits.items():
        total = use.total()
        if total > most * rules.number:
            said.append(
                f"all of the work would take {total:,.0f} {words}, and {rules.number} years have "
                f"{most * rules.number:,.0f}"
            )
        elif (use.now > most).any():
            said.append(f"one block alone takes more {words} than the {most:,.0f} of a year")
    return ("; ".join(said) + ".",)
