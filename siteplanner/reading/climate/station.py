"""Reads what the weather station says: its monthly means, coldest nights and daily minima."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, input_error
from siteplanner.reading.climate.weather import StationAir, vapour_of_humidity, wind_at_2_m
from siteplanner.reading.files.features import read_table
from siteplanner.reading.reference_height import to_reference
from siteplanner.site.site_file import Site

_MONTHLY = ("tmin_c", "tmax_c", "rain_mm")


@dataclass(frozen=True)
class Climate:
    """A station's climate: monthly means, January first, and the coldest night each winter.

    ``tmin_c``, ``tmax_c`` (°C) and ``rain_mm`` have shape (12,), at screen height (1.2 m), which
    evapotranspiration and the nursery go by. ``winter_minima``, indexed by year, ``night_minima``
    (the months' mean minima, (12,)) and ``daily_minima``, indexed by date, None where the site
    names none, are °C brought to the site's reference height. ``air`` is None where the station
    does not tell wind, humidity and sun. ``elevation_m`` is the station's,
    ``minima_error_c`` how far its winters may be off those here (°C).
    """

    tmin_c: NDArray[np.float64]
    tmax_c: NDArray[np.float64]
    rain_mm: NDArray[np.float64]
    winter_minima: pd.Series[float]
    night_minima: NDArray[np.float64]
    daily_minima: pd.Series[float] | None = None
    air: StationAir | None = None
    elevation_m: float | None = None
    minima_error_c: float = 0.0

    @property
    def in_words(self) -> str:
        """Say what is known of the climate."""
        known = bool(np.isfinite(self.rain_mm).all())
        rain = f"{self.rain_mm.sum():.0f} mm rain a year" if known else "months not given"
        said = f"{rain}, {len(self.winter_minima)} winter minima"
        return f"{said}, {self.et0_in_words}" if known else said

    @property
    def et0_in_words(self) -> str:
        """Say how evapotranspiration is worked out, and what would make it better."""
        if self.air is not None:
            return "evapotranspiration by Penman-Monteith"
        return (
            "evapotranspiration from temperatures alone, by Hargreaves (columns wind_m_s, "
            "humidity_percent and sunshine_h would allow Penman-Monteith)"
        )


#: Columns of the monthly means that are not needed, the range of each and its unit.
_AIR_COLUMNS = {
    "wind_m_s": (0, 60, "mean wind in metres a second"),
    "humidity_percent": (1, 100, "mean relative humidity in percent"),
    "sunshine_h": (0, 24, "hours of sunshine a day"),
    "solar_mj": (0, 50, "radiation in MJ a square metre and day"),
}


def read_climate(site: Site, notes: list[str] | None = None) -> Climate:
    """Read the station's monthly means and winter minima.

    Raises :class:`~siteplanner.InputError` with every error of both files.
    """
    path = site.folder / (site.climate.monthly or "")
    errors = Errors()
    monthly = pd.DataFrame(np.nan, range(12), ["month", *_MONTHLY])
    minima = pd.DataFrame({"year": [], "min_c": []}, dtype="float64")
    if site.climate.monthly is not None:
        with errors.gather():
            monthly = _monthly(path, notes)
    if site.climate.winter_minima is not None:
        with errors.gather():
            minima = _winter_minima(site.folder / site.climate.winter_minima, notes)
    errors.raise_any()
    by_year = minima.set_index(minima["year"].astype(int))["min_c"].sort_index()
    by_year[:] = to_reference(by_year.to_numpy(), site.frost)
    tmin, tmax, rain = (monthly[c].to_numpy(dtype=np.float64) for c in _MONTHLY)
    nights, air = to_reference(tmin, site.frost), _air(site, path, monthly)
    height = site.climate.station_elevation_m
    daily, error = _daily_minima(site, notes), site.climate.minima_error_c
    return Climate(tmin, tmax, rain, by_year, nights, daily, air, height, error)


def _monthly(path: Path, notes: list[str] | None) -> pd.DataFrame:
    """Read the twelve months, January first."""
    monthly = read_table(path, ["month", *_MONTHLY], _AIR_COLUMNS, notes)
    errors = Errors()
    if sorted(monthly["month"]) != list(range(1, 13)):
        errors.add(
            path,
            "month",
            "it must have each month from 1 to 12 once",
            "write one row for each month",
        )
    monthly = monthly.sort_values("month")
    for row in monthly.itertuples():
        if row.tmin_c > row.tmax_c:
            errors.add(path, f"month {row.month}", "tmin_c is above tmax_c", "swap them")
        for column in ("tmin_c", "tmax_c"):
            if not -60 <= getattr(row, column) <= 60:
                errors.add(
                    path,
                    f"month {row.month}, {column}",
                    f"{getattr(row, column)} is not possible",
                    "give the month's mean in °C",
                )
        if not 0 <= row.rain_mm < 5000:
            errors.add(
                path,
                f"month {row.month}, rain_mm",
                f"{row.rain_mm} mm is not possible",
                "give the month's mean rainfall in mm",
            )
        for column, (low, high, what) in _AIR_COLUMNS.items():
            if not low <= getattr(row, column, low) <= high:
                errors.add(
                    path,
                    f"month {row.month}, {column}",
                    f"{getattr(row, column)} is not possible",
                    f"give the month's {what}",
                )
    errors.raise_any()
    return monthly


def _winter_minima(path: Path, notes: list[str] | None) -> pd.DataFrame:
    """Read ``year`` and ``min_c``, each winter once."""
    minima = read_table(path, ["year", "min_c"], notes=notes, gaps=True)
    year = minima["year"]
    errors = Errors()
    for row in minima.index[~year.between(1800, 2200) | (year != year.round())]:
        errors.add(
            path,
            f"row {row + 2}, year",
            f"{year[row]} is not a year",
            "write a whole year, such as 2024",
        )
    for row in minima.index[year.duplicated()]:
        errors.add(
            path, f"row {row + 2}, year", f"{year[row]} is listed twice", "keep one row of it"
        )
    _possible_minima(path, minima, errors)
    errors.raise_any()
    return minima


def _possible_minima(path: Path, frame: pd.DataFrame, errors: Errors) -> None:
    for row in frame.index[~frame["min_c"].between(-90, 40)]:
        errors.add(
            path,
            f"row {row + 2}, min_c",
            f"{frame['min_c'][row]} is not possible",
            "give the lowest temperature in °C",
        )


def _air(site: Site, path: Path, monthly: pd.DataFrame) -> StationAir | None:
    """What the monthly means, in order, tell for Penman-Monteith; None unless they tell it all."""
    told = {c: monthly[c].to_numpy(np.float64) for c in _AIR_COLUMNS if c in monthly}
    if not {"wind_m_s", "humidity_percent"} <= told.keys() or not {"sunshine_h", "solar_mj"} & set(
        told
    ):
        return None
    if site.climate.station_elevation_m is None:
        raise input_error(
            site.path,
            "climate.station_elevation_m",
            f"it is missing, and {path.name} has wind, humidity and sun for Penman-Monteith",
            "give the station's elevation in metres, from which its air pressure is worked out",
        )
    low, high = (monthly[c].to_numpy(np.float64) for c in ("tmin_c", "tmax_c"))
    return StationAir(
        wind_at_2_m(told["wind_m_s"], site.climate.wind_height_m),
        vapour_of_humidity(low, high, told["humidity_percent"]),
        told.get("solar_mj"),
        told.get("sunshine_h"),
        site.climate.station_elevation_m,
    )


def _daily_minima(site: Site, notes: list[str] | None) -> pd.Series[float] | None:
    """Read the station's daily minima, brought to the reference height."""
    if site.climate.daily_minima is None:
        return None
    path = site.folder / site.climate.daily_minima
    frame = read_table(path, ["min_c"], notes=notes, gaps=True)
    if "date" not in frame:
        raise input_error(path, "date", "this column is missing", "name the column of dates date")
    dates = pd.to_datetime(frame["date"], format="%Y-%m-%d", errors="coerce")
    errors = Errors()
    _possible_minima(path, frame, errors)
    for row in frame.index[dates.isna()][:10]:
        errors.add(
            path,
            f"row {row + 2}, date",
            f"{frame['date'][row]!r} is not a date",
            "write dates as 2024-07-31",
        )
    for row in frame.index[dates.duplicated() & dates.notna()][:10]:
        errors.add(
            path,
            f"row {row + 2}, date",
            f"{frame['date'][row]} is listed twice",
            "keep one row of it",
        )
    errors.raise_any()
    lowest = to_reference(frame["min_c"].to_numpy(), site.frost)
    return pd.Series(lowest, index=pd.DatetimeIndex(dates)).sort_index()
