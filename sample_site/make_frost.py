"""The cold of one invented winter night, and what ten instruments read of it.

This is a small physics of its own, so that a planner which estimates frost from the shape of
the ground can be held against it. Every patch of ground loses heat to the part of the sky it
sees. The chilled air leaves as parcels that slide down the surface of the ground *and of the
air already lying there*, are shaken about, warm up by mixing on the way, and pile up where the
way is blocked: pools fill, spread and spill over. Nothing here looks at slope classes,
curvature or percentiles of height, and nothing is fitted to them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

FloatArray = NDArray[np.float64]

COARSE = 5  # cells of the DEM along one side of a cell of the air model
STEPS = 80  # of seven and a half minutes: a ten-hour night
PARCEL_DEPTH_M = 0.03  # depth of chilled air that one cell gives off in a step
MOVES = 8  # of a parcel in a step
PACE_M = 200.0  # run of a parcel in one move on ground as steep as one in one
MIXED_AWAY = 0.03  # share of its cold that a parcel loses in a step
RIDGE_AIR_C = -2.2  # free air beside the highest ground
INVERSION_C_PER_M = 0.006  # free air above the flats is colder than beside the ridge
COLDEST_BELOW_AIR_C = 6.4  # a pool cannot cool further below the free air than this
HALF_CHILLED_M = 1.4  # depth of chilled air at which half of that is reached
READING_ERROR_C = 0.4


def blocks(heights: FloatArray, coarse: int = COARSE) -> FloatArray:
    """Heights on cells ``coarse`` times as wide; the upper half counts, so that banks stay."""
    rows, columns = (n // coarse * coarse for n in heights.shape)
    tiles = heights[:rows, :columns].reshape(rows // coarse, coarse, columns // coarse, coarse)
    return np.quantile(tiles, 0.8, axis=(1, 3))


def sky_view_factor(heights: FloatArray, cell: float) -> FloatArray:
    """Share of the sky not hidden by ground, from horizons in sixteen directions out to 300 m."""
    hidden = np.zeros_like(heights)
    for turn in np.arange(16) * np.pi / 8:
        horizon = np.zeros_like(heights)
        for run in np.geomspace(cell, 300, 12):
            shift = (-run * np.sin(turn) / cell, run * np.cos(turn) / cell)
            seen = ndimage.shift(heights, shift, order=1, mode="nearest")
            horizon = np.maximum(horizon, (seen - heights) / run)
        hidden += horizon**2 / (1 + horizon**2) / 16
    return 1 - hidden


def cold_air(heights: FloatArray, cell: float, rng: np.random.Generator) -> FloatArray:
    """Depth of fully chilled air lying on each cell towards dawn, metres, same shape.

    Parcels leave every twentieth cell in turn. A parcel moves down the slope of ground plus
    chilled air, faster where it is steeper, with a random part; it does not climb more than a
    hand's breadth, and beyond the edge it is gone.
    """
    rows, columns = heights.shape
    loss = sky_view_factor(heights, cell)
    grid = np.indices((rows, columns)).reshape(2, -1).T
    at: FloatArray = np.empty((0, 2))
    cold: FloatArray = np.empty(0)
    depth, late = np.zeros_like(heights), np.zeros_like(heights)
    for step in range(STEPS):
        start = grid[step % 20 :: 20]
        at = np.vstack([at, start + rng.random(start.shape)])
        cold = np.r_[cold, 20 * PARCEL_DEPTH_M * loss[start[:, 0], start[:, 1]]]
        cold *= 1 - MIXED_AWAY
        for _ in range(MOVES):
            surface = heights + ndimage.gaussian_filter(depth, 1.0)
            fall = np.stack(np.gradient(-surface, cell), axis=-1)
            r, c = at.astype(int).T
            push = fall[r, c]
            steep = np.sqrt((push**2).sum(axis=1, keepdims=True)) + 1e-9
            pace = np.minimum(PACE_M * np.sqrt(steep), cell) / cell
            to = at + push / steep * pace + 0.2 * rng.standard_normal(at.shape)
            inside = ((to >= 0) & (to < (rows, columns))).all(axis=1)
            at, to, cold, r, c = at[inside], to[inside], cold[inside], r[inside], c[inside]
            i, j = to.astype(int).T
            free = surface[i, j] < surface[r, c] + 0.1
            at = np.where(free[:, None], to, at)
            r, c = at.astype(int).T
            lying = np.bincount(r * columns + c, cold, rows * columns).astype(np.float64)
            depth = lying.reshape(rows, columns)
        if step >= STEPS - 20:
            late += depth / 20
        alive = cold > 0.05 * 20 * PARCEL_DEPTH_M
        at, cold = at[alive], cold[alive]
    return ndimage.gaussian_filter(late, 1.5)


def dawn_at_screen(
    heights: FloatArray,
    cell: float,
    rng: np.random.Generator,
    coarse: int = COARSE,
    ridge_air_c: float = RIDGE_AIR_C,
) -> FloatArray:
    """Air temperature 1.2 m above the ground at dawn, °C, on cells ``coarse`` times ``cell``."""
    ground = blocks(heights, coarse)
    depth = cold_air(ground, cell * coarse, rng)
    free = ridge_air_c - INVERSION_C_PER_M * (ground.max() - ground)
    return free - COLDEST_BELOW_AIR_C * depth / (depth + HALF_CHILLED_M)


def read_at(screen_c: FloatArray, free_of_wind: FloatArray, height_m: FloatArray) -> FloatArray:
    """Temperature at instrument height, °C: air near the ground is colder, most so in a calm.

    Logarithmic between 0.05 and 1.2 m; 0.5 m reads about 0.6 to 1.1 °C below the screen.
    """
    return screen_c + (0.7 + 0.5 * free_of_wind) * np.log(height_m / 1.2)


def readings(
    heights: FloatArray,
    cell: float,
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    height_m: FloatArray,
    rng: np.random.Generator,
    coarse: int = COARSE,
    ridge_air_c: float = RIDGE_AIR_C,
) -> FloatArray:
    """Read instruments at these cells of the DEM at dawn: °C to one decimal place."""
    screen = dawn_at_screen(heights, cell, rng, coarse, ridge_air_c)
    here = screen[rows // coarse, columns // coarse]
    calm = np.clip((ridge_air_c - here) / COLDEST_BELOW_AIR_C, 0, 1)
    error = READING_ERROR_C * rng.standard_normal(len(here))
    return np.round(read_at(here, calm, height_m) + error, 1)
