"""Compiled kernels of light: look round for the horizon, then let the sun shine over it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid
from siteplanner.base.kernels import kernel

#: Directions in which the horizon is looked up; sun positions a day, from rise to set.
DIRECTIONS, STEPS = 36, 24
_RADIAN = np.float32(math.pi / 180)
#: Rows are worked on in runs of about so many cells, whose horizons stay in the cache.
_RUN = 2048

#: Where to look (n, 8), how (n, 2), and where directions begin and end (directions + 1,).
HorizonSteps = tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.int64]]


def horizon_steps(cell: float, reach: float) -> HorizonSteps:
    """Places to look at for the horizon; those of a direction from its end to the next one.

    Directions follow each other clockwise from grid north. A line of sight is looked at where
    it crosses a row (or, if it runs more east than north, a column) of cell middles, between
    two cells: rows down and columns right of the one and of the other; then how many columns
    on the left and on the right, and rows above and below, have no such place on the map. How:
    weight of the other, 1 / distance (1/m). Steps are a thirty-sixth of the distance (a cell at
    least), so far ground is looked at more coarsely.
    """
    found, how, ends = [], [], [0]
    for direction in range(DIRECTIONS):
        angle = 2 * math.pi * direction / DIRECTIONS
        south, east = -math.cos(angle), math.sin(angle)
        tall = abs(south) >= abs(east)
        long, wide = max(abs(south), abs(east)), min(abs(south), abs(east))
        down, right = int(math.copysign(1, south)), int(math.copysign(1, east))
        steps, last = 1.0, 0
        while steps * cell / long <= reach:
            n = math.floor(steps + 0.5)
            whole = math.floor(n * wide / long + 1e-9)
            weight = max(n * wide / long - whole, 0.0)
            weight = weight if weight > 1e-6 else 0.0
            more = 1 if weight else 0
            one = (down * n, right * whole) if tall else (down * whole, right * n)
            other = (one[0], one[1] + right * more) if tall else (one[0] + down * more, one[1])
            if n != last:
                found.append(
                    (*one, *other, *_off_map(one[1], other[1]), *_off_map(one[0], other[0]))
                )
                how.append((weight, long / (cell * n)))
            last = n
            steps = max(steps + 1, steps * 37 / 36)
        ends.append(len(found))
    return (
        np.array(found, np.int64).reshape(-1, 8),
        np.array(how, np.float32).reshape(-1, 2),
        np.array(ends),
    )


def _off_map(one: int, other: int) -> tuple[int, int]:
    return max(0, -one, -other), max(0, one, other)


class View(NamedTuple):
    """What is looked round from, and where to: the first arguments of the kernel."""

    dem: FloatGrid
    slope: FloatGrid
    aspect: FloatGrid
    #: Angle from true to grid north, rad.
    turn: np.float32
    place: NDArray[np.int64]
    how: NDArray[np.float32]
    ends: NDArray[np.int64]


def horizons(first: int, last: int, view: View, of_sky: FloatGrid, out: FloatGrid) -> None:
    """Put height of the horizon, degrees, into ``out`` (directions, rows, cols)."""
    for start, stop, _, horizon in _looked_round(first, last, view, of_sky):
        angle = np.arctan(horizon[:, : stop - start], out=horizon[:, : stop - start])
        angle /= _RADIAN
        angle += view.dem[start:stop] * np.float32(0)
        out[:, start:stop] = angle


def shine(
    first: int,
    last: int,
    view: View,
    of_sky: FloatGrid,
    rays: FloatGrid,
    diffuse: NDArray[np.float32],
    months: FloatGrid,
) -> None:
    """Put beam, diffuse and all light of each month's middle day into ``months``."""
    for start, stop, normal, horizon in _looked_round(first, last, view, of_sky):
        _shine(start, stop, normal, horizon, rays, diffuse, of_sky, months)


