"""After planting: draws rows to count, judges counts, and keeps what was learnt when asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from siteplanner.after.planted import draw_rows, read_planted
from siteplanner.after.survival import SurvivalOutcome, judge
from siteplanner.after.survival_counts import FORM, read_counts
from siteplanner.after.ticked import only_ticked, read_ticks, told
from siteplanner.base.errors import input_error
from siteplanner.base.tables import write_table
from siteplanner.base.text import utf8
from siteplanner.reading.files.cells import read_cells
from siteplanner.reading.species.survival_rates import RATE_COLUMNS, SAVED_RATES
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import Site


def write_rows_to_count(
    site: Site, plan: Path, target: Path, ticks: Sequence[Path] = ()
) -> tuple[int, int]:
    """Draw rows at random and write a form to fill in; give the rows and trees drawn.

    With ``ticks`` only blocks ticked as planted are drawn from. Raises
    :class:`~siteplanner.InputError` where the form is already there, since somebody may
    have filled it in.
    """
    if target.exists():
        raise input_error(target, "", "it is already there", "move it away or name another folder")
    planted = read_planted(plan)
    if ticks:
        planted = only_ticked(planted, read_ticks(ticks, planted))
    drawn = draw_rows(planted, site.survival.draw_trees, site.survival.seed)
    rows = [
        [line.block, line.row, line.species, line.planted, *[None] * (len(FORM) - 4)]
        for line in drawn.itertuples()
    ]
    target.parent.mkdir(parents=True, exist_ok=True)
    write_table(target, pd.DataFrame(rows, columns=list(FORM)))
    return len(drawn[["block", "row"]].drop_duplicates()), int(drawn["planted"].sum())


def survival_of(
    site: Site, counts: Sequence[Path], plan: Path, ticks: Sequence[Path] = ()
) -> SurvivalOutcome:
    """Judge files of counts beside the plan in a folder and the site's species table.

    The expectation is the species table's own, not one saved from counts before, so that the
    same counts never count twice. With ``ticks`` only blocks ticked as planted may be counted.
    Raises :class:`~siteplanner.InputError`.
    """
    facts = read_species(site.folder / site.species.file).facts
    expected = dict(zip(facts["botanical_name"], facts["expected_survival"], strict=True))
    planted = read_planted(plan)
    gone = sorted(set(planted.trees["species"]) - set(expected))
    if gone:
        raise input_error(
            site.folder / site.species.file,
            "botanical_name",
            f"the plan has {', '.join(gone)}, which the species table no longer lists",
            "add it to the table again, or run siteplanner plan again",
        )
    said: list[str] = []
    if ticks:
        ticked = read_ticks(ticks, planted)
        said = told(ticked, planted)
        planted = only_ticked(planted, ticked)
    outcome = judge(read_counts(counts, planted), planted, expected, site.survival)
    return replace(outcome, findings=(*said, *outcome.findings))


def write_outcome(outcome: SurvivalOutcome, folder: Path) -> list[Path]:
    """Write the tables of an outcome: by block, by zone, by species, and what was found."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, frame in (
        ("survival_blocks.csv", outcome.blocks),
        ("survival_zones.csv", outcome.zones),
        ("infill.csv", outcome.species),
    ):
        write_table(folder / name, frame.round(3))
        paths.append(folder / name)
    findings = folder / "survival.txt"
    text = "".join(f"{line}\n" for line in outcome.findings)
    findings.write_bytes(utf8(text))
    return [*paths, findings]


def save_rates(outcome: SurvivalOutcome, site: Site, counts: Sequence[Path]) -> Path:
    """Keep the updated expectation in the site's folder, in place of one saved before.

    A plan reads it only when the site file says so (``[species] survival``). Raises
    :class:`~siteplanner.InputError` when a file of that name is not one of ours.
    """
    path = site.folder / SAVED_RATES
    if path.exists():
        read_cells(path, RATE_COLUMNS)
    learnt = "; ".join(file.name for file in counts)
    rows = [
        [s.species, *(round(v, 4) for v in (s.expected_survival, s.low, s.high)), s.counted, learnt]
        for s in outcome.species.itertuples()
    ]
    partial = path.with_name(f".{path.name}.new")
    write_table(partial, pd.DataFrame(rows, columns=list(RATE_COLUMNS)))
    partial.replace(path)
    return path
