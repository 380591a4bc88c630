"""Patterns: how planting places are set out over a block.

A pattern is a function ``pattern(area, spacing_m, bearing_deg) -> (x, y, row)``: the places
inside the polygon ``area`` (map metres) and the number of the row, 0 … n-1, that each stands
in. The places of a row follow each other as they are walked. Rows run along ``bearing_deg``
(clockwise from grid north). A pattern that has a keyword ``ground`` is given the heights
(:class:`Relief`), one that has ``row_spacing_m`` the distance between rows that was asked for, one
that has ``along_ground`` whether spacing is measured along the ground; to others the block is
shown as it would be measured along the ground.

A pattern's facts are attached to it as a :class:`PatternInfo`. siteplanner's own patterns and those
of other packages come through the entry-point group ``siteplanner.patterns``.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.bearings import bearing_of
from siteplanner.base.errors import Errors
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.plugins import PATTERNS, Offer, by_name
from siteplanner.planting.rows._phase import fullest_phase

PatternPlaces = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]
Pattern = Callable[..., PatternPlaces]
Function = TypeVar("Function", bound=Callable[..., Any])
#: Of a rectangular pattern whose row gap is not given, in spacings (common practice, no source).
ROW_SPACING = 1.5
#: Places of another package's pattern may lie outside a block by this much, for rounding.
_ROUNDING_M = 0.01


@dataclass(frozen=True)
class Relief:
    """Heights for patterns that follow the ground: ``dem`` float32 on ``grid``."""

    dem: FloatGrid
    grid: Grid


@dataclass(frozen=True)
class PatternInfo:
    """The facts of one pattern; its name is its function's.

    ``picture`` says in words what it looks like, ``spacing`` what the spacing s is the distance
    of. ``area_per_tree`` is the map area that a tree has, in s²: a hectare holds
    10 000 / (area_per_tree × s²) trees. ``in_rows``: whether trees stand in rows; others are
    walked in strips that take the part of rows. ``ripped``: whether a machine can follow the rows
    and rip them. ``stride``: a longer step along a row, in spacings, begins a new row.
    ``row_range``: least and greatest distance between rows, in spacings, where ground decides it.
    """

    title: str
    picture: str
    spacing: str
    area_per_tree: float
    source: str
    in_rows: bool = True
    ripped: bool = False
    stride: float = 1.5
    row_range: tuple[float, float] | None = None
    name: str = ""

    def __post_init__(self) -> None:
        if not (self.area_per_tree > 0 and self.stride > 0):
            raise ValueError("area_per_tree and stride of a pattern must be over 0")


def pattern(info: PatternInfo) -> Callable[[Function], Function]:
    """Attach its facts to a pattern, which itself stays as it was."""

    def attach(function: Function) -> Function:
        function.__pattern__ = replace(info, name=function.__name__)  # type: ignore[attr-defined]
        return function

    return attach


@pattern(
    PatternInfo(
        title="Square grid",
        picture="Straight rows, with the trees of each row level with those in the next.",
        spacing="between rows, and between trees in a row",
        area_per_tree=1.0,
        source="geometry",
        ripped=True,
    )
)
def square(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> PatternPlaces:
    """Rows ``spacing_m`` apart, trees ``spacing_m`` apart in the row: 10 000 / s² a hectare.

    >>> x, y, row = square(shapely.box(1, 1, 7, 7), 3.0, 0.0)
    >>> x.round(1).tolist(), y.round(1).tolist(), row.tolist()
    ([2.5, 2.5, 5.5, 5.5], [2.5, 5.5, 2.5, 5.5], [0, 0, 1, 1])
    """
    return lattice(area, spacing_m, spacing_m, bearing_deg, 0.0)


@pattern(
    PatternInfo(
        title="Triangular grid",
        picture="Straight rows, with the trees of every second row moved by half a spacing, so "
        "that each has six neighbours equally far away.",
        spacing="between each tree and its nearest neighbours",
        area_per_tree=float(np.sqrt(3) / 2),
        source="geometry",
        ripped=True,
    )
)
def triangular(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> PatternPlaces:
    """Equilateral triangles of side ``spacing_m``: 1.1547 times as many trees as the square."""
    return lattice(area, spacing_m, spacing_m * np.sqrt(3) / 2, bearing_deg, 0.5)


@pattern(
    PatternInfo(
        title="Rows with wider gaps between them",
        picture="Straight rows, further apart than the trees in them.",
        spacing="between trees in a row; rows are row_spacing_m apart, by default 1.5 spacings",
        area_per_tree=ROW_SPACING,
        source="geometry; the default is common practice, no source",
        ripped=True,
    )
)
def rectangular(
    area: shapely.Polygon,
    spacing_m: float,
    bearing_deg: float,
    *,
    row_spacing_m: float | None = None,
) -> PatternPlaces:
    """Trees ``spacing_m`` apart in rows ``row_spacing_m`` apart: 10 000 / (s × r) a hectare."""
    return lattice(area, spacing_m, row_spacing_m or ROW_SPACING * spacing_m, bearing_deg, 0.0)


@pattern(
    PatternInfo(
        title="Belt",
        picture="Staggered rows along the longer side of a narrow block, whatever the bearing.",
        spacing="between each tree and its nearest neighbours",
        area_per_tree=float(np.sqrt(3) / 2),
        source="geometry",
    )
)
def strip(area: shapely.Polygon, spacing_m: float, bearing_deg: float) -> PatternPlaces:
    """Staggered rows along a narrow block, whatever the bearing: for banks and shelter belts.

    Rows run along the longer side of the block's smallest enclosing rectangle; stocking is
    that of the triangular pattern.
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(area))
    sides = np.diff(corners, axis=0)[:2] if len(corners) >= 4 else np.array([[0.0, 1.0]])
    east, north = sides[np.hypot(*sides.T).argmax()]
    return triangular(area, spacing_m, float(bearing_of(east, north)) % 180)


