"""The odds of a killing frost: how often a winter gets as cold as a species can bear.

The coldest nights of winters are taken to follow a Gumbel distribution of minima, fitted by
its moments to a station's record and moved to a place by that place's difference. The odds fold
in what is not known: the difference, the fit to few winters, and the tolerance itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

EULER = 0.5772156649015329
#: How well a tolerance is known, standard deviation in °C, by the evidence named for it (from
#: memory, judgement).
TOLERANCE_ERROR = {"published": 0.7, "common practice": 1.0, "from memory": 1.5}
#: A seedling dies at this much milder frost than a tree where the table does not say (from
#: memory, judgement).
SEEDLING_TENDER_C = 2.0
_DRAWS = 400
#: Ends of the range that is told: two of three draws lie between them.
_LOW, _HIGH = 1 / 6, 5 / 6


@dataclass(frozen=True)
class Gumbel:
    """Distribution of winter minima: P(colder than x) = 1 - exp(-exp((x - location) / scale)).

    ``location`` and ``scale`` in °C; ``winters`` is the length of the record behind it.
    """

    location: float
    scale: float
    winters: int = 0

    @property
    def mean(self) -> float:
        """Mean winter minimum, °C."""
        return self.location - EULER * self.scale

    @property
    def mean_error(self) -> float:
        """Standard error of the mean, °C; 0 where the fit rests on fewer than two winters."""
        known = self.winters >= 2
        return float(self.scale * np.pi / np.sqrt(6 * self.winters)) if known else 0.0

    def chance_below(self, celsius: ArrayLike) -> NDArray[np.float64]:
        """Chance that a winter's coldest night is colder than this."""
        return _chance(np.asarray(celsius, dtype=np.float64), self.location, self.scale)

    def once_in(self, years: ArrayLike) -> NDArray[np.float64]:
        """Minimum that is undercut once in so many years on average, °C."""
        spread = self.scale * np.pi / np.sqrt(6)
        return self.mean - frequency_factor(years) * spread


