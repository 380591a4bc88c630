"""Night minima brought from one height above the ground to another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.site.inputs import Frost

SCREEN_M, GRASS_M = 1.2, 0.05


def to_height(
    celsius: NDArray[np.float64],
    from_m: NDArray[np.float64] | float,
    to_m: float,
    grass_colder_c: float,
) -> NDArray[np.float64]:
    """Bring a night minimum from one height above the ground to another, °C.

    On a calm clear night air is coldest at the grass. The change with the logarithm of height
    is taken as linear, ``grass_colder_c`` between 0.05 m and 1.2 m (common practice, no
    source; published pairs differ by up to 6 °C on one night, so this is a rough rule).
    """
    per_log = grass_colder_c / np.log(SCREEN_M / GRASS_M)
    lowest = np.maximum(np.asarray(from_m, dtype=np.float64), GRASS_M)
    return np.asarray(celsius, dtype=np.float64) + per_log * np.log(max(to_m, GRASS_M) / lowest)


def to_reference(
    celsius: NDArray[np.float64], frost: Frost, from_m: NDArray[np.float64] | float = SCREEN_M
) -> NDArray[np.float64]:
    """Bring night minima to the site's reference height, °C; a station's from its screen.

    The one place that does so: a minimum of a month, a winter, a night or a reading that came
    from elsewhere would be compared with others at another height.
    """
    return to_height(celsius, from_m, frost.reference_height_m, frost.grass_colder_c)
