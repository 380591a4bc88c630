"""The commands: they parse, call and print, and compute nothing."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from siteplanner import __version__
from siteplanner.base.errors import InputError
from siteplanner.cli.after_planting import survival
from siteplanner.cli.beyond import catchment, ground, layers, patterns
from siteplanner.cli.blocks import blocks
from siteplanner.cli.desk import desk
from siteplanner.cli.exits import BAD_INPUT, OUR_ERROR
from siteplanner.cli.gathering import gather
from siteplanner.cli.placing import place
from siteplanner.cli.printed import (
    escaped,
    print_changes,
    print_explained,
    print_plan,
    print_suited,
    print_verified,
    printed_kept,
)
from siteplanner.cli.progress import steps_done, told

app = typer.Typer(
    name="siteplanner",
    help="Make a planting plan from the real ground of a property.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
SiteFile = Annotated[
    Path, typer.Argument(metavar="SITE", readable=False, help="The site file, site.toml.")
]


@app.command()
def plan(
    site: SiteFile,
    out: Annotated[
        Path | None, typer.Option(help="Folder to write the plan to; maps/<site> by default.")
    ] = None,
    mature_shelter: Annotated[
        Path | None,
        typer.Option(
            metavar="PLAN",
            help="Folder of an earlier plan: its rows hold back cold air, as if mature.",
        ),
    ] = None,
    paddock: Annotated[
        str | None, typer.Option(metavar="NAME", help="Plan only this paddock.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(
            metavar="BLOCK", help="Lay out this block alone; others stay. May be repeated."
        ),
    ] = None,
    how_sure: Annotated[
        bool,
        typer.Option("--how-sure", help="Also work out each species' chances; takes longer."),
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace a plan though its plan.gpkg was edited.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Make the whole plan: ground, zones, mix, layout, and all files."""
    from siteplanner.run import write_plan
    from siteplanner.site.site_file import load_site

    read = load_site(site)
    if mature_shelter is not None:
        read = read.with_mature_shelter(mature_shelter)
    target = out if out is not None else Path("maps") / read.slug
    if paddock is not None:
        from siteplanner.base.text import slug

        read = read.with_paddock(paddock)
        target = out if out is not None else Path("maps") / f"{read.slug}-{slug(paddock)}"
    if only:
        read = read.with_only([name for part in only for name in part.split(",")], target)
    with steps_done(quiet) as step:
        made = write_plan(
            read, target, sure=how_sure, overwrite=overwrite, step=step, tell=told(quiet)
        )
    if not quiet:
        print_plan(made, target)


@app.command()
def check(site: SiteFile) -> None:
    """Read all inputs and say what was understood and what is wrong; write nothing.

    Of zones drawn by hand it says what the plan would say.
    """
    from siteplanner.base.crs import crs_words
    from siteplanner.base.units import area_words, hectares
    from siteplanner.forecast import forecast_of
    from siteplanner.run import check_plugins, notes_on_zones
    from siteplanner.site.site_file import load_site
    from siteplanner.suitability.of_site import ready

    read = load_site(site)
    start = ready(read)
    check_plugins()
    with steps_done(read.decisions.zones is None) as step:
        drawn = notes_on_zones(read, step=step)
    inputs = start.inputs
    console = Console(soft_wrap=True, emoji=False)
    grid = inputs.grid
    fields = inputs.paddocks
    lines = [
        f"boundary: {area_words(hectares(inputs.boundary.area.sum()), 1)}, {crs_words(grid.crs)}",
        f"heights: {grid.shape[0]} x {grid.shape[1]} cells of {grid.cell:g} m",
        f"paddocks: {len(fields)}, of which {int(fields['plant'].sum())} to plant "
        f"({area_words(hectares(fields[fields['plant']].area.sum()), 1)})",
        "soil: not given" if read.soils.file is None else f"soil: {len(inputs.soils)} polygons",
        f"frost: {len(inputs.readings)} readings, {len(inputs.hollows)} hand-drawn hollows",
        f"climate: {inputs.climate.in_words}",
        f"to keep clear of: {len(inputs.no_plant)} features",
        f"species: {len(inputs.species.facts)}, scored on {len(start.factors)} factors",
        f"mother trees: {len(inputs.seed_sources)}",
        *printed_kept(inputs.kept),
        f"layers to work out: {sum(len(maker.makes) for maker in start.order)}",
        f"to plan it takes: {forecast_of(read, inputs).in_words}",
    ]
    for line in [*lines, *(f"note: {note}" for note in (*inputs.notes, *drawn))]:
        console.print(escaped(line), highlight=False)
    console.print("Nothing is wrong with the inputs.", highlight=False)


@app.command()
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
) -> None:
    """Say how each species scores at one spot, or where one species suits."""
    from siteplanner.after.explain import explain_at, explain_species
    from siteplanner.site.site_file import load_site

    if (at is None) == (species is None):
        raise typer.BadParameter("give a spot with --at, or a species with --species")
    read = load_site(site)
    if at is None:
        with steps_done(quiet=False) as step:
            suited = explain_species(read, str(species), step)
        print_suited(suited)
        return
    with steps_done(quiet=False) as step:
        found = explain_at(read, at, step)
    print_explained(found)


