"""Sun on the ground: clear-sky light of each cell against level ground, through the year."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground._strips import over_rows, plain
from siteplanner.ground.layer import LayerInfo, layer, radius
from siteplanner.ground.terrain import convergence

#: Day of the year at the middle of each month (FAO-56, p. 47: J of the 15th).
MID_MONTH = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349])
MONTH_DAYS = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])

_SOLAR_CONSTANT = 0.0820  # MJ m-2 min-1, FAO-56 eq. 21
_STEPS = 24  # sun positions a day, from sunrise to sunset
_LOOKS = 36  # directions in which the horizon is looked up
_RADIAN = np.float32(math.pi / 180)

_METHOD = (
    "Beam and diffuse light under a clear sky, by the cell's slope and aspect, shaded by ground "
    "within the stated reach (1500 m unless set otherwise, looked up in 36 directions with "
    "steps that grow with distance; nothing is known past the edge of the DEM), against open "
    "level ground. {when} Cloud would soften the contrasts."
)
_SOURCE = (
    "sun's course: FAO-56 (Allen et al. 1998) eqs 21-25; clear-sky diffuse light after Liu & "
    "Jordan (1960) and sky view after Dozier & Frew (1990), both from memory"
)


def declination(day: ArrayLike) -> NDArray[np.float64]:
    """Solar declination on a day of the year, radians (FAO-56 eq. 24)."""
    return 0.409 * np.sin(2 * np.pi * np.asarray(day, dtype=np.float64) / 365 - 1.39)


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
    """Hours of daylight (FAO-56 eq. 34); latitude in degrees, day of the year."""
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
        method=_METHOD.format(when="Sum of the middle day of each month, times its days."),
        source=_SOURCE,
        valid=(0.0, 400.0),
        colours="inferno",
        on_map=True,
    ),
    LayerInfo(
        name="summer_sun",
        title="Sun at midsummer",
        unit="percent of open level ground",
        method=_METHOD.format(when="Middle day of the month of the longest days."),
        source=_SOURCE,
        valid=(0.0, 400.0),
        colours="inferno",
    ),
    LayerInfo(
        name="winter_sun",
        title="Sun at midwinter",
        unit="percent of open level ground",
        method=_METHOD.format(when="Middle day of the month of the shortest days."),
        source=_SOURCE,
        valid=(0.0, 4000.0),
        colours="inferno",
    ),
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
) -> tuple[FloatGrid, FloatGrid, FloatGrid]:
    """Clear-sky light through the year, at midsummer and at midwinter, percent of level ground.

    Each (rows, cols), NaN where ``slope`` is. ``clear_air`` is the share of the beam that
    passes the air with the sun overhead; ground within ``shade_reach`` (m) may cast shade.
    In polar night the level ground has no light either: NaN.
    """
    heights, steep, facing = plain(dem), plain(slope), plain(aspect)
    rays, diffuse, level = _sky(latitude, convergence(grid), clear_air)
    look, look_end = _looks(grid.cell, shade_reach)
    out = np.empty((3, *heights.shape), np.float32)
    over_rows(
        _shine,
        heights.shape,
        heights,
        steep,
        facing,
        np.float32(math.radians(convergence(grid))),
        look,
        look_end,
        rays,
        diffuse,
        level,
        *_solstices(latitude),
        out,
    )
    return out[0], out[1], out[2]


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
    bright, dark = _solstices(latitude)
    sun = declination(MID_MONTH)
    x = (2 * sun - sun[bright] - sun[dark]) / (sun[bright] - sun[dark])
    # ratio(x) = summer (1 + x) / 2 + winter (1 - x) / 2 + c (1 - x^2), c from the year's sum.
    hump = 1 - x**2
    total = float(share @ hump)
    up, down = (1 + x) / 2, (1 - x) / 2
    return np.stack(
        [hump / total, up - hump * (share @ up) / total, down - hump * (share @ down) / total],
        axis=1,
    )


def _solstices(latitude: float) -> tuple[int, int]:
    """Index of the months with the longest and the shortest days."""
    return (5, 11) if latitude >= 0 else (11, 5)


def _sky(
    latitude: float, turn: float, clear_air: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float64]]:
    """Sun positions and light of the middle day of each month.

    Returns rays (12, steps, 7): east, north, up, tangent of the sun's height, first horizon
    direction, weight of the next one, strength of the beam; diffuse light on level ground
    (12,); all light on level ground (12,). Light is in shares of the solar constant over the
    day. The beam weakens as ``clear_air`` to the power of the air mass.
    """
    lat = math.radians(latitude)
    sun = declination(MID_MONTH)[:, None]
    set_angle = sunset_angle(latitude, sun)
    middle = (np.arange(_STEPS) + 0.5) / _STEPS * 2 - 1
    hour = middle * set_angle
    east = -np.cos(sun) * np.sin(hour)
    north = np.sin(sun) * math.cos(lat) - np.cos(sun) * np.cos(hour) * math.sin(lat)
    up = np.sin(sun) * math.sin(lat) + np.cos(sun) * np.cos(hour) * math.cos(lat)
    up = np.maximum(up, 1e-6)
    beam = clear_air ** (1 / up)
    outside = nearness(MID_MONTH)[:, None] * set_angle / math.pi / _STEPS
    diffuse = (outside * up * (0.271 - 0.294 * beam)).sum(axis=1)
    strength = outside * beam
    place = (np.degrees(np.arctan2(east, north)) - turn) % 360 / 360 * _LOOKS
    first = np.floor(place) % _LOOKS
    height = up / np.hypot(east, north).clip(1e-6)
    rays = np.stack([east, north, up, height, first, place - np.floor(place), strength], axis=2)
    level = diffuse + (strength * up).sum(axis=1)
    return rays.astype(np.float32), diffuse.astype(np.float32), level


def _looks(cell: float, reach: float) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Cells to look at for the horizon: (n, 3) rows down, columns right, 1 / distance (1/m).

    Directions follow each other clockwise from grid north; the second array tells where each
    ends. Steps are a twenty-fourth of the distance (a cell at least), so far ground is looked at
    more coarsely, and a far edge may come out lower by that share.
    """
    found, ends = [], []
    for direction in range(_LOOKS):
        angle = 2 * math.pi * direction / _LOOKS
        seen = set()
        steps = 1.0
        while steps * cell <= reach:
            down, right = _nearest(-steps * math.cos(angle)), _nearest(steps * math.sin(angle))
            if (down, right) not in seen:
                seen.add((down, right))
                found.append((down, right, 1 / (cell * math.hypot(down, right))))
            steps = max(steps + 1, steps * 25 / 24)
        ends.append(len(found))
    return np.array(found, np.float32).reshape(-1, 3), np.array(ends)


