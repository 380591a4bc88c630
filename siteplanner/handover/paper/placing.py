"""Where words find room on a drawing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely


@dataclass(frozen=True)
class Spot:
    """A place for words, in points: how far they are turned and what side of it they are on."""

    x: float
    y: float
    turn: float = 0.0
    align: str = "centre"


class Box:
    """The ground that words cover: a rectangle, turned, by its four ``corners`` in points.

    Most are only looked at by their ``bounds``, so the shape is made where it is asked for.
    """

    def __init__(self, corners: list[tuple[float, float]]) -> None:
        self._corners = corners
        xs, ys = zip(*corners, strict=True)
        self.bounds = (min(xs), min(ys), max(xs), max(ys))

    @cached_property
    def shape(self) -> shapely.Polygon:
        """The rectangle as a shape."""
        return shapely.polygons(np.array(self._corners))


class Taken:
    """What words must not cover, in points: other words, marks, areas."""

    def __init__(self) -> None:
        self._held: list[tuple[shapely.Geometry | Box, float, float, float, float]] = []

    def add(self, shape: shapely.Geometry | Box) -> None:
        """Keep words off a shape."""
        self._held.append((shape, *shape.bounds))

    def near(self, box: Box) -> list[shapely.Geometry]:
        """Give the shapes whose bounds meet those of a box."""
        left, low, right, top = box.bounds
        return [
            one.shape if isinstance(one, Box) else one
            for one, west, south, east, north in self._held
            if west <= right and east >= left and south <= top and north >= low
        ]


def box_of(spot: Spot, long: float, size: float) -> Box:
    """The ground that words cover, in points, with their descenders and a little room."""
    left = {"centre": -long / 2, "right": -long, "left": 0.0}[spot.align]
    west, east, south, north = left - 0.6, left + long + 0.6, -0.62 * size, 0.46 * size
    turn = math.radians(spot.turn)
    cos, sin = math.cos(turn), math.sin(turn)
    corners = ((east, south), (east, north), (west, north), (west, south))
    return Box([(cos * x - sin * y + spot.x, sin * x + cos * y + spot.y) for x, y in corners])


def spots_in(shape: shapely.Geometry) -> Iterator[Spot]:
    """Places inside a shape for its name, the best first: its middle, then those of its parts."""
    west, south, east, north = shape.bounds
    x, y = (west + east) / 2, (south + north) / 2
    boxes = [(west, south, east, north)]
    if west != east and south != north:  # a point has no parts
        boxes += [(west, y, east, north), (west, south, east, y)]
        boxes += [(west, south, x, north), (x, south, east, north)]
        boxes += [(west, y, x, north), (x, y, east, north)]
        boxes += [(west, south, x, y), (x, south, east, y)]
    for number, box in enumerate(boxes):
        part = shapely.clip_by_rect(shape, *box) if number else shape
        if not part.is_empty:
            place = part.representative_point()
            yield Spot(place.x, place.y)
