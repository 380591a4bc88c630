"""The commands beyond one property: they parse, call and print, and compute nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from siteplanner.cli.exits import BAD_INPUT, OUR_ERROR, SOME_FAILED
from siteplanner.cli.printed import escaped
from siteplanner.cli.progress import steps_done, tiles_done


def ground(
    dem: Annotated[Path, typer.Argument(metavar="DEM", help="Bare-earth heights: any raster.")],
    out: Annotated[Path, typer.Option(help="Folder to write the layers to.")],
    layers: Annotated[
        str, typer.Option(metavar="NAME,…", help="Layers to work out, by name.")
    ] = "slope,aspect,topographic_position_150m,flow_accumulation,channels,wetness",
    tile: Annotated[
        int, typer.Option(min=64, help="Cells along a tile's side, a multiple of 64.")
    ] = 2048,
    workers: Annotated[int, typer.Option(min=1, help="Tiles to work on at a time.")] = 2,
    all_heights: Annotated[
        bool,
        typer.Option(
            "--all-heights",
            help="All heights are real; without it, a value with cliffs all round is unknown.",
        ),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Work out layers of a catchment of any size from its DEM alone, tile by tile."""
    from siteplanner.tiled.ground import ground_in_tiles

    if tile % 64:
        raise typer.BadParameter("--tile must be a multiple of 64")
    names = list(dict.fromkeys(name.strip() for name in layers.split(",") if name.strip()))
    notes: list[str] = []
    with tiles_done(quiet) as step:
        made = ground_in_tiles(
            dem, out, names, tile=tile, workers=workers, all_heights=all_heights, notes=notes,
            step=step,
        )  # fmt: skip
    if not quiet:
        console = Console(soft_wrap=True, emoji=False)
        for note in notes:
            console.print(escaped(f"note: {note}"), highlight=False)
        for path in made:
            console.print(escaped(f"written: {path}"), highlight=False)


def layers(
    site: Annotated[
        Path | None,
        typer.Argument(metavar="[SITE]", help="A site file, to list the layers with its settings."),
    ] = None,
) -> None:
    """List every layer with its unit, range, method and source."""
    from siteplanner.ground.assess import catalogue_of
    from siteplanner.ground.resolve import catalogue
    from siteplanner.site.site_file import load_site

    book = catalogue("installed packages") if site is None else catalogue_of(load_site(site))
    console = Console(soft_wrap=True, emoji=False)
    for name, maker in book.makers.items():
        info = book.info(name)
        low, high = info.valid
        span = ", ".join(info.classes) if info.classes else f"{low:g} to {high:g}"
        console.print(f"[bold]{escaped(name)}[/bold]  {escaped(info.title)}", highlight=False)
        for word, text in (
            ("unit", info.unit or "none"),
            ("range", span),
            ("method", info.method),
            ("source", info.source),
            ("reach", str(maker.reach)),
            ("needs", ", ".join(maker.needs)),
            ("settings", ", ".join(f"{k} = {v}" for k, v in maker.settings.items())),
            ("made by", maker.origin),
        ):
            if text:
                console.print(f"  {word}: {escaped(text)}", highlight=False)


def patterns() -> None:
    """List every planting pattern with a description, its spacing and its trees per hectare."""
    from siteplanner.planting.rows.patterns import density_of, pattern_offers

    console = Console(soft_wrap=True, emoji=False)
    for name, (info, package) in pattern_offers().items():
        rows = "a machine can rip along them" if info.ripped else "a machine cannot rip along them"
        console.print(f"[bold]{escaped(name)}[/bold]  {escaped(info.title)}", highlight=False)
        for word, text in (
            ("picture", info.picture),
            ("spacing", info.spacing),
            ("trees", f"{density_of(info, 3.0):.0f} trees per hectare at a spacing of 3 m"),
            ("rows", rows if info.in_rows else "none; the ground is walked in strips"),
            ("source", info.source),
            ("made by", package),
        ):
            console.print(f"  {word}: {escaped(text)}", highlight=False)


def catchment(
    file: Annotated[
        Path, typer.Argument(metavar="CATCHMENT", help="The catchment file, catchment.toml.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder to write to; maps/<catchment> by default.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Address of a Dask cluster; without it, processes are started on this computer.",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            min=1, help="Processes to start; by default as many as this computer has room for."
        ),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Plan many sites and what they share; exit code 4 if some sites could not be planned."""
    from siteplanner.catchment.run import plan_catchment
    from siteplanner.catchment.settings import load_catchment
    from siteplanner.cli.printed_catchment import print_catchment, print_failed

    read = load_catchment(file)
    with steps_done(quiet) as step:
        result = plan_catchment(read, out, address=cluster, workers=workers, step=step)
    if not quiet:
        print_catchment(result)
    print_failed(result)
    if result.told is None:
        raise typer.Exit(OUR_ERROR if all(o.ours for o in result.outcomes) else BAD_INPUT)
    if result.failed:
        raise typer.Exit(SOME_FAILED)
