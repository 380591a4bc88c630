"""What the commands print when they are done: tables that a person reads on a screen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

if TYPE_CHECKING:
    from siteplanner.explain import Suited
    from siteplanner.nursery.survival import Outcome
    from siteplanner.plan import Plan


def print_plan(made: Plan, target: Path) -> None:
    """Print the short table at the end of a run."""
    console = Console()
    zones = Table(title=f"Planting plan for {escape(made.name)}", title_justify="left")
    for column, side in (
        ("zone", "left"),
        ("ground", "left"),
        ("ha", "right"),
        ("spacing", "right"),
        ("trees", "right"),
    ):
        zones.add_column(column, justify=side)  # type: ignore[arg-type]
    for zone in made.zones.itertuples():
        spacing = f"{zone.spacing_m:g} m" if zone.spacing_m else "-"
        zones.add_row(
            zone.zone, escape(zone.title), f"{zone.area_ha:.2f}", spacing, f"{zone.trees:,}"
        )
    zones.add_section()
    zones.add_row(
        "", "all zones", f"{made.zones['area_ha'].sum():.2f}", "", f"{made.trees_total:,}"
    )
    console.print(zones)
    totals = made.counts.groupby(["species", "common_name"], sort=False)[["trees", "order"]].sum()
    totals = totals.sort_values("trees", ascending=False, kind="stable").reset_index()
    species = Table(title="Trees by species", title_justify="left")
    for column, side in (
        ("species", "left"),
        ("common name", "left"),
        ("to plant", "right"),
        ("to order", "right"),
    ):
        species.add_column(column, justify=side)  # type: ignore[arg-type]
    for row in totals.itertuples():
        species.add_row(
            escape(row.species), escape(row.common_name), f"{row.trees:,}", f"{row.order:,}"
        )
    console.print(species)
    if made.warnings:
        console.print("[bold]Please read[/bold]")
        for warning in made.warnings:
            console.print(f"- {escape(warning)}", highlight=False)
    console.print(
        f"The coldest-night estimate is good to about {made.frost_error_c:.1f} °C. Counts "
        "are estimates: walk the ground, locate buried services and follow local codes "
        "before you order or dig.",
        highlight=False,
    )
    out = Console(soft_wrap=True)
    out.print("[bold]Files[/bold]")
    for name, words in (
        ("map.html", "the map, works without a network"),
        ("sheets.pdf", "planting sheets and run sheets, to print"),
        ("plan.xlsx", "the numbers, for a spreadsheet"),
        ("trees.gpx", "ends of rows for a handheld; by block in handheld; also trees.kml"),
        ("plan.gpkg", "everything for a GIS"),
        ("layers", "the ground and each species' fit, GeoTIFF"),
        ("counts.csv", "trees by zone, paddock and species"),
        ("nursery.pdf", "the nursery's year; beside it nursery.csv, labels.pdf and more"),
        ("plan.json", "what made what"),
    ):
        if (target / name).exists():
            out.print(f"  {escape(str(target / name))}  {words}", highlight=False)


def print_infill(outcome: Outcome) -> None:
    """Print survival and infill by species."""
    table = Table(title="Survival and infill", title_justify="left")
    table.add_column("species")
    for column in ("counted", "live", "expected before", "expected now", "infill", "to order"):
        table.add_column(column, justify="right")
    for row in outcome.species.itertuples():
        now = f"{row.expected_survival:.0%} ({row.low:.0%}-{row.high:.0%})"
        live = f"{row.alive / row.counted:.0%}" if row.counted else "-"
        table.add_row(
            escape(row.species),
            f"{row.counted:,}",
            live,
            f"{row.expected_before:.0%}",
            now,
            f"{row.infill:,}",
            f"{row.still_to_order:,}",
        )
    Console().print(table)


def print_suited(found: Suited) -> None:
    """Print where a species fits and what limits it."""
    console = Console(soft_wrap=True)
    where = Table(title=f"Where {escape(found.species)} fits", title_justify="left")
    where.add_column("place")
    for column in ("ha", "suits well %", "suits %", "marginal %", "do not plant %"):
        where.add_column(column, justify="right")
    where.add_column("limited most by")
    for row in found.rows:
        where.add_row(*(escape(text) for text in row))
    console.print(where)
    limits = Table(title="What limits it", title_justify="left")
    limits.add_column("factor")
    limits.add_column("ha", justify="right")
    limits.add_column("the usual case there")
    for factor, area, words in found.limits:
        limits.add_row(escape(factor), area, escape(words))
    console.print(limits)
    for words in found.unknown:
        console.print(escape(words), highlight=False)
    console.print(
        "An estimate from maps and a table of tolerances: walk the ground before you rely on it.",
        highlight=False,
    )