def _chance(
    celsius: NDArray[np.float64],
    location: float | NDArray[np.float64],
    scale: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    with np.errstate(over="ignore"):
        return np.asarray(-np.expm1(-np.exp((celsius - location) / scale)))


def frequency_factor(years: ArrayLike) -> NDArray[np.float64]:
    """Gumbel's frequency factor K_T: the T-year value lies K_T deviations beyond the mean.

    K_T = -(sqrt(6) / pi) (0.5772 + ln ln(T / (T - 1))), for maxima upward, for minima downward.
    """
    t = np.asarray(years, dtype=np.float64)
    return np.asarray(-np.sqrt(6) / np.pi * (EULER + np.log(np.log(t / (t - 1)))))


def gumbel_of(mean: float, deviation: float, winters: int = 0) -> Gumbel:
    """Fit by moments: mean and standard deviation of winter minima, °C."""
    scale = float(deviation) * np.sqrt(6) / np.pi
    return Gumbel(float(mean) + EULER * scale, scale, winters)


def widened(station: Gumbel, winter_c: float) -> Gumbel:
    """Winters at a place whose difference from the station changes by ``winter_c`` (°C) a winter.

    Same mean; the variance of the place's own winters is added to the station's, by moments.
    """
    deviation = float(np.hypot(station.scale * np.pi / np.sqrt(6), winter_c))
    return gumbel_of(station.mean, deviation, station.winters)


def fit_gumbel(minima: Sequence[float] | NDArray[np.float64]) -> Gumbel:
    """Fit winter minima (°C, two at least, not all alike) by moments.

    Raises ``ValueError`` for fewer than two, or when all are alike.
    """
    values = np.asarray(minima, dtype=np.float64)
    if len(values) < 2 or np.ptp(values) == 0:
        raise ValueError("a Gumbel distribution needs at least two different winter minima")
    return gumbel_of(float(values.mean()), float(values.std(ddof=1)), len(values))


def over_years(chance: ArrayLike, years: int) -> NDArray[np.float64]:
    """Chance that it happens at least once in so many years: 1 - (1 - p)^n.

    >>> over_years([0.1, 0.5], 3).round(3).tolist()
    [0.271, 0.875]
    """
    return np.asarray(1 - (1 - np.asarray(chance, dtype=np.float64)) ** years)


@dataclass(frozen=True)
class Odds:
    """Chance of a killing frost in one winter: middle, and a range that two in three fall into.

    ``over`` is the chance over the years of establishment.
    """

    chance: float
    low: float
    high: float
    over: float
    range_only: bool

    def words(self) -> str:
        """Say the odds as a person reads them; a tolerance from memory yields only a range."""
        low, high = one_in(self.low), one_in(self.high)
        if low == high:
            return low
        if self.low < 1 / 150:
            return f"up to {high}" if self.range_only else f"{one_in(self.chance)} (up to {high})"
        if self.range_only:
            return f"between {low} and {high}"
        return f"{one_in(self.chance)} ({low} to {high})"


def one_in(chance: float) -> str:
    """Say a chance a winter as "1 winter in 8".

    >>> one_in(0.12), one_in(0.95)
    ('1 winter in 8', 'nearly every winter')
    """
    if chance < 1 / 150:
        return "less than 1 winter in 150"
    if chance > 0.9:
        return "nearly every winter"
    if chance > 0.6:
        return "most winters"
    years = 1 / chance
    if years < 1.75:
        return "every other winter"
    step = 1 if years < 12 else 5 if years < 50 else 10
    return f"1 winter in {max(2, round(years / step) * step)}"


def odds(
    station: Gumbel,
    difference_c: float,
    error_c: float,
    dies_below_c: float,
    tolerance_error_c: float,
    *,
    years: int,
    range_only: bool,
) -> Odds:
    """Odds of a winter that kills at one place, as :func:`chances` gives them.

    ``difference_c`` is the place's winter minimum less the station's; ``dies_below_c`` what the
    plant bears.
    """
    if not np.isfinite([difference_c, error_c, dies_below_c]).all():
        unknown = float("nan")
        return Odds(unknown, unknown, unknown, unknown, range_only)
    at_station = np.array([dies_below_c - difference_c])
    low, chance, high, over = chances(station, at_station, error_c, tolerance_error_c, years=years)
    return Odds(float(chance[0]), float(low[0]), float(high[0]), float(over[0]), range_only)


def chances(
    station: Gumbel,
    at_station_c: NDArray[np.float64],
    error_c: float,
    tolerance_error_c: float,
    *,
    years: int,
) -> NDArray[np.float64]:
    """Chances (4, places) of a winter that kills: low, middle, high, and over the ``years``.

    ``at_station_c`` (places,) is what the station's minimum must fall below to kill: what the plant
    bears less the place's difference from the station. ``error_c`` is the standard error of the
    place's minimum, with that of the station's mean in it; ``tolerance_error_c`` how well the
    tolerance is known. The uncertain quantities are drawn 400 times, always the same draws: errors
    as normals, evenly spread so that ranges hold what they should, the Gumbel fit by fitting anew
    to as many winters drawn from it.
    """
    location, scale = _refits(station)
    # The refits draw the error of the station's mean, which is in a place's error too.
    error_c = float(np.sqrt(max(error_c**2 - station.mean_error**2, 0)))
    doubt = np.hypot(tolerance_error_c, error_c) * _even_normals()
    chance = _chance(at_station_c[:, None] + doubt, location, scale)
    low, high = np.quantile(chance, (_LOW, _HIGH), axis=1)
    over = over_years(chance, years).mean(axis=1)
    return np.stack([low, chance.mean(axis=1), high, over])


@lru_cache(maxsize=1)
def _even_normals() -> NDArray[np.float64]:
    """Standard normals, one from every 400th of the distribution, in a drawn order."""
    order = np.random.default_rng(41).permutation(_DRAWS)
    return np.asarray(ndtri((order + 0.5) / _DRAWS))


@lru_cache(maxsize=8)
def _refits(station: Gumbel) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Location and scale of fits to winters drawn from the distribution itself."""
    if station.winters < 2:
        return np.full(_DRAWS, station.location), np.full(_DRAWS, station.scale)
    rng = np.random.default_rng(43)
    drawn = station.location - station.scale * rng.gumbel(size=(_DRAWS, station.winters))
    scale = drawn.std(axis=1, ddof=1) * np.sqrt(6) / np.pi
    return drawn.mean(axis=1) + EULER * scale, np.maximum(scale, 1e-6)
