"""What a station's winters and several nights a winter say: odd minima, a trend, steadier readings.

Nothing here changes a record: what is odd is named, and the user decides.
"""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr

from siteplanner.base.errors import Errors

#: A winter this many robust deviations off the middle one is named. Of drawn Gumbel or normal
#: records of 8 to 60 winters, at most two in a hundred hold one by chance (3000 draws each).
_ODD = 8.0
#: A record's spread is taken for at least this, °C, so that an even record names nothing.
_LEAST_SPREAD_C = 0.5
_FEWEST = 8
#: Winters from which on a record shows how winters differ, and the standard deviation that is
#: taken for one that is shorter or all alike, °C (from memory).
ENOUGH_WINTERS, ASSUMED_SPREAD_C = 5, 1.5
#: Winters from which on a trend is tested, and the chance at which it is said.
_LONG, _SAID_AT = 30, 0.05


def few_winters(minima: pd.Series[float], name: str) -> list[str]:
    """Say that a record (°C by year) has too few winters to show how they differ.

    >>> few_winters(pd.Series([-3.0], [2024]), "minima.csv")[0][:57]
    'minima.csv: one winter is too few to show how winters dif'
    """
    number = len(minima)
    if number >= ENOUGH_WINTERS:
        return []
    verb = "one winter is" if number == 1 else f"{number} winters are"
    return [
        f"{name}: {verb} too few to show how winters differ. Their standard deviation is taken as "
        f"{ASSUMED_SPREAD_C} °C (from memory), and all odds of frost and the colder winters named "
        f"rest on that. List ten winters or more, at the least {ENOUGH_WINTERS}."
    ]


def odd_winters(minima: pd.Series[float], name: str) -> list[str]:
    """Name winters (°C by year) whose minimum lies far off the others, a sentence each.

    Far is eight times 1.4826 times the median distance from the median (0.5 °C at least):
    common practice, no source for the figure.
    """
    if len(minima) < _FEWEST:
        return []
    middle = float(minima.median())
    away = (minima - middle).abs()
    spread = max(1.4826 * float(away.median()), _LEAST_SPREAD_C)
    said = []
    for year in minima.index[away > _ODD * spread]:
        without = minima.drop(year)
        said.append(
            f"{name}: winter {year} has {minima[year]:.1f} °C, far from the others (median "
            f"{middle:.1f} °C). It is used as it is: the spread of the record is "
            f"{minima.std(ddof=1):.1f} °C with it and {without.std(ddof=1):.1f} °C without, and "
            "all odds of frost depend on that. Check the figure, and correct or delete the row "
            "if it is wrong."
        )
    return said


def mann_kendall(values: ArrayLike) -> tuple[int, float, float]:
    """Test values in order of time for a trend: S, its standard score, two-sided chance.

    S counts pairs that rise less pairs that fall; its variance without a trend is
    [n (n - 1) (2 n + 5) - sum t (t - 1) (2 t + 5)] / 18 with ties of t values; one is taken off
    |S| for continuity (formulas as the R package trend documents them for its mk.test).

    >>> mann_kendall([1, 2, 3, 4, 5])[0]
    10
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    s = int(np.sign(x[None] - x[:, None])[np.triu_indices(n, 1)].sum())
    ties = np.unique(x, return_counts=True)[1]
    variance = (n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18
    z = math.copysign(max(abs(s) - 1, 0), s) / math.sqrt(variance) if variance > 0 else 0.0
    return s, z, float(2 * ndtr(-abs(z)))


def trend_of_winters(minima: pd.Series[float], name: str) -> list[str]:
    """Say a trend in 30 winters or more (°C by year), where the test finds one at 5 %.

    The rate is the median of slopes between all pairs of winters (Theil-Sen).
    """
    known = minima.dropna().sort_index()
    if len(known) < _LONG:
        return []
    _, _, chance = mann_kendall(known.to_numpy())
    if chance >= _SAID_AT:
        return []
    years = known.index.to_numpy(dtype=np.float64)
    early, late = np.triu_indices(len(known), 1)
    slopes = np.diff(known.to_numpy()[[early, late]], axis=0) / np.diff(
        years[[early, late]], axis=0
    )
    rate = float(np.median(slopes))
    ahead = rate * (years[-1] + 10 - float(years.mean()))
    warmer = "risen" if rate > 0 else "fallen"
    effect = "overstate" if rate > 0 else "understate"
    return [
        f"{name}: winter minima have {warmer} by about {abs(rate) * 10:.1f} °C in ten years from "
        f"{years[0]:.0f} to {years[-1]:.0f} (Mann-Kendall test, chance without a trend "
        f"{chance:.3f}). The odds of frost come from all these winters and so {effect} those of "
        "the next twenty years: if the trend lasts, the middle of those years would be about "
        f"{abs(ahead):.1f} °C {'above' if rate > 0 else 'below'} the record's mean."
    ]


def one_value_a_winter(
    readings: gpd.GeoDataFrame, nights: int, path: Path, errors: Errors
) -> gpd.GeoDataFrame:
    """Bring several cold nights of a winter (``at_reference_c``) to one value an instrument.

    The mean of an instrument's ``nights`` coldest nights is steadier than the lowest alone. It
    is brought to the lowest by the mean difference between the two over all instruments of that
    winter. Nights are told by ``name`` and ``winter``; another number of rows is an error.
    """
    by = readings.groupby(["name", "winter"], sort=False)["at_reference_c"]
    for (name, winter), rows in by.size().items():
        if rows != nights:
            errors.add(
                path,
                f"{name}, winter {winter:.0f}",
                f"it has {rows} {'row' if rows == 1 else 'rows'}, but frost.nights is {nights}",
                f"give the instrument's {nights} coldest nights of that winter, one row each, or "
                "change frost.nights in the site file",
            )
    lowest, mean = by.transform("min"), by.transform("mean")
    first = ~readings.duplicated(["name", "winter"])
    gap = (lowest - mean)[first].groupby(readings["winter"][first]).mean()
    coldest = readings.groupby(["name", "winter"], sort=False)["winter_min_c"].transform("min")
    steadier = readings.assign(
        at_reference_c=mean + readings["winter"].map(gap), winter_min_c=coldest
    )
    return steadier[first].reset_index(drop=True)
