"""The command that fetches open data for a property: it parses, calls and prints."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from siteplanner.cli.exits import SOME_FAILED
from siteplanner.cli.printed import escaped
from siteplanner.cli.progress import steps_done


def gather(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The site's folder.")],
    boundary: Annotated[Path, typer.Option(help="The property's outline: polygons.")],
    services: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Addresses and limits of your own, TOML."),
    ] = None,
    offline: Annotated[
        bool, typer.Option("--offline", help="Say what would be fetched; fetch nothing.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Fetch heights, soils, climate and features that a site lacks; exit code 4 if some failed.

    Files of yours are never overwritten. What is sent is a box around the property, rounded
    outwards to 0.01 degrees.
    """
    from siteplanner.gather.gather import UNTRIED, would_fetch
    from siteplanner.gather.gather import gather as gathered
    from siteplanner.gather.services import load_services

    read = load_services(services)
    console = Console(soft_wrap=True, emoji=False)
    if offline:
        said, there = would_fetch(folder, boundary, read)
        _list(console, "There already", there.kept)
        _list(console, "Would be fetched", said)
        return
    with steps_done(quiet) as step:
        done = gathered(folder, boundary, read, step=step)
    if not quiet:
        _list(console, "Fetched", [f"{r.what}: {r.file}, from {r.service}" for r in done.written])
        _list(console, "There already", done.kept)
        _list(console, "Missing", [f"{what}: {why}" for what, why in done.gaps.items()])
        _list(console, "Please read", [UNTRIED, *done.notes])
        _list(console, "What went where", done.sent)
        _list(console, "What to improve first", done.improve, numbers=True)
        _list(console, "Write into your site file", done.to_write)
        _list(console, "Still to do", done.missing)
        if done.site is not None:
            line = (
                f"Where all is from: {folder / 'sources.csv'}. Then run: siteplanner plan "
                f"{done.site}"
            )
        else:
            line = (
                "There are no heights, so there is no site file yet. Run again, or put a DEM into "
                "the folder as heights.tif."
            )
        console.print(escaped(line), highlight=False)
    if done.gaps:
        raise typer.Exit(SOME_FAILED)


def _list(console: Console, title: str, lines: Iterable[str], *, numbers: bool = False) -> None:
    lines = list(lines)
    if not lines:
        return
    console.print(f"[bold]{title}[/bold]")
    for number, line in enumerate(lines, 1):
        mark = f"{number}." if numbers else "-"
        console.print(f"{mark} {escaped(line)}", highlight=False)
