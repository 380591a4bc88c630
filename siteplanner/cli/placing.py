"""The command place: where plants on hand may go. It parses, calls and prints."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from siteplanner.cli.printed import escaped


def place(
    site: Annotated[
        Path, typer.Argument(metavar="SITE", readable=False, help="The site file, site.toml.")
    ],
    stock: Annotated[
        Path | None, typer.Option(help="Plants on hand, CSV with columns species and plants.")
    ] = None,
    species: Annotated[
        str | None, typer.Option(metavar="NAME", help="One species on hand, its botanical name.")
    ] = None,
    number: Annotated[
        int | None, typer.Option(metavar="N", min=1, max=10_000_000, help="How many of it.")
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(help="Folder of the plan; maps/<site> by default.")
    ] = None,
    planted: Annotated[
        list[Path] | None,
        typer.Option(help="Blocks ticked on the map, planted.csv: not ready; may be repeated."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="File to write the answer to as well.")] = None,
) -> None:
    """Say where plants on hand may go: whole rows of one to three ready blocks; plan unchanged."""
    from siteplanner.after.place import place as placed
    from siteplanner.after.place import stock_of
    from siteplanner.base.text import utf8, visible
    from siteplanner.cli.printed_place import words_of
    from siteplanner.site.site_file import load_site

    one = species is not None and number is not None
    if (stock is not None) == one or (species is None) != (number is None):
        raise typer.BadParameter("give --stock, or --species and --number together")
    read = load_site(site)
    folder = plan if plan is not None else Path("maps") / read.slug
    notes: list[str] = []
    on_hand = stock_of(read, stock, species, number, notes)
    answer = [*map(visible, notes), *words_of(placed(read, folder, on_hand, planted or ()))]
    console = Console(soft_wrap=True, emoji=False)
    for line in answer:
        console.print(escaped(line), highlight=False)
    if out is not None:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_bytes(utf8("\n".join(answer) + "\n"))
