"""The commands: they parse, call and print, and compute nothing."""

from __future__ import annotations

import contextlib
import gc
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
from siteplanner.cli.events import AsJson, events, working
from siteplanner.cli.exits import BAD_INPUT, OUR_ERROR
from siteplanner.cli.gathering import gather
from siteplanner.cli.looking import SiteFile, check, compare, explain, verify
from siteplanner.cli.placing import place
from siteplanner.cli.printed import escaped, print_plan
from siteplanner.cli.progress import told as told_on
from siteplanner.cli.starting import gis_plugin, new, set_

app = typer.Typer(
    name="siteplanner",
    help="Make a planting plan from the real ground of a property.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        print(f"siteplanner {__version__}")
        raise typer.Exit


@app.callback()
def _every_command(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="Print the version and stop."
        ),
    ] = False,
) -> None:
    pass


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
    as_json: AsJson = False,
) -> None:
    """Make the whole plan: ground, zones, mix, layout, and all files."""
    with _importing():
        from siteplanner.base.text import slug
        from siteplanner.checking import steps_of
        from siteplanner.handover.folder.manifest import headlines
        from siteplanner.handover.folder.publish import files_of_plan
        from siteplanner.handover.folder.results import results_in
        from siteplanner.run import write_plan
        from siteplanner.site.site_file import load_site

    with events(as_json, "plan") as told:
        read = load_site(site)
        if mature_shelter is not None:
            read = read.with_mature_shelter(mature_shelter)
        target = out if out is not None else Path("maps") / read.slug
        if paddock is not None:
            read = read.with_paddock(paddock)
            target = out if out is not None else Path("maps") / f"{read.slug}-{slug(paddock)}"
        if only:
            read = read.with_only([name for part in only for name in part.split(",")], target)
        told.of = steps_of(read, sure=how_sure) if as_json else None
        with working(told, quiet) as step:
            made = write_plan(
                read, target, sure=how_sure, overwrite=overwrite, step=step,
                tell=told_on(quiet or as_json),
            )  # fmt: skip
        told.warnings((*made.warnings, *made.cautions))
        told.answer("plan", headlines(made))
        if as_json:  # each layer is opened for it
            told.results(target, results_in(target, files_of_plan(target)))
    if not (quiet or as_json):
        print_plan(made, target)


for command in (check, explain, compare, verify, new):
    app.command()(command)
app.command("set")(set_)
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


for other in (gather, blocks, place, desk, layers, patterns, ground, catchment, gis_plugin):
    app.command()(other)


class _StoppedError(BaseException):
    """Somebody told the run to stop; typer would make something else of a KeyboardInterrupt."""


def _stop(number: int, frame: object) -> None:
    raise _StoppedError


@contextlib.contextmanager
def _importing() -> Iterator[None]:
    """Keep the collector from modules while they are imported, and from then on.

    They stay for as long as the program runs, and to go through them time and again takes long.
    """
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if collects:
            gc.enable()


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
