"""What the command ``catchment`` prints when it is done."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from siteplanner.base.units import area_number
from siteplanner.catchment.run import SHARED, SITES, Result
from siteplanner.cli.printed import escaped


def print_catchment(result: Result) -> None:
    """Print a line a site, what is lacking, and where the files are."""
    if result.told is None:
        return
    told, console = result.told, Console(emoji=False)
    table = Table(title=f"Planting in {escaped(told.name)}", title_justify="left")
    table.add_column("site")
    for column in ("ha to plant", "trees", "to order", "range"):
        table.add_column(column, justify="right")
    table.add_column("")
    figures = {row.site: row for row in told.sites.itertuples()}
    for site, outcome in zip(result.sites, result.outcomes, strict=True):
        row = figures.get(site.slug) if outcome.planned is not None else None
        cells = ["", "", "", ""]
        if row is not None:
            span = f"{row.order_least:,}-{row.order_most:,}"
            cells = [area_number(row.planted_ha), f"{row.trees:,}", f"{row.order:,}", span]
        table.add_row(escaped(site.name), *cells, outcome.state)
    console.print(table)
    lacking = told.short["lacking"].sum()
    if told.rule:
        said = (
            f"{lacking:,} plants are missing; see report.pdf for which sites are short, and for "
            "possible substitutes."
        )
        console.print(said if lacking else "Nothing is missing.", highlight=False)
    for note in result.notes:
        console.print(escaped(f"- {note}"), highlight=False)
    out = Console(soft_wrap=True, emoji=False)
    out.print("[bold]Files[/bold]")
    for name, words in (
        (SHARED, "to share: report.pdf, catchment.gpkg, orders, seed and calendar"),
        (SITES, "a plan for each site, for its own people only: plans show where mother trees are"),
    ):
        out.print(f"  {escaped(str(result.folder / name))}  {words}", highlight=False)


def print_failed(result: Result) -> None:
    """Print on stderr which sites could not be planned, and why."""
    stderr = Console(stderr=True, soft_wrap=True, emoji=False)
    for site, outcome in result.failed:
        stderr.print(escaped(f"{site.name} is not planned:"), style="bold", highlight=False)
        for detail in outcome.errors:
            stderr.print(escaped(f"  {detail}"), highlight=False)
