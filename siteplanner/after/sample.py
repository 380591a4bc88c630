"""Which counted rows are a sample: rows drawn at random, not rows that somebody picked."""

from __future__ import annotations

import re

import pandas as pd

from siteplanner.after.planted import Planted, draw_rows

#: A block's draw counts as a sample when so many of its trees were looked at (judgement).
ENOUGH_OF_DRAW = 0.8
_KEYS = ["block", "row", "species"]
_MARK = re.compile(r"seed (\d{1,18}) trees (\d{1,5})")


def mark_of(trees: int, seed: int) -> str:
    """Write what a draw hangs on, so that it can be drawn again when its form comes back."""
    return f"seed {seed} trees {trees}"


def is_mark(text: str) -> bool:
    """Tell whether a text is the mark of a draw.

    >>> is_mark(mark_of(60, 1)), is_mark("mine")
    (True, False)
    """
    return _MARK.fullmatch(text) is not None


def split_sample(
    counts: pd.DataFrame, planted: Planted, damage: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Part the latest counts in the sample and what was counted apart; also say why.

    A row is of the sample when it carries the mark of a draw, that draw has it, and nearly all
    trees of its block's draw were looked at or are ``damage`` (cells of ``after.damage``). Where
    all trees of a zone were counted nothing was picked, so they are a sample too.
    """
    dead = damage.groupby(_KEYS)["dead"].sum()
    seen = pd.MultiIndex.from_frame(counts[_KEYS])
    drawn = pd.Series(False, counts.index)
    said: list[str] = []
    for mark in sorted(set(counts["draw"]) - {""}):
        rows = _drawn_again(mark, planted)
        keys = pd.MultiIndex.from_frame(rows[_KEYS])
        gone = dead.reindex(keys, fill_value=0).to_numpy() >= rows["planted"].to_numpy()
        marked = pd.MultiIndex.from_frame(counts.loc[counts["draw"] == mark, _KEYS])
        looked = rows.assign(looked=keys.isin(marked) | gone)
        whole, lines = _whole_draws(looked[looked["block"].isin(marked.unique("block"))])
        said += lines
        mine = (counts["draw"] == mark) & counts["block"].isin(whole)
        drawn |= mine & seen.isin(keys)
    drawn |= counts["zone"].isin(_counted_whole(counts, planted, dead))
    apart = counts[~drawn]
    if len(apart):
        blocks = ", ".join(sorted(set(apart["block"])))
        said.append(
            f"Block {blocks}: {int(apart['planted'].sum()):,} counted trees are not a random "
            "sample. Their losses are used only where they were counted, not for other trees. "
            "For an estimate, count all the rows that --draw chooses, on its form."
        )
    return counts[drawn].reset_index(drop=True), apart.reset_index(drop=True), said


def _drawn_again(mark: str, planted: Planted) -> pd.DataFrame:
    found = _MARK.fullmatch(mark)
    return draw_rows(planted, int(found[2]), int(found[1])) if found else planted.trees.iloc[:0]


def _whole_draws(looked: pd.DataFrame) -> tuple[set[str], list[str]]:
    """Blocks of whose draw enough was ``looked`` at, and what is to be said of the others."""
    whole, said = set(), []
    for block, mine in looked.groupby("block", sort=True):
        rows = mine.groupby("row")["looked"].all()
        share = mine.loc[mine["looked"], "planted"].sum() / mine["planted"].sum()
        if share >= ENOUGH_OF_DRAW:
            whole.add(str(block))
        if not rows.all():
            end = (
                "if the others were left out because of what was seen there, the result is wrong."
                if share >= ENOUGH_OF_DRAW
                else "so they do not count as a random sample; count the others too."
            )
            said.append(
                f"Block {block}: {int(rows.sum())} of {len(rows)} drawn rows were counted, {end}"
            )
    return whole, said


def _counted_whole(counts: pd.DataFrame, planted: Planted, dead: pd.Series[int]) -> set[str]:
    """Zones of which every tree was counted, or is dead by damage."""
    zone_of = planted.trees.drop_duplicates("block").set_index("block")["zone"]
    gone = dead.groupby(dead.index.get_level_values("block").map(zone_of)).sum()
    there = planted.trees.groupby("zone")["planted"].sum()
    counted = counts.groupby("zone")["planted"].sum()
    return set(
        there.index[counted.add(gone, fill_value=0).reindex(there.index, fill_value=0) >= there]
    )
