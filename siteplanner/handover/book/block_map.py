"""A block's map: surroundings, contours, rows with their numbers, trees, drops and START."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, black, grey, white
from reportlab.lib.units import mm

from siteplanner.base.bearings import convergence
from siteplanner.base.symbology.kinds import BLOCK, CONTOUR, HOLLOW, KINDS, PADDOCK, SETBACK
from siteplanner.base.symbology.signs import signs
from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.cautions import NOT_TOXIC, cautions_of
from siteplanner.handover.contours import contour_lines
from siteplanner.handover.fieldwork import letters
from siteplanner.handover.finding import Landmark, declination_in, landmarks
from siteplanner.handover.paper.drawing import Drawing
from siteplanner.handover.paper.frame import PaperFrame
from siteplanner.handover.paper.pages import LEAST_TEXT, Pen, wide_of
from siteplanner.handover.paper.placing import Spot
from siteplanner.handover.paper.signs import draw_signs
from siteplanner.handover.paper.symbols import draw_symbol
from siteplanner.handover.things import Surroundings, surroundings_of
from siteplanner.plan import Plan

LEAST_SIGN_MM = 2.4
"""Diameter of a tree's sign, of which the smallest sign's longer side is 2 mm."""
LEAST_STEP_MM = 2.55
"""Trees lie no closer on a map of a block, or its rows' numbers could not be written."""
#: Kinds whose sample in the key is an area.
_AREAS = (
    "setback",
    "building",
    "bush",
    "dam",
    "native_grassland",
    "septic_field",
    "slip",
)


@dataclass(frozen=True)
class Book:
    """What all sheets of a plan share.

    ``signs``, ``codes``, common ``names`` and ``colours`` of the species; ``around``: the plan's
    features; ``cares``: what to be careful of, and ``works``: the row of the table of works, by
    block;
    ``to_true`` is what a true bearing has more than a grid bearing, ``magnetic`` what it has more
    than one by compass in ``year``. ``mixed``: crews plant at random from mixed buckets.
    """

    plan: Plan
    signs: list[int]
    codes: list[str]
    names: list[str]
    colours: list[str]
    to_true: float
    magnetic: float
    year: int
    marks: list[Landmark]
    around: Surroundings = field(repr=False)
    works: dict[str, Any] = field(repr=False)
    cares: dict[str, list[str]] = field(repr=False)
    mixed: bool = False


def book_of(plan: Plan, works: Sequence[BlockWork]) -> Book:
    """Work out what all sheets of some blocks share."""
    trees = np.sum([work.trees for work in works], axis=0, dtype=np.int64)
    trees = np.broadcast_to(trees, len(plan.species))
    years = plan.blocks["year"][plan.blocks["year"] > 1900] if "year" in plan.blocks else ()
    lon, lat = plan.grid.centre_lonlat
    magnetic, year = declination_in(lon, lat, int(min(years)) if len(years) else 0)
    return Book(
        plan,
        signs(trees),
        list(plan.species["code"]),
        [str(name) for name in plan.species["common_name"]],
        list(plan.species["colour"]),
        convergence(plan.grid),
        magnetic,
        year,
        landmarks(plan),
        surroundings_of(plan),
        {row.block: row for row in plan.works.blocks.itertuples()},
        {work.block: _own_cautions(plan, work) for work in works},
        _order_of(plan) == "mixed",
    )


def _own_cautions(plan: Plan, work: BlockWork) -> list[str]:
    """Cautions of a block, without what is said once for all of them in front."""
    return [words for words in cautions_of(plan, work) if words != NOT_TOXIC]


def _order_of(plan: Plan) -> object:
    mix = plan.settings.get("mix")
    return mix.get("order") if isinstance(mix, dict) else None


def least_scale(work: BlockWork) -> float:
    """Scale, 1 to so many, up to which signs and numbers of a block can be read."""
    return work.closest_m * 1000 / LEAST_STEP_MM


def turns_of(work: BlockWork) -> list[float]:
    """Turns of the ground that are tried, degrees, in the order in which they are preferred.

    Rows that run across the page, then up it, then steps of 15 degrees; of each the one that
    leaves north least turned.
    """
    level = work.mean_bearing - 90
    ways = [level, level + 180, level + 90, level - 90]
    near = sorted(ways[:2], key=_away) + sorted(ways[2:], key=_away)
    return [(t + 180) % 360 - 180 for t in (*near, *range(0, 180, 15), *range(-165, 0, 15))]


def _away(turn: float) -> float:
    return abs((turn + 180) % 360 - 180)


