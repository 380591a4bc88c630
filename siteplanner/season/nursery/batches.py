"""Batches: a species' plants divided by where their seed comes from, with dates and sums."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.reading.on_hand import sown_into_tubes
from siteplanner.reading.species.seed_facts import months_of
from siteplanner.season.nursery.orders import Order, Range, order_for, share_out
from siteplanner.season.nursery.schedule import Dates, schedule
from siteplanner.site.nursery import Nursery

#: From so many seeds a gram on, seed is dust-like and sown on the surface; in woody capsules,
#: whose seed is weighed with its chaff, from fewer (from memory).
FINE_SEEDS_PER_GRAM, FINE_IN_CAPSULES = 1000.0, 100.0
WOODY_CAPSULE = "woody capsule"
#: A batch of fewer plants is not worth dividing (judgement).
SMALL_BATCH = 50
_ASSUMED_GERMINATION_WEEKS, _ASSUMED_PRICK_OUT_WEEKS = 4.0, 10.0


@dataclass(frozen=True)
class Planting:
    """What is raised for one planting: so many plants, for these days, as infill or not."""

    plants: int
    year: int = 0
    infill: bool = False
    plant_from: date | None = None
    plant_until: date | None = None


@dataclass(frozen=True)
class Lot:
    """Where a batch's seed comes from; ``parents`` is the number of mother trees known."""

    place: str
    permit: str
    parents: int
    months: tuple[int, ...]


@dataclass(frozen=True)
class Batch:
    """One batch: a species from one place (or a bulk of places).

    ``raise_`` is how many plants it is to give, in the planting ``year`` (0 where years have no
    numbers); ``infill`` says that they take the place of trees that died. ``expected`` is what it
    may come to (worst, expected, best), after the latest count when there is one: ``stage`` and
    ``counted``. ``assumed`` names the facts that the species table does not give.
    """

    batch: str
    species: str
    common_name: str
    lot: Lot
    raise_: int
    order: Order
    dates: Dates | None
    expected: Range
    germination: Range
    assumed: tuple[str, ...]
    fruit: str
    pretreatment: str
    cautions: str
    seeds_per_gram: float
    storage_years: float
    year: int = 0
    infill: bool = False
    stage: str = ""
    counted: int | None = None

    @property
    def into_tubes(self) -> bool:
        """Whether the seed is sown straight into tubes."""
        return self.order.seeds_in_a_tube > 0

    @property
    def is_fine(self) -> bool:
        """Whether the seed is dust-like, sown on the surface."""
        woody = self.fruit.lower() == WOODY_CAPSULE
        return self.seeds_per_gram >= (FINE_IN_CAPSULES if woody else FINE_SEEDS_PER_GRAM)

    @property
    def seed_stored_too_long(self) -> bool:
        """Whether the seed would be older at sowing than it keeps."""
        if self.dates is None or self.dates.collect_to is None or math.isnan(self.storage_years):
            return False
        return (self.dates.sow - self.dates.collect_to).days > 365.25 * self.storage_years


def tubes_a_plant(facts: pd.DataFrame, rules: Nursery) -> NDArray[np.float64]:
    """Tubes to fill for one plant of each species, in a batch of ``SMALL_BATCH`` plants.

    Larger batches need a smaller spare, smaller ones a larger: ``most_tubes`` counts these.
    """
    records = facts.to_dict("records")
    return np.array([_order_of(row, SMALL_BATCH, rules).tubes / SMALL_BATCH for row in records])


def most_tubes(plantings: pd.DataFrame, facts: pd.DataFrame, rules: Nursery) -> int:
    """Tubes of the year that takes most, were each of the ``plantings`` raised as batches.

    ``plantings`` has ``species, year, plants``. Batches of ``SMALL_BATCH`` plants and more count
    as ``tubes_a_plant``, which is the most they take.
    """
    rows = {row["botanical_name"]: row for row in facts.to_dict("records")}
    a_plant = dict(zip(facts["botanical_name"], tubes_a_plant(facts, rules), strict=True))
    tubes = [
        _order_of(rows[name], plants, rules).tubes
        if plants < SMALL_BATCH
        else plants * a_plant[name]
        for name, plants in zip(plantings["species"], plantings["plants"], strict=True)
    ]
    by_year = pd.Series(tubes, dtype=float).groupby(plantings["year"].to_numpy()).sum()
    return math.ceil(by_year.max()) if len(by_year) else 0


def _order_of(facts: dict[str, Any], plants: int, rules: Nursery) -> Order:
    known, _ = _filled(facts, rules)
    return order_for(
        plants,
        rules,
        germination=known["germination"],
        seeds_per_gram=facts["seeds_per_gram"],
        purity=known["purity"],
        into_tubes=known["into_tubes"],
    )


