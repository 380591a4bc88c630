"""The commands that look and change nothing: they parse, call and print."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from siteplanner.cli.events import AsJson, events, working
from siteplanner.cli.exits import BAD_INPUT
from siteplanner.cli.printed import (
    escaped,
    print_changes,
    print_explained,
    print_suited,
    print_verified,
    printed_inputs,
)

SiteFile = Annotated[
    Path, typer.Argument(metavar="SITE", readable=False, help="The site file, site.toml.")
]


def check(site: SiteFile, as_json: AsJson = False) -> None:
    """Read all inputs and say what was understood and what is wrong; write nothing.

    Of zones drawn by hand it says what the plan would say.
    """
    from siteplanner.checking import check_plugins, notes_on_zones
    from siteplanner.site.site_file import load_site
    from siteplanner.suitability.of_site import ready

    with events(as_json, "check") as told:
        read = load_site(site)
        start = ready(read)
        check_plugins()
        with working(told, read.decisions.zones is None) as step:
            drawn = notes_on_zones(read, step=step)
        notes = (*start.inputs.notes, *drawn)
        lines = printed_inputs(read, start)
        told.answer("check", {"understood": lines})
        told.warnings(notes)
    if as_json:
        return
    console = Console(soft_wrap=True, emoji=False)
    for line in [*lines, *(f"note: {note}" for note in notes)]:
        console.print(escaped(line), highlight=False)
    console.print("Nothing is wrong with the inputs.", highlight=False)


def explain(
    site: SiteFile,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y",
            help="A spot: easting,northing in the map's CRS, or longitude,latitude in degrees.",
        ),
    ] = None,
    species: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="A species: where it suits, and what limits it."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say how each species scores at one spot, or where one species suits."""
    from siteplanner.after.explain import Suited, explain_at, explain_species
    from siteplanner.site.site_file import load_site

    with events(as_json, "explain") as told:
        if (at is None) == (species is None):
            raise typer.BadParameter("give a spot with --at, or a species with --species")
        read = load_site(site)
        with working(told, quiet=False) as step:
            found = (
                explain_species(read, str(species), step)
                if at is None
                else explain_at(read, at, step)
            )
        told.answer("species" if at is None else "spot", asdict(found))
    if as_json:
        return
    if isinstance(found, Suited):
        print_suited(found)
    else:
        print_explained(found)


def compare(
    before: Annotated[Path, typer.Argument(metavar="PLAN_A", help="Folder of a plan.")],
    after: Annotated[Path, typer.Argument(metavar="PLAN_B", help="Folder of another plan.")],
    as_json: AsJson = False,
) -> None:
    """Show what changed from one plan to another: hectares, trees, species, cost, risk."""
    from siteplanner.after.compare import compare as compared
    from siteplanner.after.compare import read_plan

    with events(as_json, "compare") as told:
        found = compared(read_plan(before), read_plan(after))
        told.answer("compare", asdict(found) | {"same": found.same})
    if not as_json:
        print_changes(found, before.name, after.name)


def verify(
    folder: Annotated[Path, typer.Argument(metavar="PLAN", help="Folder of a plan.")],
    site: Annotated[
        Path | None,
        typer.Option(help="The site file; by default one in a folder above the plan."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check a plan's files against its manifest, and whether its inputs have changed since."""
    from siteplanner.after.verify import verify as verified

    with events(as_json, "verify") as told:
        found = verified(folder, site)
        told.answer("verify", asdict(found))
        told.warnings(found.notes)
        if not as_json:
            print_verified(found)
        for line in found.errors:
            remedy = "make the plan again, or copy it again"
            told.tell("fault", file=str(folder), where="", what=line, remedy=remedy)
        if found.errors:
            raise typer.Exit(BAD_INPUT)
