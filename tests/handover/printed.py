"""What stands on the pages of a PDF: its text with sizes and the ground that it covers."""

from __future__ import annotations

import ctypes
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pypdfium2
import pypdfium2.raw as raw
import shapely
from pypdf import PdfReader


@dataclass(frozen=True)
class Text:
    """A piece of text: page from 0, words, size in points and the box of its ink, in points."""

    page: int
    words: str
    size: float
    box: shapely.Polygon


def texts_of(path: Path) -> list[Text]:
    """Give all text that is filled; what only has an outline is the white rim of some of it."""
    document = pypdfium2.PdfDocument(path)
    found = []
    for number in range(len(document)):
        page = document[number]
        letters = page.get_textpage()
        for thing in page.get_objects([raw.FPDF_PAGEOBJ_TEXT]):
            if raw.FPDFTextObj_GetTextRenderMode(thing) == raw.FPDF_TEXTRENDERMODE_STROKE:
                continue
            # The reader leaves out the words of what is printed over its own rim.
            box = _box(thing)
            if box.area > 0:
                found.append(Text(number, _words(thing, letters).strip(), _size(thing), box))
    return found


def read_aloud(path: Path) -> list[dict]:
    """Hold a PDF to what a screen reader and a reader's own list need; give its figures.

    Tags in which all marked content hangs, page by page, language, title and bookmarks; figures
    say what they show.
    """
    reader = PdfReader(path)
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en" and root["/MarkInfo"]["/Marked"]
    assert (
        reader.metadata.title not in (None, "", "(anonymous)")
        and root["/ViewerPreferences"]["/DisplayDocTitle"]
    )
    assert reader.outline
    document = root["/StructTreeRoot"]["/K"]
    assert document["/S"] == "/Document" and len(document["/K"])
    numbers = root["/StructTreeRoot"]["/ParentTree"]["/Nums"]
    drawn = [page.get_contents().get_data() for page in reader.pages]
    assert [len(n) for n in numbers[1::2]] == [page.count(b"<</MCID") for page in drawn]
    # All text is in a tag, or is marked as no part of what is read.
    for page in drawn:
        assert not re.search(rb"(?s)(?:^|EMC)(?:(?!BDC|BMC).)*?\bTj\b", page)
    figures = [kid.get_object() for kid in document["/K"]]
    figures = [kid for kid in figures if kid["/S"] == "/Figure"]
    assert all(figure["/Alt"] for figure in figures)
    return figures


def covered(texts: list[Text], least: float = 0.5) -> list[tuple[int, str, str, float]]:
    """Pairs of texts on a page whose boxes share over ``least`` square points: page, both, area."""
    found = []
    for page in sorted({text.page for text in texts}):
        mine = [text for text in texts if text.page == page]
        boxes = np.array([text.box for text in mine])
        ones, others = shapely.STRtree(boxes).query(boxes, predicate="intersects")
        for a, b in zip(ones.tolist(), others.tolist(), strict=True):
            area = shapely.intersection(boxes[a], boxes[b]).area if a < b else 0.0
            if area > least:
                found.append((page, mine[a].words, mine[b].words, round(area, 1)))
    return found


def _words(thing: object, letters: pypdfium2.PdfTextPage) -> str:
    long = raw.FPDFTextObj_GetText(thing, letters, None, 0)
    held = (ctypes.c_ushort * (long // 2))()
    raw.FPDFTextObj_GetText(thing, letters, held, long)
    return bytes(held).decode("utf-16-le").rstrip("\0")


def _size(thing: object) -> float:
    size = ctypes.c_float()
    raw.FPDFTextObj_GetFontSize(thing, ctypes.byref(size))
    matrix = raw.FS_MATRIX()
    raw.FPDFPageObj_GetMatrix(thing, ctypes.byref(matrix))
    return size.value * float(np.hypot(matrix.a, matrix.b))


def _box(thing: object) -> shapely.Polygon:
    quad = raw.FS_QUADPOINTSF()
    raw.FPDFPageObj_GetRotatedBounds(thing, ctypes.byref(quad))
    return shapely.Polygon(
        [(quad.x1, quad.y1), (quad.x2, quad.y2), (quad.x3, quad.y3), (quad.x4, quad.y4)]
    )