def batches_of(
    facts: dict[str, Any],
    code: str,
    planting: Planting,
    sources: gpd.GeoDataFrame,
    rules: Nursery,
    mean_c: Sequence[float],
) -> list[Batch]:
    """Divide a planting's plants of a species among its seed sources and work each batch out.

    ``facts`` is a row of the species table; ``sources`` the species' own seed sources, with
    ``name``, ``fruiting_months`` and, when known, ``permit``; ``mean_c`` as in ``schedule``. No
    batch is split below ``SMALL_BATCH`` plants: seed of several sources is bulked instead.
    """
    known, assumed = _filled(facts, rules)
    made = []
    to_raise = planting.plants
    most = max(1, min(rules.lots, to_raise // SMALL_BATCH))
    lots = lots_of(sources, facts["fruiting_months"], most)
    for number, (lot, plants) in enumerate(
        zip(lots, share_out(to_raise, len(lots)), strict=True), start=1
    ):
        order = _order_of(facts, plants, rules)
        dates = None
        if planting.plant_from is not None and planting.plant_until is not None:
            dates = schedule(
                planting.plant_from,
                planting.plant_until,
                rules,
                mean_c,
                months_to_plant_out=known["months_to_plant_out"],
                weeks_to_germinate=known["weeks_to_germinate"],
                weeks_to_prick_out=known["weeks_to_prick_out"],
                fruiting_months=lot.months,
                pretreatment_weeks=facts["pretreatment_weeks"],
            )
        missing = assumed if lot.months else (*assumed, "fruiting months unknown")
        made.append(
            Batch(
                batch=f"{code}-{number}",
                species=facts["botanical_name"],
                common_name=facts["common_name"],
                lot=lot,
                raise_=plants,
                order=order,
                dates=dates,
                expected=order.plants,
                germination=known["germination"],
                assumed=missing,
                fruit=facts["fruit"],
                pretreatment=facts["pretreatment"],
                cautions=facts["cautions"],
                seeds_per_gram=facts["seeds_per_gram"],
                storage_years=facts["storage_years"],
                year=planting.year,
                infill=planting.infill,
            )
        )
    return made


def _filled(facts: dict[str, Any], rules: Nursery) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Fill what the table does not say with the site's settings, and say which it was."""
    assumed = []
    share = facts["germination"]
    if math.isnan(share):
        assumed.append(f"germination assumed {rules.germination[1]:.0%}")
        germination: Range = rules.germination
    else:
        spread = rules.germination_spread
        germination = (share * (1 - spread), share, min(1.0, share * (1 + spread)))
    months = facts["months_to_plant_out"]
    if math.isnan(months):
        months = rules.months_to_plant_out
        assumed.append(f"months to plant out assumed {months:g}")
    purity = facts["purity"]
    if math.isnan(purity):
        purity = rules.purity
        assumed.append(f"purity assumed {purity:.0%}")
    if math.isnan(facts["seeds_per_gram"]):
        assumed.append("seeds per gram unknown: weight not known")
    weeks, prick_out = facts["weeks_to_germinate"], facts["weeks_to_prick_out"]
    nothing_known = math.isnan(weeks) and math.isnan(prick_out)
    if math.isnan(weeks):
        weeks = _ASSUMED_GERMINATION_WEEKS
        assumed.append(f"weeks to germinate assumed {weeks:g}")
    if nothing_known:
        prick_out = _ASSUMED_PRICK_OUT_WEEKS
        assumed.append(f"weeks to prick out assumed {prick_out:g}")
    return {
        "germination": germination,
        "months_to_plant_out": months,
        "purity": purity,
        "weeks_to_germinate": weeks,
        "weeks_to_prick_out": prick_out,
        "into_tubes": sown_into_tubes(facts),
    }, tuple(assumed)


def lots_of(sources: gpd.GeoDataFrame, fruiting: tuple[int, ...], most: int) -> list[Lot]:
    """Group seed sources by name to at most ``most`` lots; those beyond are bulked into the last.

    Without any source there is one lot, its place still to be found. ``fruiting`` are the
    species' own fruiting months, used where a source says nothing.
    """
    if sources.empty:
        return [Lot("", "", 0, fruiting)]
    names = list(dict.fromkeys(_word(name) for name in sources["name"]))
    groups = [[name] for name in names[: most - 1]]
    groups += [names[most - 1 :]] if len(names) >= most else []
    lots = []
    of_row = sources["name"].map(_word)
    for group in groups:
        mine = sources[of_row.isin(group)]
        permits = mine["permit"].map(_word) if "permit" in mine else []
        months = _months(mine["fruiting_months"])
        lots.append(
            Lot(
                place="; ".join(group),
                permit="; ".join(dict.fromkeys(p for p in permits if p)),
                parents=len(mine),
                months=months or fruiting,
            )
        )
    return lots


def _word(value: object) -> str:
    return "" if value is None or value != value else str(value).strip()


def _months(texts: Iterable[object]) -> tuple[int, ...]:
    found: list[int] = []
    for text in texts:
        try:
            found += months_of(text)
        except ValueError:
            continue  # what a source says unreadably is unknown; see unreadable_months
    return tuple(dict.fromkeys(found))


def unreadable_months(sources: gpd.GeoDataFrame) -> list[str]:
    """Names of the seed sources whose fruiting months cannot be read."""
    names = []
    for name, text in zip(sources["name"], sources["fruiting_months"], strict=True):
        try:
            months_of(text)
        except ValueError:
            names.append(_word(name))
    return names