@app.command()
def compare(
    before: Annotated[Path, typer.Argument(metavar="PLAN_A", help="Folder of a plan.")],
    after: Annotated[Path, typer.Argument(metavar="PLAN_B", help="Folder of another plan.")],
) -> None:
    """Show what changed from one plan to another: hectares, trees, species, cost, risk."""
    from siteplanner.after.compare import compare as compared
    from siteplanner.after.compare import read_plan

    print_changes(compared(read_plan(before), read_plan(after)), before.name, after.name)


@app.command()
def verify(
    folder: Annotated[Path, typer.Argument(metavar="PLAN", help="Folder of a plan.")],
    site: Annotated[
        Path | None,
        typer.Option(help="The site file; by default one in a folder above the plan."),
    ] = None,
) -> None:
    """Check a plan's files against its manifest, and whether its inputs have changed since."""
    from siteplanner.after.verify import verify as verified

    found = verified(folder, site)
    print_verified(found)
    if found.errors:
        raise typer.Exit(BAD_INPUT)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The new site's folder.")],
    boundary: Annotated[Path, typer.Option(help="The property's outline: polygons.")],
    dem: Annotated[Path, typer.Option(help="Bare-earth heights: a raster or a folder of tiles.")],
    name: Annotated[str | None, typer.Option(help="The property's name.")] = None,
    paddocks: Annotated[Path | None, typer.Option(help="Polygons with a name.")] = None,
    soils: Annotated[Path | None, typer.Option(help="Soil polygons.")] = None,
    no_plant: Annotated[Path | None, typer.Option(help="Things to keep clear of.")] = None,
    seed_sources: Annotated[Path | None, typer.Option(help="Mother trees: points.")] = None,
    species: Annotated[Path | None, typer.Option(help="A species table, CSV.")] = None,
    species_list: Annotated[
        str | None, typer.Option(help="A starter list that comes with siteplanner.")
    ] = None,
    monthly: Annotated[Path | None, typer.Option(help="Monthly climate, CSV.")] = None,
    winter_minima: Annotated[Path | None, typer.Option(help="Winter minima, CSV.")] = None,
) -> None:
    """Start a site: write a commented site file and list what is missing."""
    from siteplanner.starting.new_site import Given, start

    given = Given(
        boundary,
        dem,
        paddocks,
        soils,
        no_plant,
        seed_sources,
        species,
        species_list,
        monthly,
        winter_minima,
    )
    started = start(folder, given, name)
    console = Console(soft_wrap=True, emoji=False)
    for title, lines in (("Worked out", started.found), ("Still missing", started.missing)):
        console.print(f"[bold]{title}[/bold]")
        for line in lines:
            console.print(f"- {escaped(line)}", highlight=False)
    console.print(
        escaped(f"Written: {started.path}. Then run: siteplanner check {started.path}"),
        highlight=False,
    )


app.command()(survival)


@app.command()
def species(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="The starter list to copy.")
    ] = None,
    to: Annotated[
        Path | None, typer.Option(help="File to write the list to; NAME.csv by default.")
    ] = None,
) -> None:
    """List the starter lists of species, or copy one for you to edit."""
    from siteplanner.starting.species_lists import copy_list, starting_lists

    console = Console(soft_wrap=True, emoji=False)
    if name is not None:
        target = to if to is not None else Path(f"{name}.csv")
        copied = copy_list(name, target)
        console.print(escaped(f"{copied.species} species are in {target}."), highlight=False)
        console.print(escaped(copied.heading), highlight=False)
        return
    for one in starting_lists():
        console.print(f"[bold]{one.name}[/bold]  {one.species} species", highlight=False)
        console.print(f"  {escaped(one.heading)}", highlight=False)


for other in (gather, blocks, place, desk, layers, patterns, ground, catchment):
    app.command()(other)


class _StoppedError(BaseException):
    """Somebody told the run to stop; typer would make something else of a KeyboardInterrupt."""


def _stop(number: int, frame: object) -> None:
    raise _StoppedError


@contextlib.contextmanager
def _told_to_stop() -> Iterator[None]:
    """Listen for signals to stop in this block alone; afterwards they mean what they did before."""
    before = {number: signal.signal(number, _stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            # None stands for a handler that was not set from Python and cannot be set again.
            signal.signal(number, signal.SIG_DFL if handler is None else handler)


def main() -> None:
    """Run a command; bad input ends with 1, wrong usage with 2, our own error with 3."""
    if "--version" in sys.argv[1:2]:
        print(f"siteplanner {__version__}")
        return
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a name in letters that the screen has not
            stream.reconfigure(errors="replace")
    stderr = Console(stderr=True, soft_wrap=True, emoji=False)
    try:
        with _told_to_stop():
            app()
    except InputError as error:
        for detail in error.errors:
            stderr.print(escaped(str(detail)), style="bold", highlight=False)
        raise SystemExit(BAD_INPUT) from None
    except PermissionError as error:
        stderr.print(
            escaped(f"{error.filename}: permission denied; get permission to read and write it."),
            style="bold",
            highlight=False,
        )
        raise SystemExit(BAD_INPUT) from None
    except _StoppedError:
        stderr.print("Stopped. The previous plan has not changed.")
        raise SystemExit(OUR_ERROR) from None
    except Exception as error:
        stderr.print(
            f"siteplanner failed ({type(error).__name__}: {escaped(str(error))}). The previous "
            "plan has not changed. Please report this and attach the site file.",
            highlight=False,
        )
        if os.environ.get("SITEPLANNER_TRACEBACK"):
            raise
        raise SystemExit(OUR_ERROR) from None
