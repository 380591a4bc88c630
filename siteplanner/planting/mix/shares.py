"""Shares: stock and money that all zones draw on are shared out among them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.program import Program
from siteplanner.planting.mix.mix import zone_program
from siteplanner.planting.mix.supply import Candidates, Supply
from siteplanner.site.planting import Mix as Rules


def share_out(
    supplies: Sequence[Supply],
    kinds: Candidates,
    rules: Rules,
    *,
    stock: NDArray[np.int64] | None,
    budget: float | None,
) -> tuple[list[NDArray[np.int64] | None], list[float | None]]:
    """Share the stock of each species and the budget out among the zones.

    One linear program over all zones, in which a tree may be a fraction, says how much each
    zone makes best use of. Returns a stock (species,) and a budget for each zone; None where
    there is no limit. The shares add up to no more than there is.
    """
    if not supplies or (stock is None and budget is None):
        return [None] * len(supplies), [None] * len(supplies)
    whole = Program()
    columns = []
    for supply in supplies:
        zone = zone_program(supply, kinds, rules, stock=stock)
        columns.append(zone.trees + whole.join(zone.program))
    every = np.arange(len(kinds.names))
    if stock is not None:
        whole.rule([(every, trees, 1.0) for trees in columns], -np.inf, stock, every)
    if budget is not None and kinds.cost is not None:
        whole.rule([(0, trees, kinds.cost) for trees in columns], -np.inf, budget)
    values, _ = whole.solve(nodes=1, optimality_gap=0.0, whole=False)
    trees = np.maximum(np.array([values[part] for part in columns]), 0)
    stocks: list[NDArray[np.int64] | None] = [None] * len(supplies)
    budgets: list[float | None] = [None] * len(supplies)
    if stock is not None:
        stocks = list(_whole_shares(trees, stock))
    if budget is not None and kinds.cost is not None:
        spent = trees @ kinds.cost
        # What was not drawn goes to all alike, so that rounding to whole trees has room.
        budgets = list((spent + (budget - spent.sum()) / len(supplies)).astype(float))
    return stocks, budgets


def _whole_shares(trees: NDArray[np.float64], stock: NDArray[np.int64]) -> NDArray[np.int64]:
    """Round each species' shares (zones, species) to whole trees that add up to its stock.

    Where the zones draw less than there is, what is left goes by what they drew, so that a
    zone is not held to less than it could have.
    """
    drawn = trees.sum(axis=0)
    full = np.where(drawn > 0, trees * stock / np.maximum(drawn, 1e-9), 0.0)
    shares = np.floor(full + 1e-9).astype(np.int64)
    for kind in np.flatnonzero(drawn > 0):
        left = int(stock[kind] - shares[:, kind].sum())
        by_part = np.argsort(-(full[:, kind] - shares[:, kind]), kind="stable")
        shares[by_part[:left], kind] += 1
    return shares
