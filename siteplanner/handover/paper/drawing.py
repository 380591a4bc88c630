"""What maps on paper are drawn with: shapes cut to a frame, names, grid, scale bar and north."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, black, white
from reportlab.lib.rl_accel import fp_str
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics

from siteplanner.base.symbology.kinds import CONTOUR, KINDS, SETBACK, Symbology
from siteplanner.handover.drawn_kinds import drawing_rank
from siteplanner.handover.paper.frame import LONGEST_BAR, PaperFrame, bar_of
from siteplanner.handover.paper.pages import LEAST_TEXT, Pen, wrapped
from siteplanner.handover.paper.placing import Spot, Taken, box_of, spots_in
from siteplanner.handover.paper.symbols import draw_symbol, edges_of, path_of
from siteplanner.handover.paper.text import BOLD, FONT, in_letters, on_paper
from siteplanner.handover.things import Surroundings, Things

#: Where words may stand along a line, as shares of its length, the best first.
_ALONG = (0.5, 0.3, 0.7, 0.15, 0.85)
_LEAST_NORTH = 0.5  # degrees between grid and true north below which one arrow will do


class Drawing:
    """Draws ground into a frame; what lies outside the frame is clipped.

    Symbols are drawn ``size`` times as wide as in the table of symbology.
    """

    def __init__(self, pen: Pen, frame: PaperFrame, size: float = 1.0) -> None:
        self.pen, self.frame, self.canvas, self.size = pen, frame, pen.canvas, size
        self.taken = Taken()
        left, top = pen.at(frame.x, frame.y)
        # The frame's ground and a rim around it, where edges that are clipped away may run.
        west, south, east, north = frame.box
        rim = 3.0 * frame.scale / 1000
        self._shown = (west - rim, south - rim, east + rim, north + rim)
        self._edge = shapely.box(left, top - frame.high * mm, left + frame.wide * mm, top)

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

    def near(self, things: Things[str]) -> list[tuple[str, shapely.Geometry]]:
        """Name or kind and shape of each thing, in their order, whose bounds meet what is shown."""
        # A sheet shows a few of a large property's blocks: it must not go through all of them.
        return things.near(self._shown)

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
        shape = self.cut(shape, 3.0)
        if shape.is_empty:
            return
        path = path_of(self.canvas, edges_of(shapely.get_parts(shape)))
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

    def symbol(self, shape: shapely.Geometry, symbology: Symbology) -> None:
        """Draw a shape of any form by its symbology, cut to the frame."""
        draw_symbol(self.canvas, self.cut(shape, 3.0), symbology, self.size)

    def cut(self, shape: shapely.Geometry, rim: float = 0.0) -> shapely.Geometry:
        """Give a shape on the page, in points, cut to the frame and up to 3 mm (``rim``) around."""
        left, top = self.pen.at(self.frame.x - rim, self.frame.y - rim)
        right, low = self.pen.at(
            self.frame.x + self.frame.wide + rim, self.frame.y + self.frame.high + rim
        )
        # Cut before it is moved, as most of it may lie outside.
        near = shapely.clip_by_rect(shape, *self._shown)
        return shapely.clip_by_rect(shapely.transform(near, self._on_page), left, low, right, top)

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
        said = _short(words)
        long = pdfmetrics.stringWidth(said, font, size)
        left = {"centre": -long / 2, "right": -long, "left": 0.0}[align]
        cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        place, letters = fp_str(left, -0.36 * size), in_letters(self.canvas, said, font, size)
        code = ["q", f"{fp_str(cos, sin, 0.0 - sin, cos, x, y)} cm"]
        code += ["1 1 1 RG", "0 0 0 rg", f"{fp_str(0.28 * size)} w", "1 j"]
        for mode in ("1 Tr ", ""):  # a white rim, then the letters
            code += ["q", f"BT 1 0 0 1 {place} Tm {mode}{letters} ET", "Q"]
        self.canvas._code += [*code, "Q"]

    def place(
        self,
        spots: Iterable[Spot],
        words: str,
        size: float = LEAST_TEXT,
        *,
        bold: bool = False,
        must: bool = False,
    ) -> bool:
        """Write words at the first spot where they cover no other words and no edge; say if.

        Words that ``must`` be there take the spot where they cover the least.
        """
        said, found = _short(words), []
        left, low, right, top = self._edge.bounds
        long = pdfmetrics.stringWidth(said, BOLD if bold else FONT, size)
        for spot in spots:
            box = box_of(spot, long, size)
            west, south, east, north = box.bounds
            inside = left <= west and low <= south and east <= right and north <= top
            if not inside and not must:
                continue
            near = self.taken.near(box)
            if inside and not any(box.shape.intersects(other) for other in near):
                found = [(0.0, spot, box)]
                break
            if must:
                covered = sum(box.shape.intersection(other).area for other in near)
                covered += 10 * box.shape.difference(self._edge).area
                found.append((covered, spot, box))
        if not found:
            return False
        _, spot, box = min(found, key=lambda one: one[0])
        self.taken.add(box)
        self.words(spot.x, spot.y, said, size, bold=bold, turn=spot.turn, align=spot.align)
        return True

    def name(
        self,
        shape: shapely.Geometry,
        words: str,
        size: float = LEAST_TEXT,
        *,
        bold: bool = False,
        must: bool = False,
    ) -> bool:
        """Write a name inside the part of a shape that is shown, off the words before it."""
        shown = self.cut(shape)
        if shown.is_empty:
            return False
        return self.place(spots_in(shown), words, size, bold=bold, must=must)

    def along(self, shape: shapely.Geometry, words: str, size: float = LEAST_TEXT) -> bool:
        """Write words along a line, where it is long enough and they cover no others."""
        shown = self.cut(shape)
        lines = [part for part in shapely.get_parts(shown) if part.geom_type == "LineString"]
        if not lines:
            return False
        line = max(lines, key=shapely.length)
        if line.length < 1.2 * pdfmetrics.stringWidth(_short(words), FONT, size):
            return False
        shares = np.array([(share - 0.05, share, share + 0.05) for share in _ALONG])
        places = shapely.line_interpolate_point(line, shares.ravel(), normalized=True)
        spots = []
        for before, (x, y), after in shapely.get_coordinates(places).reshape(-1, 3, 2).tolist():
            turn = math.degrees(math.atan2(after[1] - before[1], after[0] - before[0]))
            spots.append(Spot(x, y, (turn + 90) % 180 - 90))
        return self.place(spots, words, size)

    # layers of the map ---------------------------------------------------------------------

    def grid(self) -> None:
        """Draw the grid's lines at a round step of at least 30 mm, with their numbers."""
        west, south, east, north = self.frame.box
        least = 30 * self.frame.scale / 1000
        step = next(s for k in range(8) for s in (10**k, 2 * 10**k, 5 * 10**k) if s >= least)
        rim = 1.8 * self.frame.scale / 1000
        self.canvas.setStrokeColor(HexColor("#bbbbbb"))
        self.canvas.setLineWidth(0.25)
        for x in np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step:
            (a, b), (c, d) = self.at(np.array([[x, south], [x, north]]))
            self.canvas.line(a, b, c, d)
            (a, b), *_ = self.at(np.array([[x, north - rim]]))
            self.place([Spot(a, b)], f"{x:.0f} E")
        for y in np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step:
            (a, b), (c, d) = self.at(np.array([[west, y], [east, y]]))
            self.canvas.line(a, b, c, d)
            (a, b), *_ = self.at(np.array([[west + rim, y]]))
            self.place([Spot(a, b, turn=90)], f"{y:.0f} N")

    def setbacks(self, around: Surroundings) -> shapely.Geometry:
        """Draw the ground kept clear, and give it."""
        kept_clear = shapely.union_all([shape for _, shape in self.near(around.setbacks)])
        self.symbol(kept_clear, SETBACK)
        return kept_clear

    def contours(self, lines: Sequence[shapely.MultiLineString]) -> None:
        """Draw contours, all in one go."""
        if lines:
            self.symbol(shapely.multilinestrings(shapely.get_parts(lines)), CONTOUR)

    def features(self, around: Surroundings) -> list[tuple[str, shapely.Geometry]]:
        """Draw what ground is kept clear of; give kinds and shapes as they were drawn."""
        near = self.near(around.features)
        near.sort(key=lambda feature: drawing_rank(feature[1]))
        for kind, shape in near:
            self.symbol(shape, KINDS[kind])
        return near

    def feature_names(self, around: Surroundings) -> None:
        """Write what each feature is beside it, fences left out."""
        for kind, shape in self.near(around.features):
            if kind == "fence":
                continue
            if shape.geom_type in ("LineString", "MultiLineString"):
                self.along(shape, KINDS[kind].word)
            else:
                self.name(shape, KINDS[kind].word)

    # beside the map ------------------------------------------------------------------------

    def scale_bar(self, x: float | None = None, y: float | None = None) -> None:
        """Draw the scale bar, and how long it must be: in the lower left corner, or from (x, y)."""
        metres = bar_of(self.frame.scale, min(LONGEST_BAR, self.frame.wide / 2.4))
        long = metres * 1000 / self.frame.scale
        if x is None or y is None:
            x, y = self.frame.x + 3, self.frame.y + self.frame.high - 5
            self._white(x - 1.5, y - 6.5, max(long + 14, 72), 10)
        left, bottom = self.pen.at(x, y)
        self.canvas.setStrokeColor(black)
        self.canvas.setLineWidth(0.4)
        for part in range(4):
            self.canvas.setFillColor(black if part % 2 == 0 else white)
            self.canvas.rect(left + part * long / 4 * mm, bottom, long / 4 * mm, 1.4 * mm, fill=1)
        self.canvas.setFillColor(black)
        self.pen.text(x, y - 2.2, "0", LEAST_TEXT)
        self.pen.text(x + long, y - 2.2, f"{metres:g} m", LEAST_TEXT, align="centre")
        self.pen.text(x + long / 2, y - 2.2, f"{metres / 2:g}", LEAST_TEXT, align="centre")
        said = f"1 : {self.frame.scale}. Printed at 100 %, the bar is {long:.4g} mm long."
        for number, words in enumerate(wrapped(said, max(self.frame.wide - 45, 26), LEAST_TEXT)):
            self.pen.text(x, y + 3.2 + 3.2 * number, words, LEAST_TEXT)

    def norths(self, x: float, y: float, to_true: float, magnetic: float | None = None) -> None:
        """Draw arrows to true, grid and magnetic north around (x, y) mm, turned with the ground.

        ``to_true`` is what a true bearing has more than a grid bearing, ``magnetic`` what it has
        more than one by compass, degrees. Grid north is left out where it is as good as true.
        """
        ways = [("true", 90 + self.frame.turn + to_true)]
        if abs(to_true) > _LEAST_NORTH:
            ways.append(("grid", 90 + self.frame.turn))
        if magnetic is not None:
            ways.append(("magn.", 90 + self.frame.turn + to_true - magnetic))
        for number, (words, degrees) in enumerate(ways):
            left = x + 14.0 * number
            middle = np.array(self.pen.at(left, y))
            way = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
            self._arrow(middle - 4.6 * mm * way, middle + 4.6 * mm * way, solid=words == "true")
            self.pen.text(left, y + 8.4, f"N {words}", LEAST_TEXT, align="centre")

    def _arrow(self, foot: NDArray[np.float64], tip: NDArray[np.float64], solid: bool) -> None:
        along = (tip - foot) / float(np.hypot(*(tip - foot)))
        left = np.array([-along[1], along[0]])
        self.canvas.setStrokeColor(black)
        self.canvas.setFillColor(black if solid else white)
        self.canvas.setLineWidth(0.9 if solid else 0.5)
        self.canvas.line(*foot, *tip)
        path = self.canvas.beginPath()
        path.moveTo(*tip)
        for side in (1, -1):
            path.lineTo(*(tip - 3.6 * mm * along + side * 1.3 * mm * left))
        path.close()
        self.canvas.drawPath(path, stroke=1, fill=1)
        self.canvas.setFillColor(black)

    def _white(self, x: float, y: float, wide: float, high: float) -> None:
        self.canvas.setFillColor(white)
        left, bottom = self.pen.at(x, y + high)
        self.canvas.rect(left, bottom, wide * mm, high * mm, stroke=0, fill=1)
        self.canvas.setFillColor(black)


def _short(words: str) -> str:
    return on_paper(words)[:60]
