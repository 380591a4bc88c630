"""Bearings: from steps on the grid, to true north and magnetic north, and as winds in words.

Bearings are degrees clockwise from grid north unless a name says ``true``. A true bearing is
the grid bearing plus :func:`convergence`.
"""

from __future__ import annotations

from datetime import date
from functools import cache, lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from pygeomag import GeoMag
from pyproj import Proj

from siteplanner.base.grid import Grid

WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
#: The World Magnetic Model in use, and the years for which it holds (NOAA and BGS 2025, from
#: memory).
MODEL, FIRST_YEAR, LAST_YEAR = "WMM_2025", 2025, 2030

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


@cache
def _model() -> GeoMag:
    return GeoMag(coefficients_file=f"wmm/{MODEL}.COF")


def declination(lon: float, lat: float, year: float, elevation_m: float = 0.0) -> float:
    """Magnetic declination at a point of time (2026.5 is the middle of 2026), degrees.

    East of true north is positive; ``lon`` and ``lat`` in degrees, WGS 84. World Magnetic Model
    2025, as ``pygeomag`` carries it. Iron nearby and local rock turn a needle further. Raises
    ``ValueError`` for a time for which the model does not hold.
    """
    found = _model().calculate(glat=lat, glon=lon, alt=elevation_m / 1000, time=year)
    return float(found.d)


def decimal_year(on: date) -> float:
    """Give a day as a point of time in years.

    >>> decimal_year(date(2026, 1, 1))
    2026.0
    """
    first = date(on.year, 1, 1)
    return on.year + (on - first).days / (date(on.year + 1, 1, 1) - first).days
