"""A panel of paper that shows ground at a round scale. Pure; draws nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
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
    """A panel of paper (mm from the top left) and the ground that it shows."""

    x: float
    y: float
    wide: float
    high: float
    scale: int
    middle: tuple[float, float]

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east and north of the ground shown."""
        wide, high = (side / 2 * self.scale / 1000 for side in (self.wide, self.high))
        east, north = self.middle
        return east - wide, north - high, east + wide, north + high

    def points(self, pen: Pen, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where places (n, 2) of the grid stand on the page, in reportlab's points."""
        on_page = (xy - np.array(self.middle)) * 1000 / self.scale * mm
        return on_page + np.array(pen.at(self.x + self.wide / 2, self.y + self.high / 2))


def frame_for(
    bounds: Sequence[float], x: float, y: float, wide: float, high: float, room: float = _ROOM
) -> PaperFrame:
    """Fit the ground of ``bounds`` into a panel at the largest round scale that holds it."""
    west, south, east, north = bounds
    need = max((east - west) / (wide - 2 * room), (north - south) / (high - 2 * room)) * 1000
    scale = next((s for s in SCALES if s >= need), SCALES[-1])
    return PaperFrame(x, y, wide, high, scale, ((west + east) / 2, (south + north) / 2))


def bar_of(scale: int, longest: float = LONGEST_BAR) -> float:
    """Metres of a scale bar: 1, 2 or 5 and noughts, at most ``longest`` mm on paper.

    >>> bar_of(1000, longest=40.0), bar_of(500, longest=40.0)
    (20.0, 20.0)
    """
    most = longest * scale / 1000
    ten = 10.0 ** math.floor(math.log10(most))
    return next(k * ten for k in (5, 2, 1) if k * ten <= most)
