"""Drawing on paper: a pen that measures millimetres from the top left, and simple tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from siteplanner.handover.paper.text import BOLD, FONT, cut_to, on_paper

MARGIN = 10.0
#: Sizes of paper, mm (ISO 216).
A4, A3 = (210.0, 297.0), (297.0, 420.0)
_LINE = 1.32  # height of a line of text, in sizes of its type
_POINT = 25.4 / 72


def line_mm(size: float) -> float:
    """Height in mm of a line of text of a size in points."""
    return size * _LINE * _POINT


@dataclass(frozen=True)
class Pen:
    """Draws on a page of ``wide`` × ``high`` mm; x runs right and y down from the top left."""

    canvas: Canvas
    wide: float
    high: float

    @property
    def bottom(self) -> float:
        """Lowest y that content may use: the foot stands below it."""
        return self.high - MARGIN - 5

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Give a place in reportlab's points, from the bottom left."""
        return x * mm, (self.high - y) * mm

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = 8,
        *,
        bold: bool = False,
        align: str = "left",
        limit: float | None = None,
    ) -> None:
        """Write one line with its foot at ``y``, cut to ``limit`` mm where that is given."""
        font = BOLD if bold else FONT
        said = on_paper(words) if limit is None else cut_to(words, limit * mm, font, size)
        self.canvas.setFont(font, size)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "centre": self.canvas.drawCentredString,
        }[align]
        draw(*self.at(x, y), said)

    def size_within(self, words: str, width: float, size: float, *, bold: bool = False) -> float:
        """Give the size, at most ``size``, at which words are no wider than ``width`` mm."""
        long = self.canvas.stringWidth(on_paper(words), BOLD if bold else FONT, size) / mm
        return size * min(1.0, width / long) if long else size

    def paragraph(
        self,
        x: float,
        y: float,
        width: float,
        words: str,
        size: float = 7.5,
        *,
        bold: bool = False,
        lowest: float | None = None,
        rest: str = "the run sheet",
    ) -> float:
        """Write wrapped text below ``y``; give the y beneath it.

        Where it would reach below ``lowest`` the last line says that ``rest`` has more.
        """
        lines = wrapped(words, width, size, bold=bold)
        room = len(lines) if lowest is None else int((lowest - y) / line_mm(size))
        if room < len(lines):
            lines = [*lines[: max(room - 1, 0)], f"… more in {rest}"][: max(room, 0)]
        for line in lines:
            y += line_mm(size)
            self.text(x, y - 0.3 * size * _POINT, line, size, bold=bold)
        return y

    def heading(self, x: float, y: float, width: float, words: str, size: float = 9) -> float:
        """Write a bold line with a rule under it; give the y beneath it."""
        y += line_mm(size)
        self.text(x, y - 0.3 * size * _POINT, words, size, bold=True, limit=width)
        self.rule(x, y + 0.3, x + width, y + 0.3, 0.5)
        return y + 1.2

    def rule(self, x0: float, y0: float, x1: float, y1: float, points: float = 0.4) -> None:
        """Draw a straight line, ``points`` wide."""
        self.canvas.setLineWidth(points)
        self.canvas.line(*self.at(x0, y0), *self.at(x1, y1))

    def box(self, x: float, y: float, width: float, height: float, points: float = 0.5) -> None:
        """Draw the outline of a box whose top left is (x, y)."""
        self.canvas.setLineWidth(points)
        left, bottom = self.at(x, y + height)
        self.canvas.rect(left, bottom, width * mm, height * mm)

    def blank(self, x: float, y: float, width: float, words: str, size: float = 7.5) -> None:
        """Write a label and, behind it, a line to write on, with their foot at ``y``."""
        self.text(x, y, words, size, limit=width)
        start = x + self.canvas.stringWidth(on_paper(words), FONT, size) / mm + 1.5
        if start < x + width:
            self.rule(start, y + 0.4, x + width, y + 0.4, 0.3)


def wrapped(words: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines of text wrapped to a width in mm; a word too long for it is cut."""
    font = BOLD if bold else FONT
    lines = simpleSplit(on_paper(words), font, size, width * mm)
    return [cut_to(line, width * mm, font, size) for line in lines]


@dataclass(frozen=True)
class Page:
    """A page still to be drawn: its size in mm and what draws it."""

    size: tuple[float, float]
    draw: Callable[[Pen], None]


@dataclass(frozen=True)
class Column:
    """A column of a table: head, width in mm, and the side that its cells stand on."""

    head: str
    width: float
    align: str = "right"


def table(
    pen: Pen,
    x: float,
    y: float,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    size: float = 7.5,
    pitch: float = 4.4,
    last_bold: bool = False,
    mark: Callable[[int, float, float], None] | None = None,
) -> float:
    """Draw a table with ruled rows ``pitch`` mm high; give the y beneath it.

    ``mark(column, x, y)`` draws a sign above a column's head, given the middle of its place.
    """
    top = y
    if mark is not None:
        left = x
        for number, column in enumerate(columns):
            mark(number, left + column.width / 2, y + pitch / 2)
            left += column.width
        y += pitch
    for number, cells in enumerate([[c.head for c in columns], *rows]):
        y += pitch
        bold = number == 0 or (last_bold and number == len(rows))
        left = x
        for column, cell in zip(columns, cells, strict=True):
            inner = column.width - 1.6
            place = {
                "left": left + 0.6,
                "right": left + 0.6 + inner,
                "centre": left + column.width / 2,
            }
            # A head is made smaller rather than cut: codes of species must stay whole.
            fit = pen.size_within(cell, inner, size, bold=bold) if number == 0 else size
            pen.text(
                place[column.align], y - pitch * 0.28, cell, fit,
                bold=bold, align=column.align, limit=inner + 0.1,
            )  # fmt: skip
            left += column.width
        heavy = number == 0 or (last_bold and number == len(rows) - 1)
        pen.rule(x, y, left, y, 0.7 if heavy else 0.2)
    left = x
    for column in [*columns, Column("", 0)]:
        pen.rule(left, top, left, y, 0.2)
        left += column.width
    return y


def table_height(rows: int, *, pitch: float = 4.4, marked: bool = False) -> float:
    """Height in mm of a table of so many rows below its head."""
    return (rows + 1 + marked) * pitch
