"""``nursery.pdf``: the year month by month as a chart, then as a list of what to do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    CondPageBreak,
    PageBreak,
    SimpleDocTemplate,
    Spacer,
)

from siteplanner.base.symbology.colours import BLUE, ORANGE, SKY_BLUE, VERMILION
from siteplanner.base.text import uncommanded
from siteplanner.handover.paper.pages import A4
from siteplanner.handover.paper.tagged import (
    TaggedCanvas,
    TaggedFigure,
    TaggedHeading,
    TaggedParagraph,
)
from siteplanner.handover.paper.text import (
    BOLD,
    FONT,
    cut_to,
    fonts,
    for_paragraph,
    on_paper,
)
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.schedule import season
from siteplanner.season.nursery.tasks import CAUTIONS, months_between, tasks_of
from siteplanner.season.nursery.year import NurseryYear

_ROW = 5.0 * mm
_NAMES = 62 * mm
_ROWS_A_PAGE = 26
_MARGIN = 12 * mm
#: Colour, and height as a share of the row: bars differ without colour too.
_BARS = {
    "collect seed": (ORANGE, 0.25),
    "seed trays": (SKY_BLUE, 0.5),
    "tubes under shade": (BLUE, 0.75),
    "in the open": ("#ffffff", 0.75),
    "planting": ("#000000", 0.75),
}


def write_nursery_pdf(year: NurseryYear, site_name: str, path: Path) -> None:
    """Write the chart, the bench area and the list of tasks. Same plan, same bytes."""
    fonts()
    title = f"Nursery for {site_name}"
    document = SimpleDocTemplate(
        str(path),
        pagesize=(A4[1] * mm, A4[0] * mm),
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 4 * mm,
        title=uncommanded(title),
        author="siteplanner",
    )
    head = ParagraphStyle("head", fontName=BOLD, fontSize=14, leading=18)
    body = ParagraphStyle("body", fontName=FONT, fontSize=8.5, leading=11)
    month = ParagraphStyle("month", parent=body, fontName=BOLD, spaceBefore=6, keepWithNext=1)
    item = ParagraphStyle("item", parent=body, leftIndent=12)
    story: list[Any] = [TaggedHeading(for_paragraph(title), head)]
    story += [TaggedParagraph(for_paragraph(words), body) for words in (*CAUTIONS, *year.warnings)]
    dated = [batch for batch in year.batches if batch.dates]
    for start in range(0, len(dated), _ROWS_A_PAGE):
        story += [Spacer(1, 5 * mm), _Chart(dated[start : start + _ROWS_A_PAGE], dated)]
    if len(year.bench):
        story += [CondPageBreak(110 * mm), TaggedHeading("Bench area", head), _Bench(year)]
    if dated:
        story += [PageBreak(), TaggedHeading("Month by month", head)]
    said = None
    for task in tasks_of(year.batches, year.rules):
        heading = f"{task.start:%B %Y} ({season(task.start, year.latitude)})"
        if heading != said:
            story.append(TaggedHeading(heading, month))
            said = heading
        days = f"{task.start.day} {task.start:%b}"
        if task.end != task.start:
            days += f" to {task.end.day} {task.end:%b %Y}"
        story.append(TaggedParagraph(for_paragraph(f"[   ] {days}: {task.title}"), body))
        story += [TaggedParagraph(for_paragraph(line), item) for line in task.lines]

    def canvas(file: str, **_: Any) -> TaggedCanvas:
        return TaggedCanvas(Path(file), title, (A4[1], A4[0]))

    document.build(story, onFirstPage=_foot, onLaterPages=_foot, canvasmaker=canvas)


def _foot(canvas: Canvas, document: Any) -> None:
    assert isinstance(canvas, TaggedCanvas)
    with canvas.artifact():
        canvas.setFont(FONT, 7)
        canvas.drawString(_MARGIN, _MARGIN - 2 * mm, f"page {document.page}")


class _Chart(TaggedFigure):
    """Bars of some batches over the months that all batches span."""

    alt = (
        "A bar a batch over the months, from the seed to planting; the list after it has the days."
    )

    def __init__(self, batches: Sequence[Batch], every: Sequence[Batch]) -> None:
        super().__init__()
        self.batches = batches
        days = [batch.dates for batch in every if batch.dates]
        first = min(d.collect_from or d.sow for d in days)
        last = max(max(d.plant_until, d.pot_bound) for d in days)
        self.months = months_between(first, last)
        self.first = self.months[0]

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width = width
        self.height = (len(self.batches) + 5) * _ROW
        return self.width, self.height

    def x(self, day: date) -> float:
        """Place of a day, each month as wide as the others."""
        wide = (self.width - _NAMES) / len(self.months)
        number = (day.year - self.first.year) * 12 + day.month - self.first.month
        return float(_NAMES + wide * (number + (day.day - 1) / 31))

    def draw(self) -> None:
        canvas, top = self.canv, self.height - 2 * _ROW
        foot = top - len(self.batches) * _ROW
        canvas.setLineWidth(0.3)
        for day in self.months:
            canvas.setStrokeGray(0.2 if day.month == 1 else 0.8)
            canvas.line(self.x(day), foot, self.x(day), top + _ROW)
            canvas.setFillGray(0)
            canvas.setFont(FONT, 7)
            canvas.drawString(self.x(day) + 1, top + 2, f"{day:%b}"[: 3 if self._wide() else 1])
            if day.month == 1 or (day == self.first and day.month < 12):
                canvas.setFont(BOLD, 8)
                canvas.drawString(self.x(day) + 1, top + _ROW, f"{day.year}")
        for number, batch in enumerate(self.batches):
            self._row(canvas, batch, top - (number + 1) * _ROW)
        self._key(canvas, foot - 1.5 * _ROW)

    def _wide(self) -> bool:
        return (self.width - _NAMES) / len(self.months) > 14

    def _row(self, canvas: Canvas, batch: Batch, y: float) -> None:
        days = batch.dates
        assert days is not None
        canvas.setFillGray(0)
        canvas.setFont(FONT, 7)
        name = f"{batch.batch}  {batch.species}"
        canvas.drawString(0, y + 1.4 * mm, cut_to(name, _NAMES - 2 * mm, FONT, 7))
        potted = days.prick_out or days.sow
        spans: list[tuple[str, date | None, date | None]] = [
            ("collect seed", days.collect_from, days.collect_to),
            ("seed trays", days.sow, days.prick_out),
            ("tubes under shade", potted, max(days.harden, potted)),
            ("in the open", max(days.harden, potted), days.plant),
            ("planting", days.plant, days.plant_until),
        ]
        for kind, start, end in spans:
            if start is not None and end is not None and end > start:
                self._bar(canvas, kind, self.x(start), self.x(end), y)
        for letter, day in (("R", days.resow_by), ("×", days.pot_bound)):
            if day is not None:
                x = self.x(day)
                canvas.setFillGray(1)
                canvas.rect(x - 3.2, y + 0.8 * mm, 6.4, 3.4 * mm, stroke=0, fill=1)
                canvas.setFillColor(colors.HexColor(VERMILION))
                canvas.setFont(BOLD, 8)
                canvas.drawCentredString(x, y + 1.5 * mm, letter)

    def _bar(self, canvas: Canvas, kind: str, left: float, right: float, y: float) -> None:
        colour, share = _BARS[kind]
        canvas.setFillColor(colors.HexColor(colour))
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0.4)
        height = _ROW * share
        canvas.rect(left, y + (_ROW - height) / 2, right - left, height, stroke=1, fill=1)

    def _key(self, canvas: Canvas, y: float) -> None:
        x = 0.0
        for kind in _BARS:
            self._bar(canvas, kind, x, x + 8 * mm, y)
            canvas.setFillGray(0)
            canvas.setFont(FONT, 7.5)
            canvas.drawString(x + 9.5 * mm, y + 1.4 * mm, kind)
            x += (14 * mm) + canvas.stringWidth(kind, FONT, 7.5)
        words = "R: last day to resow a failed batch    ×: pot-bound from then on"
        canvas.drawString(x, y + 1.4 * mm, on_paper(words))


class _Bench(TaggedFigure):
    """Two bars a month: shade house and open ground."""

    alt = "Two bars a month: the area needed in the shade house and in the open, each with its m²."

    def __init__(self, year: NurseryYear) -> None:
        super().__init__()
        self.bench = year.bench

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width, self.height = width, 100 * mm
        return self.width, self.height

    def draw(self) -> None:
        canvas, rows = self.canv, list(self.bench.itertuples(index=False))
        most = max(max(r.shade_house_m2, r.open_m2) for r in rows) or 1.0
        foot, tall = 10 * mm, self.height - 24 * mm
        wide = self.width / max(len(rows), 12)
        canvas.setLineWidth(0.4)
        for number, row in enumerate(rows):
            x = number * wide
            bars = ((row.shade_house_m2, BLUE), (row.open_m2, "#ffffff"))
            for place, (area, colour) in enumerate(bars):
                if not area:
                    continue
                canvas.setFillColor(colors.HexColor(colour))
                left = x + wide * (0.08 + 0.42 * place)
                canvas.rect(left, foot, wide * 0.4, tall * area / most, stroke=1, fill=1)
                canvas.setFillGray(0)
                canvas.setFont(FONT, 7)
                text = f"{area:.0f}" if area >= 10 else f"{area:.1f}"
                canvas.drawCentredString(left + wide * 0.2, foot + tall * area / most + 2, text)
            canvas.setFillGray(0)
            canvas.setFont(FONT, 7)
            canvas.drawCentredString(x + wide / 2, foot - 4 * mm, f"{row.month:%b}")
            canvas.drawCentredString(x + wide / 2, foot - 7.5 * mm, f"{row.month:%Y}")
        canvas.line(0, foot, self.width, foot)
        canvas.setFont(FONT, 8)
        canvas.drawString(
            0,
            self.height - 6 * mm,
            "m² at the fullest in each month; filled: shade house; white: in the open (plants "
            "that move out within a month are in both)",
        )
