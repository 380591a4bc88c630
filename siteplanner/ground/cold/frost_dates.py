"""When it freezes: first and last frost of the year at a place, and frost on spring growth.

From a station's monthly means with the spread of nights about them, or from its daily minima.
A place is colder than the station on calm clear nights only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from siteplanner.ground.sun.irradiation import MID_MONTH

#: Share of nights on which cold air pools: 45 % in the Clun valley (COLPEX, Jemmett-Smith et
#: al.); taken for any place.
CLEAR_SHARE = 0.45
#: Expected lowest of a winter's nights, in standard deviations below their mean: of some 45
#: independent nights (from memory, judgement).
_LOWEST_OF_WINTER = 2.2
#: Growth is taken to start when the mean temperature passes this (from memory, judgement).
GROWTH_STARTS_C = 8.0
_SPRING_DAYS = 120
_YEAR = 365


@dataclass(frozen=True)
class Nights:
    """A station's year of nights: day by day from 1 January, 365 values each.

    ``minimum`` and ``mean`` (°C) are smooth; ``deviation`` is the spread of single nights
    about ``minimum``.
    """

    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    deviation: float


@dataclass(frozen=True)
class FrostDates:
    """Days of the year (1-365; NaN where it seldom freezes) and chances.

    ``first`` and ``last`` are passed in half of the years, ``early`` and ``late`` are the
    first and last frost of the worst year in ten. ``growth`` is the day growth starts,
    ``late_chance`` the chance of a frost of the stated strength in the 120 days after it.
    """

    early: float
    first: float
    last: float
    late: float
    growth: float
    late_chance: float


def nights_of(
    night_minima_c: NDArray[np.float64], mean_c: NDArray[np.float64], winter_minimum_c: float
) -> Nights:
    """Smooth a station's monthly means (12,) to days; the spread follows from the coldest night.

    ``night_minima_c`` and ``winter_minimum_c`` are of one height above the ground.
    The mean of winter minima lies about 2.2 deviations below the coldest month's mean minimum.
    """
    minimum, mean = _by_day(night_minima_c), _by_day(mean_c)
    deviation = max((float(minimum.min()) - winter_minimum_c) / _LOWEST_OF_WINTER, 0.5)
    return Nights(minimum, mean, deviation)


def _by_day(monthly: NDArray[np.float64]) -> NDArray[np.float64]:
    """First two harmonics of twelve monthly values, on each day of a year."""
    angle = 2 * np.pi * MID_MONTH / 365
    terms = [np.ones(12)] + [f(k * angle) for k in (1, 2) for f in (np.cos, np.sin)]
    weights = np.linalg.lstsq(np.column_stack(terms), monthly, rcond=None)[0]
    day = 2 * np.pi * np.arange(1, _YEAR + 1) / 365
    return np.asarray(
        weights
        @ np.stack([np.ones(_YEAR)] + [f(k * day) for k in (1, 2) for f in (np.cos, np.sin)])
    )


def chance_each_night(nights: Nights, difference_c: float, below_c: float) -> NDArray[np.float64]:
    """Chance (365,) that a night is colder than ``below_c`` at a place.

    ``difference_c``, from the station on the coldest nights, holds on the clear share of nights;
    on the others the place is like the station.
    """
    clear = ndtr((below_c - difference_c - nights.minimum) / nights.deviation)
    others = ndtr((below_c - nights.minimum) / nights.deviation)
    return np.asarray(CLEAR_SHARE * clear + (1 - CLEAR_SHARE) * others)


def frost_dates(
    nights: Nights,
    difference_c: float,
    *,
    frost_c: float = 0.0,
    late_c: float = -2.0,
    growth_day: int | None = None,
) -> FrostDates:
    """Frost dates of a place by its difference from the station on the coldest nights (°C).

    Nights count as independent of each other, which puts the dates of the worst year in ten
    some days too far out.
    """
    turn = int(nights.minimum.argmax())  # the warmest day: a season runs from there
    chance = np.roll(chance_each_night(nights, difference_c, frost_c), -turn)
    none_before = np.cumprod(1 - chance, dtype=np.float64)
    none_after = np.cumprod(1 - chance[::-1], dtype=np.float64)
    growth = growth_day if growth_day is not None else growth_starts(nights)
    spring = np.roll(chance_each_night(nights, difference_c, late_c), -(growth - 1))[:_SPRING_DAYS]

    def day(none: NDArray[Any], share: float, backward: bool) -> float:
        if none[-1] > share:
            return float("nan")
        at = int(np.argmax(none <= share))
        return float((turn + (_YEAR - 1 - at if backward else at)) % _YEAR + 1)

    return FrostDates(
        day(none_before, 0.9, False),
        day(none_before, 0.5, False),
        day(none_after, 0.5, True),
        day(none_after, 0.9, True),
        float(growth),
        float(1 - np.prod(1 - spring)),
    )


def growth_starts(nights: Nights) -> int:
    """Day of the year on which growth starts: the mean passes 8 °C after the coldest day.

    Where it never falls so low, a month after the coldest day.
    """
    coldest = int(nights.mean.argmin())
    after = np.roll(nights.mean, -coldest)
    start = int(np.argmax(after >= GROWTH_STARTS_C)) if after.max() >= GROWTH_STARTS_C else 0
    return (coldest + (start if start > 0 else 30)) % _YEAR + 1


def frost_dates_of_record(
    daily: pd.Series[float],
    difference_c: float,
    *,
    frost_c: float = 0.0,
    late_c: float = -2.0,
    growth_day: int,
) -> FrostDates:
    """Frost dates from a station's daily minima (°C, indexed by date), counted year by year.

    ``difference_c`` holds on the colder 45 % of each month's nights, which are taken for the
    clear ones. Seasons with fewer than 330 days are left out.
    """
    when = pd.DatetimeIndex(daily.index)
    month = pd.Series(when.month, index=daily.index)
    rank = daily.groupby(month).rank(pct=True)
    place = daily + np.where(rank <= CLEAR_SHARE, difference_c, 0.0)
    day = np.minimum(when.day_of_year, _YEAR)
    warmest = int(daily.groupby(day).mean().rolling(31, center=True, min_periods=1).mean().idxmax())
    into = (day - warmest) % _YEAR
    season = when.year - (day < warmest)
    seasons = pd.DataFrame(
        {
            "into": into,
            "season": season,
            "frost": place.to_numpy() < frost_c,
            "late": place.to_numpy() < late_c,
        }
    )
    seasons["spring"] = (seasons["into"] - (growth_day - warmest)) % _YEAR < _SPRING_DAYS
    firsts, lasts, lates = [], [], []
    for _, year in seasons.groupby("season"):
        if len(year) < 330:
            continue
        frosts = year["into"][year["frost"]]
        firsts.append(frosts.min() if len(frosts) else np.inf)
        lasts.append(frosts.max() if len(frosts) else -np.inf)
        lates.append(bool((year["late"] & year["spring"]).any()))

    def at(values: list[float], share: float) -> float:
        found = float(np.quantile(values, share, method="nearest")) if values else np.nan
        return float((warmest - 1 + found) % _YEAR + 1) if np.isfinite(found) else float("nan")

    late = float(np.mean(lates)) if lates else float("nan")
    return FrostDates(
        at(firsts, 0.1), at(firsts, 0.5), at(lasts, 0.5), at(lasts, 0.9), float(growth_day), late
    )


def day_words(day: float) -> str:
    """Say a day of the year as "14 May"; "" for none.

    >>> day_words(134.0), day_words(float("nan"))
    ('14 May', '')
    """
    if not np.isfinite(day):
        return ""
    date = pd.Timestamp(2023, 1, 1) + pd.Timedelta(days=int(day) - 1)
    return f"{date.day} {date.month_name()}"
