"""The commands that start a site, change its settings or bring it into a desktop GIS."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from siteplanner.cli.events import AsJson, events
from siteplanner.cli.printed import escaped

_Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="The new site's folder.")]
_Boundary = Annotated[Path, typer.Option(help="The property's outline: polygons.")]
_Dem = Annotated[Path, typer.Option(help="Bare-earth heights: a raster or a folder of tiles.")]
_Name = Annotated[str | None, typer.Option(help="The property's name.")]
_Paddocks = Annotated[Path | None, typer.Option(help="Polygons with a name.")]
_Soils = Annotated[Path | None, typer.Option(help="Soil polygons.")]
_NoPlant = Annotated[Path | None, typer.Option(help="Things to keep clear of.")]
_SeedSources = Annotated[Path | None, typer.Option(help="Mother trees: points.")]
_Species = Annotated[Path | None, typer.Option(help="A species table, CSV.")]
_SpeciesList = Annotated[
    str | None, typer.Option(help="A starter list that comes with siteplanner.")
]
_Monthly = Annotated[Path | None, typer.Option(help="Monthly climate, CSV.")]
_WinterMinima = Annotated[Path | None, typer.Option(help="Winter minima, CSV.")]
_StationElevation = Annotated[
    float | None, typer.Option(metavar="METRES", help="Height of the climate station.")
]
_Frost = Annotated[Path | None, typer.Option(help="Frost readings: points.")]
_Hollows = Annotated[Path | None, typer.Option(help="Frost hollows: polygons.")]
_Shelter = Annotated[Path | None, typer.Option(help="Hedges and shelterbelts: lines.")]
_Decisions = Annotated[Path | None, typer.Option(help="Zones drawn by hand: polygons.")]
_Layer = Annotated[
    list[str] | None,
    typer.Option(
        metavar="PART=NAME", help="Layer of a part's file, soils=soils_2020; may be repeated."
    ),
]
_Column = Annotated[
    list[str] | None,
    typer.Option(
        metavar="PART.COLUMN=NAME",
        help="What a column is called in your file, soils.ph=PH_H2O; may be repeated.",
    ),
]
_Setback = Annotated[
    list[str] | None,
    typer.Option(metavar="KIND=METRES", help="Metres to keep clear; may be repeated."),
]
_PlantOn = Annotated[str | None, typer.Option(metavar="YEAR|DAY", help="When planting begins.")]
_Replace = Annotated[
    bool, typer.Option("--replace", help="Write the site file anew; settings in it stay.")
]
_Bare = Annotated[
    bool, typer.Option("--bare", help="Write no files to fill in for what is not given.")
]


def new(
    folder: _Folder,
    boundary: _Boundary,
    dem: _Dem,
    name: _Name = None,
    paddocks: _Paddocks = None,
    soils: _Soils = None,
    no_plant: _NoPlant = None,
    seed_sources: _SeedSources = None,
    species: _Species = None,
    species_list: _SpeciesList = None,
    monthly: _Monthly = None,
    winter_minima: _WinterMinima = None,
    station_elevation: _StationElevation = None,
    frost: _Frost = None,
    hollows: _Hollows = None,
    shelter: _Shelter = None,
    decisions: _Decisions = None,
    layer: _Layer = None,
    column: _Column = None,
    setback: _Setback = None,
    plant_on: _PlantOn = None,
    bare: _Bare = False,
    replace: _Replace = False,
    as_json: AsJson = False,
) -> None:
    """Start a site: write a commented site file and list what is missing."""
    from siteplanner.starting.given import Given
    from siteplanner.starting.new_site import start

    with events(as_json, "new") as told:
        named: dict[str, dict[str, str]] = {}
        for place, theirs in _pairs("--column", column):
            part, dot, ours = place.partition(".")
            if not dot:
                raise typer.BadParameter(f"--column {place}: write PART.COLUMN=NAME")
            named.setdefault(part, {})[ours] = theirs
        layers: dict[str, tuple[str, ...]] = {}
        for part, one in _pairs("--layer", layer):
            layers[part] = (*layers.get(part, ()), one)
        given = Given(
            boundary=boundary,
            dem=dem,
            paddocks=paddocks,
            soils=soils,
            no_plant=no_plant,
            seed_sources=seed_sources,
            species=species,
            species_list=species_list,
            monthly=monthly,
            winter_minima=winter_minima,
            readings=frost,
            hollows=hollows,
            shelter=shelter,
            decisions=decisions,
            station_elevation_m=station_elevation,
            layers=layers,
            columns=named,
            setbacks={kind: _metres(kind, text) for kind, text in _pairs("--setback", setback)},
            bare=bare,
            plant_on=None if plant_on is None else _year_or_day(plant_on),
        )
        started = start(folder, given, name, replace=replace)
        told.answer("new", {"found": started.found, "missing": started.missing})
        told.file(started.path, "site", "the site file", "site")
    if as_json:
        return
    console = Console(soft_wrap=True, emoji=False)
    for title, lines in (("Worked out", started.found), ("Still missing", started.missing)):
        console.print(f"[bold]{title}[/bold]")
        for line in lines:
            console.print(f"- {escaped(line)}", highlight=False)
    console.print(
        escaped(f"Written: {started.path}. Then run: siteplanner check {started.path}"),
        highlight=False,
    )


def _pairs(option: str, texts: Sequence[str] | None) -> list[tuple[str, str]]:
    pairs = []
    for text in texts or ():
        name, equals, value = (part.strip() for part in text.partition("="))
        if not (name and equals and value):
            raise typer.BadParameter(f"{option} {text}: write a name, = and a value")
        pairs.append((name, value))
    return pairs


def _metres(kind: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise typer.BadParameter(f"--setback {kind}={text}: write metres") from None


def _year_or_day(text: str) -> int | date:
    try:
        return int(text) if text.isdigit() else date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"--plant-on {text}: write a year, such as 2028, or a day, such as 2028-09-04"
        ) from None


def set_(
    site: Annotated[
        Path, typer.Argument(metavar="SITE", readable=False, help="The site file, site.toml.")
    ],
    changes: Annotated[
        list[str],
        typer.Argument(
            metavar="TABLE.KEY=VALUE...",
            help="Settings, such as planting.spacing_m=4.5; an empty value takes one out.",
        ),
    ],
    as_json: AsJson = False,
) -> None:
    """Change settings in a site file; comments in it stay."""
    from siteplanner.site.edit import set_in_site

    with events(as_json, "set") as told:
        done: dict[str, Any] = set_in_site(site, changes)
        told.answer("set", {"set": done})
        told.file(site / "site.toml" if site.is_dir() else site, "site", "the site file", "site")
    if not as_json:
        console = Console(soft_wrap=True, emoji=False)
        for name, value in done.items():
            line = f"{name}: taken out" if value is None else f"{name} = {value}"
            console.print(escaped(line), highlight=False)


def gis_plugin(
    to: Annotated[
        Path, typer.Option("--to", metavar="FILE.zip", help="The zip to write for the GIS.")
    ],
) -> None:
    """Write a plugin for the desktop GIS QGIS, which calls this very installation."""
    from siteplanner.gis_plugin.package import write_plugin

    write_plugin(to)
    console = Console(soft_wrap=True, emoji=False)
    console.print(
        escaped(
            f"Written: {to}. In QGIS: Plugins, Manage and Install Plugins, Install from ZIP. The "
            "algorithms are then in the Processing Toolbox under siteplanner."
        ),
        highlight=False,
    )
