"""What counts taught, kept in the site's folder: evidence by block, and what to expect of it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from siteplanner.after.survival import SurvivalOutcome, updated
from siteplanner.after.survival_counts import CAUSES, NO_DATE
from siteplanner.after.survival_estimates import stratified
from siteplanner.base.errors import Errors
from siteplanner.base.tables import write_table
from siteplanner.reading.files.cells import day, read_cells, whole
from siteplanner.reading.species.survival_rates import RATE_COLUMNS, SAVED_RATES, read_rates
from siteplanner.reading.species.table import read_species
from siteplanner.site.nursery import Survival
from siteplanner.site.site_file import Site

LEARNT = "survival_learnt.csv"
_NUMBERS = ("planted", "counted", "alive", *CAUSES)
LEARNT_COLUMNS = (
    "species", "ground", "block", *_NUMBERS, "design_effect", "date", "learnt_from", "sha256",
)  # fmt: skip


def save_rates(
    outcome: SurvivalOutcome, site: Site, counts: Sequence[Path]
) -> tuple[Path | None, list[str]]:
    """Add what a sample taught to what is kept in the site's folder; also say what was done.

    ``survival_learnt.csv`` has the evidence, one row a species and block; the same files given
    again add nothing (by checksum), and a later count of a block takes the place of an earlier
    one, since the same trees are no new evidence. ``expected_survival.csv`` has what follows, by
    species and kind of ground; its rows that no evidence speaks of stay. Damage teaches nothing.
    A plan reads it only when the site file says so (``[species] survival``). Raises
    :class:`~siteplanner.InputError` when a file of these names is not one of ours.
    """
    said: list[str] = []
    table = read_species(site.folder / site.species.file).facts
    expected = dict(zip(table["botanical_name"], table["expected_survival"], strict=True))
    path, rates = site.folder / LEARNT, site.folder / SAVED_RATES
    before = read_learnt(path) if path.exists() else None
    if rates.exists():
        read_rates(rates, expected)
    if outcome.evidence.empty:
        return None, ["Nothing was saved: no rows drawn at random were counted."]
    sums = [hashlib.sha256(file.read_bytes()).hexdigest() for file in counts]
    known = (
        {s for text in before["sha256"] for s in text.split("; ")} if before is not None else set()
    )
    old = [file.name for file, checksum in zip(counts, sums, strict=True) if checksum in known]
    if len(old) == len(sums):
        return None, [f"{', '.join(old)}: these counts were used before, so nothing is added."]
    new = outcome.evidence.assign(
        learnt_from="; ".join(file.name for file in counts), sha256="; ".join(sums)
    )[list(LEARNT_COLUMNS)]
    learnt, again = _added(before, new)
    if again:
        said.append(
            f"Block {', '.join(again)}: counted before; of two counts of a block the later one "
            "counts."
        )
    _replace(path, learnt)
    _replace(rates, _summary(learnt, rates, expected, site.survival))
    return rates, said


def read_learnt(path: Path) -> pd.DataFrame:
    """Read the evidence, ``LEARNT_COLUMNS``; :class:`~siteplanner.InputError` where it is none."""
    cells = read_cells(path, LEARNT_COLUMNS)[list(LEARNT_COLUMNS)]
    errors = Errors()
    found = []
    for number, line in enumerate(cells.to_dict("records")):
        numbers = {name: whole(line[name]) for name in _NUMBERS}
        effect = pd.to_numeric(line["design_effect"], errors="coerce")
        wrong = [name for name, value in numbers.items() if value is None]
        wrong += [] if effect >= 1 else ["design_effect"]
        wrong += ["date"] if line["date"] and day(line["date"]) is None else []
        for name in wrong:
            what = f"{line[name]!r} is not valid here"
            errors.add(path, f"row {number + 2}, {name}", what, "correct it, or delete the row")
        if not wrong and not (numbers["alive"] or 0) <= (numbers["counted"] or 0):
            what = "more are alive than were counted"
            errors.add(path, f"row {number + 2}", what, "correct it, or delete the row")
        found.append(line | numbers | {"design_effect": effect, "date": day(line["date"])})
    errors.raise_any()
    return pd.DataFrame(found, columns=list(LEARNT_COLUMNS)).astype({"date": object})


def _added(before: pd.DataFrame | None, new: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Add new evidence; of a block and species the latest count stays. Also blocks met twice."""
    both = new if before is None else pd.concat([before, new], ignore_index=True)
    when = both["date"].map(lambda d: d or NO_DATE)
    both = both.assign(when=when).sort_values("when", kind="stable").drop(columns="when")
    twice = sorted(set(both.loc[both.duplicated(["block", "species"]), "block"]))
    both = both.drop_duplicates(["block", "species"], keep="last")
    return both.sort_values(["species", "ground", "block"]).reset_index(drop=True), twice


def _summary(
    learnt: pd.DataFrame, path: Path, expected: dict[str, float], rules: Survival
) -> pd.DataFrame:
    """Rates by species and kind of ground; rows saved before that no evidence speaks of stay."""
    rows: list[dict[str, object]] = []
    for (name, ground), mine in learnt.groupby(["species", "ground"], sort=True):
        if name not in expected:
            continue
        effect = mine["design_effect"].to_numpy(np.float64)
        share = stratified(mine["planted"], mine["counted"], mine["alive"], effect)
        worth = min(share.worth, float((mine["counted"] / effect).sum()))
        low, mean, high = updated(
            expected[name], rules.belief_trees, share.alive * worth, worth, rules.confidence
        )
        dead = {cause: int(mine[cause].sum()) for cause in CAUSES}
        files = dict.fromkeys(file for text in mine["learnt_from"] for file in text.split("; "))
        rows.append(
            {"species": name, "ground": ground}
            | {"expected_survival": round(mean, 4), "low": round(low, 4), "high": round(high, 4)}
            | {"counted": int(mine["counted"].sum()), "alive": int(mine["alive"].sum())}
            | {"causes": "; ".join(f"{cause} {n}" for cause, n in dead.items() if n)}
            | {"learnt_from": "; ".join(files)}
        )
    fresh = {(row["species"], row["ground"]) for row in rows}
    if path.exists():
        kept = read_cells(path, ["species", "expected_survival"], ("expected_survival",)).reindex(
            columns=list(RATE_COLUMNS), fill_value=""
        )
        rows += [
            line
            for line in kept.to_dict("records")
            if (line["species"], line["ground"]) not in fresh
        ]
    return pd.DataFrame(rows, columns=list(RATE_COLUMNS)).sort_values(
        ["species", "ground"], kind="stable"
    )


def _replace(path: Path, table: pd.DataFrame) -> None:
    partial = path.with_name(f".{path.name}.new")
    write_table(partial, table)
    partial.replace(path)
