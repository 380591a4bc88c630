"""The command that says what has become of blocks: it parses, calls and prints."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from siteplanner.cli.printed import escaped


def blocks(
    site: Annotated[
        Path, typer.Argument(metavar="SITE", readable=False, help="The site file, site.toml.")
    ],
    names: Annotated[
        list[str] | None, typer.Argument(metavar="[BLOCK]...", help="Blocks to mark, such as A1.")
    ] = None,
    mark: Annotated[
        str | None,
        typer.Option(
            metavar="STATUS",
            help="planned, printed, pegged, planted, lost or 'set aside'. From printed on, a new "
            "plan keeps the block's name, rows and trees.",
        ),
    ] = None,
    until: Annotated[
        int | None, typer.Option(metavar="YEAR", help="Year until which a block is set aside.")
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(help="Folder of the plan; maps/<site> by default.")
    ] = None,
) -> None:
    """List what has become of each block, or mark blocks, which writes blocks.gpkg in the site."""
    from siteplanner.after.mark_blocks import known_blocks, mark_blocks, marked_in
    from siteplanner.site.site_file import load_site

    if (mark is None) != (not names):
        raise typer.BadParameter("give blocks and --mark STATUS together, or neither to list them")
    read = load_site(site)
    planned = plan if plan is not None else Path("maps") / read.slug
    if mark is None:
        found = marked_in(known_blocks(read, planned), read.blocks_file)
    else:
        found = mark_blocks(read, planned, mark, names or (), until)
    console = Console(soft_wrap=True, emoji=False)
    for status, those in found.by_status.items():
        console.print(escaped(f"{status}: {', '.join(those)}"), highlight=False)
    if found.retired:
        line = f"names that are not given again: {', '.join(found.retired)}"
        console.print(escaped(line), highlight=False)
    if mark is not None:
        console.print(escaped(f"written: {found.path}"), highlight=False)
