"""The command that opens the desk: it parses, calls and prints."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def desk(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="[FOLDER]", help="The site's folder, or one in which to start a site."
        ),
    ] = Path(),
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")
    ] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")
    ] = True,
    services: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Addresses and limits for open data, TOML."),
    ] = None,
) -> None:
    """Draw, plan and look at a site on a page in your own browser, on this machine alone.

    The first line is the address, with the key that opens it. Ctrl+C ends the desk.
    """
    import asyncio

    from siteplanner.cli.printed_place import words_of
    from siteplanner.desk.server import serve

    def say(line: str) -> None:
        print(line, flush=True)

    asyncio.run(serve(folder, port, browser, say, words_of, services))
