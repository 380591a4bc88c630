"""What the commands print when they are done: tables that a person reads on a screen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from siteplanner.base.text import visible
from siteplanner.base.units import area_number, area_words, hectares

if TYPE_CHECKING:
    from siteplanner.after.compare import Comparison
    from siteplanner.after.explain import Explained, Suited
    from siteplanner.after.survival import SurvivalOutcome
    from siteplanner.after.verify import Verified
    from siteplanner.plan import Plan
    from siteplanner.reading.kept_blocks import KeptBlocks
    from siteplanner.site.site_file import Site
    from siteplanner.suitability.of_site import Ready


def escaped(text: str) -> str:
    """Give text that may be anyone's so that it prints as it is and commands nothing."""
    return escape(visible(text))


def print_plan(made: Plan, target: Path) -> None:
    """Print the short table at the end of a run."""
    from siteplanner.handover.folder.results import main_files

    console = Console(emoji=False)
    zones = Table(title=f"Planting plan for {escaped(made.name)}", title_justify="left")
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
            escaped(zone.zone),
            escaped(zone.title),
            area_number(zone.area_ha),
            spacing,
            f"{zone.trees:,}",
        )
    zones.add_section()
    zones.add_row(
        "", "all zones", area_number(made.zones["area_ha"].sum()), "", f"{made.trees_total:,}"
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
            escaped(row.species), escaped(row.common_name), f"{row.trees:,}", f"{row.order:,}"
        )
    console.print(species)
    if made.warnings:
        console.print("[bold]Please read[/bold]")
        for warning in made.warnings:
            console.print(f"- {escaped(warning)}", highlight=False)
    console.print(
        f"The coldest-night estimate has an error of about {made.frost_error_c:.1f} °C. Counts "
        "are estimates. Before you order or dig, walk the ground, have buried services located "
        "and follow local codes.",
        highlight=False,
    )
    out = Console(soft_wrap=True, emoji=False)
    out.print("[bold]Files[/bold]")
    for path, words in main_files(target):
        out.print(f"  {escaped(str(path))}  {words}", highlight=False)


def print_infill(outcome: SurvivalOutcome) -> None:
    """Print survival and infill by species, and what is expected now by species and ground."""
    table = Table(title="Survival and infill", title_justify="left")
    table.add_column("species")
    for column in ("counted", "live", "dead, seen", "infill", "to order"):
        table.add_column(column, justify="right")
    for row in outcome.species.itertuples():
        live = f"{row.alive / row.counted:.0%}" if row.counted else "-"
        numbers = (f"{n:,}" for n in (row.seen_dead, row.infill, row.still_to_order))
        table.add_row(escaped(row.species), f"{row.counted:,}", live, *numbers)
    console = Console(emoji=False)
    console.print(table)
    if outcome.grounds.empty:
        return
    learnt = Table(title="Expected survival, from the sample", title_justify="left")
    for column in ("species", "ground"):
        learnt.add_column(column)
    for column in ("counted", "live", "expected before", "expected now"):
        learnt.add_column(column, justify="right")
    for row in outcome.grounds.itertuples():
        learnt.add_row(
            escaped(row.species),
            escaped(row.ground),
            f"{row.counted:,}",
            f"{row.alive / row.counted:.0%}",
            f"{row.expected_before:.0%}",
            f"{row.expected_survival:.0%} ({row.low:.0%}-{row.high:.0%})",
        )
    console.print(learnt)


def outcome_in_tables(outcome: SurvivalOutcome) -> dict[str, object]:
    """Give what a count says as tables of plain rows, for a program."""
    names = ("blocks", "zones", "grounds", "species", "seen")
    tables = {name: getattr(outcome, name).to_dict("records") for name in names}
    return tables | {"patchiness": outcome.patchiness}


def print_suited(found: Suited) -> None:
    """Print where a species fits and what limits it."""
    console = Console(soft_wrap=True, emoji=False)
    where = Table(title=f"Where {escaped(found.species)} suits", title_justify="left")
    where.add_column("place")
    for column in ("ha", "suits well %", "suits %", "marginal %", "do not plant %"):
        where.add_column(column, justify="right")
    where.add_column("limited most by")
    for row in found.rows:
        where.add_row(*(escaped(text) for text in row))
    console.print(where)
    limits = Table(title="What limits it", title_justify="left")
    limits.add_column("factor")
    limits.add_column("ha", justify="right")
    limits.add_column("typical case there")
    for factor, area, words in found.limits:
        limits.add_row(escaped(factor), area, escaped(words))
    console.print(limits)
    for words in found.unknown:
        console.print(escaped(words), highlight=False)
    console.print(
        "An estimate from maps and a table of tolerances: walk the ground before you rely on it.",
        highlight=False,
    )


