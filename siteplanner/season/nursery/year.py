"""The nursery's year: all batches of a plan, what was counted, and what to do when short."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

import numpy as np
import pandas as pd

from siteplanner.base.results.memory import Call, afresh
from siteplanner.planting.lay_out import Layout
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.on_hand import INFILL
from siteplanner.season.nursery.batches import Batch, Planting, batches_of
from siteplanner.season.nursery.enough_seed import said_of_seed
from siteplanner.season.nursery.lots import unreadable_months
from siteplanner.season.nursery.orders import bench_by_month
from siteplanner.season.nursery.supply import (
    counted_batches,
    said_of_stock,
    substitutes_of,
    supply_of,
)
from siteplanner.season.plantings import Calendar
from siteplanner.site.nursery import Nursery
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability


@dataclass(frozen=True)
class NurseryYear:
    """What the nursery does for one plan.

    ``bench`` has ``month`` (its first day), ``bench_m2``, ``shade_house_m2`` and ``open_m2``
    (hardening), each at its own fullest day of the month: what moves out within a month counts
    in both places, but once in ``bench_m2``; no rows without a planting date. ``supply`` has one
    row a species: ``species, ordered, to_plant`` (without infill, nor trees in the ground)
    ``, on_hand`` (from elsewhere) ``, worst, expected, best, short`` (of those to plant), all
    plants.
    ``substitutes`` has ``zone, species, substitute, suitability`` (mean over the species' places,
    0-100) ``, spare`` (plants to spare of the substitute) ``, offered`` (of these, to fill what is
    short here: no plant is offered twice), the best first. ``counted_to`` is the
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
    call: Call = afresh,
) -> NurseryYear:
    """Work out what the nursery raises for the ``plantings`` (see ``plantings.COLUMNS``).

    What is dear goes through ``call``.

    Raises :class:`~siteplanner.InputError` for counts of what can be no batch.
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
            batches += batches_of(row, code, planting, mine, rules, mean_c.tolist(), call)
    counted, apart, said = counted_batches(batches, hand, site, facts)
    to_plant = layout.trees["species"][layout.to_come].value_counts()
    supply = supply_of(facts["botanical_name"], ordered, to_plant, counted, hand, apart)
    counted_to = max((d for d in hand.counts["date"] if d is not None), default=None)
    substitutes = substitutes_of(inputs, suitability, layout, supply, site.mix.lowest_suitability)
    warnings = [
        *said,
        *said_of_stock(counted, hand),
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
    if not held:
        return early[early["plants"] > 0]
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
    rows = sorted(plantings.itertuples(), key=lambda one: (one.window, one.infill, one.year))
    for (window, infill), mine in groupby(rows, key=lambda one: (one.window, one.infill)):
        for number, one in enumerate(mine, start=1):
            name = f"{code}-{calendar.letter(window)}{number}{INFILL if infill else ''}"
            planting = Planting(one.plants, one.year, one.infill, one.plant_from, one.plant_until)
            made.append((name, planting))
    return made


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
            f"{row.to_plant} are needed. {again} See nursery_substitutes.csv."
        )
    bound = [b.batch for b in batches if b.dates and b.dates.pot_bound < b.dates.plant_until]
    if bound:
        said.append(
            f"Batches {', '.join(bound)} would be pot-bound before planting ends. Sow later, or "
            "pot them on."
        )
    return [*said, *said_of_seed(batches, rules)]
