"""What maps on paper are drawn with: shapes cut to a frame, names, grid, scale bar and north."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, black, grey, white
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.pathobject import PDFPathObject

from siteplanner.base.symbology.kinds import KINDS, PADDOCK, SETBACK, Symbology
from siteplanner.handover.drawn_kinds import in_drawing_order
from siteplanner.handover.paper.frame import LONGEST_BAR, PaperFrame, bar_of
from siteplanner.handover.paper.pages import Pen
from siteplanner.handover.paper.symbols import draw_symbol
from siteplanner.handover.paper.text import BOLD, FONT, on_paper
from siteplanner.plan import Plan

_LEAST_NORTH = 0.5  # degrees between grid and true north below which one arrow will do


class Drawing:
    """Draws ground into a frame; what lies outside the frame is clipped.

    Symbols are drawn ``size`` times as wide as in the table of symbology.
    """

    def __init__(self, pen: Pen, frame: PaperFrame, size: float = 1.0) -> None:
        self.pen, self.frame, self.canvas, self.size = pen, frame, pen.canvas, size
        self.taken: list[shapely.Polygon] = []

    def open(self) -> None:
        """Begin to clip at the frame's edge."""
        self.canvas.saveState()
        path = self.canvas.beginPath()
        left, bottom = self.pen.at(self.frame.x, self.frame.y + self.frame.high)
        path.rect(left, bottom, self.frame.wide * mm, self.frame.high * mm)
        self.canvas.clipPath(path, stroke=0)

    def close(self) -> None:
        """Stop clipping, and rule the frame."""
        self.canvas.restoreState()
        self.canvas.setStrokeColor(black)
        self.pen.box(self.frame.x, self.frame.y, self.frame.wide, self.frame.high, 0.8)

    @property
    def _shown(self) -> tuple[float, float, float, float]:
        """The frame's ground and a rim around it, where edges that are clipped away may run."""
        west, south, east, north = self.frame.box
        rim = 3.0 * self.frame.scale / 1000
        return west - rim, south - rim, east + rim, north + rim

    def near(self, features: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Those of the features, in their order, whose bounds meet the ground that is shown."""
        # A sheet shows a few of a large property's blocks: it must not go through all of them.
        return features.iloc[np.sort(features.sindex.query(shapely.box(*self._shown)))]

    # pieces --------------------------------------------------------------------------------

    def shape(
        self,
        shape: shapely.Geometry,
        *,
        edge: object = None,
        fill: object = None,
        points: float = 0.5,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw polygons (with their holes) and lines, cut to the frame."""
        shape = shapely.clip_by_rect(shape, *self._shown)
        if shape.is_empty:
            return
        path = self.canvas.beginPath()
        for part in shapely.get_parts(shape):
            self._add(path, part)
        self.canvas.saveState()
        if edge is not None:
            self.canvas.setStrokeColor(edge)
        if fill is not None:
            self.canvas.setFillColor(fill)
        self.canvas.setLineWidth(points)
        self.canvas.setDash(*([list(dash)] if dash else [[]]))
        self.canvas.drawPath(
            path, stroke=int(edge is not None), fill=int(fill is not None), fillMode=0
        )
        self.canvas.restoreState()

    def _add(self, path: PDFPathObject, part: shapely.Geometry) -> None:
        closed = part.geom_type == "Polygon"
        for line in [part.exterior, *part.interiors] if closed else [part]:
            (x, y), *rest = self.at(shapely.get_coordinates(line))
            path.moveTo(x, y)
            for x, y in rest:
                path.lineTo(x, y)
            if closed:
                path.close()

    def symbol(self, shape: shapely.Geometry, symbology: Symbology) -> None:
        """Draw a shape of any form by its symbology, cut to the frame."""
        shape = shapely.clip_by_rect(shape, *self._shown)
        draw_symbol(self.canvas, shapely.transform(shape, self._on_page), symbology, self.size)

    def _on_page(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.frame.points(self.pen, xy)

    def at(self, xy: NDArray[np.float64]) -> list[list[float]]:
        """Where places (n, 2) of the grid stand on the page, in points."""
        return self.frame.points(self.pen, xy).tolist()

    def words(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        *,
        bold: bool = False,
        turn: float = 0.0,
        align: str = "centre",
    ) -> None:
        """Write words on a white rim around (x, y) in points, turned anticlockwise."""
        font = BOLD if bold else FONT
        said = on_paper(words)[:60]
        long = pdfmetrics.stringWidth(said, font, size)
        left = {"centre": -long / 2, "right": -long, "left": 0.0}[align]
        canvas = self.canvas
        canvas.saveState()
        canvas.translate(x, y)
        canvas.rotate(turn)
        canvas.setStrokeColor(white)
        canvas.setFillColor(black)
        canvas.setLineWidth(0.28 * size)
        canvas.setLineJoin(1)
        for mode in (1, 0):  # a white rim, then the letters
            canvas.saveState()
            text = canvas.beginText(left, -0.36 * size)
            text.setFont(font, size)
            text.setTextRenderMode(mode)
            text.textOut(said)
            canvas.drawText(text)
            canvas.restoreState()
        canvas.restoreState()

    def name(self, shape: shapely.Geometry, words: str, size: float, *, bold: bool = False) -> None:
        """Write a name inside the part of a shape that is shown, off the names before it.

        A name that finds no room is left out, but a bold one stands all the same.
        """
        shown = shapely.clip_by_rect(shape, *self.frame.box)
        if shown.is_empty:
            return
        long = pdfmetrics.stringWidth(on_paper(words)[:60], BOLD if bold else FONT, size)
        places = self.at(np.array([(p.x, p.y) for p in _spots(shown)]))
        boxes = [
            shapely.box(x - long / 2 - 1, y - size / 2, x + long / 2 + 1, y + size / 2)
            for x, y in places
        ]
        free = [n for n, box in enumerate(boxes) if not box.intersects(self.taken).any()]
        if not free and not bold:
            return
        best = free[0] if free else 0
        self.taken.append(boxes[best])
        self.words(places[best][0], places[best][1], words, size, bold=bold)

    # layers of the map ---------------------------------------------------------------------

    def grid(self) -> None:
        """Draw the grid's lines at a round step of at least 25 mm, with their numbers."""
        west, south, east, north = self.frame.box
        least = 25 * self.frame.scale / 1000
        step = next(s for k in range(8) for s in (10**k, 2 * 10**k, 5 * 10**k) if s >= least)
        rim = 1.2 * self.frame.scale / 1000
        self.canvas.setStrokeColor(HexColor("#bbbbbb"))
        self.canvas.setLineWidth(0.25)
        for x in np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step:
            (a, b), (c, d) = self.at(np.array([[x, south], [x, north]]))
            self.canvas.line(a, b, c, d)
            (a, b), *_ = self.at(np.array([[x, north - rim]]))
            if x < east - 36 * self.frame.scale / 1000:  # the north arrow stands there
                self.words(a, b, f"{x:.0f} E", 4.5)
        for y in np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step:
            (a, b), (c, d) = self.at(np.array([[west, y], [east, y]]))
            self.canvas.line(a, b, c, d)
            (a, b), *_ = self.at(np.array([[west + rim, y]]))
            if y > south + 18 * self.frame.scale / 1000:  # the scale bar stands there
                self.words(a, b, f"{y:.0f} N", 4.5, turn=90)

    def surroundings(self, plan: Plan, but: str) -> None:
        """Draw setbacks, features, fences and other blocks around a block."""
        self.setbacks_and_features(plan)
        for paddock in self.near(plan.paddocks).itertuples():
            self.symbol(paddock.geometry, PADDOCK)
        for boundary in plan.boundary.geometry:
            self.symbol(boundary, KINDS["boundary"])
        for block in self.near(plan.blocks).itertuples():
            if block.trees and block.block != but:
                self.shape(block.geometry, edge=grey, points=0.5)
                self.name(block.geometry, f"block {block.block}", 5.5)

    def setbacks_and_features(self, plan: Plan) -> None:
        """Draw the ground kept clear, and what it is kept clear of."""
        self.symbol(shapely.union_all(self.near(plan.setbacks).geometry.to_numpy()), SETBACK)
        for feature in in_drawing_order(self.near(plan.no_plant)).itertuples():
            self.symbol(feature.geometry, KINDS[feature.kind])

    def feature_names(self, plan: Plan) -> None:
        """Write what each feature is beside it, fences left out."""
        for feature in self.near(plan.no_plant).itertuples():
            if feature.kind != "fence":
                self._name_feature(feature.geometry, KINDS[feature.kind].word)

    def _name_feature(self, shape: shapely.Geometry, words: str) -> None:
        shown = shapely.clip_by_rect(shape, *self.frame.box)
        if shown.is_empty:
            return
        if shown.geom_type in ("LineString", "MultiLineString"):
            line = max(shapely.get_parts(shown), key=shapely.length)
            if line.length < 12 * self.frame.scale / 1000:
                return
            ends = self.at(
                shapely.get_coordinates(
                    shapely.line_interpolate_point(line, [0.45, 0.5, 0.55], normalized=True)
                )
            )
            turn = math.degrees(math.atan2(ends[2][1] - ends[0][1], ends[2][0] - ends[0][0]))
            turn = (turn + 90) % 180 - 90
            self.words(ends[1][0], ends[1][1], words, 5.5, turn=turn)
        else:
            self.name(shown, words, 5.5)

    # beside the map ------------------------------------------------------------------------

    def scale_bar(self) -> None:
        """Draw the scale bar in the panel's lower left corner, and how long it must be."""
        metres = bar_of(self.frame.scale, min(LONGEST_BAR, self.frame.wide / 2))
        long = metres * 1000 / self.frame.scale
        x, y = self.frame.x + 3, self.frame.y + self.frame.high - 4
        self._white(x - 1.5, y - 6.5, max(long + 14, 62), 9)
        left, bottom = self.pen.at(x, y)
        self.canvas.setLineWidth(0.4)
        for part in range(4):
            self.canvas.setFillColor(black if part % 2 == 0 else white)
            self.canvas.rect(left + part * long / 4 * mm, bottom, long / 4 * mm, 1.4 * mm, fill=1)
        self.canvas.setFillColor(black)
        self.pen.text(x, y - 2.2, "0", 6)
        self.pen.text(x + long, y - 2.2, f"{metres:g} m", 6, align="centre")
        self.pen.text(x + long / 2, y - 2.2, f"{metres / 2:g}", 6, align="centre")
        said = f"1 : {self.frame.scale}. Printed at 100 %, the bar is {long:.4g} mm long."
        self.pen.text(x, y + 1.9, said, 5.5)

    def north(self, to_true: float) -> None:
        """Draw the arrow to grid north and, where it differs, the line to true north."""
        wide = 34.0 if abs(to_true) > _LEAST_NORTH else 12.0
        x, y = self.frame.x + self.frame.wide - 7, self.frame.y + 16
        self._white(self.frame.x + self.frame.wide - wide - 0.5, self.frame.y + 0.5, wide, 18)
        a, b = self.pen.at(x, y)
        path = self.canvas.beginPath()
        path.moveTo(a, b + 11 * mm)
        path.lineTo(a + 1.8 * mm, b)
        path.lineTo(a, b + 2.5 * mm)
        path.lineTo(a - 1.8 * mm, b)
        path.close()
        self.canvas.setFillColor(black)
        self.canvas.drawPath(path, stroke=0, fill=1)
        self.pen.text(x, y - 11.6, "N grid", 5.5, bold=True, align="centre")
        if abs(to_true) <= _LEAST_NORTH:
            return
        turn = math.radians(90 + to_true)
        a, b = self.pen.at(x - 12, y)
        self.canvas.setLineWidth(0.6)
        self.canvas.line(a, b, a + 11 * mm * math.cos(turn), b + 11 * mm * math.sin(turn))
        self.pen.text(x - 12, y - 11.6, "N true", 5.5, align="centre")
        side = "west" if to_true > 0 else "east"
        self.pen.text(
            self.frame.x + self.frame.wide - 1.5,
            y + 1.7,
            f"true is {abs(to_true):.1f}° {side} of grid",
            4.5,
            align="right",
        )

    def _white(self, x: float, y: float, wide: float, high: float) -> None:
        self.canvas.setFillColor(white)
        left, bottom = self.pen.at(x, y + high)
        self.canvas.rect(left, bottom, wide * mm, high * mm, stroke=0, fill=1)


def _spots(shape: shapely.Geometry) -> list[shapely.Point]:
    """Places inside a shape for its name, the best first: its middle, then those of its parts."""
    west, south, east, north = shape.bounds
    if west == east or south == north:  # a point has no parts
        return [shape.representative_point()]
    x, y = (west + east) / 2, (south + north) / 2
    halves = [(west, y, east, north), (west, south, east, y)]
    halves += [(west, south, x, north), (x, south, east, north)]
    quarters = [(west, y, x, north), (x, y, east, north), (west, south, x, y), (x, south, east, y)]
    parts = [shape, *(shapely.clip_by_rect(shape, *box) for box in halves + quarters)]
    return [part.representative_point() for part in parts if not part.is_empty]
