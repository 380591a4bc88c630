"""Drawing on paper: a pen that measures millimetres from the top left; tables; flowing text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from typing import Any

from reportlab.lib.colors import black
from reportlab.lib.rl_accel import fp_str
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    ActionFlowable,
    BaseDocTemplate,
    Flowable,
    Frame,
    HRFlowable,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Table,
)

from siteplanner.handover.paper.text import (
    BOLD,
    FONT,
    cut_to,
    for_paragraph,
    in_letters,
    on_paper,
    size_within,
    width_of,
)

MARGIN = 10.0
LEAST_TEXT = 7.0
"""Points: nothing on paper is smaller."""
#: Sizes of paper, mm (ISO 216).
A4, A3 = (210.0, 297.0), (297.0, 420.0)
_LINE = 1.32  # height of a line of text, in sizes of its type
_POINT = 25.4 / 72
#: How much of a line of text stands left of its place.
_SHARES = {"left": 0.0, "centre": 0.5, "right": 1.0}


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
        left, foot = self.at(x, y)
        if align != "left":
            left -= _SHARES[align] * stringWidth(said, font, size)
        words = in_letters(self.canvas, said, font, size)
        self.canvas._code.append(f"BT 1 0 0 1 {fp_str(left, foot)} Tm {words} T* ET")

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


def wide_of(words: str, size: float, *, bold: bool = False) -> float:
    """Width in mm of a line of text."""
    return width_of(words, BOLD if bold else FONT, size) / mm


def wrapped(words: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines of text wrapped to a width in mm; a word too long for it is cut."""
    return [*_wrapped(words, width * mm, size, BOLD if bold else FONT)]


@lru_cache(maxsize=4096)
def _wrapped(words: str, width: float, size: float, font: str) -> tuple[str, ...]:
    """Lines of text wrapped to a width in points; the same ones are measured and then drawn."""
    lines = simpleSplit(on_paper(words), font, size, width)
    return tuple(cut_to(line, width, font, size) for line in lines)


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


def grid(
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    size: float = 7.5,
    pitch: float = 4.4,
    last_bold: bool = False,
    marked: bool = False,
) -> Table:
    """Make a table with ruled rows ``pitch`` mm high; its head comes again on a further page.

    ``marked`` leaves a row free above the head. Text too long for its cell is cut, but a head
    is made smaller: codes of species must stay whole.
    """
    heads = [on_paper(column.head) for column in columns]
    top, end = int(marked), int(marked) + len(rows)
    bold = {end} if last_bold else set()
    cells = [
        [
            cut_to(cell, (column.width - 1.5) * mm, BOLD if number in bold else FONT, size)
            for column, cell in zip(columns, row, strict=True)
        ]
        for number, row in enumerate(rows, top + 1)
    ]
    whole = ((0, 0), (-1, -1))
    style: list[tuple[Any, ...]] = [
        ("FONT", *whole, FONT, size, size),
        *(("FONT", (0, n), (-1, n), BOLD, size, size) for n in bold),
        ("VALIGN", *whole, "BOTTOM"),
        ("TOPPADDING", *whole, 0),
        ("BOTTOMPADDING", *whole, 0.28 * pitch * mm),
        ("LEFTPADDING", *whole, 0.6 * mm),
        ("RIGHTPADDING", *whole, 1.0 * mm),
        ("LINEBELOW", (0, top), (-1, -1), 0.2, black),
        *(("LINEBELOW", (0, n), (-1, n), 0.7, black) for n in (top, *(b - 1 for b in bold))),
        ("LINEBEFORE", *whole, 0.2, black),
        ("LINEAFTER", (-1, 0), (-1, -1), 0.2, black),
    ]
    for number, (column, head) in enumerate(zip(columns, heads, strict=True)):
        fit = size_within(head, (column.width - 1.6) * mm, BOLD, size)
        style += [
            ("FONT", (number, top), (number, top), BOLD, fit, fit),
            ("ALIGN", (number, 0), (number, -1), column.align.upper()),
        ]
    return Table(
        [*[[""] * len(columns)] * marked, heads, *cells],
        colWidths=[column.width * mm for column in columns],
        rowHeights=pitch * mm,
        repeatRows=top + 1,
        style=style,
        hAlign="LEFT",
    )


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
    """Draw a table (see ``grid``) from its top left; give the y beneath it.

    ``mark(column, x, y)`` draws a sign above a column's head, given the middle of its place.
    """
    made = grid(columns, rows, size=size, pitch=pitch, last_bold=last_bold, marked=mark is not None)
    high = made.wrapOn(pen.canvas, 0, 0)[1]
    made.drawOn(pen.canvas, pen.at(x, y)[0], pen.at(x, y)[1] - high)
    if mark is not None:
        left = x
        for number, column in enumerate(columns):
            mark(number, left + column.width / 2, y + pitch / 2)
            left += column.width
    return y + float(high) / mm


