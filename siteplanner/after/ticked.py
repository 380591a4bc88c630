"""Blocks that were ticked as planted on the map page, read back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from siteplanner.after.planted import Planted
from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import day, read_cells, whole
from siteplanner.reading.files.opening import own_layer

COLUMNS = ("block", "planted_on", "trees", "note")
#: The status of a block whose trees are in the ground.
PLANTED = "planted"


def read_ticks(
    paths: Sequence[Path], planted: Planted, notes: list[str] | None = None
) -> pd.DataFrame:
    """Read one or more ``planted.csv``, ``COLUMNS``, as the map page saves it on each phone.

    ``planted_on`` comes as a date, None where it is not said; ``trees`` as a number, all of the
    block's where it is empty; decimal commas are listed in ``notes``. Raises
    :class:`~siteplanner.InputError` with every error: a block that the plan has not or that is
    named twice, a date or number that is none.
    """
    sizes = planted.trees.groupby("block")["planted"].sum().to_dict()
    errors = Errors()
    lines: list[tuple[Path, dict[str, str]]] = []
    for path in paths:
        with errors.gather():
            cells = read_cells(path, ["block"], ("trees",), notes)
            lines += [(path, line) for line in cells.to_dict("records")]
    found: list[tuple[object, ...]] = []
    seen: set[str] = set()
    for path, line in lines:
        block = line["block"]
        where = f"block {block}"
        if block not in sizes:
            errors.add(path, where, "the plan has no such block", near(block, sizes))
            continue
        if block in seen:
            errors.add(path, where, "it is named twice", "keep one of the two lines")
        seen.add(block)
        trees = whole(line.get("trees", "") or str(sizes[block]))
        if trees is None:
            what = f"{line['trees']!r} is not a number of trees"
            errors.add(path, f"{where}, trees", what, "write a whole number")
        when = day(line.get("planted_on", ""))
        if line.get("planted_on") and when is None:
            what = f"{line['planted_on']!r} is not a date"
            errors.add(path, f"{where}, planted_on", what, "write year-month-day")
        found.append((block, when, trees, line.get("note", "")))
    errors.raise_any()
    return pd.DataFrame(found, columns=list(COLUMNS)).astype({"planted_on": object})


def only_ticked(planted: Planted, ticks: pd.DataFrame) -> Planted:
    """Leave out the blocks that are not ticked, as nothing stands there yet."""
    return _only(planted, set(ticks["block"]))


def standing(
    planted: Planted, ticks: Sequence[Path] = (), status: Mapping[str, str] | None = None
) -> tuple[Planted, list[str]]:
    """Leave only the blocks that are planted, and say by what that is known.

    Files of ``ticks`` are asked first, then the ``status`` of blocks; where nothing says what is
    planted, all blocks are taken as planted. Raises :class:`~siteplanner.InputError`.
    """
    blocks = set(planted.trees["block"])
    if ticks:
        notes: list[str] = []
        ticked = read_ticks(ticks, planted, notes)
        return only_ticked(planted, ticked), [*notes, *told(ticked, planted)]
    if status is not None:
        found = {block for block in blocks if status.get(block) == PLANTED}
        return _only(planted, found), [
            f"{len(found)} of {len(blocks)} blocks have the status planted; only these count."
        ]
    return planted, [
        f"Nothing says which blocks are planted, so all {len(blocks)} are taken as planted; tick "
        "them on the map and give planted.csv with --planted."
    ]


def read_status(path: Path) -> dict[str, str] | None:
    """Read the status of each block from the site's own file of blocks; None where there is none.

    Raises :class:`~siteplanner.InputError` where it cannot be read.
    """
    if not path.is_file():
        return None
    remedy = "move the file away, or put back what was changed in it"
    blocks = own_layer(path, "blocks", ("block", "status"), remedy, shapes=False)
    words = blocks["status"].fillna("").astype(str).str.strip().str.lower()
    return dict(zip(blocks["block"].astype(str), words, strict=True))


def _only(planted: Planted, blocks: set[str]) -> Planted:
    there = planted.trees["block"].isin(blocks)
    waiting = planted.waiting | set(planted.trees["block"][~there])
    return replace(planted, trees=planted.trees[there], waiting=waiting)


def told(ticks: pd.DataFrame, planted: Planted) -> list[str]:
    """Say what is planted, and where it is not what was planned."""
    sizes = planted.trees.groupby("block")["planted"].sum()
    lines = [
        f"{len(ticks)} of {len(sizes)} blocks are ticked as planted, "
        f"{int(ticks['trees'].sum()):,} of {int(sizes.sum()):,} trees."
    ]
    for tick in ticks.itertuples():
        if tick.trees != sizes[tick.block]:
            when = f" on {tick.planted_on.isoformat()}" if tick.planted_on else ""
            note = f" ({tick.note})" if tick.note else ""
            lines.append(
                f"Block {tick.block}: {tick.trees:,} of {sizes[tick.block]:,} trees were "
                f"planted{when}{note}."
            )
    return lines
