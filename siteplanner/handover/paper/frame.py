"""A panel of paper that shows ground at a round scale. Pure; draws nothing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.units import mm

from siteplanner.handover.paper.pages import Pen

#: Round scales, 1 to so many; the last is for properties of tens of kilometres.
SCALES = (
    *(250, 300, 400, 500, 600, 750, 800, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000),
    *(6000, 7500, 10_000, 12_500, 15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 100_000),
    *(200_000, 500_000, 1_000_000),
)
_ROOM = 9.0  # mm around the block for row numbers
LONGEST_BAR = 80.0


@dataclass(frozen=True)
class PaperFrame:
    """A panel of paper (mm from the top left) and the ground that it shows.

    ``turn`` is how far the ground is turned anticlockwise on the paper, degrees; at 0 grid north
    is up.
    """

    x: float
    y: float
    wide: float
    high: float
    scale: int
    middle: tuple[float, float]
    turn: float = 0.0

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east and north of the ground shown, or of a box that holds it."""
        west, south = self.corners.min(axis=0).tolist()
        east, north = self.corners.max(axis=0).tolist()
        return west, south, east, north

    @property
    def corners(self) -> NDArray[np.float64]:
        """Places (4, 2) of the grid at the panel's corners, anticlockwise from the lower left."""
        half = np.array([self.wide, self.high]) / 2 * self.scale / 1000
        sides = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]) * half
        return np.asarray(sides @ _turned(self.turn)) + np.array(self.middle)

    @property
    def ground(self) -> shapely.Polygon:
        """The ground shown."""
        return shapely.Polygon(self.corners)

    def points(self, pen: Pen, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where places (n, 2) of the grid stand on the page, in reportlab's points."""
        on_page = (xy - np.array(self.middle)) @ _turned(-self.turn) * 1000 / self.scale * mm
        return on_page + np.array(pen.at(self.x + self.wide / 2, self.y + self.high / 2))


@cache
def _turned(degrees: float) -> NDArray[np.float64]:
    """Matrix that turns rows of places clockwise by an angle."""
    if not degrees:
        return np.eye(2)
    turn = math.radians(degrees)
    return np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])


def frame_for(
    bounds: Sequence[float], x: float, y: float, wide: float, high: float, room: float = _ROOM
) -> PaperFrame:
    """Fit the ground of ``bounds`` into a panel at the largest round scale that holds it."""
    west, south, east, north = bounds
    scale = _scale_of((east - west, north - south), wide, high, room)
    return PaperFrame(x, y, wide, high, scale, ((west + east) / 2, (south + north) / 2))


def _scale_of(ground: Sequence[float], wide: float, high: float, room: float) -> int:
    need = max(ground[0] / (wide - 2 * room), ground[1] / (high - 2 * room)) * 1000
    return next((s for s in SCALES if s >= need), SCALES[-1])


def turned_frame(
    shape: shapely.Geometry,
    x: float,
    y: float,
    wide: float,
    high: float,
    turns: Iterable[float],
    room: float = _ROOM,
) -> PaperFrame:
    """Fit a shape into a panel, turned so that it is largest; of equal turns the first is taken."""
    scale, turn, low, top = min(
        (
            (_scale_of((top - low).tolist(), wide, high, room), turn, low, top)
            for turn, low, top in _turned_extents(shape, tuple(turns))
        ),
        key=lambda one: one[0],
    )
    middle = (low + top) / 2 @ _turned(turn)
    return PaperFrame(x, y, wide, high, scale, (middle[0], middle[1]), turn)


def moved(frame: PaperFrame, scale: int, off: NDArray[np.float64]) -> PaperFrame:
    """Give a frame at another scale, its middle moved by metres (2,) to the right and up."""
    east, north = (np.asarray(off) @ _turned(frame.turn) + np.array(frame.middle)).tolist()
    return replace(frame, scale=scale, middle=(east, north))


def extents(shape: shapely.Geometry, turns: Iterable[float]) -> list[tuple[float, float]]:
    """Width and height, m, of a shape at each of some turns, degrees anticlockwise."""
    found = []
    for _, low, top in _turned_extents(shape, tuple(turns)):
        wide, high = (top - low).tolist()
        found.append((wide, high))
    return found


@lru_cache(maxsize=4)
def _turned_extents(
    shape: shapely.Geometry, turns: tuple[float, ...]
) -> list[tuple[float, NDArray[np.float64], NDArray[np.float64]]]:
    """Lowest and highest x and y (2,) of a shape at each of some turns, which are given too.

    A block's frames are tried on many panels, one after the other.
    """
    hull = shapely.get_coordinates(shapely.convex_hull(shape))
    found = []
    for turn in turns:
        on_page = hull @ _turned(-turn)
        found.append((turn, on_page.min(axis=0), on_page.max(axis=0)))
    return found


def bar_of(scale: int, longest: float = LONGEST_BAR) -> float:
    """Metres of a scale bar: 1, 2 or 5 and noughts, at most ``longest`` mm on paper.

    >>> bar_of(1000, longest=40.0), bar_of(500, longest=40.0)
    (20.0, 20.0)
    """
    most = longest * scale / 1000
    ten = 10.0 ** math.floor(math.log10(most))
    return next(k * ten for k in (5, 2, 1) if k * ten <= most)
