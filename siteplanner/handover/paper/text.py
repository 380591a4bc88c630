"""Text on paper: the typeface, and text made fit for it."""

from __future__ import annotations

import functools
import unicodedata
from pathlib import Path
from xml.sax.saxutils import escape

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

#: Bitstream Vera, which comes with reportlab under a free licence.
FONT, BOLD, ITALIC = "Vera", "VeraBd", "VeraIt"


def fonts() -> None:
    """Make the typeface known to reportlab."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name in (FONT, BOLD, ITALIC):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


def clean(text: str) -> str:
    """Take out control characters and halves of characters, which no file format carries."""
    return "".join(
        " " if c in "\t\r\n" else c
        for c in text
        if c in "\t\r\n" or unicodedata.category(c) not in ("Cc", "Cs", "Cf")
    )


def on_paper(text: str) -> str:
    """Bring text to letters that the typeface has: ``ā`` becomes ``a``, others ``?``."""
    known = _letters()
    out = []
    for letter in clean(text):
        if ord(letter) in known:
            out.append(letter)
            continue
        base = [c for c in unicodedata.normalize("NFKD", letter) if ord(c) in known]
        out.append("".join(base) or "?")
    return "".join(out)


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


@functools.cache
def _letters() -> frozenset[int]:
    fonts()
    return frozenset(pdfmetrics.getFont(FONT).face.charToGlyph)
