"""The nursery's year: all batches of a plan, what was counted, and what to do when short."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.planting.lay_out import Layout
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.nursery_counts import STAGES, Hand
from siteplanner.season.nursery.batches import Batch, Planting, batches_of, unreadable_months
from siteplanner.season.nursery.orders import bench_by_month, come_through
from siteplanner.season.plantings import Calendar
from siteplanner.site.nursery import Nursery
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

_SUBSTITUTES = 3
_NOT_SCORED = 255


@dataclass(frozen=True)
class NurseryYear:
    """What the nursery does for one plan.

    ``bench`` has ``month`` (its first day), ``bench_m2``, ``shade_house_m2`` and ``open_m2``
    (hardening), each at its own fullest day of the month: what moves out within a month counts
    in both places, but once in ``bench_m2``; no rows without a planting date. ``supply`` has one
    row a species: ``species, ordered, on_hand, worst, expected, best, short`` (plants).
    ``substitutes`` has ``zone, species, substitute, suitability`` (mean over the species' places,
    0-100) ``, spare`` (plants to spare of the substitute), the best first. ``counted_to`` is the
    latest date of a count.
    """

    rules: Nursery
    latitude: float
    batches: tuple[Batch, ...]
    bench: pd.DataFrame
    supply: pd.DataFrame
    substitutes: pd.DataFrame
    counted_to: date | None
    warnings: tuple[str, ...]

    @property
    def first_day(self) -> date | None:
        """First day on which any of the batches is planted; None where nothing is dated."""
        return min((batch.dates.plant for batch in self.batches if batch.dates), default=None)


def nursery_year(
    inputs: Inputs,
    suitability: Suitability,
    layout: Layout,
    plantings: pd.DataFrame,
    calendar: Calendar,
    site: Site,
) -> NurseryYear:
    """Work out what the nursery raises for the ``plantings`` (see ``plantings.COLUMNS``).

    Raises :class:`~siteplanner.InputError` for counts of a batch that the plan has not.
    """
    rules, hand = site.nursery, inputs.hand
    mean_c = (inputs.climate.tmin_c + inputs.climate.tmax_c) / 2
    ordered = plantings.groupby("species", sort=False)["plants"].sum()
    facts = inputs.species.facts
    sources = inputs.seed_sources
    batches: list[Batch] = []
    for row in facts.to_dict("records"):
        name = row["botanical_name"]
        mine = sources[sources["species"] == name]
        wanted = less_on_hand(plantings[plantings["species"] == name], hand.stock.get(name, 0))
        for code, planting in coded(row["code"], wanted, calendar):
            batches += batches_of(row, code, planting, mine, rules, mean_c.tolist())
    counted, said = counted_batches(batches, hand, site)
    supply = _supply(facts["botanical_name"], ordered, counted, hand)
    counted_to = max((d for d in hand.counts["date"] if d is not None), default=None)
    substitutes = _substitutes(inputs, suitability, layout, supply, site.mix.lowest_suitability)
    warnings = [
        *said,
        *_warnings(counted, supply, rules, counted_to),
        *(
            f"Seed source {name or 'without a name'}: its fruiting months cannot be read; write "
            "them as 12-3."
            for name in unreadable_months(sources)
        ),
    ]
    return NurseryYear(
        rules=rules,
        latitude=inputs.grid.centre_lonlat[1],
        batches=tuple(counted),
        bench=_bench(counted, rules),
        supply=supply,
        substitutes=substitutes,
        counted_to=counted_to,
        warnings=tuple(warnings),
    )


def less_on_hand(plantings: pd.DataFrame, held: int) -> pd.DataFrame:
    """Plantings of a species less what is on hand, which goes to the earliest first."""
    early = plantings.sort_values(["year", "window"], kind="stable")
    before = early["plants"].cumsum() - early["plants"]
    taken = np.clip(held - before, 0, early["plants"])
    left = early.assign(plants=early["plants"] - taken)
    return left[left["plants"] > 0]


def coded(code: str, plantings: pd.DataFrame, calendar: Calendar) -> list[tuple[str, Planting]]:
    """Give each planting of a species the code of its batches, such as EUCROD-B1 or EUCROD-B2F.

    The letter is that of the window, the number counts the years in which the species is planted
    in it, F marks infill: nothing in it hangs on a date, so that a count keeps its batch when
    ``plant_on`` moves.
    """
    made = []
    for (window, infill), mine in plantings.groupby(["window", "infill"], sort=True):
        for number, one in enumerate(mine.sort_values("year").itertuples(), start=1):
            name = f"{code}-{calendar.letter(window)}{number}{'F' if infill else ''}"
            planting = Planting(one.plants, one.year, one.infill, one.plant_from, one.plant_until)
            made.append((name, planting))
    return made


def counted_batches(
    batches: Sequence[Batch], hand: Hand, site: Site
) -> tuple[list[Batch], list[str]]:
    """Put the latest stage counted in place of what was expected of each batch.

    A later stage counts above an earlier one, a later row above an earlier row. Counts whose
    species or place is not the batch's are refused, since batch numbers follow the seed
    sources.
    """
    path = site.folder / (site.nursery.counts or "")
    errors = Errors()
    by_name = {batch.batch: batch for batch in batches}
    latest: dict[str, tuple[str, int]] = {}
    order = {stage: place for place, stage in enumerate(STAGES)}
    for row in hand.counts.itertuples(index=False):
        batch = by_name.get(row.batch)
        if batch is None:
            errors.add(
                path, f"batch {row.batch}", "the plan has no such batch", near(row.batch, by_name)
            )
            continue
        for word, given, own in (
            ("species", row.species, batch.species),
            ("place", row.place, batch.lot.place),
        ):
            if given and given != own:
                errors.add(
                    path,
                    f"batch {row.batch}, {word}",
                    f"{given!r} was counted, but this batch is now of {own!r}",
                    "use the batch number in the new nursery.csv",
                )
        if order[row.stage] >= order[latest.get(row.batch, ("germinated", 0))[0]]:
            latest[row.batch] = (row.stage, row.count)
    errors.raise_any()
    found, said = [], []
    for batch in batches:
        if batch.batch in latest:
            stage, count = latest[batch.batch]
            expected = come_through(count, stage, site.nursery, batch.order.tubes)
            if stage != "germinated" and count > batch.order.tubes:
                said.append(
                    f"Batch {batch.batch}: {count} {stage}, more than the {batch.order.tubes} "
                    "tubes planned. Check the count."
                )
            if batch.into_tubes and stage == "germinated":
                expected = come_through(count, "pricked out", site.nursery)
            batch = dataclasses.replace(batch, stage=stage, counted=count, expected=expected)
        found.append(batch)
    return found, said


def _supply(
    names: pd.Series[str], ordered: pd.Series[int], batches: Sequence[Batch], hand: Hand
) -> pd.DataFrame:
    rows = []
    for name in names:
        mine = [batch.expected for batch in batches if batch.species == name]
        wanted, held = int(ordered.get(name, 0)), hand.stock.get(name, 0)
        if not wanted and not held:
            continue
        worst, expected, best = (held + sum(e[n] for e in mine) for n in range(3))
        rows.append(
            (
                name,
                wanted,
                held,
                *(int(n) for n in (worst, expected + 1e-6, best)),
                max(0, wanted - int(expected + 1e-6)),
            )
        )
    return pd.DataFrame(
        rows, columns=["species", "ordered", "on_hand", "worst", "expected", "best", "short"]
    )


def _substitutes(
    inputs: Inputs,
    suitability: Suitability,
    layout: Layout,
    supply: pd.DataFrame,
    lowest_suitability: int,
) -> pd.DataFrame:
    """Find the species that fit best where each species is to stand, zone by zone."""
    columns = ["zone", "species", "substitute", "suitability", "spare"]
    names = inputs.species.facts["botanical_name"].to_numpy()
    rows, cols = inputs.grid.rows_cols(
        layout.trees.geometry.x.to_numpy(), layout.trees.geometry.y.to_numpy()
    )
    scores = suitability.on_grid(suitability.score)[:, rows, cols].astype(np.float64)
    inside = (scores != _NOT_SCORED).all(axis=0)
    zones, zone = np.unique(layout.trees["zone"].to_numpy().astype(str), return_inverse=True)
    place = zone * len(names) + layout.tree_species
    number = np.bincount(place[inside], minlength=len(zones) * len(names))
    sums = np.stack(
        [np.bincount(place[inside], s[inside], minlength=len(number)) for s in scores], axis=1
    )
    mean = sums / np.maximum(number, 1)[:, None]
    spare = (
        supply["on_hand"].where(supply["ordered"] == 0, supply["expected"]) - supply["ordered"]
    ).clip(lower=0)
    spare = pd.Series(spare.to_numpy(), index=supply["species"])
    short = set(supply["species"][supply["short"] > 0])
    found = []
    for here in np.flatnonzero(number):
        own = names[here % len(names)]
        scores_here = mean[here].copy()
        usable = [
            n
            for n in np.argsort(-scores_here, kind="stable")
            if scores_here[n] >= lowest_suitability and names[n] != own and names[n] not in short
        ]
        found += [
            (
                zones[here // len(names)],
                own,
                names[n],
                round(float(scores_here[n])),
                int(spare.get(names[n], 0)),
            )
            for n in usable[:_SUBSTITUTES]
        ]
    return pd.DataFrame(found, columns=columns)


def _bench(batches: Sequence[Batch], rules: Nursery) -> pd.DataFrame:
    house, open_ = [], []
    for batch in batches:
        if batch.dates is None or not batch.order.tubes:
            continue
        days, area = batch.dates, batch.order.tubes * rules.tube_m2
        if days.prick_out is not None:
            house.append((days.sow, days.prick_out, batch.order.trays * rules.tray_m2))
        potted = days.prick_out or days.sow
        house.append((potted, max(days.harden, potted), area))
        open_.append((max(days.harden, potted), days.plant_until, area))
    columns = {
        "bench_m2": bench_by_month(house + open_),
        "shade_house_m2": bench_by_month(house),
        "open_m2": bench_by_month(open_),
    }
    months = sorted({*columns["bench_m2"]})
    areas = {name: [round(of.get(m, 0.0), 2) for m in months] for name, of in columns.items()}
    return pd.DataFrame({"month": months} | areas)


def _warnings(
    batches: Sequence[Batch], supply: pd.DataFrame, rules: Nursery, counted_to: date | None
) -> list[str]:
    said = []
    if batches and batches[0].dates is None:
        said.append(
            "The nursery's dates need the first year of planting: write, say, plant_on = 2028 "
            "under [nursery] in the site file."
        )
    for row in supply[supply["short"] > 0].itertuples():
        days = [b.dates.resow_by for b in batches if b.species == row.species and b.dates]
        late = max((day for day in days if day), default=None)
        again = "It is too late to resow."
        if late and (counted_to is None or counted_to <= late):
            again = f"It can be resown until {late}."
        said.append(
            f"{row.species}: {row.expected} plants are expected ({row.worst} to {row.best}), "
            f"{row.ordered} are needed. {again} See nursery_substitutes.csv."
        )
    bound = [b.batch for b in batches if b.dates and b.dates.pot_bound < b.dates.plant_until]
    if bound:
        said.append(
            f"Batches {', '.join(bound)} would be pot-bound before planting ends. Sow later, or "
            "pot them on."
        )
    stale = [b.batch for b in batches if b.seed_stored_too_long]
    if stale:
        said.append(
            f"Batches {', '.join(stale)}: the seed does not keep from collecting until sowing. "
            "Collect later, or sow earlier."
        )
    return said
