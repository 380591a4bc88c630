"""How a crew finds a block and its rows: first peg, drop points, what one can see. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.bearings import FIRST_YEAR, LAST_YEAR, bearing_of, declination
from siteplanner.plan import Plan

CARRY_M = 60.0
"""No row lies further from its drop point where a vehicle can come (common practice, no source)."""
VEHICLE_DEG = 15.0
"""On steeper ground no vehicle is sent (common practice, no source)."""
#: A bend by so many degrees is a corner that one can see (judgement).
_CORNER_DEG = 30.0


@dataclass(frozen=True)
class Drop:
    """Where plants are put down: at the start of row ``at``, for ``rows``; indices of a block.

    ``farthest_m`` is the distance to the row that lies furthest; ``vehicle`` whether one can come.
    """

    rows: NDArray[np.int64]
    at: int
    farthest_m: float
    vehicle: bool


@dataclass(frozen=True)
class Landmark:
    """Something that one can see: the place, and what it is."""

    x: float
    y: float
    words: str


def drop_points(
    lines: NDArray[np.object_],
    starts: NDArray[np.float64],
    trees: NDArray[np.int64],
    reached: NDArray[np.bool_],
) -> list[Drop]:
    """Choose the drop points of a block, each at the start of one of its rows.

    ``lines`` (rows,) are the rows in their order, ``starts`` (rows, 2) their first trees, ``trees``
    (rows,) their numbers, ``reached`` (rows,) whether a vehicle can come to that start. No row is
    over ``CARRY_M`` from its drop where a vehicle can come to a start that near; for the others
    there are drops to which plants are carried, ``vehicle`` False. Of all starts the one is taken
    that serves most trees, until all rows are served (greedy set cover, textbook method); then
    each row goes to the nearest.
    """
    if not len(trees):
        return []
    away = shapely.distance(lines[:, None], shapely.points(starts)[None, :])
    near = away <= CARRY_M
    chosen: list[int] = []
    for candidates in (reached, np.ones(len(trees), dtype=bool)):
        left = ~near[:, chosen].any(axis=1)
        while left.any():
            served = (near & candidates).T @ (left * trees)
            best = int(served.argmax())
            if not served[best]:
                break
            chosen.append(best)
            left &= ~near[:, best]
    drop_of = np.array(chosen)[away[:, chosen].argmin(axis=1)]
    found = []
    for at in dict.fromkeys(drop_of.tolist()):
        rows = np.flatnonzero(drop_of == at)
        found.append(Drop(rows, at, float(away[rows, at].max()), bool(reached[at])))
    return found


def landmarks(plan: Plan) -> list[Landmark]:
    """Corners of fences, buildings, paddocks and the boundary."""
    found: list[Landmark] = []
    for feature in plan.no_plant[plan.no_plant["kind"].isin(["fence", "building"])].itertuples():
        named = feature.name if isinstance(feature.name, str) and feature.name.strip() else ""
        words = f"a corner of the {feature.kind}" + (f" ({named.strip()})" if named else "")
        found += [Landmark(x, y, words) for x, y in _corners(feature.geometry)]
    for paddock in plan.paddocks.itertuples():
        words = f"a corner of paddock {paddock.name}"
        found += [Landmark(x, y, words) for x, y in _corners(paddock.geometry)]
    for shape in plan.boundary.geometry:
        found += [Landmark(x, y, "a corner of the boundary") for x, y in _corners(shape)]
    return found


def nearest_landmark(
    marks: list[Landmark], place: NDArray[np.float64]
) -> tuple[Landmark, float, float] | None:
    """Nearest landmark to a place, and from there distance (m) and bearing (grid) to the place."""
    if not marks:
        return None
    steps = place - np.array([(mark.x, mark.y) for mark in marks])
    far = np.hypot(*steps.T)
    best = int(far.argmin())
    return marks[best], float(far[best]), float(bearing_of(*steps[best]))


def _corners(shape: shapely.Geometry) -> list[tuple[float, float]]:
    """Places where the lines and rings of a shape bend sharply, and ends of open lines."""
    found: list[tuple[float, float]] = []
    for part in shapely.get_parts(shape):
        rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
        for line in rings:
            if line.geom_type == "Point":
                continue
            xy = shapely.get_coordinates(shapely.simplify(line, 1.0))
            if line.is_ring:
                xy = np.vstack([xy[-2], xy])
            else:
                found += [tuple(xy[0].tolist()), tuple(xy[-1].tolist())]
            way = bearing_of(*np.diff(xy, axis=0).T)
            bend = np.abs((np.diff(way) + 180) % 360 - 180)
            found += [tuple(place) for place in xy[1:-1][bend >= _CORNER_DEG].tolist()]
    return found


def declination_in(lon: float, lat: float, year: int) -> tuple[float, int]:
    """Magnetic declination in the middle of a year, degrees east of true north, and the year.

    A year outside the model's years is answered for the nearest of them.
    """
    date = min(max(year + 0.5, FIRST_YEAR), LAST_YEAR - 0.1)
    return declination(lon, lat, date), int(date)
