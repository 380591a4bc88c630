"""After planting: draws rows to count, judges counts and damage, and writes what was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from siteplanner.after.damage import DAMAGE_FORM, in_words, no_damage, read_damage
from siteplanner.after.planted import Planted, draw_rows, read_planted
from siteplanner.after.sample import mark_of, split_sample
from siteplanner.after.seen import dead_where_counted, less_damage, rest_of, settled, with_seen
from siteplanner.after.survival import SurvivalOutcome, judge
from siteplanner.after.survival_counts import FORM, between_in_words, latest, no_counts, read_counts
from siteplanner.after.ticked import read_status, standing
from siteplanner.base.errors import input_error
from siteplanner.base.tables import write_table
from siteplanner.base.text import utf8
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import Site


def write_rows_to_count(
    site: Site,
    plan: Path,
    target: Path,
    ticks: Sequence[Path] = (),
) -> tuple[int, int, list[str]]:
    """Draw rows at random and write a form to fill in; give the rows and trees drawn, and notes.

    Only blocks that are planted are drawn from (see ``after.ticked.standing``). Every line
    carries the mark of the draw, by which the form is known again. Raises
    :class:`~siteplanner.InputError` where the form is already there, since somebody may
    have filled it in.
    """
    _must_be_new(target)
    planted, said = standing(read_planted(plan), ticks, read_status(site.blocks_file))
    rules = site.survival
    drawn = draw_rows(planted, rules.draw_trees, rules.seed)
    form = drawn.reindex(columns=list(FORM)).assign(draw=mark_of(rules.draw_trees, rules.seed))
    write_table(target, form)
    return len(drawn[["block", "row"]].drop_duplicates()), int(drawn["planted"].sum()), said


def write_damage_form(target: Path) -> None:
    """Write an empty table of damage; :class:`~siteplanner.InputError` where there is one."""
    _must_be_new(target)
    write_table(target, pd.DataFrame(columns=list(DAMAGE_FORM)))


def _must_be_new(target: Path) -> None:
    if target.exists():
        raise input_error(target, "", "it is already there", "move it away or name another folder")
    target.parent.mkdir(parents=True, exist_ok=True)


def survival_of(
    site: Site,
    counts: Sequence[Path],
    plan: Path,
    ticks: Sequence[Path] = (),
    damage: Sequence[Path] = (),
) -> SurvivalOutcome:
    """Judge files of counts and of damage beside the plan in a folder and the site's species.

    The expectation is the species table's own, not one saved from counts before, so that the
    same counts never count twice. Only blocks that are planted are judged (see
    ``after.ticked.standing``). Damage and counted rows that were not drawn at random count where
    they were seen; the estimate is of all other trees. Raises :class:`~siteplanner.InputError`.
    """
    facts = read_species(site.folder / site.species.file).facts
    expected = dict(zip(facts["botanical_name"], facts["expected_survival"], strict=True))
    planted, said = standing(read_planted(plan), ticks, read_status(site.blocks_file))
    _must_know(site, planted, expected)
    hit, lines = read_damage(damage, planted, expected) if damage else (no_damage(), [])
    said += lines
    every = read_counts(counts, planted, said) if counts else no_counts()
    hit = settled(hit, latest(every))
    said += in_words(hit)
    sample, apart, lines = split_sample(latest(every), planted, hit)
    said += lines
    sample, apart = less_damage(sample, hit), less_damage(apart, hit)
    outcome = judge(sample, rest_of(planted, hit, apart), expected, site.survival)
    seen = [hit, dead_where_counted(apart, site.survival.infill_below)]
    seen = [cells for cells in seen if len(cells)]
    outcome = with_seen(outcome, pd.concat(seen) if seen else no_damage(), planted)
    said += [*outcome.findings, *between_in_words(every, planted.latitude)]
    return replace(outcome, findings=tuple(said))


def _must_know(site: Site, planted: Planted, expected: Mapping[str, float]) -> None:
    gone = sorted(set(planted.trees["species"]) - set(expected))
    if gone:
        raise input_error(
            site.folder / site.species.file,
            "botanical_name",
            f"the plan has {', '.join(gone)}, which the species table no longer lists",
            "add it to the table again, or run siteplanner plan again",
        )


def write_outcome(outcome: SurvivalOutcome, folder: Path) -> list[Path]:
    """Write an outcome: by block, zone, ground and species, the dead seen, and the findings."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, frame in (
        ("survival_blocks.csv", outcome.blocks),
        ("survival_zones.csv", outcome.zones),
        ("survival_grounds.csv", outcome.grounds),
        ("survival_seen.csv", outcome.seen),
        ("infill.csv", outcome.species),
    ):
        write_table(folder / name, frame.round(3))
        paths.append(folder / name)
    findings = folder / "survival.txt"
    text = "".join(f"{line}\n" for line in outcome.findings)
    findings.write_bytes(utf8(text))
    return [*paths, findings]
