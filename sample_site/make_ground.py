"""The finished ground of the invented property: what the creek and people laid on the hills.

Alluvial flats, the channel, small unevenness and outcrops, the old tramway bank, the farm dam.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from make_hills import CELL_M, CREEK, HALF_M, FloatArray, axes, carve, noise, smooth_line
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

# The crest of the bank stands about 3.6 m above the flat.
BANK = ((-270, -170), (-305, -268), (-318, -350), (-322, -420), (-318, -500), (-300, -580))
BANK_CREST_M = 269.0
DAM = (60.0, 150.0)
DAM_RADIUS_M = 17.0


@dataclass(frozen=True)
class SampleGround:
    """The finished ground; all coordinates are metres east and north of the centre.

    Attributes
    ----------
    heights:
        Metres to the centimetre, (rows, columns), row 0 in the north, ``CELL_M`` cells.
    creek:
        Points of the channel from its top to its foot, (n, 2).
    flat_level:
        Height of the alluvial flat beside the nearest part of the creek, (rows, columns).
    dam:
        Water surface of the farm dam, boolean (rows, columns).
    """

    heights: FloatArray
    creek: FloatArray
    flat_level: FloatArray
    dam: NDArray[np.bool_]


def _nearest_on(line: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
    """Distance (m) to a line of close points and the index of the nearest point, on the DEM."""
    places = np.stack(np.meshgrid(*axes(HALF_M, CELL_M)), axis=-1)
    return cKDTree(line[:, :2]).query(places)


def _soft_maximum(one: FloatArray, other: FloatArray, blend: float) -> FloatArray:
    """Larger of two heights with the corner between them rounded over ``blend`` metres."""
    return 0.5 * (one + other + np.sqrt((one - other) ** 2 + blend**2))


def _farm_dam(heights: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Scoop a pond into the slope, its wall on the lower side: (heights, water)."""
    east, north = np.meshgrid(*axes(HALF_M, CELL_M))
    off = np.hypot((east - DAM[0]) / 1.3, north - DAM[1]) - DAM_RADIUS_M
    at = np.unravel_index(np.argmin(off), off.shape)
    water = round(float(heights[at]) + 0.4, 2)
    wall = water + 0.8 - np.clip(np.abs(off - 3.0) - 1.2, 0, None) / 2.2
    cut = water + np.clip(off, 0, None) / 1.8
    shaped = np.where(off > 3, np.maximum(np.minimum(heights, cut), wall), wall)
    near = off < 25
    dam = off < 0.5
    return np.where(dam, water, np.where(near, shaped, heights)), dam


def _wandering_creek(rng: np.random.Generator) -> FloatArray:
    """Course and height of the creek, a point a metre: straight above, in bends on the flats."""
    course = smooth_line(CREEK, 4.0)
    free = np.clip(np.minimum(course[:, 0] + 1000, 480 - course[:, 0]) / 200, 0.25, 1)
    for reach, swing in ((8, 13.0), (14, 15.0)):
        bends = ndimage.gaussian_filter1d(rng.standard_normal((len(course), 2)), reach, axis=0)
        course[:, :2] += swing * free[:, None] * bends / bends.std()
    return smooth_line(tuple(map(tuple, course[::3])), 1.0)


def _alluvium(creek: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Level of the flats along the creek, rising gently away from it; and distance to it, m."""
    distance, nearest = _nearest_on(creek)
    along = creek[nearest, 0]
    wide = np.clip((along + 900) / 300, 0, 1) * np.clip((520 - along) / 160, 0, 1)
    flat = creek[nearest, 2] + 1.3 - 6 * (1 - wide)
    flat += 0.004 * distance + 0.035 * np.clip(distance - 90, 0, None)
    flat = ndimage.gaussian_filter(flat, 16)
    flat[axes(HALF_M, CELL_M)[1] > 60] = 0.0  # nothing of it beyond the ridge
    return flat, distance


def _roughen(heights: FloatArray, dry: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Add small unevenness where ``dry`` is 1, outcrops and ledges where the ground is steep."""
    slope = np.degrees(np.arctan(np.hypot(*np.gradient(heights, CELL_M))))
    steep = np.clip((slope - 22) / 12, 0, 1)
    small, knee, block = (noise(rng, heights.shape, reach) for reach in (3, 1.2, 4))
    return heights + 0.06 * dry * small + steep * (0.3 * knee + 0.5 * block)


def make_ground(seed: int) -> SampleGround:
    """Make the whole ground from one seed."""
    rng = np.random.default_rng(seed)
    heights = carve(rng)
    creek = _wandering_creek(rng)
    flat, distance = _alluvium(creek)
    heights = _soft_maximum(heights, flat, 1.8)
    heights -= 1.5 / (1 + (distance / 3.0) ** 4)  # the channel
    heights = _roughen(heights, np.clip(distance / 20, 0, 1), rng)
    # The bank has a level crest and batters of one in one and a half.
    off, _ = _nearest_on(smooth_line(BANK, 1.0))
    heights = np.maximum(heights, BANK_CREST_M - np.clip(off - 2.0, 0, None) / 1.5)
    heights, dam = _farm_dam(heights)
    return SampleGround(np.round(heights, 2), creek[:, :2], flat, dam)