# --- text that flows from page to page -----------------------------------------------------


def heading(words: str, size: float = 9) -> list[Flowable]:
    """Make a bold line with a rule under it."""
    style = ParagraphStyle("heading", fontName=BOLD, fontSize=size, leading=size * _LINE,
                           spaceBefore=1.5 * mm)  # fmt: skip
    rule = HRFlowable("100%", 0.5, "butt", black, spaceBefore=0.8, spaceAfter=0.8 * mm)
    return [Paragraph(for_paragraph(words), style), rule]


def paragraph(words: str, size: float) -> Flowable:
    """Make a paragraph, half a millimetre beneath what stands above it."""
    style = ParagraphStyle("text", fontName=FONT, fontSize=size, leading=size * _LINE,
                           spaceBefore=0.5 * mm)  # fmt: skip
    return Paragraph(for_paragraph(words), style)


def section(head: str, lines: Sequence[str], size: float) -> list[Flowable]:
    """Make a heading and its paragraphs; the heading stays with the first of them."""
    first, *rest = (paragraph(words, size) for words in lines)
    return [KeepTogether([*heading(head), first]), *rest]


class _Parted(BaseDocTemplate):
    """Notes in ``parts`` what comes to stand on each page, by its number."""

    parts: dict[int, list[Flowable]]

    def afterFlowable(self, flowable: Flowable) -> None:  # noqa: N802 (reportlab's name)
        if not isinstance(flowable, ActionFlowable):  # which breaks pages and draws nothing
            self.parts.setdefault(self.page, []).append(flowable)


def flowed(
    story: Sequence[Flowable], size: tuple[float, float], first: float, later: float
) -> list[list[Flowable]]:
    """Part a story among pages of ``size`` mm, for ``draw_flowed`` to draw; one page at least.

    It begins at y ``first`` on the first page, at ``later`` on the others.
    """
    document = _Parted(BytesIO(), pagesize=[side * mm for side in size], pageCompression=0)
    document.parts = {}
    document.addPageTemplates([
        PageTemplate("first", [_frame(size, first)], autoNextPageTemplate="later"),
        PageTemplate("later", [_frame(size, later)]),
    ])  # fmt: skip
    document.build(list(story))
    return [document.parts.get(n, []) for n in range(1, max(document.parts, default=1) + 1)]


def draw_flowed(pen: Pen, y: float, parts: Sequence[Flowable]) -> None:
    """Draw what ``flowed`` put on a page, from ``y`` down."""
    left = list(parts)
    _frame((pen.wide, pen.high), y).addFromList(left, pen.canvas)
    if left:
        raise RuntimeError("something did not fit on its page")


def _frame(size: tuple[float, float], top: float) -> Frame:
    wide, high = size
    return Frame(
        MARGIN * mm, (MARGIN + 5) * mm, (wide - 2 * MARGIN) * mm, (high - top - MARGIN - 5) * mm,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip
