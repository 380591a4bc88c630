"""Blocks: a zone's trees are shared out among its blocks so that shares hold in each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.program import Columns, Program
from siteplanner.base.text import count
from siteplanner.planting.mix.assign import SWAY
from siteplanner.planting.mix.supply import Candidates, Supply
from siteplanner.site.planting import Mix as Rules

#: What a tree costs that is over or under a share, in points of suitability: more than any place.
_RULE = 300.0


#: The search for whole numbers stops after so many nodes.
_NODES = 20


@dataclass(frozen=True)
class _Ground:
    """A zone's places, gathered by their block and by which of the mix's species suit them.

    ``block, size`` (cells,); ``mean`` (cells, species) is the mean score, NaN where a species may
    not stand.
    """

    block: NDArray[np.int64]
    size: NDArray[np.int64]
    mean: NDArray[np.float64]
    blocks: int

    @property
    def places(self) -> NDArray[np.float64]:
        """Number of places of each block."""
        return np.bincount(self.block, self.size, self.blocks).astype(np.float64)


def into_blocks(
    supply: Supply,
    scores: NDArray[np.floating],
    block: NDArray[np.int64],
    trees: NDArray[np.int64],
    kinds: Candidates,
    rules: Rules,
) -> NDArray[np.int64]:
    """Share a zone's ``trees`` (species,) out among its blocks: int64 (blocks, species).

    ``scores`` (places, species) are those of the zone's places, ``block`` (places,) the number
    of each one's block, 0 … n-1. In each block the largest share and the shares of roles hold as
    far as the ground and the zone's own numbers let them, to the nearest whole tree. Trees go
    where they suit best, and blocks that suit alike get like mixes: a tree over the zone's
    share has to gain ``SWAY`` points. Each block's numbers can be placed (see ``Supply.where``).

    A linear program shares fractions of trees out; then each number goes to either whole one
    beside it. That is a flow in a network, which always has a solution in whole numbers
    (textbook); a search among these keeps to the shares.
    """
    blocks = int(block.max(initial=-1)) + 1
    if blocks <= 1 or not trees.sum():
        return np.tile(trees, (blocks, 1))
    ground = _gathered(supply, scores, block, trees, blocks)
    most = np.minimum(trees, ground.places[:, None]).ravel()
    first, number = _flow(ground, trees, np.zeros(most.shape), most)
    _like_mixes(first, number, trees, ground.places)
    _shares(first, number, kinds, rules, ground.places, int(trees.sum()))
    parts, _ = first.solve(nodes=1, optimality_gap=0.0, whole=False)
    low, high = np.floor(parts[number] + 1e-6), np.ceil(parts[number] - 1e-6)
    whole, number = _flow(ground, trees, low, high, whole=True)
    _shares(whole, number, kinds, rules, ground.places, int(trees.sum()))
    try:
        values, _ = whole.solve(nodes=_NODES, optimality_gap=1e-4)
    except RuntimeError:  # the search found none in its few nodes: the flow alone
        whole, number = _flow(ground, trees, low, high)
        values, _ = whole.solve(nodes=1, optimality_gap=0.0, whole=False)
    return np.rint(values[number]).astype(np.int64).reshape(blocks, len(trees))


def _gathered(
    supply: Supply,
    scores: NDArray[np.floating],
    block: NDArray[np.int64],
    trees: NDArray[np.int64],
    blocks: int,
) -> _Ground:
    """Gather the places on which some species of the mix may stand."""
    fits = supply.where() & (trees > 0)
    suits = fits.any(axis=1)
    keys = np.column_stack([block[suits], fits[suits][:, trees > 0]])
    cells, of_place, size = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
    of_place = of_place.ravel()  # numpy 2.0 gives a column
    mean = np.full((len(cells), len(trees)), np.nan)
    for at, kind in enumerate(np.flatnonzero(trees), start=1):
        total = np.bincount(of_place, np.nan_to_num(scores[suits, kind]), len(cells))
        mean[:, kind] = np.where(cells[:, at] > 0, total / size, np.nan)
    return _Ground(cells[:, 0].astype(np.int64), size.astype(np.int64), mean, blocks)


def _flow(
    ground: _Ground,
    trees: NDArray[np.int64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    *,
    whole: bool = False,
) -> tuple[Program, Columns]:
    """Flow of the trees over the blocks to places that suit them; the unknowns of a block's trees.

    ``low, high`` bound each block's number of each species, (blocks × species,).
    """
    program = Program()
    cell, kind = np.nonzero(np.isfinite(ground.mean))
    placed = program.add(-ground.mean[cell, kind], 0, ground.size[cell])
    every = np.arange(ground.blocks * len(trees))
    at, which = np.divmod(every, len(trees))
    # A tiny slope by order settles ties in one way.
    number = program.add(1e-6 * at * which, low, high, whole=whole)
    program.rule([(cell, placed, 1.0)], -np.inf, ground.size, np.arange(len(ground.size)))
    of_pair = ground.block[cell] * len(trees) + kind
    program.rule([(of_pair, placed, 1.0), (every, number, -1.0)], 0, 0, every)
    program.rule([(which, number, 1.0)], trees, trees, np.arange(len(trees)))
    return program, number


def _like_mixes(
    program: Program, number: Columns, trees: NDArray[np.int64], places: NDArray[np.float64]
) -> None:
    """Let a tree over the zone's share cost what chance may sway."""
    at, which = np.divmod(np.arange(len(number)), len(trees))
    usual = trees[which] * places[at] / places.sum()
    more = program.add(np.full(len(number), SWAY), 0, np.inf)
    every = np.arange(len(number))
    program.rule([(every, number, 1.0), (every, more, -1.0)], -np.inf, usual, every)


