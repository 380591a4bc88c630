"""The station's air, month by month, as the water balance needs it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

Months = NDArray[np.float64]


@dataclass(frozen=True)
class StationAir:
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

    @property
    def tmin_c(self) -> Months:
        """Mean daily minima, °C."""

    @property
    def tmax_c(self) -> Months:
        """Mean daily maxima, °C."""

    @property
    def rain_mm(self) -> Months:
        """Rain, mm a month."""

    @property
    def air(self) -> StationAir | None:
        """Wind, humidity and sun, None where the station does not tell them."""


def vapour_pressure(celsius: ArrayLike) -> NDArray[np.float64]:
    """Saturation vapour pressure, kPa, at a temperature (FAO-56 eq. 11).

    >>> round(float(vapour_pressure(15.0)), 3)
    1.705
    """
    warm = np.asarray(celsius, dtype=np.float64)
    return 0.6108 * np.exp(17.27 * warm / (warm + 237.3))


def vapour_of_humidity(tmin_c: ArrayLike, tmax_c: ArrayLike, percent: ArrayLike) -> Months:
    """Actual vapour pressure, kPa, from the mean relative humidity (FAO-56 eq. 19)."""
    most = (vapour_pressure(tmin_c) + vapour_pressure(tmax_c)) / 2
    return np.asarray(percent, dtype=np.float64) / 100 * most


def wind_at_2_m(wind_m_s: ArrayLike, height_m: float) -> Months:
    """Wind at 2 m from that at another height over grass (FAO-56 eq. 47)."""
    return np.asarray(wind_m_s, dtype=np.float64) * 4.87 / np.log(67.8 * height_m - 5.42)
