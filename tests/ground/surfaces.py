"""Made and real surfaces that the tests of the ground share."""

from __future__ import annotations

import numpy as np
import pyproj
from affine import Affine

from siteplanner.base.grid import Grid


def grid_of(shape, cell=1.0, east_of_meridian=0.0):
    """Grid at 42 degrees south whose middle lies so many metres east of its zone's meridian."""
    rows, cols = shape
    west, north = 500_000 + east_of_meridian - cols * cell / 2, 5_350_000 + rows * cell / 2
    return Grid(pyproj.CRS("EPSG:32755"), Affine(cell, 0, west, 0, -cell, north), shape)


def middles(shape, cell=1.0):
    """East and north coordinates of cell middles, from the middle of the grid."""
    rows, cols = shape
    x = (np.arange(cols) - (cols - 1) / 2) * cell
    y = ((rows - 1) / 2 - np.arange(rows)) * cell
    return np.meshgrid(x, y)


def plane(shape, cell, slope, aspect):
    """Heights of a plane with this slope and downhill direction, degrees from grid north."""
    x, y = middles(shape, cell)
    away = np.radians(aspect)
    fall = np.tan(np.radians(slope)) * (x * np.sin(away) + y * np.cos(away))
    return (1000 - fall).astype(np.float32)


def hills(shape, seed, cell=10.0, relief=100.0, rough=0.5):
    """Seeded hill country: waves of falling length and height, and some roughness."""
    rng = np.random.default_rng(seed)
    x, y = middles(shape, cell)
    heights = np.full(shape, 500.0)
    longest = max(shape) * cell
    for octave in range(6):
        for _ in range(3):
            length = longest / 2**octave
            way, start = rng.uniform(0, 2 * np.pi, 2)
            wave = 2 * np.pi * (x * np.cos(way) + y * np.sin(way)) / length + start
            heights += relief / 2**octave / 3 * np.sin(wave)
    return (heights + rng.normal(0, rough, shape)).astype(np.float32)


def angle_between(a, b):
    """Smallest difference of two bearings, degrees."""
    return np.abs((np.asarray(a, float) - b + 180) % 360 - 180)