def _nearest(steps: float) -> int:
    """Round, halves away from 0, so that mirrored looks see mirrored cells."""
    return int(math.copysign(math.floor(abs(steps) + 0.5 + 1e-9), steps))


@njit(
    "void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32,"
    "float32[:, ::1], int64[::1], float32[:, :, ::1], float32[::1], float64[::1],"
    "int64, int64, float32[:, :, ::1])",
    cache=True,
    nogil=True,
)
def _shine(  # type: ignore[no-untyped-def]
    first, last, dem, slope, aspect, turn, look, look_end, rays, diffuse, level, bright, dark, out
):
    rows, cols = dem.shape
    zero, one = np.float32(0), np.float32(1)
    horizon = np.empty((_LOOKS, cols), np.float32)
    east, north, up = (
        np.empty(cols, np.float32),
        np.empty(cols, np.float32),
        np.empty(cols, np.float32),
    )
    open_sky, month_sum = np.empty(cols, np.float32), np.empty(cols, np.float32)
    year = np.empty(cols, np.float32)
    year_level = np.float32((level * MONTH_DAYS).sum())
    for row in range(first, last):
        here = dem[row]
        for c in range(cols):
            steep = slope[row, c] * _RADIAN
            facing = aspect[row, c] * _RADIAN
            facing = facing if facing == facing else zero
            east[c] = math.sin(steep) * math.sin(facing)
            north[c] = math.sin(steep) * math.cos(facing)
            up[c] = math.cos(steep)
        # The horizon is at least the cell's own slope, then whatever ground stands higher.
        start = 0
        open_sky[:] = zero
        for k in range(_LOOKS):
            angle = np.float32(2 * math.pi * k / _LOOKS) + turn
            de, dn = np.float32(math.sin(angle)), np.float32(math.cos(angle))
            line = horizon[k]
            for c in range(cols):
                line[c] = max(zero, -(east[c] * de + north[c] * dn) / up[c])
            for n in range(start, look_end[k]):
                r, right = row + int(look[n, 0]), int(look[n, 1])
                if r < 0 or r >= rows or abs(right) >= cols:
                    continue
                near = look[n, 2]
                there = dem[r]
                low, high = max(0, -right), min(cols, cols - right)
                mine, theirs, best = (
                    here[low:high],
                    there[low + right : high + right],
                    line[low:high],
                )
                for c in range(mine.size):
                    rise = (theirs[c] - mine[c]) * near
                    best[c] = rise if rise > best[c] else best[c]
            start = look_end[k]
            # Sky seen by a tilted surface, direction by direction (Dozier & Frew's form).
            for c in range(cols):
                h = line[c]
                cosine_2 = one / (one + h * h)
                angle_up = np.float32(math.pi / 2) - np.float32(math.atan(h))
                across = angle_up - h * cosine_2
                open_sky[c] += up[c] * cosine_2 + (east[c] * de + north[c] * dn) * across
        year[:] = zero
        for month in range(12):
            for c in range(cols):
                month_sum[c] = diffuse[month] * max(zero, open_sky[c] / np.float32(_LOOKS))
            for step in range(_STEPS):
                e, n, u = rays[month, step, 0], rays[month, step, 1], rays[month, step, 2]
                height, strength = rays[month, step, 3], rays[month, step, 6]
                k, weight = int(rays[month, step, 4]), rays[month, step, 5]
                line, after = horizon[k], horizon[(k + 1) % _LOOKS]
                for c in range(cols):
                    facing = (east[c] * e + north[c] * n + up[c] * u) * strength
                    over = height > line[c] + weight * (after[c] - line[c])
                    month_sum[c] += facing if over and facing > zero else zero
            days = np.float32(MONTH_DAYS[month])
            for c in range(cols):
                year[c] += month_sum[c] * days
            if month in (bright, dark):
                which = 1 if month == bright else 2
                whole = np.float32(level[month])
                for c in range(cols):
                    share = month_sum[c] / whole if whole > zero else np.float32(np.nan)
                    out[which, row, c] = share * np.float32(100) + here[c] * zero
        for c in range(cols):
            out[0, row, c] = year[c] / year_level * np.float32(100) + here[c] * zero
