"""Dates of a batch, reckoned backwards from planting. Pure functions on dates."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial

from dateutil.relativedelta import relativedelta

from siteplanner.site.nursery import Nursery

#: Seasons by the sun; nearer the equator than this a month's name says more (the tropics).
TROPICS_DEG = 23.4
#: Seed is looked for in so many years before sowing, at most.
_YEARS_BACK = 3
#: It takes a while to get round the trees: a shorter collecting window is passed over.
_SHORTEST_WINDOW = timedelta(days=14)
#: Seed that does not keep is cleaned and sown, or put into its pre-treatment, within this time.
_AT_ONCE = timedelta(weeks=1)
#: Seed that keeps for less (years) is sown fresh too, whatever its storage is called.
FRESH_YEARS = 0.25


@dataclass(frozen=True)
class Dates:
    """When what is done for a batch; None where it cannot be told.

    ``pretreat`` is when seed goes into a pre-treatment that takes weeks, ``sow`` the day of
    sowing; ``show`` when seedlings should have come up; ``prick_out`` is
    None for seed sown straight into tubes. ``plantable`` is when the plants are big enough,
    ``plant`` and ``plant_until`` are the planting season. ``resow_by``: the last day on which a
    failed batch can be begun again, by sowing or by a pre-treatment that takes weeks, and still
    make this season; None when that has passed before a failure could show, or when the seed would
    not keep so long. ``moved_for_cold`` says that sowing was moved to a warmer month,
    ``moved_to_keep`` that it comes sooner than the plants need because the seed would not keep,
    ``sown_cold`` that fresh seed is sown in a cold month.
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
    moved_to_keep: bool
    sown_cold: bool


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
    keeps_years: float = math.nan,
    fresh: bool = False,
) -> Dates:
    """Reckon a batch's dates back from ``plant``, the day its planting window opens.

    ``until`` is the last day of the window; ``mean_c`` are the station's twelve monthly means,
    °C, January first; ``weeks_to_prick_out`` is NaN for seed sown straight into tubes,
    ``pretreatment_weeks`` where a pre-treatment takes no weeks, ``keeps_years`` where it is not
    known. ``fresh`` seed is sown, or pre-treated, within a week of collecting. Other seed is not
    sown, and does not come up, in a month colder than ``rules.sow_from_c``: see :func:`warm_day`.
    Seed that would be older than it keeps is sown sooner. Method: common practice, no source.
    """
    treated = timedelta(0 if math.isnan(pretreatment_weeks) else math.ceil(7 * pretreatment_weeks))
    wanted = add_months(plant, -months_to_plant_out)
    last = add_months(until, -months_to_plant_out * rules.hurry)
    comes_up = timedelta(days=math.ceil(7 * weeks_to_germinate))
    warm = partial(warm_day, mean_c=mean_c, least_c=rules.sow_from_c, comes_up=comes_up)
    latest = warm(last, last=last)
    fresh = fresh or keeps_years <= FRESH_YEARS
    clean = _AT_ONCE if fresh else timedelta(weeks=rules.clean_weeks)
    sow = wanted if fresh else warm(wanted, last=last)
    window = collecting_window(fruiting_months, sow - treated - clean)
    started, soonest = sow - treated, (window[1] + clean if window else None)
    kept = window[1] + _years(keeps_years) if window else None
    moved_to_keep = False
    if soonest and kept and (fresh or started > kept):
        moved_to_keep = started > soonest
        started = soonest
        if not fresh:
            started = max(soonest, warm(kept, last=soonest))
        # What comes out of weeks of moist cold can wait there for warmth; untreated seed cannot.
        sow = started + treated
        if treated:
            sow = warm(sow, last=last, back=False)
    show = sow + comes_up
    resow_by = latest - treated
    keeps = kept is None or (not fresh and resow_by <= kept)
    ready = add_months(sow, months_to_plant_out)
    # A late batch is hurried: see ``rules.hurry``.
    plantable = (
        ready if ready <= plant else max(plant, add_months(sow, months_to_plant_out * rules.hurry))
    )
    is_cold = mean_c[sow.month - 1] < rules.sow_from_c <= max(mean_c)
    return Dates(
        collect_from=window[0] if window else None,
        collect_to=window[1] if window else None,
        pretreat=started if treated else None,
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
        resow_by=resow_by if resow_by > show and keeps else None,
        doubtful=add_months(sow, rules.doubtful_months),
        give_up=add_months(sow, rules.give_up_months),
        pot_bound=add_months(plantable, rules.holds_months),
        moved_for_cold=not (fresh or moved_to_keep) and sow != wanted,
        moved_to_keep=moved_to_keep,
        sown_cold=fresh and is_cold,
    )


def _years(number: float) -> timedelta:
    """A span of years; without end (a thousand) where the number is not known."""
    return timedelta(days=365.25 * (1000.0 if math.isnan(number) else number))


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


def warm_day(
    day: date,
    mean_c: Sequence[float],
    least_c: float,
    last: date,
    *,
    comes_up: timedelta = timedelta(0),
    back: bool = True,
) -> date:
    """Give ``day`` when it is warm enough to sow, else the first day that is.

    It is warm enough where the mean of its month, and of that in which the seed ``comes_up``, is
    ``least_c`` or more. Where the next such day is after ``last``, the latest before ``day`` is
    given, or with ``back`` false ``day`` itself. Where no day of the year is warm enough, ``day``
    stays.

    >>> cold_june_to_august = [15, 15, 13, 11, 9, 6, 5, 7, 9, 11, 12, 14]
    >>> warm_day(date(2027, 7, 4), cold_june_to_august, 9.0, last=date(2027, 10, 1))
    datetime.date(2027, 9, 1)
    >>> warm_day(date(2027, 7, 4), cold_june_to_august, 9.0, last=date(2027, 8, 1))
    datetime.date(2027, 5, 31)
    """

    def is_warm(one: date) -> bool:
        return min(mean_c[one.month - 1], mean_c[(one + comes_up).month - 1]) >= least_c

    year = range(366)
    later = next((d for n in year if is_warm(d := day + timedelta(days=n))), None)
    if later is not None and later <= last:
        return later
    if later is None or not back:
        return day
    return next(d for n in year if is_warm(d := day - timedelta(days=n)))


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
