"""Compiled kernels of light: look round for the horizon, then let the sun shine over it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from siteplanner.compiled import kernel, part

#: Directions in which the horizon is looked up; sun positions a day, from rise to set.
LOOKS, STEPS = 36, 24
_RADIAN = np.float32(math.pi / 180)


def looks(cell: float, reach: float) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Places to look at for the horizon, (n, 6), and where each direction's end.

    Directions follow each other clockwise from grid north. A line of sight is looked at where
    it crosses a row (or, if it runs more east than north, a column) of cell middles, between
    two cells: rows down and columns right of the one and of the other, weight of the other,
    1 / distance (1/m). Steps are a thirty-sixth of the distance (a cell at least), so far
    ground is looked at more coarsely.
    """
    found, ends = [], []
    for direction in range(LOOKS):
        angle = 2 * math.pi * direction / LOOKS
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
                found.append((*one, *other, weight, long / (cell * n)))
            last = n
            steps = max(steps + 1, steps * 37 / 36)
        ends.append(len(found))
    return np.array(found, np.float32).reshape(-1, 6), np.array(ends)


@part(
    "void(int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32, float32[:, ::1],"
    "int64[::1], float32[:, ::1], float32[:, ::1], float32[:, :, ::1])"
)
def _look_round(  # type: ignore[no-untyped-def]
    row, dem, slope, aspect, turn, look, look_end, normal, horizon, of_sky
):
    """Put normals of a row's cells, tangents of their horizons, sky view and mean horizon."""
    rows, cols = dem.shape
    zero, one = np.float32(0), np.float32(1)
    here = dem[row]
    east, north, up = normal[0], normal[1], normal[2]
    for c in range(cols):
        steep = slope[row, c] * _RADIAN
        facing = aspect[row, c] * _RADIAN
        facing = facing if facing == facing else zero
        east[c] = math.sin(steep) * math.sin(facing)
        north[c] = math.sin(steep) * math.cos(facing)
        up[c] = math.cos(steep)
    open_sky, mean = of_sky[0, row], of_sky[1, row]
    open_sky[:] = zero
    mean[:] = zero
    part = one / np.float32(LOOKS)
    # The horizon is at least the cell's own slope, then whatever ground stands higher.
    start = 0
    for k in range(LOOKS):
        angle = np.float32(2 * math.pi * k / LOOKS) + turn
        de, dn = np.float32(math.sin(angle)), np.float32(math.cos(angle))
        line = horizon[k]
        for c in range(cols):
            line[c] = max(zero, -(east[c] * de + north[c] * dn) / up[c])
        for n in range(start, look_end[k]):
            r, right = row + int(look[n, 0]), int(look[n, 1])
            r2, right2 = row + int(look[n, 2]), int(look[n, 3])
            low = max(0, -right, -right2)
            high = min(cols, cols - right, cols - right2)
            if min(r, r2) < 0 or max(r, r2) >= rows or high <= low:
                continue
            weight, near = look[n, 4], look[n, 5]
            mine, best = here[low:high], line[low:high]
            there, beyond = (
                dem[r, low + right : high + right],
                dem[r2, low + right2 : high + right2],
            )
            for c in range(mine.size):
                rise = (there[c] + weight * (beyond[c] - there[c]) - mine[c]) * near
                best[c] = rise if rise > best[c] else best[c]
        start = look_end[k]
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
    "void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32,"
    "float32[:, ::1], int64[::1], float32[:, :, ::1], float32[:, :, ::1])"
)
def horizons(  # type: ignore[no-untyped-def]
    first, last, dem, slope, aspect, turn, look, look_end, out, of_sky
):
    cols = dem.shape[1]
    normal = np.empty((3, cols), np.float32)
    horizon = np.empty((LOOKS, cols), np.float32)
    for row in range(first, last):
        _look_round(row, dem, slope, aspect, turn, look, look_end, normal, horizon, of_sky)
        for k in range(LOOKS):
            for c in range(cols):
                angle = np.float32(math.atan(horizon[k, c])) / _RADIAN
                out[k, row, c] = angle + dem[row, c] * np.float32(0)


@kernel(
    "void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32,"
    "float32[:, ::1], int64[::1], float32[:, :, ::1], float32[::1], float32[:, :, ::1],"
    "float32[:, :, :, ::1])"
)
def shine(  # type: ignore[no-untyped-def]
    first, last, dem, slope, aspect, turn, look, look_end, rays, diffuse, of_sky, months
):
    """Put beam, diffuse and all light of each month's middle day."""
    cols = dem.shape[1]
    zero = np.float32(0)
    normal = np.empty((3, cols), np.float32)
    horizon = np.empty((LOOKS, cols), np.float32)
    east, north, up = normal[0], normal[1], normal[2]
    for row in range(first, last):
        _look_round(row, dem, slope, aspect, turn, look, look_end, normal, horizon, of_sky)
        seen = of_sky[0, row]
        for month in range(12):
            beam = months[0, month, row]
            beam[:] = zero
            for step in range(STEPS):
                e, n, u = rays[month, step, 0], rays[month, step, 1], rays[month, step, 2]
                height, strength = rays[month, step, 3], rays[month, step, 6]
                k, weight = int(rays[month, step, 4]), rays[month, step, 5]
                line, after = horizon[k], horizon[(k + 1) % LOOKS]
                for c in range(cols):
                    facing = (east[c] * e + north[c] * n + up[c] * u) * strength
                    over = height > line[c] + weight * (after[c] - line[c])
                    beam[c] += facing if over and facing > zero else zero
            for c in range(cols):
                scattered = diffuse[month] * seen[c]
                beam[c] += seen[c] * zero
                months[1, month, row, c] = scattered
                months[2, month, row, c] = beam[c] + scattered
