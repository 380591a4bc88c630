"""Puts damage and rows counted apart beside the estimate: each dead tree counts once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from siteplanner.after.damage import CELLS, LEAVE, REPLANTED, SAME, no_damage, shared_out
from siteplanner.after.planted import Planted
from siteplanner.after.survival import SurvivalOutcome
from siteplanner.after.survival_counts import CAUSES
from siteplanner.base.errors import Errors

_KEYS = ["block", "row", "species"]


def settled(damage: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """Settle in which rows the dead of a line stood that gives a number for several.

    Where rows were counted since, their dead of the damage's cause come first, then of their dead
    without a cause as many as are their share of the trees; the others stood where nobody
    counted, by the trees there. Raises :class:`~siteplanner.InputError` where the counts leave no
    room for so many.
    """
    lines = {key: line for key, line in zip(_keys(counts), counts.to_dict("records"), strict=True)}
    errors = Errors()
    damage = damage.copy()
    for (_, species), mine in damage[damage["line"] >= 0].groupby(["line", "species"]):
        most, number = mine["most"].to_numpy(), int(mine["dead"].sum())
        told, found, free = np.zeros_like(most), np.zeros_like(most), most.copy()
        for at, (key, hit) in enumerate(zip(_keys(mine), mine.to_dict("records"), strict=True)):
            line = lines.get(key)
            if line is None or _before(line, hit):
                continue
            free[at] = 0
            gone = line["planted"] - line["alive"]
            told[at] = min(line.get(hit["cause"], 0), most[at])
            untold = gone - sum(line[c] for c in CAUSES)
            found[at] = min(told[at] + untold, most[at])
        share = round(number * most[free == 0].sum() / max(most.sum(), 1))
        dead = np.zeros_like(most)
        for limit, room in ((number, told), (share, found), (number, free), (number, found)):
            room = (room - dead).clip(0)
            dead += shared_out(min(max(limit - dead.sum(), 0), room.sum()), room)
        if dead.sum() < number:
            errors.add(
                "damage",
                f"block {mine['block'].iloc[0]}, {species}",
                f"{number} are dead of {mine['cause'].iloc[0]}, but the counts allow only "
                f"{dead.sum()}",
                "name rows and species of the damage, correct one of the two, or give both dates",
            )
        damage.loc[mine.index, "dead"] = dead
    errors.raise_any()
    damage["infill"] = damage["dead"].where(damage["do"].isin(REPLANTED), 0)
    return damage.loc[damage["dead"] > 0, list(CELLS)].reset_index(drop=True)


def _keys(frame: pd.DataFrame) -> list[tuple[str, int, str]]:
    return list(frame[_KEYS].itertuples(index=False, name=None))


def _before(line: dict[str, Any], hit: dict[str, Any]) -> bool:
    """Tell whether trees were counted before the damage."""
    return bool(hit["date"] and line["date"] and line["date"] < hit["date"])


def less_damage(counts: pd.DataFrame, damage: pd.DataFrame) -> pd.DataFrame:
    """Take trees dead by damage out of the counts of their rows, so that none counts twice.

    A count before the damage knew nothing of it: those dead then stay dead. A later or undated
    one has the damage among its dead. Causes told are taken off with it, the damage's own first.
    Raises :class:`~siteplanner.InputError` where more are alive than damage left.
    """
    if damage.empty or counts.empty:
        return counts
    by_row, by_block = ({k: m for k, m in damage.groupby(keys)} for keys in (_KEYS, _KEYS[::2]))
    none = damage.iloc[:0]
    errors = Errors()
    found = []
    for line in counts.to_dict("records"):
        key = (line["block"], line["row"], line["species"])
        mine = by_row.get(key, none) if line["row"] else by_block.get(key[::2], none)
        for hit in mine.to_dict("records"):
            line["planted"] -= hit["dead"]
            if _before(line, hit):
                # The damage took living trees; more dead than are left means it took dead ones.
                line["alive"] = max(line["alive"] - hit["dead"], 0)
                continue
            told = line[hit["cause"]] if hit["cause"] in CAUSES else 0
            if told:
                line[hit["cause"]] = max(told - hit["dead"], 0)
        if line["alive"] > line["planted"]:
            errors.add(
                "damage",
                f"block {line['block']}, {line['species']}"
                + (f", row {line['row']}" if line["row"] else ""),
                f"{line['alive']} were counted alive, but after the damage there were at most "
                f"{max(line['planted'], 0)}",
                "correct one of the two, or give both their dates",
            )
        over = sum(line[c] for c in CAUSES) - (line["planted"] - line["alive"])
        for cause in CAUSES:
            off = min(line[cause], max(over, 0))
            line[cause] -= off
            over -= off
        found.append(line)
    errors.raise_any()
    less = pd.DataFrame(found, columns=counts.columns)
    return less[less["planted"] > 0].reset_index(drop=True)


def rest_of(planted: Planted, damage: pd.DataFrame, apart: pd.DataFrame) -> Planted:
    """The trees that an estimate is of: without those dead by damage and those counted apart."""
    trees = planted.trees
    keys = pd.MultiIndex.from_frame(trees[_KEYS])
    dead = damage.groupby(_KEYS)["dead"].sum().reindex(keys, fill_value=0).to_numpy()
    looked = pd.MultiIndex.from_frame(apart[_KEYS])
    whole = pd.MultiIndex.from_frame(trees.assign(row=0)[_KEYS])
    left = trees["planted"].to_numpy() - dead
    left[keys.isin(looked) | whole.isin(looked)] = 0
    return replace(planted, trees=trees.assign(planted=left)[left > 0].reset_index(drop=True))


def dead_where_counted(apart: pd.DataFrame, infill_below: float) -> pd.DataFrame:
    """Cells of the dead in rows counted apart, replanted where few of those counted there live."""
    if apart.empty:
        return no_damage()
    sums = apart.groupby(["block", "species"])[["alive", "planted"]].transform("sum")
    few = sums["alive"] / sums["planted"] < infill_below
    dead = apart["planted"] - apart["alive"]
    cells = apart.assign(
        dead=dead,
        cause=np.where(apart[list(CAUSES)].sum(axis=1) > 0, apart[list(CAUSES)].idxmax(axis=1), ""),
        do=np.where(few, SAME, LEAVE),
        ordered=apart["species"],
        infill=dead.where(few, 0),
        note="counted apart",
    )
    return cells.loc[cells["dead"] > 0, list(CELLS)].reset_index(drop=True)


def with_seen(outcome: SurvivalOutcome, seen: pd.DataFrame, planted: Planted) -> SurvivalOutcome:
    """Add the dead that were seen, and what is ordered for them, to an outcome's tables.

    Blocks get ``planted`` of the whole block, ``seen_dead`` and ``infill`` with what is ordered
    for them; a species that comes in place of another gets rows of its own.
    """
    whole = planted.trees.groupby(["block", "zone", "species"])["planted"].sum()
    dead = seen.groupby(["block", "zone", "species"])["dead"].sum()
    more = seen.groupby(["block", "zone", "ordered"])["infill"].sum()
    more = more[more > 0].rename_axis(["block", "zone", "species"])
    blocks = outcome.blocks.set_index(["block", "zone", "species"])
    every = blocks.index.union(whole.index).union(dead.index).union(more.index)
    blocks = blocks.reindex(every).assign(
        planted=whole.reindex(every, fill_value=0), seen_dead=dead.reindex(every, fill_value=0)
    )
    blocks["infill"] = blocks["infill"].add(more.reindex(every), fill_value=0)
    numbers = ["counted", "alive", *CAUSES]
    blocks[numbers] = blocks[numbers].fillna(0).astype(np.int64)
    blocks = blocks.reset_index()[[*outcome.blocks.columns, "seen_dead"]]
    names = sorted({*outcome.species["species"], *seen["species"], *more.index.unique("species")})
    species = outcome.species.set_index("species").reindex(names)
    infill = blocks.groupby("species")["infill"].sum().reindex(names)
    species["infill"] = infill.fillna(0).astype(np.int64)
    species["seen_dead"] = seen.groupby("species")["dead"].sum().reindex(names, fill_value=0)
    species["allowed"] = [planted.allowed.get(name, 0) for name in names]
    species["still_to_order"] = (species["infill"] - species["allowed"]).clip(lower=0)
    species[["counted", "alive"]] = species[["counted", "alive"]].fillna(0).astype(np.int64)
    return replace(outcome, blocks=blocks, species=species.reset_index(), seen=seen)
