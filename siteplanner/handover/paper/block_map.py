"""The maps of the sheets: a block with its rows and trees, and the property as a whole."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from reportlab.lib.colors import HexColor, black, white
from reportlab.lib.units import mm

from siteplanner.base.symbology.kinds import KINDS, PADDOCK
from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.fieldwork import letters
from siteplanner.handover.paper.drawing import Drawing
from siteplanner.handover.paper.frame import PaperFrame
from siteplanner.handover.paper.pages import Pen
from siteplanner.handover.paper.signs import draw_signs
from siteplanner.handover.paper.text import BOLD
from siteplanner.plan import Plan

_SMALL = 0.4  # width of the symbols of the small overview, as a share of the table's


def draw_block(
    pen: Pen, frame: PaperFrame, plan: Plan, work: BlockWork, signs: Sequence[int], to_true: float
) -> None:
    """Draw a block: surroundings, outline, rows with numbers, trees, start and drop points."""
    drawing = Drawing(pen, frame)
    drawing.open()
    drawing.grid()
    drawing.surroundings(plan, but=work.block)
    drawing.shape(work.shape, edge=black, points=1.2)
    _rows(drawing, work)
    _trees(drawing, work, signs)
    _drop_points(drawing, work)
    _start(drawing, work)
    drawing.feature_names(plan)
    drawing.close()
    drawing.scale_bar()
    drawing.north(to_true)


def draw_overview(pen: Pen, frame: PaperFrame, plan: Plan, *, names: bool) -> None:
    """Draw the whole property: its boundary, paddocks, features and blocks."""
    drawing = Drawing(pen, frame, size=1.0 if names else _SMALL)
    drawing.open()
    drawing.setbacks_and_features(plan)
    for block in plan.blocks.itertuples():
        drawing.shape(block.geometry, edge=black, fill=HexColor("#d9d9d9"), points=0.4)
    for paddock in plan.paddocks.itertuples():
        drawing.symbol(paddock.geometry, PADDOCK)
    for boundary in plan.boundary.geometry:
        drawing.symbol(boundary, KINDS["boundary"])
    if names:
        for block in plan.blocks[plan.blocks["trees"] > 0].itertuples():
            drawing.name(block.geometry, str(block.block), 7, bold=True)
        for paddock in plan.paddocks.itertuples():
            drawing.name(paddock.geometry, str(paddock.name), 6)
        drawing.feature_names(plan)
    drawing.close()


def mark_block(pen: Pen, frame: PaperFrame, shape: shapely.Polygon) -> None:
    """Blacken one block on an overview that is drawn already."""
    Drawing(pen, frame).shape(shape, edge=black, fill=black, points=1.2)


def _rows(drawing: Drawing, work: BlockWork) -> None:
    """Draw a thin line a row and, before its first tree, its number."""
    starts = drawing.at(work.ends[:, 0])
    path = drawing.canvas.beginPath()
    for line in work.lines[shapely.get_type_id(work.lines) == shapely.GeometryType.LINESTRING]:
        (x, y), *rest = drawing.at(shapely.get_coordinates(shapely.simplify(line, 0.05)))
        path.moveTo(x, y)
        for x, y in rest:
            path.lineTo(x, y)
    drawing.canvas.setStrokeColor(HexColor("#999999"))
    drawing.canvas.setLineWidth(0.2)
    drawing.canvas.drawPath(path, stroke=1, fill=0)
    spacing = (
        1000
        / drawing.frame.scale
        * (work.row_spacing_m if np.isfinite(work.row_spacing_m) else 5.0)
    )
    size = min(max(2.5 * spacing, 3.6), 6.0)
    every = next(n for n in (1, 2, 5, 10, 20, 50, 100) if n * spacing >= 1.25 or n == 100)
    back = 1.0 * mm + _radius(drawing, work)
    bearings = np.where(np.isfinite(work.bearing), work.bearing, work.mean_bearing)
    for number, bearing, (x, y) in zip(
        work.number.tolist(), bearings.tolist(), starts, strict=True
    ):
        if number == 1 or number % every == 0:
            _beside(drawing, x, y, bearing, back, str(number), size)


def _beside(
    drawing: Drawing, x: float, y: float, bearing: float, back: float, words: str, size: float
) -> None:
    """Write words before a row's start, along the row and never upside down."""
    turn = 90 - bearing
    x -= back * math.cos(math.radians(turn))
    y -= back * math.sin(math.radians(turn))
    if bearing <= 180:
        drawing.words(x, y, words, size, turn=turn, align="right")
    else:
        drawing.words(x, y, words, size, turn=turn + 180, align="left")


def _radius(drawing: Drawing, work: BlockWork) -> float:
    """Radius of a tree's sign in points: a quarter of the spacing, within bounds."""
    closest = min(
        work.spacing_m, work.row_spacing_m if np.isfinite(work.row_spacing_m) else work.spacing_m
    )
    return min(max(0.27 * closest * 1000 / drawing.frame.scale, 0.25), 1.1) * mm


def _trees(drawing: Drawing, work: BlockWork, signs: Sequence[int]) -> None:
    """Draw every tree with its species' sign."""
    places = drawing.frame.points(drawing.pen, work.xy)
    for species in np.unique(work.species):
        mine = places[work.species == species].tolist()
        draw_signs(drawing.canvas, signs[species], mine, _radius(drawing, work))


def _drop_points(drawing: Drawing, work: BlockWork) -> None:
    """Draw each lettered drop point at the start of its row."""
    for letter, drop in zip(letters(len(work.drops)), work.drops, strict=True):
        (x, y), *_ = drawing.at(work.ends[[work.drop_row(drop)], 0])
        drawing.canvas.setFillColor(white)
        drawing.canvas.setStrokeColor(black)
        drawing.canvas.setLineWidth(0.9)
        drawing.canvas.circle(x, y, 5.2, stroke=1, fill=1)
        drawing.canvas.setFillColor(black)
        drawing.canvas.setFont(BOLD, 6.5)
        drawing.canvas.drawCentredString(x, y - 2.3, letter)


def _start(drawing: Drawing, work: BlockWork) -> None:
    """Draw an arrow along the rows beside the first tree of row 1."""
    first = work.bearing[0]
    bearing = float(first) if np.isfinite(first) else work.mean_bearing
    turn = math.radians(90 - bearing)
    along = np.array([math.cos(turn), math.sin(turn)])
    left = np.array([-along[1], along[0]])
    x, y = np.array(drawing.at(work.ends[:1, 0])[0]) + left * 3.2 * mm
    tip = np.array([x, y]) + along * 11 * mm
    drawing.canvas.setStrokeColor(black)
    drawing.canvas.setFillColor(black)
    drawing.canvas.setLineWidth(1.3)
    drawing.canvas.line(x, y, *(tip - along * 2 * mm))
    path = drawing.canvas.beginPath()
    path.moveTo(*tip)
    for side in (1, -1):
        path.lineTo(*(tip - along * 3 * mm + side * left * 1.1 * mm))
    path.close()
    drawing.canvas.drawPath(path, stroke=0, fill=1)
    upright = 90 - bearing if bearing <= 180 else 270 - bearing
    align = "right" if bearing <= 180 else "left"
    foot = np.array([x, y]) - along * mm
    drawing.words(foot[0], foot[1], "START", 6, bold=True, align=align, turn=upright)
