"""Sun on the ground: clear-sky light of each cell against level ground, through the year."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplanner.base.bearings import convergence
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.strips import over_rows, plain
from siteplanner.ground.layer import CELL, layer, radius
from siteplanner.ground.sun._light import DIRECTIONS, STEPS, View, horizon_steps, horizons, shine

#: Day of the year at the middle of each month (FAO-56, p. 47: J of the 15th).
MID_MONTH = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349])
MONTH_DAYS = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])

#: Spelt here, since the calendar's own names follow the user's language.
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

_SOLAR_CONSTANT = 0.0820  # MJ m-2 min-1, FAO-56 eq. 21

_METHOD = (
    "Direct and diffuse light under a clear sky, by the cell's slope and aspect, shaded by "
    "ground within 1500 m unless set otherwise (in 36 directions, with steps that grow with "
    "distance; ground past the edge of the DEM casts no shade). {of}. {when} Under cloud the "
    "contrasts are weaker."
)
_AGAINST = "Against open level ground"
_SOURCE = (
    "sun's declination: Meeus (1998), ch. 25; its course: FAO-56 (Allen et al. 1998) eqs 21, 23 "
    "and 25; clear-sky diffuse light after Liu & Jordan (1960) and sky view after Dozier & Frew "
    "(1990), both from memory"
)


def _months(name: str, title: str) -> list[LayerInfo]:
    """Describe the twelve monthly layers of one kind of light, ``name_01`` to ``name_12``."""
    return [
        LayerInfo(
            name=f"{name}_{number:02d}",
            title=f"{title}, {month}",
            unit="MJ/m2 a day",
            method=_METHOD.format(of="In MJ per square metre", when="Middle day of the month."),
            source=_SOURCE,
            valid=(0.0, 60.0),
            colours="inferno",
        )
        for number, month in enumerate(MONTHS, 1)
    ]


#: Days from J2000 to the noon (UT) before 1 January 2026. Of the years of a leap cycle it lies
#: in the middle: in the others a day's declination differs by 0.2 degrees at most.
_DAYS_TO_2026 = 9496.0


def declination(day: ArrayLike) -> NDArray[np.float64]:
    """Solar declination at noon (UT) on a day of the year 2026, radians.

    Low-accuracy coordinates of the sun, good to 0.01 degrees, after Meeus (1998), Astronomical
    Algorithms, ch. 25 (seen second-hand, in programs that carry its constants).

    >>> np.degrees(declination([172, 355])).round(1).tolist()
    [23.4, -23.4]
    """
    t = (_DAYS_TO_2026 + np.asarray(day, dtype=np.float64)) / 36525
    mean_longitude = 280.46646 + t * (36000.76983 + t * 0.0003032)
    anomaly = np.radians(357.52911 + t * (35999.05029 - t * 0.0001537))
    centre = (
        (1.914602 - t * (0.004817 + t * 0.000014)) * np.sin(anomaly)
        + (0.019993 - t * 0.000101) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * t)
    longitude = mean_longitude + centre - 0.00569 - 0.00478 * np.sin(node)
    obliquity = 23.439291 - t * 0.0130042 + 0.00256 * np.cos(node)
    return np.asarray(np.arcsin(np.sin(np.radians(obliquity)) * np.sin(np.radians(longitude))))


def nearness(day: ArrayLike) -> NDArray[np.float64]:
    """Inverse relative distance Earth-Sun on a day of the year (FAO-56 eq. 23)."""
    return 1 + 0.033 * np.cos(2 * np.pi * np.asarray(day, dtype=np.float64) / 365)


def sunset_angle(latitude: ArrayLike, sun: ArrayLike) -> NDArray[np.float64]:
    """Hour angle of sunset, radians; latitude in degrees, ``sun`` the declination in radians.

    FAO-56 eq. 25; pi in polar day, 0 in polar night.
    """
    tangents = np.tan(np.radians(latitude)) * np.tan(sun)
    return np.arccos(np.clip(-tangents, -1, 1))


def daylight(latitude: ArrayLike, day: ArrayLike) -> NDArray[np.float64]:
    """Hours of daylight (FAO-56 eq. 34); latitude in degrees, day of the year.

    >>> daylight(-45.0, [172, 355]).round(1).tolist()
    [8.6, 15.4]
    """
    return 24 / np.pi * sunset_angle(latitude, declination(day))


def sky_radiation(latitude: ArrayLike, day: ArrayLike) -> NDArray[np.float64]:
    """Radiation on level ground outside the air, Ra, MJ m-2 day-1 (FAO-56 eq. 21)."""
    lat, sun = np.radians(latitude), declination(day)
    set_angle = sunset_angle(latitude, sun)
    high = set_angle * np.sin(lat) * np.sin(sun) + np.cos(lat) * np.cos(sun) * np.sin(set_angle)
    return 24 * 60 / np.pi * _SOLAR_CONSTANT * nearness(day) * high


@layer(
    LayerInfo(
        name="sun_exposure",
        title="Sun through the year",
        unit="percent of open level ground",
        method=_METHOD.format(
            of=_AGAINST, when="Sum of the middle day of each month, times its days."
        ),
        source=_SOURCE,
        valid=(0.0, 400.0),
        colours="inferno",
        on_map=True,
    ),
    LayerInfo(
        name="summer_sun",
        title="Sun at midsummer",
        unit="percent of open level ground",
        method=_METHOD.format(of=_AGAINST, when="Middle day of the month of the longest days."),
        source=_SOURCE,
        valid=(0.0, 400.0),
        colours="inferno",
    ),
    LayerInfo(
        name="winter_sun",
        title="Sun at midwinter",
        unit="percent of open level ground",
        method=_METHOD.format(
            of=_AGAINST,
            when=(
                "Middle day of the month of the shortest days; beyond the polar circles, of the "
                "darkest month in which the sun still rises."
            ),
        ),
        source=_SOURCE,
        valid=(0.0, 4000.0),
        colours="inferno",
    ),
    LayerInfo(
        name="sky_view_factor",
        title="Sky visible from the ground",
        unit="share of the half-sphere over level ground",
        method=(
            "Share of an evenly bright sky's light that reaches the cell, by its tilt and the "
            "horizon in 36 directions. Low in gullies and under faces; such ground also cools "
            "less on clear nights."
        ),
        source="Dozier & Frew (1990), from memory",
        valid=(0.0, 1.0),
        colours="inferno",
    ),
    LayerInfo(
        name="mean_horizon_angle",
        title="Height of the horizon",
        unit="degrees",
        method=(
            "Mean over 36 directions of the angle up to the highest ground within 1500 m unless "
            "set otherwise; level or falling ground counts as 0."
        ),
        source="common practice, no source",
        valid=(0.0, 90.0),
        colours="YlOrBr_09",
    ),
    *_months("direct_irradiation", "Direct sunlight"),
    *_months("diffuse_irradiation", "Diffuse light from the sky"),
    *_months("global_irradiation", "Direct and diffuse light"),
    reach=radius("shade_reach"),
)
def sun(
    dem: FloatGrid,
    slope: FloatGrid,
    aspect: FloatGrid,
    grid: Grid,
    latitude: float,
    *,
    clear_air: float = 0.75,
    shade_reach: float = 1500.0,
) -> tuple[FloatGrid, ...]:
    """Clear-sky irradiation, sky-view factor and horizon: (rows, cols), NaN where ``slope`` is.

    In order: light of the year, of midsummer and of midwinter, percent of level ground; share
    of the sky seen; mean horizon angle, degrees; then direct, diffuse and global irradiation of
    the middle day of each month, MJ m-2 day-1, rounded to 1/64. ``clear_air`` is the share of
    the beam that passes the air with the sun overhead; ground within ``shade_reach`` (m) may
    cast shade. Beyond the polar circles midwinter is the darkest month with any light.
    """
    rays, diffuse, level = _sky(latitude, convergence(grid), clear_air)
    of_sky = np.empty((2, *grid.shape), np.float32)
    months = np.empty((3, 12, *grid.shape), np.float32)
    view = _view(dem, slope, aspect, grid, shade_reach)
    over_rows(shine, grid.shape, view, of_sky, rays, diffuse, months)
    days = MONTH_DAYS / (level * MONTH_DAYS).sum()
    year = np.zeros(grid.shape, np.float32)
    for month in range(12):
        year += months[2, month] * np.float32(100 * days[month])
    solstices = [months[2, m] * np.float32(100 / level[m]) for m in _extremes(latitude)]
    _round_to_64ths(months)
    return year, *solstices, *of_sky, *months.reshape(36, *grid.shape)


def _round_to_64ths(values: NDArray[np.float32]) -> None:
    """Round in place, far finer than a clear sky is known, so that files become small."""
    for part in values.reshape(-1, *values.shape[-2:]):
        part *= np.float32(64)
        np.rint(part, out=part)
        part *= np.float32(1 / 64)


def horizon_and_sky(
    dem: FloatGrid,
    slope: FloatGrid,
    aspect: FloatGrid,
    grid: Grid,
    *,
    shade_reach: float = 1500.0,
) -> tuple[NDArray[np.float32], FloatGrid]:
    """Height of the horizon in degrees, (36, rows, cols), and share of the sky seen.

    Directions follow each other clockwise from grid north by 10 degrees; the horizon is at
    least the cell's own slope, at least level, and only ground within ``shade_reach`` (m)
    counts. Sky view (rows, cols) of the tilted surface after Dozier & Frew (1990), from memory.
    """
    horizon = np.empty((DIRECTIONS, *grid.shape), np.float32)
    of_sky = np.empty((2, *grid.shape), np.float32)
    over_rows(horizons, grid.shape, _view(dem, slope, aspect, grid, shade_reach), of_sky, horizon)
    return horizon, of_sky[0]


def _view(
    dem: FloatGrid, slope: FloatGrid, aspect: FloatGrid, grid: Grid, shade_reach: float
) -> View:
    turn = np.float32(math.radians(convergence(grid)))
    return View(
        plain(dem), plain(slope), plain(aspect), turn, *horizon_steps(grid.cell, shade_reach)
    )


@layer(
    LayerInfo(
        title="Heat load",
        unit="index",
        method=(
            "Regression on latitude, slope and aspect, with aspect folded so that ground facing "
            "the afternoon sun (south-west in the north, north-west in the south) is warmest: "
            "equation 3 from 30 to 60 degrees of latitude, equation 2 below; unknown on slopes "
            "of 60 degrees or more and beyond 60 degrees of latitude. Shade is not included."
        ),
        source="McCune & Keon (2002), J. Veg. Sci. 13:603-606; southern half mirrored",
        valid=(0.0, 2.0),
        colours="inferno",
    ),
    reach=CELL,
)
def heat_load(slope: FloatGrid, aspect: FloatGrid, latitude: float) -> FloatGrid:
    """Heat load index of McCune & Keon (2002), (rows, cols); level ground has no aspect term."""
    lat, steep = math.radians(abs(latitude)), np.radians(slope)
    mirrored = aspect if latitude >= 0 else (np.float32(540) - aspect) % np.float32(360)
    folded = np.radians(np.abs(180 - np.abs(mirrored - np.float32(225))))
    tilt = np.sin(steep)
    along = np.where(np.isnan(folded), np.float32(0), np.cos(folded)) * tilt
    across = np.where(np.isnan(folded), np.float32(0), np.sin(folded)) * tilt
    level = np.float32(math.cos(lat)) * np.cos(steep)
    away = np.float32(math.sin(lat)) * tilt
    if abs(latitude) >= 30:
        made = 0.339 + 0.808 * level - 0.196 * away - 0.482 * along
    else:
        low = np.float32(math.sin(lat)) * along
        made = np.exp(-1.236 + 1.350 * level - 1.376 * low - 0.331 * away + 0.375 * across)
    made[~(slope < 60) | (abs(latitude) > 60)] = np.nan
    return made.astype(np.float32, copy=False)


def month_ratio(
    year: ArrayLike, summer: ArrayLike, winter: ArrayLike, latitude: float
) -> NDArray[np.float64]:
    """Tell each month's light from the year's, midsummer's and midwinter's, shape (12, ...).

    A cell's light against level ground changes smoothly with the sun's declination, so a
    parabola through the two solstice months that keeps the year's sum gives the others.
    """
    rates = month_rates(latitude)
    return np.tensordot(rates, np.stack(np.broadcast_arrays(year, summer, winter)), 1)


def month_rates(latitude: float, clear_air: float = 0.75) -> NDArray[np.float64]:
    """Weights (12, 3) of year, midsummer and midwinter in each month's ratio."""
    _, _, level = _sky(latitude, 0.0, clear_air)
    share = level * MONTH_DAYS / (level * MONTH_DAYS).sum()
    bright, dark = _extremes(latitude)
    sun = declination(MID_MONTH)
    # Months of polar night have no light to share; they are given midwinter's ratio.
    x = np.clip((2 * sun - sun[bright] - sun[dark]) / (sun[bright] - sun[dark]), -1, 1)
    # ratio(x) = summer (1 + x) / 2 + winter (1 - x) / 2 + c (1 - x^2), c from the year's sum.
    hump = 1 - x**2
    total = float(share @ hump)
    up, down = (1 + x) / 2, (1 - x) / 2
    return np.stack(
        [hump / total, up - hump * (share @ up) / total, down - hump * (share @ down) / total],
        axis=1,
    )