def _shares(
    program: Program,
    number: Columns,
    kinds: Candidates,
    rules: Rules,
    places: NDArray[np.float64],
    trees: int,
) -> None:
    """Add the rules of a mix to each block, of whose trees they are shares.

    Where all places get a tree these are known, and the nearest whole number meets a share.
    """
    every, each = np.arange(len(number)), np.arange(len(places))
    at = every // len(kinds.names)
    total = program.add(np.zeros(len(places)), 0, places)
    program.rule([(at, number, 1.0), (each, total, -1.0)], 0, 0, each)
    full = trees == int(places.sum())

    def to_whole(share: float, up: bool) -> NDArray[np.float64]:
        """What is left of a share when it goes to the nearest whole number; 0 where unknown."""
        exact = share * places
        rounded = np.ceil(exact - 0.5) if up else np.floor(exact + 0.5)
        return rounded - exact if full else np.zeros(len(places))

    largest = rules.largest_share
    over = program.add(np.full(len(every), _RULE), 0, np.inf)
    program.rule(
        [(every, number, 1.0), (every, total[at], -largest), (every, over, -1.0)],
        -np.inf,
        to_whole(largest, up=False)[at],
        every,
    )
    for role, share in rules.roles_asked().items():
        having = np.tile(kinds.having(role).astype(float), len(places))
        short = program.add(np.full(len(places), _RULE), 0, np.inf)
        program.rule(
            [(at, number, having), (each, total, -share), (each, short, 1.0)],
            to_whole(share, up=True),
            np.inf,
            each,
        )


def words_on_blocks(
    names: Sequence[str],
    numbers: NDArray[np.int64],
    kinds: Candidates,
    rules: Rules,
    zone: str,
    zone_trees: NDArray[np.int64],
) -> list[str]:
    """Say in which blocks a share does not hold that holds over the zone, and by how much.

    ``names`` (blocks,) and ``numbers`` (blocks, species) as of :func:`into_blocks`;
    ``zone_trees`` (species,) are all of the zone, whose own breaches are said elsewhere.
    """
    total = numbers.sum(axis=1)
    said = []
    for kind in np.flatnonzero(zone_trees <= rules.largest_share * zone_trees.sum() + 1):
        over = numbers[:, kind] - np.ceil(rules.largest_share * total - 1e-6)
        if places := _where(names, over, "more"):
            said.append(
                f"{kinds.names[kind]} exceeds {rules.largest_share:.0%} of the trees in {places}"
            )
    for role, share in rules.roles_asked().items():
        having = kinds.having(role)
        if zone_trees[having].sum() < share * zone_trees.sum() - 1:
            continue
        short = np.floor(share * total + 1e-6) - numbers[:, having].sum(axis=1)
        if places := _where(names, short, "fewer"):
            said.append(f"the {share:.0%} {role} asked for are not reached in {places}")
    if not said:
        return []
    text = "; ".join(said)
    return [
        f"Zone {zone}: shares hold over the zone, but not in each block: {text}, because the "
        "ground there and the zone's numbers leave no other way."
    ]


def _where(names: Sequence[str], trees: NDArray[np.floating], word: str) -> str:
    """Name the blocks in which so many ``trees`` (blocks,) are over or under a share."""
    return ", ".join(
        f"block {names[int(n)]} ({count(int(trees[n]), 'tree')} {word})"
        for n in np.flatnonzero(trees >= 1)
    )
