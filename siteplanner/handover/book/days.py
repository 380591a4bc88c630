"""Which rows a crew plants on which day: one run sheet a crew-day. Pure; draws nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from siteplanner.handover.block_work import BlockWork
from siteplanner.plan import Plan

#: Parts of days are put together up to so much of a day, as blocks are (``planting.parts``).
_OVER = 1.1


@dataclass(frozen=True)
class Part:
    """Rows of a block (indices, in order) planted on a day, with their trees by species."""

    work: BlockWork
    rows: NDArray[np.int64]
    trees: NDArray[np.int64]


@dataclass(frozen=True)
class Day:
    """A crew's day: ``year`` (0: later than planned), when, who may work, and what is planted."""

    year: int
    window: str
    access: str
    parts: tuple[Part, ...]
    share: float

    @property
    def trees(self) -> NDArray[np.int64]:
        """Trees (species,) of the day."""
        return np.sum([part.trees for part in self.parts], axis=0)


def days_of(plan: Plan, works: Sequence[BlockWork]) -> list[Day]:
    """Part the planting among crew-days, in the order of years and blocks.

    A block takes whole days, the nearest number; its rows are parted so that each has about as many
    trees. What is less than a day
    joins others of the same year, window and access. Trees that wait come in their own year.
    """
    facts = plan.works.blocks.set_index("block")
    found: list[Day] = []
    for work in works:
        one = facts.loc[work.block]
        per_tree = float(one["crew_days"]) / max(int(one["trees"]), 1)
        for year in dict.fromkeys([int(one["year"]), int(one["later"])]):
            mine = work.year == year
            if mine.any():
                common = (year, str(one["window"]), str(one["access_class"]))
                found += _of_block(work, mine, per_tree, common, len(plan.species))
    years = sorted({day.year for day in found}, key=lambda year: year or 10_000)
    return [day for year in years for day in _joined([d for d in found if d.year == year])]


def _of_block(
    work: BlockWork,
    mine: NDArray[np.bool_],
    per_tree: float,
    common: tuple[int, str, str],
    kinds: int,
) -> list[Day]:
    """Days of the trees ``mine`` of a block."""
    rows = len(work.name)
    counts = np.bincount(
        work.row[mine] * kinds + work.species[mine], minlength=rows * kinds
    ).reshape(rows, kinds)
    each = counts.sum(axis=1)
    total = int(each.sum())
    number = min(max(int(total * per_tree + 0.5), 1), int((each > 0).sum()))
    middle = np.cumsum(each) - each / 2
    day_of = np.minimum((middle * number / total).astype(int), number - 1)
    days = []
    for day in range(number):
        here = np.flatnonzero((day_of == day) & (each > 0))
        if len(here):
            part = Part(work, here, counts[here].sum(axis=0))
            days.append(Day(*common, (part,), float(part.trees.sum() * per_tree)))
    return days


def _joined(days: Sequence[Day]) -> list[Day]:
    """Days of a year with those that are short put together, the first of them first."""
    out: list[Day] = []
    shares = np.full(len(days), np.inf)
    kinds = np.array([f"{day.window}\n{day.access}" for day in days])
    kind_of_out = np.full_like(kinds, "")
    for day, kind in zip(days, kinds, strict=True):
        # Arrays, since a large property has thousands of days.
        for at in np.flatnonzero((day.share + shares <= _OVER) & (kind_of_out == kind)).tolist():
            other = out[at]
            if day.parts[0].work.block not in {part.work.block for part in other.parts}:
                shares[at] = day.share + other.share
                out[at] = replace(other, parts=(*other.parts, *day.parts), share=shares[at])
                break
        else:
            shares[len(out)], kind_of_out[len(out)] = day.share, kind
            out.append(day)
    return out
