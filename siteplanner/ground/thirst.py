"""Reference evapotranspiration, the thirst of level ground under the station's sky."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from siteplanner.ground.sun import MID_MONTH, MONTH_DAYS, sky_radiation

Months = NDArray[np.float64]


@dataclass(frozen=True)
class Air:
    """What Penman-Monteith needs beyond temperatures: the station's air and sun, month by month.

    ``wind_m_s`` at 2 m over grass, ``vapour_kpa`` the actual vapour pressure; ``solar_mj`` the
    radiation that reaches the ground, MJ m-2 day-1, or where that is None ``sunshine_h``, hours
    a day; each (12,). ``elevation_m`` is the station's.
    """

    wind_m_s: Months
    vapour_kpa: Months
    solar_mj: Months | None
    sunshine_h: Months | None
    elevation_m: float


class MonthlyClimate(Protocol):
    """The monthly means that the water balance needs, arrays of 12, January first."""

    tmin_c: Months
    tmax_c: Months
    rain_mm: Months
    air: Air | None


def vapour_pressure(celsius: ArrayLike) -> NDArray[np.float64]:
    """Saturation vapour pressure, kPa, at a temperature (FAO-56 eq. 11)."""
    warm = np.asarray(celsius, dtype=np.float64)
    return 0.6108 * np.exp(17.27 * warm / (warm + 237.3))


def vapour_of_humidity(tmin_c: ArrayLike, tmax_c: ArrayLike, percent: ArrayLike) -> Months:
    """Actual vapour pressure, kPa, from the mean relative humidity (FAO-56 eq. 19)."""
    most = (vapour_pressure(tmin_c) + vapour_pressure(tmax_c)) / 2
    return np.asarray(percent, dtype=np.float64) / 100 * most


def wind_at_2_m(wind_m_s: ArrayLike, height_m: float) -> Months:
    """Wind at 2 m from that at another height over grass (FAO-56 eq. 47)."""
    return np.asarray(wind_m_s, dtype=np.float64) * 4.87 / np.log(67.8 * height_m - 5.42)


def soil_heat(mean_c: ArrayLike) -> Months:
    """Heat that goes into the soil, MJ m-2 day-1, from the months before and after (eq. 43).

    ``mean_c`` is the mean temperature of each month of a year that repeats.
    """
    mean = np.asarray(mean_c, dtype=np.float64)
    return 0.07 * (np.roll(mean, -1) - np.roll(mean, 1))


def hargreaves(tmin_c: ArrayLike, tmax_c: ArrayLike, radiation_mj: ArrayLike) -> Months:
    """Tell the reference evapotranspiration, mm/day (FAO-56 eq. 52), never below 0.

    Temperatures in degrees Celsius, ``radiation_mj`` is Ra in MJ m-2 day-1 (0.408 mm a MJ).
    """
    low, high, sky = (np.asarray(v, dtype=np.float64) for v in (tmin_c, tmax_c, radiation_mj))
    mean = (low + high) / 2
    spread = np.sqrt(np.maximum(high - low, 0))
    return np.maximum(0.0023 * (mean + 17.8) * spread * 0.408 * sky, 0)


def penman_monteith(
    tmin_c: ArrayLike,
    tmax_c: ArrayLike,
    air: Air,
    day: ArrayLike,
    latitude: float,
    soil_heat_mj: ArrayLike = 0.0,
) -> Months:
    """Tell the reference evapotranspiration, mm/day (FAO-56 eq. 6), never below 0.

    One value for each of ``tmin_c``, ``tmax_c`` (degrees Celsius) and ``day`` (of the year);
    ``latitude`` in degrees, ``soil_heat_mj`` MJ m-2 day-1.
    """
    # Half a second to import, and most sites have no use for it.
    import pyet

    dates = pd.Timestamp("2021-01-01") + pd.to_timedelta(np.atleast_1d(day) - 1, "D")

    def dated(values: ArrayLike | None) -> pd.Series[float] | None:
        if values is None:
            return None
        return pd.Series(np.broadcast_to(values, len(dates)), dates, dtype=np.float64)

    low, high = np.asarray(tmin_c, dtype=np.float64), np.asarray(tmax_c, dtype=np.float64)
    made = pyet.pm_fao56(
        dated((low + high) / 2),
        dated(air.wind_m_s),
        tmin=dated(low),
        tmax=dated(high),
        ea=dated(air.vapour_kpa),
        rs=dated(air.solar_mj),
        n=dated(air.sunshine_h if air.solar_mj is None else None),
        g=dated(soil_heat_mj),
        elevation=air.elevation_m,
        lat=float(np.radians(latitude)),
    )
    return made.to_numpy(np.float64)


def monthly_thirst(climate: MonthlyClimate, latitude: float) -> Months:
    """Tell the reference evapotranspiration of level ground, mm a month, (12,).

    By Penman-Monteith where the station tells wind, humidity and sun, else by Hargreaves.
    """
    low, high = climate.tmin_c, climate.tmax_c
    if climate.air is None:
        return hargreaves(low, high, sky_radiation(latitude, MID_MONTH)) * MONTH_DAYS
    into_soil = soil_heat((low + high) / 2)
    return penman_monteith(low, high, climate.air, MID_MONTH, latitude, into_soil) * MONTH_DAYS