def draw_block(pen: Pen, frame: PaperFrame, book: Book, work: BlockWork) -> list[str]:
    """Draw a block into a frame; give the kinds of lines shown, for the key beneath it.

    At a scale at which trees could not be read there are neither trees nor row numbers: maps of
    the block's parts have them.
    """
    drawing = Drawing(pen, frame)
    drawing.open()
    shown = _surroundings(drawing, book, work)
    heights, lines = contour_lines(book.plan.layers, book.plan.grid, frame.box, frame.scale)
    drawing.contours(lines)
    if heights:
        shown.append("contour")
    drawing.shape(work.shape, edge=black, points=1.2)
    _row_lines(drawing, work)
    whole = frame.scale > least_scale(work)
    if not whole:
        _trees(drawing, book, work)
    _start(drawing, work)
    _drop_points(drawing, work)
    if not whole:
        _row_numbers(drawing, work)
    drawing.taken.add(drawing.cut(work.shape))  # other names are written outside the block
    drawing.feature_names(book.around)
    _neighbours(drawing, book.around, work.block)
    for height, shape in zip(heights, lines, strict=True):
        drawing.along(shape, f"{height:g} m")
    drawing.close()
    return shown


def radius(frame: PaperFrame, work: BlockWork) -> float:
    """Radius of a tree's sign in points: a third of the spacing, within bounds."""
    return min(max(0.3 * work.closest_m * 1000 / frame.scale, LEAST_SIGN_MM / 2), 1.7) * mm


def _surroundings(drawing: Drawing, book: Book, work: BlockWork) -> list[str]:
    """Draw setbacks, features, fences and other blocks; give the kinds that are shown."""
    around, ground = book.around, drawing.frame.ground
    shown = []
    if shapely.intersects(drawing.setbacks(around), ground):
        shown.append("setback")
    for _, hollow in drawing.near(around.hollows):
        # Its outline alone: a hatch under every tree of a block could not be read.
        drawing.symbol(hollow.boundary, HOLLOW)
        if shapely.intersects(hollow.boundary, ground):
            shown.append("hollow")
    for kind, feature in drawing.features(around):
        if shapely.intersects(feature, ground):
            shown.append(kind)
    for _, paddock in drawing.near(around.paddocks):
        drawing.symbol(paddock, PADDOCK)
        if shapely.intersects(paddock.boundary, ground):
            shown.append("paddock")
    for boundary in around.boundary:
        if shapely.intersects(boundary.boundary, ground):
            drawing.symbol(boundary, KINDS["boundary"])
            shown.append("boundary")
    return list(dict.fromkeys(shown))


def _neighbours(drawing: Drawing, around: Surroundings, but: str) -> None:
    ground = drawing.frame.ground
    for name, shape in drawing.near(around.blocks):
        if name != but and shape.intersects(ground):
            drawing.shape(shape, edge=grey, points=0.5)
            drawing.name(shape, f"block {name}")


def _row_lines(drawing: Drawing, work: BlockWork) -> None:
    """Draw a thin line a row."""
    path = drawing.canvas.beginPath()
    lines = work.lines[shapely.get_type_id(work.lines) == shapely.GeometryType.LINESTRING]
    xy, of_line = shapely.get_coordinates(shapely.simplify(lines, 0.05), return_index=True)
    first = np.diff(of_line, prepend=-1) > 0
    for (x, y), begins in zip(drawing.at(xy), first.tolist(), strict=True):
        (path.moveTo if begins else path.lineTo)(x, y)
    drawing.canvas.setStrokeColor(HexColor("#999999"))
    drawing.canvas.setLineWidth(0.2)
    drawing.canvas.drawPath(path, stroke=1, fill=0)


def _row_numbers(drawing: Drawing, work: BlockWork) -> None:
    """Write each row's number before its first tree, along the row and never upside down."""
    back = 0.6 * mm + radius(drawing.frame, work)
    bearings = np.where(np.isfinite(work.bearing), work.bearing, work.mean_bearing)
    starts, ends = drawing.at(work.ends[:, 0]), drawing.at(work.ends[:, 1])
    here = shapely.intersects(work.lines, drawing.frame.ground)
    for name, bearing, start, end, shown in zip(
        work.name, bearings.tolist(), starts, ends, here.tolist(), strict=True
    ):
        if not shown:
            continue
        turn = 90 - bearing + drawing.frame.turn
        spots = itertools.chain(_beside(start, turn, back), _beside(end, turn + 180, back))
        drawing.place(spots, name, LEAST_TEXT, must=True)


def _beside(place: Sequence[float], turn: float, back: float) -> Iterator[Spot]:
    """Spots behind a row's end, the nearest first; ``turn`` is the way that the row goes."""
    (x, y), upright = place, (turn + 90) % 360 - 90
    for steps in range(4):
        far = back + steps * 4.0 * mm
        left = x - far * math.cos(math.radians(turn))
        foot = y - far * math.sin(math.radians(turn))
        if upright <= 90:
            yield Spot(left, foot, upright, "right")
        else:
            yield Spot(left, foot, upright - 180, "left")


