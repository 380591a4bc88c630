"""Planting windows: between which days of the year a kind of ground may be planted, and why.

Roots need moist ground for some weeks. Ground counts as moist while rain is more than half the
reference evapotranspiration, and then until up to 100 mm that the soil has stored are used up; it
counts as wet while rain is more than all of it: the growing period and its humid part of the
Agro-Ecological Zones project (FAO 1978, World Soil Resources Report 48/1, as quoted by FAO's
Agrometeorology Group, "Length of the growing season"). Which part of that time suits which ground
is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from siteplanner.ground.cold.frost_dates import FrostDates, day_words
from siteplanner.ground.sun.irradiation import MID_MONTH, MONTH_DAYS

_YEAR = 365
#: A shorter window is none: a crew cannot be called together for it (judgement).
SHORTEST_DAYS = 14
#: What the soil stores of excess rain, as the growing period of FAO 1978 takes it.
STORED_MM = 100.0


@dataclass(frozen=True)
class Moisture:
    """Whether the ground is moist, and whether it is wet, on each day of a year, bool (365,).

    ``stored_mm`` (365,) is the water that the soil has in store, 0 to ``STORED_MM``.
    """

    moist: NDArray[np.bool_]
    wet: NDArray[np.bool_]
    coldest: int
    stored_mm: NDArray[np.float64]

    def weeks_ahead(self) -> NDArray[np.float64]:
        """For how many weeks without a break the ground stays moist from each day on, (365,)."""
        return _run_ahead(self.moist) / 7


@dataclass(frozen=True)
class Window:
    """Between which days a kind of ground is planted.

    ``first`` and ``last`` are days of the year, 1 to 365; a window that runs over New Year has a
    ``last`` before its ``first``. ``words`` say when that is and why; ``fits`` is False where no
    time of the year suits, and then ``why_not`` says why, and the days are the least bad ones.
    """

    first: int
    last: int
    words: str
    why_not: str = ""

    @property
    def fits(self) -> bool:
        """Whether the window suits the ground."""
        return not self.why_not

    def dates(self, year: int, not_before: date | None = None) -> tuple[date, date]:
        """First and last day in a year, or in the first later year that is not over by then.

        With ``not_before``, a window that is open on that day begins on it, and one that has
        too little left comes a year later.
        """
        start = _day(self.first, year)
        end = _day(self.last, year + (self.last < self.first))
        if not_before is None or not_before <= start:
            return start, end
        if not_before + timedelta(days=SHORTEST_DAYS - 1) <= end:
            return not_before, end
        return self.dates(year + 1, not_before)


def moisture_of(
    rain_mm: NDArray[np.float64], et0_mm: NDArray[np.float64], mean_c: NDArray[np.float64]
) -> Moisture:
    """Tell moist and wet days from twelve monthly sums of rain and evapotranspiration, mm.

    Daily rates run straight from mid-month to mid-month; ``mean_c`` are the monthly mean
    temperatures, whose coldest day is wanted too.
    """
    rain, et0 = (_by_day(monthly / MONTH_DAYS) for monthly in (rain_mm, et0_mm))
    stored, gain = 0.0, rain - et0
    in_store = np.zeros(_YEAR)
    for day in range(2 * _YEAR):  # the second year is as every year
        stored = min(max(stored + float(gain[day % _YEAR]), 0.0), STORED_MM)
        in_store[day % _YEAR] = stored
    moist = (rain > et0 / 2) | (in_store > 0)
    return Moisture(moist, rain > et0, int(_by_day(mean_c).argmin()), in_store)


def window_for(
    kind: str, moisture: Moisture, frost: FrostDates | None, *, rooting_weeks: int, weeks: int
) -> Window:
    """Choose the window of a kind of ground: ``frosty``, ``wet``, ``dry`` or ``any``.

    Frosty ground is planted from the mean last frost on, wet ground when the wet time is over,
    dry ground from its beginning (the break), any other in the cool time; all only while
    ``rooting_weeks`` of moist ground lie ahead, for ``weeks`` at most.
    """
    rooted = moisture.weeks_ahead() >= rooting_weeks
    allowed, words, ask = rooted.copy(), "", ""
    if kind == "frosty" and frost is not None and math.isfinite(frost.last):
        # Roots must hold before the next frost comes too.
        calm = ~_between(frost.first, frost.last)
        allowed &= calm & (_run_ahead(calm) >= 7 * rooting_weeks)
        start = _half_month(int(frost.last) % _YEAR)
        words = f"after the mean last frost ({day_words(frost.last)})"
        ask = f"frost lasts to about {day_words(frost.last)}"
    elif kind == "wet" and moisture.wet.any() and not moisture.wet.all():
        allowed &= ~moisture.wet
        start = _end_of_longest(moisture.wet)
        words, ask = "when the water has gone down", f"water lies to about {_words(start)}"
    elif kind == "dry":
        start = _start_of_longest(moisture.wet if moisture.wet.any() else moisture.moist)
        words = "from the break of the dry season on, while the ground is moist and warm"
    else:
        start = (moisture.coldest - 7 * weeks // 2) % _YEAR
        words = "in the cool season, while the ground is moist"
    first = _first_allowed(allowed, start)
    if first is None:
        return _none(kind, moisture, start, words, ask, rooting_weeks, weeks)
    length = min(7 * weeks, int(_run_ahead(allowed)[first]))
    return Window(first + 1, (first + length - 1) % _YEAR + 1, words)


def window_without_climate(latitude: float, weeks: int) -> Window:
    """Give the cool season by the sun alone, where no climate is given.

    The coldest time comes about a month after midwinter (common practice, no source).
    """
    coldest = (14 if latitude >= 0 else 195) - 7 * weeks // 2
    words = "in the cool season, once the ground is moist (no climate is given: look at the ground)"
    return Window(coldest % _YEAR + 1, (coldest + 7 * weeks - 1) % _YEAR + 1, words)


def _none(
    kind: str, moisture: Moisture, start: int, words: str, ask: str, rooting: int, weeks: int
) -> Window:
    """The least bad time where none suits, with the reason."""
    ahead = moisture.weeks_ahead()
    if not moisture.moist.any():
        why = "rain is never more than half of what evaporates, so trees must be watered"
    elif ask:
        why = (
            f"{ask}, and then the ground stays moist for {_weeks(ahead[start])} only, of the "
            f"{rooting} that roots need"
        )
    else:
        why = f"the ground is moist for {_weeks(ahead.max())} at most, and roots need {rooting}"
    if kind not in ("frosty", "wet") and moisture.moist.any():
        start = int(ahead.argmax())
    return Window(start + 1, (start + 7 * weeks - 1) % _YEAR + 1, words, why)


def _first_allowed(allowed: NDArray[np.bool_], start: int) -> int | None:
    """First day at or after ``start`` from which a window of some length is allowed."""
    days = np.roll((_run_ahead(allowed) >= SHORTEST_DAYS), -start)
    return int((start + days.argmax()) % _YEAR) if days.any() else None


def _day(number: int, year: int) -> date:
    """The day of a year, counted as in a year without 29 February."""
    return (date(2023, 1, 1) + timedelta(days=number - 1)).replace(year=year)


def _half_month(day: int) -> int:
    """The next 1st or 16th on or after a day, so that zones of like frost share a window."""
    when = date(2023, 1, 1) + timedelta(days=day)
    if when.day == 1 or when.day == 16:
        return day
    turn = when.replace(day=16) if when.day < 16 else (when.replace(day=28) + timedelta(days=4))
    turn = turn if when.day < 16 else turn.replace(day=1)
    return (turn - date(2023, 1, 1)).days % _YEAR


def _by_day(monthly: NDArray[np.float64]) -> NDArray[np.float64]:
    """Monthly values as straight lines from mid-month to mid-month, (365,)."""
    at = np.concatenate([[MID_MONTH[-1] - _YEAR], MID_MONTH, [MID_MONTH[0] + _YEAR]])
    value = np.concatenate([[monthly[-1]], monthly, [monthly[0]]])
    return np.interp(np.arange(1, _YEAR + 1), at, value)


def _run_ahead(days: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many days in a row, from each day on and over New Year, are true; 365 at most."""
    if days.all():
        return np.full(_YEAR, _YEAR)
    twice = np.concatenate([days, days])
    false_at = np.where(twice, 2 * _YEAR, np.arange(2 * _YEAR))
    following = np.minimum.accumulate(false_at[::-1])[::-1][:_YEAR]
    return np.asarray(following - np.arange(_YEAR))


def _between(first: float, last: float) -> NDArray[np.bool_]:
    """Days from ``first`` to ``last``, over New Year where it must be, bool (365,)."""
    day = np.arange(1, _YEAR + 1)
    if not math.isfinite(first):
        return day == int(last)
    return np.asarray((day - first) % _YEAR <= (last - first) % _YEAR)


def _start_of_longest(days: NDArray[np.bool_]) -> int:
    """First day of the longest run; day 0 where the run has no end."""
    return int(_run_ahead(days).argmax()) if not days.all() else 0


def _end_of_longest(days: NDArray[np.bool_]) -> int:
    """The day after the longest run."""
    start = _start_of_longest(days)
    return int((start + _run_ahead(days)[start]) % _YEAR)


def _weeks(number: float) -> str:
    """Say a number of weeks, whole ones."""
    return "1 week" if int(number) == 1 else f"{int(number)} weeks"


def _words(day: int) -> str:
    return day_words(float(day % _YEAR + 1))
