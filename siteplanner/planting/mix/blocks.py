"""Blocks: a zone's trees are shared out among its blocks so that shares hold in each of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.program import Columns, Program
from siteplanner.base.text import count
from siteplanner.planting.mix.assign import SWAY
from siteplanner.planting.mix.supply import Candidates, Supply
from siteplanner.site.planting import Mix as Rules

_NODES = 100
_OPTIMALITY_GAP = 1e-4
#: What a tree costs that is over or under a share, in points of suitability: more than any place.
_RULE = 300.0
#: A share of a block is no whole number of trees: the nearest one meets it.
_ROUNDING = 0.5


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
    """
    blocks = int(block.max(initial=-1)) + 1
    suits = supply.group >= 0
    if blocks <= 1 or not trees.sum():
        return np.tile(trees, (blocks, 1))
    cells, cell_of, size = np.unique(
        np.column_stack([block, supply.group])[suits],
        axis=0,
        return_inverse=True,
        return_counts=True,
    )
    of_block, group = cells.T
    fits = np.isfinite(supply.suitability)[group] & (trees > 0)
    cell, kind = np.nonzero(fits)
    mean = np.zeros(fits.shape)
    for one in np.flatnonzero(trees):
        mean[:, one] = np.bincount(
            cell_of, np.nan_to_num(scores[suits, one]).astype(np.float64), len(cells)
        )
    mean /= size[:, None]
    places = np.bincount(of_block, size, blocks)

    program = Program(offset=200.0 * places.sum())
    placed = program.add(-mean[cell, kind], 0, size[cell])
    every = np.arange(blocks * len(trees))  # a block and a species
    at, which = np.divmod(every, len(trees))
    # A tiny slope by order settles ties in one way.
    number = program.add(1e-6 * at * which, 0, np.minimum(trees[which], places[at]), whole=True)
    more = program.add(np.full(len(every), SWAY), 0, np.inf)
    program.rule([(cell, placed, 1.0)], -np.inf, size, np.arange(len(cells)))
    of_pair = of_block[cell] * len(trees) + kind
    program.rule([(of_pair, placed, 1.0), (every, number, -1.0)], 0, 0, every)
    program.rule([(which, number, 1.0)], trees, trees, np.arange(len(trees)))
    usual = trees[which] * places[at] / places.sum()
    program.rule([(every, number, 1.0), (every, more, -1.0)], -np.inf, usual, every)
    _shares(program, number, kinds, rules, blocks)
    values, _ = program.solve(nodes=_NODES, optimality_gap=_OPTIMALITY_GAP)
    return np.rint(values[number]).astype(np.int64).reshape(blocks, len(trees))


def _shares(
    program: Program, number: Columns, kinds: Candidates, rules: Rules, blocks: int
) -> None:
    """Add the rules of a mix to each block: shares are of the trees that it has."""
    every, each = np.arange(len(number)), np.arange(blocks)
    at = every // len(kinds.names)
    total = program.add(np.zeros(blocks), 0, np.inf)
    program.rule([(at, number, 1.0), (each, total, -1.0)], 0, 0, each)
    over = program.add(np.full(len(every), _RULE), 0, np.inf)
    program.rule(
        [(every, number, 1.0), (every, total[at], -rules.largest_share), (every, over, -1.0)],
        -np.inf,
        _ROUNDING,
        every,
    )
    for role, share in rules.roles_asked().items():
        having = np.tile(kinds.having(role).astype(float), blocks)
        short = program.add(np.full(blocks, _RULE), 0, np.inf)
        program.rule(
            [(at, number, having), (each, total, -share), (each, short, 1.0)],
            -_ROUNDING,
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
