"""The run sheets: what to load, where to put it down and what was planted, one a crew-day."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from reportlab.lib.units import mm

from siteplanner.handover.book.block_map import Book
from siteplanner.handover.book.days import Day, Part
from siteplanner.handover.book.leaf import TOP, room
from siteplanner.handover.fieldwork import BUCKET, bucket, letters, trays
from siteplanner.handover.paper.pages import A4, LEAST_TEXT, MARGIN, Page, Pen, wrapped
from siteplanner.handover.paper.signs import draw_signs

_GAP, _PAD, _LINE = 4.0, 1.6, 3.45
_HEAD, _BLANKS = 3.2, 5.4
_SPECIES = 3  # columns of species on a sheet


def run_sheets(pen: Pen, book: Book, days: Sequence[Day]) -> list[Page]:
    """Put the run sheets on sides, two beside each other, each as high as it must be."""
    wide = (pen.wide - 2 * MARGIN - _GAP) / 2
    sides: list[list[tuple[float, float, int, Day]]] = []
    x, y = MARGIN, TOP
    for number, day in enumerate(days, 1):
        high = _high(day, wide)
        if y + high > TOP + room() and y > TOP:
            x, y = x + wide + _GAP, TOP
        if not sides or x > MARGIN + wide + _GAP + 1:
            sides.append([])
            x, y = MARGIN, TOP
        sides[-1].append((x, y, number, day))
        y += high + 2.2
    return [
        Page(A4, partial(_draw_side, book=book, wide=wide, of=len(days), sheets=side))
        for side in sides
    ]


def _high(day: Day, wide: float) -> float:
    kinds = int((day.trees > 0).sum())
    lines = sum(len(wrapped(_where(part), wide - 2 * _PAD, LEAST_TEXT)) for part in day.parts)
    lines += len(wrapped(_when(day), wide - 2 * _PAD, LEAST_TEXT))
    return _HEAD + _LINE * (lines + -(-kinds // _SPECIES)) + _BLANKS + 2 * _PAD


def _when(day: Day) -> str:
    year = f"year {day.year}" if day.year else "later than the years planned"
    return f"{year}, {day.window}; {day.access}"


def _where(part: Part) -> str:
    """Say which rows of a block, how many trees, and from which drops."""
    work, rows = part.work, part.rows
    whole = len(rows) == len(work.name)
    name = f"rows {work.name[rows[0]]} to {work.name[rows[-1]]}"
    names = "all rows" if whole else name if len(rows) > 1 else f"row {work.name[rows[0]]}"
    named = letters(len(work.drops))
    drops = [
        f"{named[drop]} (row {work.name[work.drops[drop].at]})"
        for drop in np.unique(work.drop_of[rows]).tolist()
    ]
    return f"{work.block}, {names}: {part.trees.sum()} trees; drop {', '.join(drops)}."


def _draw_side(
    pen: Pen,
    *,
    book: Book,
    wide: float,
    of: int,
    sheets: Sequence[tuple[float, float, int, Day]],
) -> None:
    for x, y, number, day in sheets:
        with pen.canvas.part("P"):
            _draw_day(pen, x, y, wide, book, day, f"Crew-day {number} of {of}")


def _draw_day(pen: Pen, x: float, y: float, wide: float, book: Book, day: Day, title: str) -> None:
    pen.box(x, y, wide, _high(day, wide), 0.6)
    left, inner = x + _PAD, wide - 2 * _PAD
    y += _PAD + _HEAD - 0.4
    names = ", ".join(part.work.block for part in day.parts)
    pen.text(left, y, f"{title}: {names}", 9, bold=True, limit=inner - 26)
    total = int(day.trees.sum())
    mixed = bucket(day.trees)
    load = f"{sum(trays(int(n)) for n in day.trees)} trays"
    if book.mixed:
        load = f"in buckets of {BUCKET}"
    pen.text(x + wide - _PAD, y, f"{total} trees ({load})", LEAST_TEXT, align="right")
    for words in (_when(day), *map(_where, day.parts)):
        for line in wrapped(words, inner, LEAST_TEXT):
            y += _LINE
            pen.text(left, y, line, LEAST_TEXT)
    here = [int(k) for k in np.argsort(-day.trees, kind="stable") if day.trees[k]]
    deep, each = -(-len(here) // _SPECIES), inner / _SPECIES
    for place, kind in enumerate(here):
        at, foot = left + (place // deep) * each, y + (place % deep + 1) * _LINE
        sign = [pen.at(at + 1.3, foot - 0.9)]
        draw_signs(pen.canvas, book.signs[kind], sign, 1.2 * mm, book.colours[kind])
        pen.text(at + 3.6, foot, book.codes[kind], LEAST_TEXT, bold=True)
        count = mixed[kind] if book.mixed else trays(int(day.trees[kind]))
        said = f"{day.trees[kind]} ({count})"
        pen.text(at + each - 2.5, foot, said, LEAST_TEXT, align="right")
    y += deep * _LINE + 4.9
    third = inner / 3 - 1
    for number, words in enumerate(("Date", "Leader", "Not planted, why")):
        pen.blank(left + number * (third + 1.5), y, third, words, LEAST_TEXT)