def _extremes(latitude: float) -> tuple[int, int]:
    """Index of the months with the longest and the shortest days on which the sun rises."""
    bright = 5 if latitude >= 0 else 11
    sun = declination(MID_MONTH)
    height = np.where(sunset_angle(latitude, sun) > 0, np.abs(sun - sun[bright]), -1)
    return bright, int(height.argmax())


def _sky(
    latitude: float, turn: float, clear_air: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float64]]:
    """Sun positions and light of the middle day of each month.

    Returns rays (12, steps, 7): east, north, up, tangent of the sun's height, first horizon
    direction, weight of the next one, strength of the beam; diffuse light on level ground
    (12,); all light on level ground (12,). Light is in MJ m-2 day-1. The beam weakens as
    ``clear_air`` to the power of the air mass.
    """
    lat = math.radians(latitude)
    sun = declination(MID_MONTH)[:, None]
    set_angle = sunset_angle(latitude, sun)
    middle = (np.arange(STEPS) + 0.5) / STEPS * 2 - 1
    hour = middle * set_angle
    east = -np.cos(sun) * np.sin(hour)
    north = np.sin(sun) * math.cos(lat) - np.cos(sun) * np.cos(hour) * math.sin(lat)
    up = np.sin(sun) * math.sin(lat) + np.cos(sun) * np.cos(hour) * math.cos(lat)
    up = np.maximum(up, 1e-6)
    beam = clear_air ** (1 / up)
    outside = 24 * 60 * _SOLAR_CONSTANT * nearness(MID_MONTH)[:, None] * set_angle / math.pi / STEPS
    diffuse = (outside * up * (0.271 - 0.294 * beam)).sum(axis=1)
    strength = outside * beam
    place = (np.degrees(np.arctan2(east, north)) - turn) % 360 / 360 * DIRECTIONS
    first = np.floor(place) % DIRECTIONS
    height = up / np.hypot(east, north).clip(1e-6)
    rays = np.stack([east, north, up, height, first, place - np.floor(place), strength], axis=2)
    level = diffuse + (strength * up).sum(axis=1)
    return rays.astype(np.float32), diffuse.astype(np.float32), level