def _looked_round(
    first: int, last: int, view: View, of_sky: FloatGrid
) -> Iterator[tuple[int, int, FloatGrid, FloatGrid]]:
    """Give runs of rows with their normals and tangents of their horizons; puts ``of_sky``."""
    cols = view.dem.shape[1]
    run = min(max(1, _RUN // cols), last - first)
    normal = np.empty((3, run, cols), np.float32)
    horizon = np.empty((DIRECTIONS, run, cols), np.float32)
    for start in range(first, last, run):
        stop = min(start + run, last)
        _look_round(start, stop, *view, normal, horizon, of_sky)
        yield start, stop, normal, horizon


@kernel(
    "void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32,"
    "int64[:, ::1], float32[:, ::1], int64[::1], float32[:, :, ::1], float32[:, :, ::1],"
    "float32[:, :, ::1])"
)
def _look_round(  # type: ignore[no-untyped-def]
    first, last, dem, slope, aspect, turn, place, how, ends, normal, horizon, of_sky
):
    """Put normals of the rows' cells, tangents of their horizons, sky view and mean horizon."""
    rows, cols = dem.shape
    zero, one = np.float32(0), np.float32(1)
    part = one / np.float32(DIRECTIONS)
    for row in range(first, last):
        at = row - first
        here, slopes, aspects = dem[row], slope[row], aspect[row]
        east, north, up = normal[0, at], normal[1, at], normal[2, at]
        open_sky, mean = of_sky[0, row], of_sky[1, row]
        for c in range(cols):
            steep, facing = slopes[c] * _RADIAN, aspects[c] * _RADIAN
            facing = facing if facing == facing else zero
            flat = math.sin(steep)
            east[c] = flat * math.sin(facing)
            north[c] = flat * math.cos(facing)
            up[c] = math.cos(steep)
            open_sky[c] = zero
            mean[c] = zero
        # The horizon is at least the cell's own slope, then whatever ground stands higher.
        for k in range(DIRECTIONS):
            angle = np.float32(2 * math.pi * k / DIRECTIONS) + turn
            de, dn = np.float32(math.sin(angle)), np.float32(math.cos(angle))
            line = horizon[k, at]
            for c in range(cols):
                line[c] = max(zero, -(east[c] * de + north[c] * dn) / up[c])
            for n in range(ends[k], ends[k + 1]):
                if row < place[n, 6] or row >= rows - place[n, 7]:
                    continue
                low, high = place[n, 4], cols - place[n, 5]
                right, right2 = place[n, 1], place[n, 3]
                there = dem[row + place[n, 0], low + right : high + right]
                beyond = dem[row + place[n, 2], low + right2 : high + right2]
                mine, best = here[low:high], line[low:high]
                weight, near = how[n, 0], how[n, 1]
                for c in range(high - low):
                    rise = (there[c] + weight * (beyond[c] - there[c]) - mine[c]) * near
                    best[c] = rise if rise > best[c] else best[c]
            # Sky seen by a tilted surface, direction by direction (Dozier & Frew's form).
            for c in range(cols):
                h = line[c]
                cosine_2 = one / (one + h * h)
                height = np.float32(math.atan(h))
                across = np.float32(math.pi / 2) - height - h * cosine_2
                open_sky[c] += part * (up[c] * cosine_2 + (east[c] * de + north[c] * dn) * across)
                mean[c] += part * height / _RADIAN
        for c in range(cols):
            known = up[c] * zero + here[c] * zero
            open_sky[c] = max(zero, open_sky[c]) + known
            mean[c] += known


@kernel(
    "void(int64, int64, float32[:, :, ::1], float32[:, :, ::1], float32[:, :, ::1],"
    "float32[::1], float32[:, :, ::1], float32[:, :, :, ::1])"
)
def _shine(  # type: ignore[no-untyped-def]
    first, last, normal, horizon, rays, diffuse, of_sky, months
):
    cols = of_sky.shape[2]
    zero = np.float32(0)
    for row in range(first, last):
        at = row - first
        east, north, up = normal[0, at], normal[1, at], normal[2, at]
        seen = of_sky[0, row]
        for month in range(12):
            beam = months[0, month, row]
            for c in range(cols):
                beam[c] = seen[c] * zero
            for step in range(STEPS):
                ray = rays[month, step]
                e, n, u, height, weight, strength = ray[0], ray[1], ray[2], ray[3], ray[5], ray[6]
                k = int(ray[4])
                line, after = horizon[k, at], horizon[(k + 1) % DIRECTIONS, at]
                for c in range(cols):
                    facing = (east[c] * e + north[c] * n + up[c] * u) * strength
                    over = height > line[c] + weight * (after[c] - line[c])
                    beam[c] += facing if over and facing > zero else zero
            scattered, both = months[1, month, row], months[2, month, row]
            for c in range(cols):
                scattered[c] = diffuse[month] * seen[c]
                both[c] = beam[c] + scattered[c]
