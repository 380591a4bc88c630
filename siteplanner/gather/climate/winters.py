"""The coldest night of each winter, out of daily minima."""

from __future__ import annotations

import pandas as pd

#: Months of a winter by hemisphere; in the north it is of the year in which it ends.
_SOUTH = (4, 5, 6, 7, 8, 9, 10)
_NORTH = (10, 11, 12, 1, 2, 3, 4)
#: Within the tropics there is hardly a winter.
TROPIC_DEG = 23.4


def winter_minima(daily: pd.Series[float], latitude: float, complete: float) -> pd.Series[float]:
    """Coldest night (°C) by winter, of winters with a known share ``complete`` of their days.

    ``daily`` is indexed by date. South of the equator April to October, north October to April,
    named by the year in which it ends.
    """
    known = daily.dropna()
    months = _SOUTH if latitude < 0 else _NORTH
    days = pd.DatetimeIndex(known.index)
    winter = days.year + ((days.month >= 10) & (latitude >= 0)).astype(int)
    here = known[days.month.isin(months)]
    by = here.groupby(winter[days.month.isin(months)])
    lowest, count = by.min(), by.count()
    whole = pd.Series({year: _days(int(year), latitude) for year in count.index}, dtype=float)
    return lowest[count >= complete * whole.reindex(count.index)]


def _days(year: int, latitude: float) -> int:
    first, last = (f"{year}-04-01", f"{year}-10-31")
    if latitude >= 0:
        first, last = f"{year - 1}-10-01", f"{year}-04-30"
    return (pd.Timestamp(last) - pd.Timestamp(first)).days + 1
