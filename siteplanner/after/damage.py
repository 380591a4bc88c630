"""Damage seen: where, of what, how many died and what is to be done. It is never a sample."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.after.planted import Planted
from siteplanner.after.survival_counts import CAUSES
from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import day, read_cells, whole

DAMAGE_FORM = (
    "block", "rows", "species", "cause", "dead", "do", "replace_with", "date", "note",
)  # fmt: skip
DAMAGE_CAUSES = (*CAUSES, "fire", "flood", "wind", "machinery", "other")
SAME, ANOTHER, SHELTER, LEAVE = ACTIONS = ("replant same", "another species", "shelter", "leave")
REPLANTED = (SAME, ANOTHER)
ABOUT_DAMAGE = (
    "rows: all, or numbers such as 3-5, 8. species: which died; empty for all of them.",
    f"cause: {', '.join(DAMAGE_CAUSES)}. dead: how many, or all.",
    f"do: {', '.join(ACTIONS)}; with {ANOTHER!r}, replace_with names it.",
)
#: While it is not settled in which rows a line's dead stood: the line's number (-1 where its rows
#: are known), and the most that can be dead of it in a cell.
UNSETTLED = ("line", "most")
#: ``ordered`` is the species to order, ``infill`` how many plants of it.
CELLS = (
    "block", "zone", "row", "species", "dead", "cause", "do", "ordered", "infill", "date", "note",
)  # fmt: skip


def no_damage() -> pd.DataFrame:
    """Cells of nothing."""
    numbers = dict.fromkeys(("row", "dead", "infill", *UNSETTLED), np.int64)
    return pd.DataFrame(columns=[*CELLS, *UNSETTLED]).astype(numbers)


def read_damage(
    paths: Sequence[Path], planted: Planted, names: Collection[str]
) -> tuple[pd.DataFrame, list[str]]:
    """Read tables of damage, ``DAMAGE_FORM``: the dead by row and species; also what to say.

    ``rows`` is "all" or row numbers such as ``3-5, 8``; ``species`` which died, all of them where
    it is empty; ``dead`` a number or "all". A number over several species falls to them by the
    trees planted; in which of several rows it stood is for ``after.seen.settled`` to say.
    ``names`` are those of the species table. Returns ``CELLS`` and ``UNSETTLED``. One plant is
    ordered for one dead tree. Raises :class:`~siteplanner.InputError` with every error.
    """
    errors = Errors()
    said: list[str] = []
    lines: list[tuple[Path, dict[str, str]]] = []
    read: set[str] = set()
    for path in paths:
        with errors.gather():
            cells = read_cells(path, ["block", "rows", "cause", "dead", "do"], ("dead",), said)
            checksum = hashlib.sha256(path.read_bytes()).hexdigest()
            if checksum in read:
                said.append(f"{path.name} is a copy of a file already read; it is used once.")
                continue
            read.add(checksum)
            lines += [(path, line) for line in cells.to_dict("records")]
    # What took all of its trees is shared out first, so that numbers fall to what is left.
    lines.sort(key=lambda line: line[1]["dead"].lower() != "all")
    left = planted.trees["planted"].to_numpy().copy()
    found: list[pd.DataFrame] = []
    for number, (path, line) in enumerate(lines):
        where = f"block {line['block']}, rows {line['rows']}"
        of_line = Errors()
        there = _there(path, where, line, planted, of_line)
        _check_words(path, where, line, names, of_line)
        dead = _dead(path, where, line, left[there], planted.trees[there], of_line)
        errors.found += of_line.found
        if not of_line.found:
            found.append(_cells(planted.trees[there], dead, left[there], line, number))
            left[there] -= dead
    errors.raise_any()
    if not found:
        return no_damage(), said
    return pd.concat(found, ignore_index=True), said


def shared_out(number: int, trees: NDArray[np.int64]) -> NDArray[np.int64]:
    """Share ``number`` out by ``trees``, in whole ones: those with the largest remainders get more.

    ``number`` is at most the sum of ``trees``; no share is larger than its trees.
    """
    if not trees.sum():
        return np.zeros_like(trees)
    asked = number * trees / trees.sum()
    shares = np.floor(asked + 1e-9).astype(np.int64)
    shares[np.argsort(shares - asked, kind="stable")[: number - shares.sum()]] += 1
    return shares


def _there(
    path: Path, where: str, line: dict[str, str], planted: Planted, errors: Errors
) -> NDArray[np.bool_]:
    """Which rows of ``planted.trees`` a line speaks of."""
    trees = planted.trees
    in_block = (trees["block"] == line["block"]).to_numpy()
    if line["block"] in planted.waiting:
        errors.add(
            path, where, "the block has not been planted yet", "mark it planted, or leave it out"
        )
    elif not in_block.any():
        blocks = set(trees["block"])
        errors.add(path, where, "the plan has no such block", near(line["block"], blocks))
    if errors.found:
        return in_block
    if line["rows"].lower() == "all":
        there = in_block
    else:
        rows = rows_of(line["rows"])
        missing = sorted(rows - set(trees["row"][in_block])) if rows else []
        if not rows:
            what = f"{line['rows']!r} are not row numbers"
            errors.add(path, where, what, "write all, or numbers such as 3-5, 8")
        if missing:
            what = f"the block has no row {', '.join(map(str, missing))}"
            errors.add(path, where, what, "write rows of the plan's rows.csv")
        there = in_block & trees["row"].isin(rows).to_numpy()
    species = line.get("species", "")
    if species and not errors.found:
        in_rows = set(trees["species"][there])
        if species not in in_rows:
            what = f"no {species} was planted there"
            errors.add(path, where, what, near(species, in_rows))
        there = there & (trees["species"] == species).to_numpy()
    return there


def rows_of(text: str) -> set[int]:
    """Read row numbers; empty where they are none.

    >>> sorted(rows_of("3-5, 8"))
    [3, 4, 5, 8]
    """
    rows: set[int] = set()
    for part in re.split(r"[,;]", text):
        ends = re.fullmatch(r"\s*(\d{1,6})(?:\s*[-–]\s*(\d{1,6}))?\s*", part)
        if ends is None:
            return set()
        rows |= set(range(int(ends[1]), int(ends[2] or ends[1]) + 1))
    return rows


def _check_words(
    path: Path, where: str, line: dict[str, str], names: Collection[str], errors: Errors
) -> None:
    for column, choices in (("cause", DAMAGE_CAUSES), ("do", ACTIONS)):
        word = line[column] = line[column].lower()
        if word not in choices:
            what = f"{line[column]!r} is not one of the words for it" if word else "it is empty"
            errors.add(path, f"{where}, {column}", what, near(word, choices))
    other = line.get("replace_with", "")
    if line["do"] == ANOTHER and other not in names:
        what = f"{other!r} is not in the species table" if other else "no other species is named"
        errors.add(path, f"{where}, replace_with", what, near(other, names))
    elif other and line["do"] != ANOTHER:
        what = f"{other!r} is named, but do says {line['do']!r}"
        errors.add(path, f"{where}, replace_with", what, f"write {ANOTHER!r}, or leave it empty")
    if line.get("date") and day(line["date"]) is None:
        what = f"{line['date']!r} is not a date"
        errors.add(path, f"{where}, date", what, "write year-month-day")


def _dead(
    path: Path,
    where: str,
    line: dict[str, str],
    left: NDArray[np.int64],
    trees: pd.DataFrame,
    errors: Errors,
) -> NDArray[np.int64]:
    """How many died in each row and species that a line speaks of, of those ``left``."""
    if errors.found:
        return np.zeros_like(left)
    there, species = trees["planted"].to_numpy(), trees["species"].to_numpy(dtype=str)
    every = line["dead"].lower() == "all"
    number = int(there.sum()) if every else whole(line["dead"])
    if number is None or number == 0:
        what = f"{line['dead']!r} is not a number of trees"
        errors.add(path, f"{where}, dead", what, "write how many died, or all")
    elif number > there.sum():
        what = f"{number} are dead of {int(there.sum())} planted"
        errors.add(path, f"{where}, dead", what, "correct the number")
    elif number > left.sum():
        gone = int(there.sum() - left.sum())
        what = f"another line has {gone} of these {int(there.sum())} trees dead already"
        errors.add(path, f"{where}, dead", what, "name every dead tree once")
    if errors.found or number is None:
        return np.zeros_like(left)
    if every:
        return there
    kinds, of_kind = np.unique(species, return_inverse=True)
    by_species = shared_out(number, np.bincount(of_kind, left, len(kinds)).astype(np.int64))
    dead = np.zeros_like(left)
    for kind, share in enumerate(by_species):
        dead[of_kind == kind] = shared_out(int(share), left[of_kind == kind])
    return dead


def _cells(
    trees: pd.DataFrame,
    dead: NDArray[np.int64],
    left: NDArray[np.int64],
    line: dict[str, str],
    number: int,
) -> pd.DataFrame:
    """Cells of one line; where it is not settled which trees died, the empty ones too."""
    settled = len(trees) == 1 or line["dead"].lower() == "all"
    cells = trees.assign(
        dead=dead,
        cause=line["cause"],
        do=line["do"],
        ordered=line["replace_with"] if line["do"] == ANOTHER else trees["species"],
        infill=dead if line["do"] in REPLANTED else 0,
        date=day(line.get("date", "")),
        note=line.get("note", ""),
        line=-1 if settled else number,
        most=left,
    )
    return cells.loc[(cells["dead"] > 0) | (cells["line"] >= 0), [*CELLS, *UNSETTLED]]


def in_words(damage: pd.DataFrame) -> list[str]:
    """Say what died where and of what, what is ordered for it, and that it speaks of no others."""
    said: list[str] = []
    if damage.empty:
        return said
    doing = {
        SAME: "to replant there with the same species: {n:,} plants.",
        ANOTHER: "to replant there with {species}: {n:,} plants. First check that it suits that "
        "ground (siteplanner explain, --species).",
        SHELTER: "to be sheltered first (guards, fence, nurse trees); order plants when that is "
        "done.",
        LEAVE: "left as they are.",
    }
    for (block, cause, do), mine in damage.groupby(["block", "cause", "do"], sort=True):
        rows = sorted(set(mine["row"]))
        where = f"rows {', '.join(map(str, rows))}" if len(rows) <= 8 else f"{len(rows)} rows"
        end = doing[str(do)].format(
            n=int(mine["infill"].sum()), species=", ".join(sorted(set(mine["ordered"])))
        )
        said.append(f"Block {block}, {where}: {int(mine['dead'].sum()):,} dead of {cause}, {end}")
    said.append(
        f"Damage is counted only where it happened: these {int(damage['dead'].sum()):,} trees do "
        "not change the expected survival of other trees."
    )
    return said
