"""Survival counts as people write them: read, checked and put beside the plan."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from siteplanner.after.planted import Planted
from siteplanner.after.sample import is_mark
from siteplanner.base.errors import Errors, input_error, near
from siteplanner.reading.files.cells import day, read_cells, whole
from siteplanner.season.nursery.schedule import season

CAUSES = ("frost", "drought", "wet", "browsing", "weeds", "planting")
#: Counts of a block within so many days are one round (judgement).
ROUND_DAYS = 60
#: Counts without a date come before all others.
NO_DATE = date(1900, 1, 1)
REQUIRED = ("block", "species", "alive")
FORM = ("block", "row", "species", "planted", "alive", *CAUSES, "date", "draw")
_COLUMNS = ("block", "zone", "row", "species", "planted", "alive", *CAUSES, "date", "draw")


def read_counts(
    paths: Sequence[Path], planted: Planted, notes: list[str] | None = None
) -> pd.DataFrame:
    """Read one or more files of counts, the earliest first; those without a date come before.

    A line counts one species in one row of a block, or, with no row, in the whole block.
    ``planted`` may be left empty: the plan knows it. Lines with nothing under ``alive`` were
    not counted, nor those with a lone dash; commas and dashes are listed in ``notes``. Returns
    ``block, zone, row`` (0: whole block) ``, species, planted, alive``,
    the ``CAUSES`` (trees dead of each, 0 when not said), ``date`` (None when not said) and
    ``draw``, the mark of the draw that the row came from, "" for none (see ``after.sample``).

    Raises :class:`~siteplanner.InputError` with every error: blocks, rows or species
    that the plan has not, more alive than planted, more causes than dead trees, and trees
    counted both by block and by rows in one round.
    """
    errors = Errors()
    frames = []
    for path in paths:
        with errors.gather():
            frames.append(_read(path, planted, [] if notes is None else notes))
    errors.raise_any()
    counts = pd.concat(frames, ignore_index=True)
    if counts.empty:
        raise input_error(paths[0], "alive", "nothing was counted", "enter how many are alive")
    when = counts["date"].map(lambda d: d or NO_DATE)
    counts = counts.assign(when=when).sort_values("when", kind="stable").drop(columns="when")
    for (block, species), mine in latest(counts).groupby(["block", "species"], sort=True):
        if (mine["row"] == 0).any() and len(mine) > 1:
            errors.add(
                paths[0],
                f"block {block}, {species}",
                "it is counted both as a whole and by rows",
                "keep one of the two",
            )
    errors.raise_any()
    return counts.reset_index(drop=True)


def latest(counts: pd.DataFrame) -> pd.DataFrame:
    """Keep the last round of counting in each block, and in it the last count of the same trees.

    ``counts`` are ordered by date. A round is what was counted within ``ROUND_DAYS`` of the
    block's last day; rows that were only counted seasons before would flatter the block.
    """
    dates = pd.to_datetime(counts["date"].map(lambda d: d or NO_DATE))
    last = dates.groupby(counts["block"]).transform("max")
    counts = counts[dates >= last - pd.Timedelta(days=ROUND_DAYS)]
    kept = counts.drop_duplicates(["block", "row", "species"], keep="last")
    return kept.reset_index(drop=True)


def between(counts: pd.DataFrame) -> pd.DataFrame:
    """Put each count beside the one before it of the same trees, both dated.

    Returns ``first, then`` (dates), ``before, after`` (alive on each), one row a pair of dates,
    summed over all trees that were counted on both.
    """
    dated = counts[counts["date"].notna()]
    groups = dated.groupby(["block", "row", "species"])
    pairs = dated.assign(first=groups["date"].shift(), before=groups["alive"].shift())
    pairs = pairs[pairs["first"].notna()].rename(columns={"date": "then", "alive": "after"})
    pairs = pairs[pairs["first"] != pairs["then"]]
    sums = pairs.groupby(["first", "then"], sort=True)[["before", "after"]].sum()
    return sums.astype(int).reset_index()


def between_in_words(counts: pd.DataFrame, latitude: float) -> list[str]:
    """Say how many died between two counts of the same trees, in the seasons of the place."""
    said = []
    for row in between(counts).itertuples():
        if row.before:
            lost = 1 - row.after / row.before
            said.append(
                f"Of {row.before} trees alive in {season(row.first, latitude)} ({row.first}), "
                f"{lost:.0%} had died by {season(row.then, latitude)} ({row.then})."
            )
    return said


def no_counts() -> pd.DataFrame:
    """Counts of nothing, as ``read_counts`` gives them."""
    numbers = dict.fromkeys(("row", "planted", "alive", *CAUSES), "int64")
    return pd.DataFrame(columns=list(_COLUMNS)).astype(numbers)


def _read(path: Path, planted: Planted, notes: list[str]) -> pd.DataFrame:
    cells = read_cells(path, REQUIRED, ("planted", "alive", *CAUSES), notes)
    cells = cells[cells["alive"] != ""]
    errors = Errors()
    trees = planted.trees
    by_row = trees.groupby(["block", "row", "species"])["planted"].sum().to_dict()
    by_block = trees.groupby(["block", "species"])["planted"].sum().to_dict()
    zones = dict(zip(trees["block"], trees["zone"], strict=True))
    found = []
    for line in cells.to_dict("records"):
        where = f"block {line['block']}, {line['species']}"
        block, species = line["block"], line["species"]
        row = whole(line.get("row", "") or "0")
        key = (block, row, species)
        there = by_row.get(key) if row else by_block.get((block, species))
        if block in planted.waiting:
            errors.add(
                path,
                where,
                "the block has not been planted yet",
                "mark it planted, or leave it out",
            )
        elif block not in zones:
            errors.add(path, where, "the plan has no such block", near(block, zones))
        elif row is None:
            errors.add(path, where, f"{line['row']!r} is not a row", "write the row's number")
        elif there is None:
            names = sorted({s for b, s in by_block if b == block})
            errors.add(
                path,
                where + (f", row {row}" if row else ""),
                "the plan has no such trees there",
                near(species, names),
            )
        numbers = {"planted": whole(line.get("planted", "") or str(there or 0))}
        numbers["alive"] = whole(line["alive"])
        numbers |= {cause: whole(line.get(cause, "") or "0") for cause in CAUSES}
        for word, number in numbers.items():
            if number is None:
                errors.add(
                    path,
                    f"{where}, {word}",
                    f"{line[word]!r} is not a number of trees",
                    "write a whole number",
                )
        mark = line.get("draw", "")
        if mark and not is_mark(mark):
            what = f"{mark!r} is no mark of a draw"
            errors.add(path, f"{where}, draw", what, "leave it as the form had it, or empty")
        when = day(line.get("date", ""))
        if line.get("date") and when is None:
            errors.add(
                path, f"{where}, date", f"{line['date']!r} is not a date", "write year-month-day"
            )
        if None not in numbers.values() and there is not None:
            _check_sums(path, where, numbers, errors)
        found.append(
            {"block": block, "zone": zones.get(block), "row": row, "species": species}
            | numbers
            | {"date": when, "draw": mark}
        )
    errors.raise_any()
    return pd.DataFrame(found, columns=list(_COLUMNS))


def _check_sums(path: Path, where: str, numbers: dict[str, int | None], errors: Errors) -> None:
    count = {word: number or 0 for word, number in numbers.items()}
    dead = count["planted"] - count["alive"]
    if dead < 0:
        errors.add(
            path,
            f"{where}, alive",
            f"{count['alive']} alive of {count['planted']} planted",
            "correct one of the two numbers",
        )
    elif (told := sum(count[cause] for cause in CAUSES)) > dead:
        errors.add(
            path,
            where,
            f"{told} trees have a cause of death, but {dead} are dead",
            "give one cause for each dead tree",
        )
