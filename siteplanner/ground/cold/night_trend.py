"""One night at one thermometer: its minimum foretold at dusk, and the way down to it.

For radiation nights alone: wind under 2 m/s, no cloud, no fog. After the frost book of FAO
(Snyder & de Melo-Abreu 2005, chapter 5).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class MinimumOfNight:
    """Minimum = per_air * air + per_dew * dew point + constant, °C, both at dusk + 2 h."""

    per_air: float
    per_dew: float
    constant: float

    def __call__(self, air_c: ArrayLike, dew_c: ArrayLike) -> NDArray[np.float64]:
        """Foretell the minimum, °C, from air and dew point two hours after sunset."""
        air, dew = np.asarray(air_c, dtype=np.float64), np.asarray(dew_c, dtype=np.float64)
        return np.asarray(self.per_air * air + self.per_dew * dew + self.constant)


def fit_minimum_of_night(
    air_c: ArrayLike, dew_c: ArrayLike, minimum_c: ArrayLike
) -> MinimumOfNight:
    """Fit past nights in the book's two steps: minimum on air, then what is left on dew point.

    Three arrays of one length, °C: air and dew point two hours after sunset, and the minimum.
    """
    air, dew, low = (np.asarray(v, dtype=np.float64) for v in (air_c, dew_c, minimum_c))
    per_air, first = np.polyfit(air, low, 1)
    per_dew, second = np.polyfit(dew, low - per_air * air - first, 1)
    return MinimumOfNight(float(per_air), float(per_dew), float(first + second))


def night_trend(
    dusk_c: float, minimum_c: float, hours: float, at: ArrayLike
) -> NDArray[np.float64]:
    """Temperature (°C) so many hours after sunset, from two hours after it until the minimum.

    Falls with the square root of time: T_i = T_2 + (T_min - T_2) sqrt((i - 2) / (n - 2)), with
    ``dusk_c`` two hours after sunset and ``minimum_c`` at ``hours`` n.
    """
    since = np.asarray(at, dtype=np.float64) - 2
    return np.asarray(dusk_c + (minimum_c - dusk_c) * np.sqrt(since / (hours - 2)))
