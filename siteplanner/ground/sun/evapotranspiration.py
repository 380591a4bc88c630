"""Reference evapotranspiration, ET0, that of level ground under the station's sky."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplanner.ground.sun.irradiation import MID_MONTH, MONTH_DAYS, daylight, sky_radiation
from siteplanner.reading.climate.weather import MonthlyClimate, Months, StationAir, vapour_pressure


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


def psychrometric(elevation_m: float) -> float:
    """Psychrometric constant, kPa per degree, at an elevation (FAO-56 eqs 7 and 8)."""
    pressure = 101.3 * ((293 - 0.0065 * elevation_m) / 293) ** 5.26
    return float(0.665e-3 * pressure)


def solar_radiation(sunshine_h: ArrayLike, longest_h: ArrayLike, outside_mj: ArrayLike) -> Months:
    """Radiation that reaches the ground, MJ m-2 day-1, from hours of sunshine (FAO-56 eq. 35)."""
    share = np.asarray(sunshine_h, dtype=np.float64) / np.maximum(longest_h, 1e-9)
    return (0.25 + 0.50 * np.minimum(share, 1)) * np.asarray(outside_mj, dtype=np.float64)


def clear_sky(outside_mj: ArrayLike, elevation_m: float) -> Months:
    """Radiation that reaches the ground under a clear sky, MJ m-2 day-1 (FAO-56 eq. 37)."""
    return (0.75 + 2e-5 * elevation_m) * np.asarray(outside_mj, dtype=np.float64)


def lost_to_the_sky(
    tmin_c: ArrayLike, tmax_c: ArrayLike, vapour_kpa: ArrayLike, of_clear: ArrayLike
) -> Months:
    """Net longwave radiation that the ground loses, MJ m-2 day-1 (FAO-56 eq. 39).

    ``of_clear`` is the solar radiation as a share of that under a clear sky, at most 1.
    """
    low, high = (np.asarray(t, dtype=np.float64) + 273.16 for t in (tmin_c, tmax_c))
    glow = 4.903e-9 * (low**4 + high**4) / 2
    cloud = 1.35 * np.minimum(of_clear, 1) - 0.35
    return glow * (0.34 - 0.14 * np.sqrt(vapour_kpa)) * cloud


def penman_monteith(
    tmin_c: ArrayLike,
    tmax_c: ArrayLike,
    air: StationAir,
    day: ArrayLike,
    latitude: float,
    soil_heat_mj: ArrayLike = 0.0,
) -> Months:
    """Tell the reference evapotranspiration, mm/day (FAO-56 eq. 6), never below 0.

    One value for each of ``tmin_c``, ``tmax_c`` (degrees Celsius) and ``day`` (of the year);
    ``latitude`` in degrees, ``soil_heat_mj`` MJ m-2 day-1.
    """
    return np.maximum(
        penman_monteith_terms(tmin_c, tmax_c, air, day, latitude, soil_heat_mj).sum(axis=0), 0
    )


def penman_monteith_terms(
    tmin_c: ArrayLike,
    tmax_c: ArrayLike,
    air: StationAir,
    day: ArrayLike,
    latitude: float,
    soil_heat_mj: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Reference evapotranspiration in its two terms, mm/day, (2, ...), as ``penman_monteith``.

    What sunlight drives, by the net shortwave radiation of FAO-56 eq. 38; and the rest, by
    wind and dry air less the heat that goes into the soil and out to the sky (may be negative).
    """
    low, high = np.asarray(tmin_c, dtype=np.float64), np.asarray(tmax_c, dtype=np.float64)
    mean = (low + high) / 2
    outside = sky_radiation(latitude, day)
    if air.solar_mj is not None:
        solar = air.solar_mj
    else:
        assert air.sunshine_h is not None
        solar = solar_radiation(air.sunshine_h, daylight(latitude, day), outside)
    # In polar night there is no sun to take a share of: then as under a clear sky.
    clear = clear_sky(outside, air.elevation_m)
    of_clear = np.divide(solar, clear, out=np.ones_like(clear + solar), where=clear > 0.1)
    lost = lost_to_the_sky(low, high, air.vapour_kpa, of_clear) + np.asarray(soil_heat_mj)
    rise = 4098 * vapour_pressure(mean) / (mean + 237.3) ** 2
    wanting = (vapour_pressure(low) + vapour_pressure(high)) / 2 - air.vapour_kpa
    gamma, wind = psychrometric(air.elevation_m), air.wind_m_s
    by_sun = 0.408 * rise * 0.77 * solar
    rest = gamma * 900 / (mean + 273) * wind * wanting - 0.408 * rise * lost
    return np.stack(np.broadcast_arrays(by_sun, rest)) / (rise + gamma * (1 + 0.34 * wind))


def reference_evapotranspiration(climate: MonthlyClimate, latitude: float) -> Months:
    """Tell the reference evapotranspiration of level ground, mm a month, (12,).

    By Penman-Monteith where the station tells wind, humidity and sun, else by Hargreaves.
    """
    return np.maximum(evapotranspiration_terms(climate, latitude).sum(axis=0), 0)


def evapotranspiration_terms(climate: MonthlyClimate, latitude: float) -> NDArray[np.float64]:
    """Reference evapotranspiration of level ground in two terms, mm a month, (2, 12).

    What sunlight drives and the rest, whose sum is held to 0 or more. By Penman-Monteith where
    the station tells wind, humidity and sun, else by Hargreaves, which knows radiation alone.
    """
    low, high = climate.tmin_c, climate.tmax_c
    if climate.air is None:
        by_sun = hargreaves(low, high, sky_radiation(latitude, MID_MONTH))
        return np.stack([by_sun, np.zeros(12)]) * MONTH_DAYS
    into_soil = soil_heat((low + high) / 2)
    terms = penman_monteith_terms(low, high, climate.air, MID_MONTH, latitude, into_soil)
    return terms * MONTH_DAYS
