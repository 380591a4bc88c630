"""Bearings: from steps on the grid, from grid north to true north, and as winds in words.

Bearings are degrees clockwise from grid north unless a name says ``true``. A true bearing is
the grid bearing plus :func:`convergence`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from pyproj import Proj

from siteplanner.base.grid import Grid

WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")

Number = TypeVar("Number", float, NDArray[np.float64])


@lru_cache(maxsize=64)
def convergence(grid: Grid) -> float:
    """Angle from true north to grid north at the middle of the grid, degrees.

    Positive where grid north lies east of true north; a true bearing is the grid bearing plus
    this angle. Remembered, as several layers ask for it of the same grid.
    """
    factors = Proj(grid.crs).get_factors(*grid.centre_lonlat)
    return float(factors.meridian_convergence)


def bearing_of(east: Number, north: Number) -> Number:
    """Bearing of a step so far east and north, 0 to 360 degrees; 0 where there is no step.

    >>> float(bearing_of(1.0, 0.0)), float(bearing_of(-1.0, -1.0))
    (90.0, 225.0)
    """
    return np.degrees(np.arctan2(east, north)) % 360


def wind(degrees: float) -> str:
    """Name the nearest of eight winds to a bearing.

    >>> wind(50.0), wind(350.0)
    ('north-east', 'north')
    """
    return WINDS[round(degrees / 45) % 8]