def lattice(
    area: shapely.Polygon, in_row: float, between: float, bearing_deg: float, stagger: float
) -> PatternPlaces:
    """Places on rows along a bearing, every second row moved by ``stagger`` of ``in_row``.

    Rows, and trees in them, begin where most places fit the area (:mod:`._phase`).
    """
    turn = np.radians(bearing_deg)
    along = np.array([np.sin(turn), np.cos(turn)])
    across = np.array([np.cos(turn), -np.sin(turn)])
    corners = shapely.get_coordinates(area)
    # A lattice fixed to the CRS's origin would shift with rounding; fix it to the block.
    origin = np.floor(corners.min(axis=0))
    local = corners - origin
    u, v = local @ along, local @ across
    in_rows = shapely.transform(
        area, lambda xy: np.column_stack([(xy - origin) @ along, (xy - origin) @ across])
    )
    first_u, first_v = fullest_phase(in_rows, in_row, between, stagger)
    steps = np.arange(np.floor(u.min() / in_row) - 2, np.ceil(u.max() / in_row) + 1)
    lines = np.arange(np.floor(v.min() / between) - 1, np.ceil(v.max() / between) + 1)
    uu = first_u + (steps[None, :] + (lines[:, None] % 2) * stagger) * in_row
    vv = np.broadcast_to(first_v + lines[:, None] * between, uu.shape)
    x = origin[0] + uu * along[0] + vv * across[0]
    y = origin[1] + uu * along[1] + vv * across[1]
    row = np.broadcast_to(np.arange(len(lines))[:, None], uu.shape)
    shapely.prepare(area)
    inside = shapely.contains_xy(area, x, y)
    return x[inside], y[inside], numbered(row[inside])


