"""The key of a map on paper: a sample of each kind of thing that is drawn, and its name."""

from __future__ import annotations

import shapely
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics

from siteplanner.handover.drawn_kinds import DRAWN, drawn_kinds
from siteplanner.handover.paper.pages import LEAST_TEXT, Pen
from siteplanner.handover.paper.symbols import draw_symbol
from siteplanner.handover.paper.text import FONT
from siteplanner.plan import Plan

_LONG, _HIGH, _PITCH, _SIZE = 6.5, 3.0, 4.4, LEAST_TEXT
_Entry = tuple[float, int, str, str]


def key_height(plan: Plan, wide: float) -> float:
    """Height in mm of the key in a column ``wide`` mm wide."""
    return _PITCH * (1 + max(line for _, line, _, _ in _entries(plan, wide)))


def draw_key(pen: Pen, x: float, y: float, wide: float, plan: Plan) -> None:
    """Draw the key with its upper left corner at (x, y), in lines of up to ``wide`` mm."""
    for right, line, kind, form in _entries(plan, wide):
        left, top = x + right, y + line * _PITCH
        west, south = pen.at(left, top + _HIGH)
        east, north = pen.at(left + _LONG, top)
        middle = (south + north) / 2
        sample = {
            "areas": shapely.box(west, south, east, north),
            "lines": shapely.LineString([(west, middle), (east, middle)]),
            "points": shapely.Point((west + east) / 2, middle),
        }[form]
        draw_symbol(pen.canvas, sample, DRAWN[kind])
        pen.text(left + _LONG + 1.2, top + _HIGH - 0.7, DRAWN[kind].word, _SIZE)


def _entries(plan: Plan, wide: float) -> list[_Entry]:
    """Give how far right, on which line, and which kind and form each entry is."""
    entries: list[_Entry] = []
    right, line = 0.0, 0
    for kind, forms in drawn_kinds(plan).items():
        for form in forms:
            long = _LONG + 4 + pdfmetrics.stringWidth(DRAWN[kind].word, FONT, _SIZE) / mm
            if right and right + long > wide:
                right, line = 0.0, line + 1
            entries.append((right, line, kind, form))
            right += long
    return entries
