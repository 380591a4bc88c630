"""Batches: a species' plants divided by where their seed comes from, with dates and sums."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.results.memory import Call, afresh
from siteplanner.reading.on_hand import sown_into_tubes
from siteplanner.reading.species.seed_facts import SOW_FRESH
from siteplanner.season.nursery.handling import (
    WOODY_CAPSULE,
    Handling,
    handling_of,
    not_known,
)
from siteplanner.season.nursery.lots import Lot, lots_of
from siteplanner.season.nursery.orders import Order, Range, order_for, share_out
from siteplanner.season.nursery.schedule import Dates, schedule
from siteplanner.site.nursery import Nursery

#: Where the sowing depth is not known: from so many seeds a gram on, seed is dust-like and sown
#: on the surface; in woody capsules, whose seed is weighed with its chaff, from fewer (from
#: memory).
FINE_SEEDS_PER_GRAM, FINE_IN_CAPSULES = 1000.0, 100.0
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
    handling: Handling
    cautions: str
    seeds_per_gram: float
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
        """Whether the seed is sown on the surface: said by the table, or dust-like."""
        if not math.isnan(self.handling.sowing_depth_mm):
            return self.handling.sowing_depth_mm == 0
        woody = self.handling.fruit.lower() == WOODY_CAPSULE
        return self.seeds_per_gram >= (FINE_IN_CAPSULES if woody else FINE_SEEDS_PER_GRAM)

    @property
    def seed_stored_too_long(self) -> bool:
        """Whether the seed would be older than it keeps when its pre-treatment or sowing begins."""
        keeps = self.handling.storage_years
        if self.dates is None or self.dates.collect_to is None or math.isnan(keeps):
            return False
        begun = self.dates.pretreat or self.dates.sow
        # A week to clean fresh seed in is no storage.
        return (begun - self.dates.collect_to).days > max(7.0, 365.25 * keeps)


def tubes_a_plant(facts: pd.DataFrame, rules: Nursery, call: Call = afresh) -> NDArray[np.float64]:
    """Tubes to fill for one plant of each species, in a batch of ``SMALL_BATCH`` plants.

    Larger batches need a smaller spare, smaller ones a larger: ``most_tubes`` counts these.
    """
    records = facts.to_dict("records")
    return np.array(
        [_order_of(row, SMALL_BATCH, rules, call).tubes / SMALL_BATCH for row in records]
    )


def most_tubes(
    plantings: pd.DataFrame, facts: pd.DataFrame, rules: Nursery, call: Call = afresh
) -> int:
    """Tubes of the year that takes most, were each of the ``plantings`` raised as batches.

    ``plantings`` has ``species, year, plants``. Batches of ``SMALL_BATCH`` plants and more count
    as ``tubes_a_plant``, which is the most they take.
    """
    rows = {row["botanical_name"]: row for row in facts.to_dict("records")}
    a_plant = dict(zip(facts["botanical_name"], tubes_a_plant(facts, rules, call), strict=True))
    tubes = [
        _order_of(rows[name], plants, rules, call).tubes
        if plants < SMALL_BATCH
        else plants * a_plant[name]
        for name, plants in zip(plantings["species"], plantings["plants"], strict=True)
    ]
    by_year = pd.Series(tubes, dtype=float).groupby(plantings["year"].to_numpy()).sum()
    return math.ceil(by_year.max()) if len(by_year) else 0


def _order_of(facts: dict[str, Any], plants: int, rules: Nursery, call: Call = afresh) -> Order:
    known, _ = _filled(facts, rules)
    return call(
        order_for,
        plants,
        rules,
        germination=known["germination"],
        seeds_per_gram=known["seeds_per_gram"],
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
    call: Call = afresh,
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
        order = _order_of(facts, plants, rules, call)
        dates = None
        if planting.plant_from is not None and planting.plant_until is not None:
            dates = call(
                schedule,
                planting.plant_from,
                planting.plant_until,
                rules,
                mean_c,
                months_to_plant_out=known["months_to_plant_out"],
                weeks_to_germinate=known["weeks_to_germinate"],
                weeks_to_prick_out=known["weeks_to_prick_out"],
                fruiting_months=lot.months,
                pretreatment_weeks=facts["pretreatment_weeks"],
                keeps_years=facts["storage_years"],
                fresh=facts.get("storage") == SOW_FRESH,
            )
        handling = handling_of(facts, order.seeds * known["germination"][1])
        missing = (*assumed, *not_known(handling, lot))
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
                handling=handling,
                cautions=facts["cautions"],
                seeds_per_gram=facts["seeds_per_gram"],
                year=planting.year,
                infill=planting.infill,
            )
        )
    return made


def _filled(facts: dict[str, Any], rules: Nursery) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Fill what the table does not say with the site's settings, and say which it was."""
    assumed = []

    def reckoned(name: str, value: float, given: float, said: str) -> float:
        if not math.isnan(given):
            return given
        assumed.append(f"{name} not known: ask (reckoned with {said})")
        return value

    share = facts["germination"]
    if math.isnan(share):
        middle = rules.germination[1]
        reckoned("germination", middle, share, f"{middle:.0%}")
        germination: Range = rules.germination
    else:
        spread = rules.germination_spread
        germination = (share * (1 - spread), share, min(1.0, share * (1 + spread)))
    months = rules.months_to_plant_out
    months = reckoned("months to plant out", months, facts["months_to_plant_out"], f"{months:g}")
    seeds_per_gram, purity = facts["seeds_per_gram"], facts["purity"]
    viable = facts.get("viable_seeds_per_gram", math.nan)
    if not math.isnan(viable):
        # Seeds that grow, of what is weighed: with their chaff they are never told apart.
        seeds_per_gram, purity = viable / germination[1], 1.0
    elif math.isnan(seeds_per_gram):
        assumed.append("seeds per gram not known: ask (no weight)")
    else:
        purity = reckoned("purity", rules.purity, purity, f"{rules.purity:.0%}")
    weeks, prick_out = facts["weeks_to_germinate"], facts["weeks_to_prick_out"]
    if math.isnan(weeks) and math.isnan(prick_out):
        usual = _ASSUMED_PRICK_OUT_WEEKS
        prick_out = reckoned("weeks to prick out", usual, prick_out, f"{usual:g}")
    usual = _ASSUMED_GERMINATION_WEEKS
    return {
        "germination": germination,
        "months_to_plant_out": months,
        "seeds_per_gram": seeds_per_gram,
        "purity": purity,
        "weeks_to_germinate": reckoned("weeks to germinate", usual, weeks, f"{usual:g}"),
        "weeks_to_prick_out": prick_out,
        "into_tubes": sown_into_tubes(facts),
    }, tuple(assumed)
