"""Batch labels on common label sheets, with lines to write on in pencil and a QR code."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from itertools import groupby
from pathlib import Path

import segno
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from siteplanner.base.text import uncommanded
from siteplanner.handover.paper.tagged import TaggedCanvas
from siteplanner.handover.paper.text import BOLD, FONT, ITALIC, cut_to, fonts
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.year import NurseryYear

_PAD = 2.0 * mm
_QUIET = 2  # cells of paper left white around a code
_QR_LETTERS = 120


@dataclass(frozen=True)
class Sheet:
    """A sheet of labels: paper (points), labels across and down, sizes in mm."""

    paper: tuple[float, float]
    across: int
    down: int
    width: float
    height: float
    left: float
    top: float
    step_x: float
    step_y: float


#: Sizes from memory: print a sheet on plain paper first and hold it against the labels.
SHEETS = {
    "a4-3x7": Sheet(A4, 3, 7, 63.5, 38.1, 7.2, 15.15, 66.04, 38.1),
    "a4-2x7": Sheet(A4, 2, 7, 99.1, 38.1, 4.65, 15.15, 101.6, 38.1),
    "a4-3x8": Sheet(A4, 3, 8, 70.0, 37.0, 0.0, 0.5, 70.0, 37.0),
    "letter-3x10": Sheet(LETTER, 3, 10, 66.675, 25.4, 4.76, 12.7, 69.85, 25.4),
    "letter-2x5": Sheet(LETTER, 2, 5, 101.6, 50.8, 3.97, 12.7, 106.36, 50.8),
}


def write_labels(year: NurseryYear, site_name: str, path: Path) -> None:
    """Write a label for each batch, ``labels_each`` times, on the sheet that the site names.

    A label holds the batch number, species, where the seed comes from, permit, the planned
    dates and lines for the true ones, so that more can be had from the same tree. The QR code
    is an extra: it says no more than the text. The same plan gives the same bytes.
    """
    sheet = SHEETS[year.rules.labels]
    fonts()
    wide, high = sheet.paper
    canvas = TaggedCanvas(path, f"Batch labels for {site_name}", (wide / mm, high / mm))
    labels = [batch for batch in year.batches for _ in range(year.rules.labels_each)]
    for number, batch in enumerate(labels):
        place = number % (sheet.across * sheet.down)
        if number and place == 0:
            canvas.showPage()
        row, column = divmod(place, sheet.across)
        left = (sheet.left + column * sheet.step_x) * mm
        top = sheet.paper[1] - (sheet.top + row * sheet.step_y) * mm
        if number % year.rules.labels_each == 0:
            canvas.bookmark(batch.batch)
        with canvas.part("P"):
            _label(canvas, batch, site_name, left, top, sheet.width * mm, sheet.height * mm)
    canvas.save()


def _label(
    canvas: Canvas,
    batch: Batch,
    site_name: str,
    left: float,
    top: float,
    width: float,
    height: float,
) -> None:
    """Draw one label with its top left corner at (left, top), in points."""
    code = min(height * 0.42, 16 * mm)
    _qr(canvas, batch, left + width - _PAD - code, top - _PAD - code, code)
    lines = _lines(batch, site_name)
    step = min((height - 2 * _PAD) / (len(lines) + 1.6), 4.6 * mm)
    size = step * 0.72
    x, y = left + _PAD, top - _PAD - step
    for number, (text, font) in enumerate(lines):
        bigger = size * 1.35 if number == 0 else size
        room = width - 2 * _PAD - (code + 1 * mm if top - _PAD - y < code + size else 0)
        canvas.setFont(font, bigger)
        canvas.drawString(x, y, cut_to(text, room, font, bigger))
        y -= step
    _pencil_lines(canvas, x, top - height + _PAD, width - 2 * _PAD, size)


def _lines(batch: Batch, site_name: str) -> list[tuple[str, str]]:
    """Lines of a label with their typeface, most wanted first."""
    lines = [(batch.batch, BOLD), (batch.species, ITALIC), (batch.common_name, FONT)]
    if batch.dates:
        lines.append((f"planned: sow {batch.dates.sow}", FONT))
    lines.append((f"from: {batch.lot.place or '_' * 24}", FONT))
    lines.append((f"permit: {batch.lot.permit or 'not known: ask'}", FONT))
    lines.append((f"treat: {batch.handling.pretreatment or 'not known: ask'}", FONT))
    if batch.dates:
        prick_out = f"prick out {batch.dates.prick_out}, " if batch.dates.prick_out else ""
        lines.append((f"{prick_out}plant {batch.dates.plant}", FONT))
    lines.append((f"for {site_name}", FONT))
    return lines


def _pencil_lines(canvas: Canvas, x: float, y: float, width: float, size: float) -> None:
    """Draw the words and lines for the true dates along the foot of a label."""
    canvas.setFont(FONT, size)
    canvas.setLineWidth(0.4)
    words = ("collected", "sown", "by")
    line = (width - sum(canvas.stringWidth(word, FONT, size) + 3 for word in words)) / len(words)
    for word in words:
        canvas.drawString(x, y, word)
        x += canvas.stringWidth(word, FONT, size) + 1
        canvas.line(x, y - 0.8, x + line, y - 0.8)
        x += line + 2


def _qr(canvas: Canvas, batch: Batch, x: float, y: float, side: float) -> None:
    """Draw a QR code of batch, species and place, its lower left corner at (x, y).

    It is drawn once a batch, in a form, a run of dark cells at a time; labels show the form.
    """
    text = uncommanded(f"{batch.batch}; {batch.species}; {batch.lot.place}")[:_QR_LETTERS]
    form = sha256(text.encode()).hexdigest()  # a PDF's names hold no text of a user's
    if not canvas.hasForm(form):
        canvas.beginForm(form, 0, 0, 1, 1)
        path = canvas.beginPath()
        for run in dark_runs(text):
            path.rect(*run)
        canvas.setFillGray(0)
        canvas.drawPath(path, stroke=0, fill=1)
        canvas.endForm()
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(side, side)
    canvas.doForm(form)
    canvas.restoreState()


@lru_cache(maxsize=1024)
def dark_runs(text: str) -> tuple[tuple[float, float, float, float], ...]:
    """Runs of dark cells of a text's QR code: x, y, width and height in shares of its side.

    A code takes long to find, and plans made one after the other have many of the same.
    """
    code = segno.make(text, error="m", micro=False)
    cells = code.symbol_size(border=_QUIET)[0]
    found = []
    for row, line in enumerate(code.matrix):
        column = _QUIET
        for dark, run in groupby(line):
            wide = len(list(run))
            if dark:
                foot = cells - _QUIET - 1 - row
                found.append((column / cells, foot / cells, wide / cells, 1 / cells))
            column += wide
    return tuple(found)
