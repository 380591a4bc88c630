"""How coarse a DEM is, what can be trusted of it, and on which cells it is planned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyproj

#: Cells wider than these, m, show ever less. Tried on a farmed hillside of 1 m lidar, averaged to
#: wider cells: see ``tests/ground/test_coarse_dem.py``.
LIMITS_M = (10.0, 30.0, 60.0)
#: One arc-second (30.9 m) counts as 30 m, and metres of a map projection as true ones.
_ALMOST = 1.05
#: Planning cells of coarse DEMs, m.
_PLANNING_M = (5.0, 10.0, 25.0, 50.0, 100.0)
#: A planning cell is at most this share of the DEM's own cell.
_FINER = 1 / 3

#: What each level of coarseness adds, for layers whose values hang on small or steep ground.
_ON_LAYERS = (
    "banks, gullies and hollows narrower than two cells are missing, and steep ground looks "
    "gentler than it is",
    "slope classes, hollows and channels are rough guesses",
    "slope classes, hollows and channels cannot be relied on",
)
#: Layers that hang on the DEM and hold even on a coarse one: heights and what is read of them
#: over a wide radius.
HOLDS = frozenset(
    {
        "aspect",
        "depression_filled_dem",
        "hillshade",
        "terrace_smoothed_dem",
        "topographic_position_600m",
        "void_filled",
    }
)


def coarseness(dem_cell_m: float) -> int:
    """Tell how many of ``LIMITS_M`` the DEM's cells exceed.

    >>> [coarseness(cell) for cell in (2.0, 10.0, 30.9, 31.9, 92.6)]
    [0, 0, 1, 2, 3]
    """
    return sum(dem_cell_m > limit * _ALMOST for limit in LIMITS_M)


def dem_cell_m(sources: Sequence[Any]) -> float:
    """Width of the DEM's own cells on the ground, m: the longer side, at the DEM's middle.

    Measured on the ellipsoid; the same whatever part of the DEM is used.
    """
    first = sources[0]
    to_degrees = pyproj.Transformer.from_crs(
        pyproj.CRS.from_wkt(first.crs.to_wkt()).to_2d(), "EPSG:4326", always_xy=True
    )
    edges = np.array([source.bounds for source in sources])
    (west, south), (east, north) = edges[:, :2].min(axis=0), edges[:, 2:].max(axis=0)
    x, y = (west + east) / 2, (south + north) / 2
    wide, high = abs(first.transform.a), abs(first.transform.e)
    lon, lat = to_degrees.transform([x, x + wide, x], [y, y, y + high])
    _, _, sides = pyproj.Geod(ellps="WGS84").inv([lon[0]] * 2, [lat[0]] * 2, lon[1:], lat[1:])
    return float(max(sides))


def planning_cell(dem_cell: float) -> float | None:
    """Planning cell of a coarse DEM, m; None where the DEM's own cells are fine enough.

    Finer than the DEM, since rows, sun and the edges of zones need a smooth surface: heights are
    worked out between the DEM's cells by cubic convolution, which adds no detail. A round number
    that hangs on nothing but the DEM, so that neighbours are planned on the same cells.

    >>> [planning_cell(cell) for cell in (10.0, 12.5, 30.9, 92.6, 300.0)]
    [None, 5.0, 10.0, 25.0, 100.0]
    """
    if not coarseness(dem_cell):
        return None
    fits = [cell for cell in _PLANNING_M if cell <= dem_cell * _FINER * _ALMOST]
    return fits[-1] if fits else _PLANNING_M[0]


def note_on_coarse(dem_cell: float, cell: float) -> list[str]:
    """Say what of a plan on such cells (the DEM's own, and the grid's) can be trusted.

    Nothing where they are fine.
    """
    level = coarseness(max(dem_cell, cell))
    if not level:
        return []
    holds = "Heights and the side that the ground faces can be trusted"
    fails = (
        "but banks, gullies, small hollows and channels are missing, and steep ground looks "
        "gentler than it is",
        "but hollows, channels and slope classes are rough guesses: most ground over 20° looks "
        "gentler than it is",
        "over long slopes only. Hollows, channels and slope classes cannot be relied on: hardly "
        "any ground over 20° shows as such",
    )[level - 1]
    joint = " " if level == len(LIMITS_M) else ", "
    what, finer = (
        (f"The DEM is coarse: its cells are {dem_cell:.0f} m wide", "ask for a DEM with cells of")
        if coarseness(dem_cell) == level
        else (f"The planning cell is coarse: {cell:g} m", "set [dem] cell_m to")
    )
    return [
        f"{what}. {holds}{joint}{fails}. Walk steep ground, wet ground and watercourses before you "
        f"plan machines or crews there, and {finer} 5 m or less."
    ]


def caution_on_coarse(cell_m: float) -> list[str]:
    """One sentence for everyone who works from the plan; nothing where the DEM's cells are fine."""
    if not coarseness(cell_m):
        return []
    return [
        f"Coarse heights: the cells of the heights are {cell_m:.0f} m wide, so ground can be much "
        "steeper or wetter than this plan says. Look before anyone goes there with a load or a "
        "machine."
    ]


def words_for_layer(cell_m: float) -> str:
    """What the description of a layer that hangs on the DEM's detail says of it; may be empty."""
    level = coarseness(cell_m)
    if not level:
        return ""
    return f"With cells of {cell_m:.0f} m, as here, {_ON_LAYERS[level - 1]}."
