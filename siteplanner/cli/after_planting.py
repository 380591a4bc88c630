"""The command after planting: rows to count, counts and damage, infill."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from siteplanner.cli.events import AsJson, Events, events
from siteplanner.cli.printed import escaped, outcome_in_tables, print_infill

if TYPE_CHECKING:
    from siteplanner.after.survival import SurvivalOutcome


def survival(
    site: Annotated[
        Path, typer.Argument(metavar="SITE", readable=False, help="The site file, site.toml.")
    ],
    counts: Annotated[
        list[Path] | None, typer.Argument(metavar="[COUNTS]...", help="Completed count forms, CSV.")
    ] = None,
    damage: Annotated[
        list[Path] | None,
        typer.Option(help="Damage seen, CSV; with counts or alone; may be repeated."),
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(help="Folder of the plan; maps/<site> by default.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder to write to; survival/<site> by default.")
    ] = None,
    draw: Annotated[
        bool, typer.Option("--draw", help="Choose rows to count, and write a form for them.")
    ] = False,
    damage_form: Annotated[
        bool, typer.Option("--damage-form", help="Write an empty table of damage to fill in.")
    ] = False,
    save: Annotated[
        bool,
        typer.Option("--save-rates", help="Add what was learnt to what the site's folder keeps."),
    ] = False,
    planted: Annotated[
        list[Path] | None,
        typer.Option(help="planted.csv from the map: only blocks ticked there; may be repeated."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Draw rows to count after planting, or judge counts and damage and order infill."""
    from siteplanner.after import survival_round as after
    from siteplanner.after.damage import ABOUT_DAMAGE
    from siteplanner.after.learnt import save_rates
    from siteplanner.site.site_file import load_site

    with events(as_json, "survival") as told:
        if sum((draw, damage_form, bool(counts or damage))) != 1:
            raise typer.BadParameter(
                "give files of counts, or of damage with --damage; or get a form to fill in, with "
                "--draw or --damage-form"
            )
        read = load_site(site)
        planned = plan if plan is not None else Path("maps") / read.slug
        target = out if out is not None else Path("survival") / read.slug
        if draw:
            form = target / "rows_to_count.csv"
            rows, trees, lines = after.write_rows_to_count(read, planned, form, planted or ())
            told.warnings(lines)
            told.answer("survival", {"rows": rows, "trees": trees})
            told.file(form, "rows to count", "rows to count, a form to fill in")
            lines = [*lines, f"{rows} rows chosen, {trees} trees to look at: fill in {form}"]
        elif damage_form:
            form = target / "damage.csv"
            after.write_damage_form(form)
            told.file(form, "damage", "damage seen, a form to fill in")
            lines = [f"Write a line for each place in {form}.", *ABOUT_DAMAGE]
        else:
            outcome = after.survival_of(read, counts or (), planned, planted or (), damage or ())
            lines = _judged(told, outcome, after.write_outcome(outcome, target))
            if save:
                lines += _saved(told, *save_rates(outcome, read, counts or ()))
    if as_json:
        return
    console = Console(soft_wrap=True, emoji=False)
    for line in lines:
        console.print(escaped(line), highlight=False)


def _judged(told: Events, outcome: SurvivalOutcome, written: Sequence[Path]) -> list[str]:
    """Tell what a count says, and which tables hold it; give it in lines."""
    if not told.wanted:
        print_infill(outcome)
    told.warnings(outcome.findings)
    told.answer("survival", outcome_in_tables(outcome))
    for path in written:
        words = path.stem.replace("_", " ")
        told.file(path, words, words)
    return [*outcome.findings, *(f"written: {path}" for path in written)]


def _saved(told: Events, saved: Path | None, said: Sequence[str]) -> list[str]:
    """Tell where learnt survival was saved, and how the next plan reads it."""
    if saved is None:
        return list(said)
    told.file(saved, "saved rates", "survival learnt, for the next plan")
    return [
        *said,
        f'saved: {saved}; to use it in the next plan, write survival = "{saved.name}" under '
        "[species] in the site file",
    ]
