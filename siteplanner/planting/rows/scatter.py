"""Patterns without rows: scattered as in nature, in clumps, and thinly under existing trees.

Chance is seeded by the block itself, so that a block is always set out in the same way. The
places are walked in strips along the bearing, which take the part of rows.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.planting.rows._apart import apart
from siteplanner.planting.rows.patterns import PatternInfo, PatternPlaces, numbered, pattern

#: Tries for a place, in places that a square grid would have.
_TRIES = 16
#: What so many tries keep: places times least distance squared, per area (measured, stable to
#: 1 %; the limit of endless tries is 0.547 / (π / 4) = 0.696, Feder 1980, from memory).
_KEPT = 0.597
_TO_A_CLUMP = 7
#: Of trees in a clump, in spacings.
_IN_CLUMP = 0.55


@pattern(
    PatternInfo(
        title="Scattered as in nature",
        picture="No rows: trees are placed at random, never closer than 0.77 spacings.",
        spacing="on average, as in a square grid with as many trees",
        area_per_tree=1.0,
        source="Poisson-disc sampling by dart throwing (Cook 1986, from memory)",
        in_rows=False,
        stride=3.0,
    )
)
def natural(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> PatternPlaces:
    """Scattered by chance, no two nearer than 0.77 spacings; 10 000 / s² a hectare.

    Poisson-disc sampling by dart throwing (Cook 1986, from memory).
    """
    return _walked(*_darts(area, spacing_m, _chance(area)), area, spacing_m, bearing_deg)


@pattern(
    PatternInfo(
        title="Thinly under existing trees",
        picture="No rows: trees are placed at random, a quarter as many as in a square grid and "
        "never closer than 1.5 spacings.",
        spacing="half of the mean distance between trees",
        area_per_tree=4.0,
        source="as natural, with twice the spacing",
        in_rows=False,
        stride=6.0,
    )
)
def enrichment(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> PatternPlaces:
    """Scattered thinly under existing trees: 2 500 / s² a hectare, 1.5 spacings apart or more."""
    x, y = _darts(area, 2 * spacing_m, _chance(area))
    return _walked(x, y, area, spacing_m, bearing_deg)


@pattern(
    PatternInfo(
        title="Clumps",
        picture="Groups of seven (six trees around one, 0.55 spacings apart), scattered at "
        "random with open ground between.",
        spacing="on average over the clumps and the open ground",
        area_per_tree=1.0,
        source="our own; clumps are scattered as natural",
        in_rows=False,
        stride=4.0,
    )
)
def clumps(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> PatternPlaces:
    """Clumps of up to seven trees with open ground between; about 10 000 / s² a hectare.

    In a clump six trees stand around one, 0.55 spacings apart; a clump that the edge cuts has
    fewer.
    """
    random = _chance(area)
    apart_m = spacing_m * np.sqrt(_TO_A_CLUMP)
    # Middles reach past the edge, so that cut clumps make up for those left out.
    x, y = _darts(area.buffer(_IN_CLUMP * spacing_m), apart_m, random)
    turn = random.random(len(x))[:, None] * 2 * np.pi + np.arange(6) * np.pi / 3
    ring = _IN_CLUMP * spacing_m
    x = np.column_stack([x, x[:, None] + ring * np.cos(turn)]).ravel()
    y = np.column_stack([y, y[:, None] + ring * np.sin(turn)]).ravel()
    inside = shapely.contains_xy(area, x, y)
    return _walked(x[inside], y[inside], area, spacing_m, bearing_deg)


def _chance(area: shapely.Polygon) -> np.random.Generator:
    """Chance that is the same for the same block."""
    west, south, _, _ = np.floor(area.bounds)
    return np.random.Generator(np.random.PCG64([int(west) % 2**32, int(south) % 2**32]))


def _darts(
    area: shapely.Polygon, spacing_m: float, random: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Throw darts at an area and keep those that fall clear of the ones before."""
    shapely.prepare(area)
    west, south, east, north = area.bounds
    throws = int(np.ceil(_TRIES * (east - west) * (north - south) / spacing_m**2))
    x = west + random.random(throws) * (east - west)
    y = south + random.random(throws) * (north - south)
    inside = shapely.contains_xy(area, x, y)
    x, y = x[inside], y[inside]
    least = np.full(len(x), spacing_m * np.sqrt(_KEPT))
    keep = apart(x, y, least, np.arange(len(x)))
    return x[keep], y[keep]


def _walked(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    area: shapely.Polygon,
    spacing_m: float,
    bearing_deg: float,
) -> PatternPlaces:
    """Order places by strips of two spacings along the bearing."""
    turn = np.radians(bearing_deg)
    west, south, _, _ = np.floor(area.bounds)
    across = (x - west) * np.cos(turn) - (y - south) * np.sin(turn)
    along = (x - west) * np.sin(turn) + (y - south) * np.cos(turn)
    strip = np.floor(across / (2 * spacing_m)).astype(np.int64)
    order = np.lexsort((along, strip))
    return x[order], y[order], numbered(strip[order])
