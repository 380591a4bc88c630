"""A PDF that can be read aloud and that map programs place: tags and measures (ISO 32000)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS, Transformer
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFObject, PDFPage, PDFString
from reportlab.platypus import Flowable, Paragraph

from siteplanner.base.text import uncommanded
from siteplanner.handover.paper.frame import PaperFrame
from siteplanner.handover.paper.packed import PackedCanvas
from siteplanner.handover.paper.pages import A4, Pen

#: What a page may hold besides what reportlab knows of (ISO 32000-1, tables 30 and 323).
_PAGE_KEYS = [*PDFPage.__NoDefault__, "VP", "StructParents", "Tabs"]


@dataclass
class _Element:
    """A piece of the document's structure: its kind, pieces of content (page, number), children."""

    kind: str
    alt: str = ""
    marks: list[tuple[Any, int]] = field(default_factory=list)
    children: list[_Element] = field(default_factory=list)


class _Written(PDFObject):
    """An object whose words are known: reportlab takes long to put them together, many times."""

    words = b""

    def format(self, document: Any) -> bytes:
        """Give the words."""
        return self.words


class TaggedCanvas(PackedCanvas):
    """What is drawn inside ``part`` is tagged, and ``place_map`` places a map.

    The file has a title, its language, a structure of parts in reading order, and ``bookmark``s.
    """

    def __init__(self, path: Path, title: str, size: tuple[float, float] = A4) -> None:
        super().__init__(
            str(path),
            pagesize=(size[0] * mm, size[1] * mm),
            invariant=1,
            pageCompression=1,
            lang="en",
            pdfVersion=(1, 4),
        )
        self.setTitle(uncommanded(title))
        self.setAuthor("siteplanner")
        self.setViewerPreference("DisplayDocTitle", "true")
        self._tree = _Element("Document")
        self._way = [self._tree]
        self._bookmarks = 0
        self._marked: list[list[_Element]] = [[]]
        self._views: list[PDFDictionary] = []

    @contextmanager
    def part(self, kind: str, alt: str = "") -> Iterator[None]:
        """Tag what is drawn inside as a piece of structure, such as "H1", "P", "Figure".

        "Sect", "Table" and "TR" hold other parts and no content of their own.
        """
        element = _Element(kind, uncommanded(alt))
        self._way[-1].children.append(element)
        self._way.append(element)
        holds = kind in ("Sect", "Table", "TR")
        if not holds:
            mine = self._marked[-1]
            element.marks.append((self._doc.thisPageRef(), len(mine)))
            self._code.append(f"/{kind} <</MCID {len(mine)}>> BDC")
            mine.append(element)
        yield
        if not holds:
            self._code.append("EMC")
        self._way.pop()

    def bookmark(self, words: str) -> None:
        """List the page that is being drawn under ``words`` among the file's bookmarks."""
        self._bookmarks += 1
        key = f"mark{self._bookmarks}"
        self.bookmarkPage(key)
        self.addOutlineEntry(uncommanded(words), key, 0)

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Mark what is drawn inside as no part of the text, such as a page's foot."""
        self._code.append("/Artifact BMC")
        yield
        self._code.append("EMC")

    def place_map(self, pen: Pen, frame: PaperFrame, crs: CRS, name: str) -> None:
        """Say where on the earth a map on this page is (measure dictionaries, ISO 32000-2)."""
        left, bottom = pen.at(frame.x, frame.y + frame.high)
        right, top = pen.at(frame.x + frame.wide, frame.y)
        move, system = _earth(crs)
        lon, lat = move.transform(*frame.corners.T)
        square = [0, 0, 1, 0, 1, 1, 0, 1]
        measure = PDFDictionary(
            {
                "Type": PDFName("Measure"),
                "Subtype": PDFName("GEO"),
                "Bounds": PDFArray(square),
                "LPTS": PDFArray(square),
                "GPTS": PDFArray([f"{v:.9f}" for v in np.column_stack([lat, lon]).ravel()]),
                "GCS": system,
            }
        )
        self._views.append(
            PDFDictionary(
                {
                    "Type": PDFName("Viewport"),
                    "Name": PDFString(uncommanded(name)),
                    "BBox": PDFArray([f"{v:.4f}" for v in (left, bottom, right, top)]),
                    "Measure": measure,
                }
            )
        )

    def showPage(self) -> None:  # noqa: N802 (reportlab's name)
        """Close the page; hang its tags and maps on it."""
        super().showPage()
        page = self._doc.Pages.pages[-1]
        page.__NoDefault__ = _PAGE_KEYS
        page.StructParents, page.Tabs = len(self._marked) - 1, PDFName("S")
        page.VP = PDFArray(self._views) if self._views else None
        self._marked.append([])
        self._views = []

    def save(self) -> None:
        """Write the file with its structure."""
        if len(self._code) or self._pageNumber == 1:
            self.showPage()
        document = self._doc
        root = PDFDictionary({"Type": PDFName("StructTreeRoot")})
        refs: dict[int, bytes] = {}
        root["K"] = self._object(self._tree, self._said(document.Reference(root)), refs)
        numbers: list[Any] = []
        for number, elements in enumerate(self._marked[:-1]):
            numbers += [number, PDFArray([refs[id(element)] for element in elements])]
        root["ParentTree"] = PDFDictionary({"Nums": PDFArray(numbers)})
        root["ParentTreeNextKey"] = len(self._marked) - 1
        document.Catalog.StructTreeRoot = root
        document.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})
        super().save()

    def _object(self, element: _Element, parent: bytes, refs: dict[int, bytes]) -> bytes:
        """Make the PDF's object of an element and its children; give a reference to it."""
        made = _Written()
        refs[id(element)] = ref = self._said(self._doc.Reference(made))
        kids = [
            b"<<\n/MCID %d /Pg %b /Type /MCR\n>>" % (number, self._said(page))
            for page, number in element.marks
        ]
        kids += [self._object(child, ref, refs) for child in element.children]
        alt = b"/Alt %b " % PDFString(element.alt).format(self._doc) if element.alt else b""
        made.words = b"<<\n%b/K %b /P %b /S %b /Type /StructElem\n>>" % (
            alt, PDFArray(kids).format(self._doc), parent, PDFName(element.kind).encode(),
        )  # fmt: skip
        return ref

    def _said(self, ref: Any) -> bytes:
        """Give a reference as it stands in the file."""
        said: bytes = ref.format(self._doc)
        return said


