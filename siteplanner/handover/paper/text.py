"""Text on paper: the typeface, and text made fit for it."""

from __future__ import annotations

import functools
from pathlib import Path
from xml.sax.saxutils import escape

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from siteplanner.base.text import printable

#: Bitstream Vera, which comes with reportlab under a free licence.
FONT, BOLD, ITALIC = "Vera", "VeraBd", "VeraIt"
#: So many texts of a PDF are kept in its letters, as the same words come again and again.
_TEXTS = 20_000


def fonts() -> None:
    """Make the typeface known to reportlab."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name in (FONT, BOLD, ITALIC):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


@functools.lru_cache(maxsize=4096)
def on_paper(text: str) -> str:
    """Bring text to letters that the typeface has: ``ā`` becomes ``a``, others ``?``."""
    if text.isascii() and text.isprintable():
        return text
    return printable(text, _letters())


@functools.lru_cache(maxsize=4096)
def width_of(text: str, font: str, size: float) -> float:
    """Width in points of text as it comes on paper."""
    return float(pdfmetrics.stringWidth(on_paper(text), font, size))


def for_paragraph(text: str) -> str:
    """Text for a reportlab paragraph: its markup characters escaped."""
    return escape(on_paper(text))


def cut_to(text: str, width: float, font: str, size: float) -> str:
    """Cut text to a width in points, with an ellipsis where something is left out."""
    text = on_paper(text)
    if pdfmetrics.stringWidth(text, font, size) <= width:
        return text
    while text and pdfmetrics.stringWidth(text + "…", font, size) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def size_within(text: str, width: float, font: str, size: float) -> float:
    """Give the size, at most ``size``, at which text is no wider than ``width`` points."""
    long = pdfmetrics.stringWidth(on_paper(text), font, size)
    # A little less, or rounding makes it a hair too wide and ``cut_to`` takes letters off.
    return size * min(1.0, 0.9999 * width / long) if long else size


def in_letters(canvas: Canvas, text: str, font: str, size: float) -> str:
    """Give text (``on_paper``) as it stands in a PDF: typeface, size and letters.

    reportlab takes long to find the letters of a typeface that it takes a part of, so what it found
    is kept with the canvas.
    """
    if "_texts" not in canvas.__dict__:
        canvas._texts, canvas._line = {}, canvas.beginText()
    texts: dict[tuple[str, str, float], str] = canvas._texts
    key = (text, font, size)
    if (known := texts.get(key)) is None:
        if len(texts) >= _TEXTS:
            texts.clear()
        line = canvas._line
        line.setFont(font, size)
        known = texts[key] = str(line._formatText(text))
    return known


@functools.cache
def _letters() -> frozenset[int]:
    fonts()
    return frozenset(pdfmetrics.getFont(FONT).face.charToGlyph)