def print_explained(found: Explained) -> None:
    """Print what one spot is like, how each species fits there, and the odds of frost."""
    console = Console(soft_wrap=True, emoji=False)
    console.print(escaped(found.place), highlight=False)
    ground = Table(title="The ground here", title_justify="left")
    for column in ("layer", "value", "unit"):
        ground.add_column(column)
    for title, value, unit in found.ground:
        ground.add_row(escaped(title), escaped(value), escaped(unit))
    console.print(ground)
    fits = Table(title="How well each species suits", title_justify="left")
    fits.add_column("species")
    fits.add_column("suitability", justify="right")
    for column in ("class", "limited by", "not checked"):
        fits.add_column(column)
    for row in found.species:
        fits.add_row(*(escaped(text) for text in row))
    console.print(fits)
    if found.coldest_night:
        night = Table(title="What the coldest night is made of", title_justify="left")
        night.add_column("part")
        night.add_column("", justify="right")
        for name, words in found.coldest_night:
            night.add_row(escaped(name), escaped(words))
        console.print(night)
    if found.frost:
        frost = Table(
            title="Frost kills a seedling in (an estimate, not a forecast)",
            title_justify="left",
        )
        for column in ("species", "odds"):
            frost.add_column(column)
        for name, words in found.frost:
            frost.add_row(escaped(name), escaped(words))
        console.print(frost)
    console.print(
        "An estimate from maps and a table of tolerances: look at the spot before you rely on it.",
        highlight=False,
    )


def print_changes(found: Comparison, before: str, after: str) -> None:
    """Print what changed between two plans, headed by their names."""
    console = Console(soft_wrap=True, emoji=False)
    if found.same:
        console.print("Nothing changed.", highlight=False)
        return
    for title, changes in (
        ("The plans", found.figures),
        ("Trees by paddock, where changed", found.paddocks),
        ("Trees by species, where changed", found.species),
    ):
        if not changes:
            continue
        table = Table(title=title, title_justify="left")
        table.add_column("")
        for column in (before, after, "change"):
            table.add_column(escaped(column), justify="right")
        for one in changes:
            unit = f" {one.unit}" if one.unit else ""
            numbers = (f"{n:,.{one.digits}f}{unit}" for n in (one.before, one.after))
            more = f"{round(one.change, one.digits) + 0.0:+,.{one.digits}f}{unit}"
            table.add_row(escaped(one.what), *numbers, more)
        console.print(table)
    lines = [
        *(f"setting {place}: {old} -> {new}" for place, old, new in found.settings),
        *(f"changed file: {name}" for name in found.inputs),
        *(f"gone: {words}" for words in found.warnings_gone),
        *(f"new: {words}" for words in found.warnings_new),
    ]
    for line in lines:
        console.print(escaped(line), highlight=False)
    console.print("Both plans are estimates, and so are the changes between them.", highlight=False)


def print_verified(found: Verified) -> None:
    """Print whether a plan's folder is as it was made, and what is worth knowing."""
    console = Console(soft_wrap=True, emoji=False)
    for line in found.errors:
        console.print(escaped(line), highlight=False)
    whole = f"{found.name}: the plan is complete; all {found.files} files are unchanged."
    broken = f"{found.name}: the plan is damaged. Make it again, or copy it again."
    console.print(escaped(broken if found.errors else whole), highlight=False)
    for line in found.notes:
        console.print(escaped(f"note: {line}"), highlight=False)
    console.print(
        "The manifest, plan.json, cannot list itself. To check that it has not changed, compare "
        f"its SHA-256 with one you wrote down earlier: {found.digest}",
        highlight=False,
    )


def printed_inputs(site: Site, start: Ready) -> list[str]:
    """Say what was understood of a site's files."""
    from siteplanner.base.crs import crs_words
    from siteplanner.forecast import forecast_of

    inputs = start.inputs
    grid, fields = inputs.grid, inputs.paddocks
    return [
        f"boundary: {area_words(hectares(inputs.boundary.area.sum()), 1)}, {crs_words(grid.crs)}",
        f"heights: {grid.shape[0]} x {grid.shape[1]} cells of {grid.cell:g} m",
        f"paddocks: {len(fields)}, of which {int(fields['plant'].sum())} to plant "
        f"({area_words(hectares(fields[fields['plant']].area.sum()), 1)})",
        "soil: not given" if site.soils.file is None else f"soil: {len(inputs.soils)} polygons",
        f"frost: {len(inputs.readings)} readings, {len(inputs.hollows)} hand-drawn hollows",
        f"climate: {inputs.climate.in_words}",
        f"to keep clear of: {len(inputs.no_plant)} features",
        f"species: {len(inputs.species.facts)}, scored on {len(start.factors)} factors",
        f"mother trees: {len(inputs.seed_sources)}",
        *printed_kept(inputs.kept),
        f"layers to work out: {sum(len(maker.makes) for maker in start.order)}",
        f"to plan it takes: {forecast_of(site, inputs).in_words}",
    ]


def printed_kept(kept: KeptBlocks) -> list[str]:
    """Say how many blocks a new plan leaves as they are; nothing where there is no file of them."""
    if kept.blocks.empty:
        return []
    return [
        f"blocks: {len(kept.blocks)} in the site's file, of which {len(kept.standing)} stay as "
        f"they are and {len(kept.set_aside)} are set aside"
    ]
