"""Dates of a batch, reckoned backwards from planting. Pure functions on dates."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from dateutil.relativedelta import relativedelta

from siteplanner.site.nursery import Nursery

#: Seasons by the sun; nearer the equator than this a month's name says more (the tropics).
TROPICS_DEG = 23.4
#: Seed is looked for in so many years before sowing, at most.
_YEARS_BACK = 3
#: It takes a while to get round the trees: a shorter collecting window is passed over.
_SHORTEST_WINDOW = timedelta(days=14)


@dataclass(frozen=True)
class Dates:
    """When what is done for a batch; None where it cannot be told.

    ``pretreat`` is when seed goes into a pre-treatment that takes weeks, ``sow`` the day of
    sowing; ``show`` when seedlings should have come up; ``prick_out`` is
    None for seed sown straight into tubes. ``plantable`` is when the plants are big enough,
    ``plant`` and ``plant_until`` are the planting season. ``resow_by``: the last day on which a
    failed batch can be begun again, by sowing or by a pre-treatment that takes weeks, and still
    make this season; None when that has passed before a failure could show. ``moved_for_cold`` says
    that sowing was put back to a warmer month.
    """

    collect_from: date | None
    collect_to: date | None
    pretreat: date | None
    sow: date
    show: date
    prick_out: date | None
    harden: date
    plantable: date
    plant: date
    plant_until: date
    resow_by: date | None
    doubtful: date
    give_up: date
    pot_bound: date
    moved_for_cold: bool


def schedule(
    plant: date,
    until: date,
    rules: Nursery,
    mean_c: Sequence[float],
    *,
    months_to_plant_out: float,
    weeks_to_germinate: float,
    weeks_to_prick_out: float,
    fruiting_months: Sequence[int],
    pretreatment_weeks: float = math.nan,
) -> Dates:
    """Reckon a batch's dates back from ``plant``, the day its planting window opens.

    ``until`` is the last day of the window; ``mean_c`` are the station's twelve monthly means,
    °C, January first; ``weeks_to_prick_out``
    is NaN for seed sown straight into tubes, ``pretreatment_weeks`` where a pre-treatment takes no
    weeks. Nothing is sown in a month colder than
    ``rules.sow_from_c``: sowing then moves back to the end of the latest month that is warm
    enough, and if no month is, it stays. Method: common practice, no source.
    """
    wanted = add_months(plant, -months_to_plant_out)
    sow = warm_day(wanted, mean_c, rules.sow_from_c)
    latest = warm_day(
        add_months(until, -months_to_plant_out * rules.hurry), mean_c, rules.sow_from_c
    )
    show = sow + timedelta(days=math.ceil(7 * weeks_to_germinate))
    pretreat, resow_by = None, latest
    if not math.isnan(pretreatment_weeks):
        treated = timedelta(days=math.ceil(7 * pretreatment_weeks))
        pretreat, resow_by = sow - treated, latest - treated
    cleaned = (pretreat or sow) - timedelta(weeks=rules.clean_weeks)
    window = collecting_window(fruiting_months, cleaned)
    plantable = add_months(sow, months_to_plant_out)
    return Dates(
        collect_from=window[0] if window else None,
        collect_to=window[1] if window else None,
        pretreat=pretreat,
        sow=sow,
        show=show,
        prick_out=(
            None
            if math.isnan(weeks_to_prick_out)
            else sow + timedelta(days=math.ceil(7 * weeks_to_prick_out))
        ),
        harden=plant - timedelta(weeks=rules.harden_weeks),
        plantable=plantable,
        plant=plant,
        plant_until=until,
        resow_by=resow_by if resow_by > show else None,
        doubtful=add_months(sow, rules.doubtful_months),
        give_up=add_months(sow, rules.give_up_months),
        pot_bound=add_months(plantable, rules.holds_months),
        moved_for_cold=sow != wanted,
    )


def add_months(day: date, months: float) -> date:
    """Go ``months`` on (or back); a fraction counts in days of the average month, 30.44.

    A day that the month has not, such as 31 February, becomes the month's last.

    >>> add_months(date(2027, 12, 31), 2)
    datetime.date(2028, 2, 29)
    >>> add_months(date(2027, 6, 1), -1.5)
    datetime.date(2027, 4, 16)
    """
    whole = math.trunc(months)
    return day + relativedelta(months=whole, days=round((months - whole) * 30.44))


def warm_day(day: date, mean_c: Sequence[float], least_c: float) -> date:
    """Give ``day`` when its month is warm enough, else the last day of the latest such month."""
    if mean_c[day.month - 1] >= least_c or max(mean_c) < least_c:
        return day
    while mean_c[day.month - 1] < least_c:
        day = day.replace(day=1) - timedelta(days=1)
    return day


def collecting_window(months: Sequence[int], ready: date) -> tuple[date, date] | None:
    """Find the latest stretch of fruiting months in which seed can be had by ``ready``.

    A stretch that runs past ``ready`` is cut there; one with fewer than 14 days left is passed
    over for the season before. None when no fruiting months are known.

    >>> collecting_window((12, 1, 2), ready=date(2028, 1, 20))
    (datetime.date(2027, 12, 1), datetime.date(2028, 1, 20))
    """
    if not months:
        return None
    if len(set(months)) == 12:
        return add_months(ready, -2), ready
    ripe = set(months)
    for back in range(12 * _YEARS_BACK):
        first = add_months(ready.replace(day=1), -back)
        if first.month not in ripe:
            continue
        start = first
        while add_months(start, -1).month in ripe:
            start = add_months(start, -1)
        end = min(add_months(first, 1) - timedelta(days=1), ready)
        if end - start >= _SHORTEST_WINDOW:
            return start, end
    return None


def season(day: date, latitude: float) -> str:
    """Say the time of year in words: ``early spring`` away from the tropics, else the month.

    Seasons are three whole months, from December, March, June and September; ``latitude`` in
    degrees, south negative.

    >>> season(date(2027, 9, 10), -43.0), season(date(2027, 9, 10), 52.0)
    ('early spring', 'early autumn')
    """
    if abs(latitude) < TROPICS_DEG:
        return calendar.month_name[day.month]
    north = day.month if latitude > 0 else (day.month + 5) % 12 + 1
    part = ("early", "mid", "late")[north % 3]
    name = ("winter", "spring", "summer", "autumn")[north % 12 // 3]
    return f"{part} {name}"