@cache
def _earth(crs: CRS) -> tuple[Transformer, PDFDictionary]:
    """The way from a grid to degrees, and what a PDF says of the grid."""
    move = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    system = {"Type": PDFName("PROJCS"), "WKT": PDFString(crs.to_wkt("WKT1_ESRI"))}
    if (code := crs.to_epsg()) is not None:
        system["EPSG"] = code
    return move, PDFDictionary(system)


class TaggedParagraph(Paragraph):
    """Flowing text that is tagged where it is drawn; also each part of it that goes to a page."""

    kind = "P"

    def drawOn(self, canvas: TaggedCanvas, x: float, y: float, _sW: float = 0) -> None:  # noqa: N802, N803 (reportlab's names)
        """Draw it inside its tag."""
        with canvas.part(self.kind):
            super().drawOn(canvas, x, y, _sW)


class TaggedHeading(TaggedParagraph):
    """A heading, which is a bookmark too."""

    kind = "H1"

    def drawOn(self, canvas: TaggedCanvas, x: float, y: float, _sW: float = 0) -> None:  # noqa: N802, N803 (reportlab's names)
        """Draw it inside its tag; list it."""
        canvas.bookmark(self.getPlainText())
        super().drawOn(canvas, x, y, _sW)


class TaggedFigure(Flowable):
    """A drawing that is tagged, with ``alt`` for who cannot see it."""

    alt = ""

    def drawOn(self, canvas: TaggedCanvas, x: float, y: float, _sW: float = 0) -> None:  # noqa: N802, N803 (reportlab's names)
        """Draw it inside its tag."""
        with canvas.part("Figure", self.alt):
            super().drawOn(canvas, x, y, _sW)