def _trees(drawing: Drawing, book: Book, work: BlockWork) -> None:
    """Draw every tree with its species' sign."""
    size = radius(drawing.frame, work)
    near = drawing.frame.ground.buffer(size / mm * drawing.frame.scale / 1000)
    here = shapely.contains_xy(near, *work.xy.T)
    places = drawing.frame.points(drawing.pen, work.xy[here])
    for species in np.unique(work.species[here]):
        mine = places[work.species[here] == species].tolist()
        draw_signs(drawing.canvas, book.signs[species], mine, size, book.colours[species])


def _drop_points(drawing: Drawing, work: BlockWork) -> None:
    """Draw each lettered drop point at the start of its row."""
    for letter, drop in zip(letters(len(work.drops)), work.drops, strict=True):
        (x, y), *_ = drawing.at(work.ends[[drop.at], 0])
        drawing.canvas.setFillColor(white)
        drawing.canvas.setStrokeColor(black)
        drawing.canvas.setLineWidth(0.9)
        drawing.canvas.circle(x, y, 5.4, stroke=1, fill=1)
        drawing.taken.add(shapely.Point(x, y).buffer(5.4))
        drawing.words(x, y, letter, LEAST_TEXT, bold=True)


def _start(drawing: Drawing, work: BlockWork) -> None:
    """Draw the first peg, an arrow from it inside the block, and the word START."""
    peg = work.ends[0, 0]
    (x, y), *_ = drawing.at(peg[None])
    tip = arrow_tip(work, 11.0 * drawing.frame.scale / 1000)
    ends = np.array(drawing.at(np.array([peg, tip])))
    way = ends[1] - ends[0]
    long = float(np.hypot(*way))
    drawing.canvas.setStrokeColor(black)
    drawing.canvas.setFillColor(black)
    if long > 3 * mm:
        along, left = way / long, np.array([-way[1], way[0]]) / long
        drawing.canvas.setLineWidth(1.6)
        drawing.canvas.line(*ends[0], *(ends[1] - 2 * mm * along))
        path = drawing.canvas.beginPath()
        path.moveTo(*ends[1])
        for side in (1, -1):
            path.lineTo(*(ends[1] - 3.2 * mm * along + side * 1.3 * mm * left))
        path.close()
        drawing.canvas.drawPath(path, stroke=0, fill=1)
    drawing.canvas.setLineWidth(1.4)
    drawing.canvas.circle(x, y, 2.1 * mm, stroke=1, fill=0)
    off = 3.0 * mm
    spots = [
        Spot(x + dx * off, y + dy * off, align={1: "left", -1: "right", 0: "centre"}[dx])
        for dx, dy in ((-1, 1), (1, 1), (0, 1.4), (0, -1.4), (-1, -1), (1, -1), (1, 0), (-1, 0))
    ]
    drawing.place(spots, "START", 8, bold=True, must=True)


def arrow_tip(work: BlockWork, most_m: float) -> NDArray[np.float64]:
    """Where an arrow from the first peg ends: along the first row, or else inside the block.

    Of some ways, along the row first, the one is taken along which it may be longest without
    leaving the block, up to ``most_m``.
    """
    peg = work.ends[0, 0]
    first = work.bearing[0]
    along = float(first) if np.isfinite(first) else work.mean_bearing
    best, reach = peg, 0.0
    for off in (0, 90, -90, 45, -45, 180, 135, -135):
        turn = math.radians(along + off)
        way = np.array([math.sin(turn), math.cos(turn)])
        line = shapely.LineString([peg, peg + most_m * way])
        inside = [
            part
            for part in shapely.get_parts(shapely.intersection(line, work.shape))
            if shapely.distance(part, shapely.Point(peg)) < 0.01
        ]
        long = 0.94 * max((part.length for part in inside), default=0.0)
        if long > 1.15 * reach + 0.01:
            best, reach = peg + long * way, long
        if long >= 0.6 * most_m and off == 0:
            break
    return best


def draw_line_key(
    pen: Pen, x: float, y: float, wide: float, kinds: list[str], first_wide: float
) -> None:
    """Draw samples of the lines and hatches on a map with their words.

    The first two lines are up to ``first_wide`` mm long, the others ``wide``.
    """
    looks = {
        "hollow": HOLLOW,
        "setback": SETBACK,
        "paddock": PADDOCK,
        "contour": CONTOUR,
        "block": BLOCK,
        **KINDS,
    }
    left, foot, line = x, y + 2.6, 0
    for kind in kinds:
        words = looks[kind].word
        long = 7.5 + wide_of(words, LEAST_TEXT)
        if left > x and left + long > x + (first_wide if line < 2 else wide):
            left, foot, line = x, foot + 3.4, line + 1
        low, top = pen.at(left, foot), pen.at(left + 5.5, foot - 2.2)
        middle = (low[1] + top[1]) / 2
        sample = (
            shapely.box(low[0], low[1], top[0], top[1])
            if kind in _AREAS
            else shapely.LineString([(low[0], middle), (top[0], middle)])
        )
        draw_symbol(pen.canvas, sample, looks[kind])
        pen.text(left + 6.5, foot, words, LEAST_TEXT)
        left += long + 2.0