def numbered(row: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number rows 0 … n-1 in their order, leaving none out."""
    return np.unique(row, return_inverse=True)[1].astype(np.int64)


def lay(
    pattern: Pattern,
    area: shapely.Polygon,
    spacing_m: float,
    bearing_deg: float,
    *,
    relief: Relief | None = None,
    row_spacing_m: float | None = None,
    fall_deg: float = 0.0,
    slope_deg: float = 0.0,
    along_ground: bool = False,
) -> PatternPlaces:
    """Call a pattern with what it can use of the ground.

    ``fall_deg`` is the block's mean fall direction, ``slope_deg`` its mean slope. With
    ``along_ground`` distances are measured along that mean slope, so that more trees stand on
    a map hectare: 1 / cos(slope) times as many.
    """
    takes = inspect.signature(pattern).parameters
    offered: dict[str, Any] = {
        "ground": relief,
        "row_spacing_m": row_spacing_m,
        "along_ground": along_ground,
    }
    used = {name: value for name, value in offered.items() if name in takes}
    if not along_ground or "along_ground" in takes or slope_deg <= 0:
        return pattern(area, spacing_m, bearing_deg, **used)
    turn = np.radians(fall_deg)
    fall = np.array([np.sin(turn), np.cos(turn)])
    longer = 1 / np.cos(np.radians(slope_deg))
    middle = np.round(shapely.get_coordinates(shapely.centroid(area))[0])

    def stretched(xy: NDArray[np.float64], by: float) -> NDArray[np.float64]:
        """Move points away from the line along the contour through the middle."""
        return np.asarray(xy + ((xy - middle) @ fall)[:, None] * (by - 1) * fall)

    ahead = np.array([[np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))]])
    east, north = (ahead + (ahead @ fall)[:, None] * (longer - 1) * fall)[0]
    shown = shapely.transform(area, lambda xy: stretched(xy, longer))
    bearing = float(bearing_of(east, north)) % 180
    x, y, row = pattern(shown, spacing_m, bearing, **used)
    back = stretched(np.column_stack([x, y]), 1 / longer)
    # A place on the very edge may be rounded across it.
    inside = shapely.contains_xy(area, back[:, 0], back[:, 1])
    return back[inside, 0], back[inside, 1], numbered(row[inside])


def patterns() -> dict[str, Pattern]:
    """All patterns by name: siteplanner's own, then those of other packages.

    Raises :class:`~siteplanner.InputError` for packages that cannot be used, and for two that
    offer a pattern of the same name.
    """
    return {name: function for name, (function, _) in _offered().items()}


def _offered() -> dict[str, tuple[Pattern, str]]:
    """All patterns by name, each with the package that offers it."""
    errors = Errors()
    found: dict[str, tuple[Pattern, str]] = {}
    for name, offer in by_name(PATTERNS).items():
        with errors.gather():
            function = offer.load()
            if not isinstance(getattr(function, "__pattern__", None), PatternInfo):
                raise offer.broken(
                    f"pattern {name} has no facts: put @pattern(PatternInfo(...)) on it"
                )
            if function.__name__ != name:
                raise offer.broken(
                    f"the function of pattern {name} is called {function.__name__}: it and its "
                    "entry point must have one name"
                )
            if not offer.ours:
                function = offer.guarded(_held_to_promise(function, offer), f"pattern {name}")
            found[name] = function, offer.package
    errors.raise_any()
    return found


def pattern_infos() -> dict[str, PatternInfo]:
    """Facts of all patterns by name, in the order of :func:`patterns`."""
    return {name: info for name, (info, _) in pattern_offers().items()}


def pattern_offers() -> dict[str, tuple[PatternInfo, str]]:
    """Facts of all patterns by name, each with the package that offers it."""
    return {name: (info_of(function), package) for name, (function, package) in _offered().items()}


def info_of(function: Pattern) -> PatternInfo:
    """Facts of one pattern."""
    info: PatternInfo = function.__pattern__  # type: ignore[attr-defined]
    return info


def density_per_ha(pattern: str, spacing_m: float, row_spacing_m: float | None = None) -> float:
    """Trees that a pattern has on a hectare of map, far from edges.

    ``row_spacing_m`` counts for patterns that take it. Raises ``KeyError`` for a name that no
    pattern has.

    >>> round(density_per_ha("square", 4.0))
    625
    """
    function = patterns()[pattern]
    if row_spacing_m is not None and "row_spacing_m" in inspect.signature(function).parameters:
        return 10_000 / (spacing_m * row_spacing_m)
    return density_of(info_of(function), spacing_m)


def density_of(info: PatternInfo, spacing_m: float) -> float:
    """Trees on a hectare of map, far from edges, by a pattern's facts."""
    return 10_000 / (info.area_per_tree * spacing_m**2)


def _held_to_promise(function: Pattern, offer: Offer) -> Pattern:
    """Give a pattern whose places are checked: lists of one length, all inside the area."""
    who = f"pattern {offer.name} of {offer.package}"

    @functools.wraps(function)
    def checked(area: shapely.Polygon, *given: Any, **named: Any) -> PatternPlaces:
        made = function(area, *given, **named)
        parts = [np.asarray(part) for part in made] if isinstance(made, tuple | list) else []
        if len(parts) != 3 or len({p.shape for p in parts}) != 1 or parts[0].ndim != 1:
            raise offer.broken(f"{who} must give x, y and row, arrays of one length")
        x, y, row = parts[0].astype(np.float64), parts[1].astype(np.float64), parts[2]
        if row.size and not (np.issubdtype(row.dtype, np.integer) and row.min() >= 0):
            raise offer.broken(f"{who} must number the rows 0, 1, 2 …")
        if not shapely.contains_xy(area.buffer(_ROUNDING_M), x, y).all():
            raise offer.broken(f"{who} set places outside the block")
        return x, y, row.astype(np.int64)

    return checked
