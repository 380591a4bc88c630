"""A block's planting sheet: its map with the key, then its rows with a strip to write on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from reportlab.lib.units import mm

from siteplanner.base.units import area_words
from siteplanner.handover.block_work import BlockWork, row_spacing_slope_distance
from siteplanner.handover.fieldwork import PACE_M, letters, paces, start_of
from siteplanner.handover.paper.block_map import draw_block, draw_overview, mark_block
from siteplanner.handover.paper.frame import PaperFrame, frame_for
from siteplanner.handover.paper.pages import A3, A4, MARGIN, Column, Page, Pen, line_mm, table
from siteplanner.handover.paper.signs import draw_signs
from siteplanner.handover.paper.text import BOLD, size_within
from siteplanner.plan import Plan
from siteplanner.planting.access import VOLUNTEERS

_SIDE = 78.0  # mm of the column beside the map
_CALL = 17.0  # mm of the box of whom to call
_LEAST_SPACING = 1.5  # mm between trees on paper, below which a larger sheet is taken
_HEAD, _LEAST_HEAD = 12.0, 6.5  # points
_CODE = 10.0  # mm of a column with a species' code as its head, legible still
PITCH = 4.4
#: y (mm) beneath the line on top of a sheet.
BELOW_HEAD = 14.0
_STRIP = 34.0  # mm of the strip to write on, without its table


@dataclass(frozen=True)
class Book:
    """What all sheets of a plan share: signs and codes of species, and the turn to true north.

    ``works`` has each block's row of the table of works, by the block's name.
    """

    plan: Plan
    signs: list[int]
    codes: list[str]
    to_true: float
    works: Mapping[str, Any]


def head(pen: Pen, plan: Plan, words: str) -> float:
    """Write the line on top of a sheet: what it is, and the site; give the y beneath it."""
    wide = pen.wide - 2 * MARGIN - 70
    size = max(size_within(words, wide * mm, BOLD, _HEAD), _LEAST_HEAD)
    lower = line_mm(_HEAD) - line_mm(size)
    y = pen.heading(MARGIN, MARGIN - 4 + lower, wide, words, size)
    pen.text(pen.wide - MARGIN, y - 2.2, plan.name, 8, align="right", limit=66)
    pen.rule(MARGIN, y - 0.9, pen.wide - MARGIN, y - 0.9, 0.5)
    return y + 0.8


def block_head(pen: Pen, book: Book, work: BlockWork, words: str) -> float:
    """Write the line on top of a block's sheet; give the y beneath it.

    A block that volunteers must not enter says on every page who alone may.
    """
    who = str(book.works[work.block].access_class)
    only = "" if who == VOLUNTEERS else f"; {who}"
    return head(pen, book.plan, f"Block {work.block}: {words}{only}")


def map_page(book: Book, work: BlockWork, cautions: Sequence[str]) -> Page:
    """Make the page with the block's map, on the sheet and side that show it largest."""
    size, frame = _fit(work)
    draw = partial(_draw_map_page, book=book, work=work, frame=frame, cautions=cautions)
    return Page(size, draw)


def _fit(work: BlockWork) -> tuple[tuple[float, float], PaperFrame]:
    """Choose paper and frame: A4 unless trees would stand too close together to be read."""
    found: list[tuple[tuple[float, float], PaperFrame]] = []
    for short, long in (A4, A3):
        for wide, high in ((long, short), (short, long)):
            top = MARGIN + 5
            frame = frame_for(
                work.shape.bounds,
                MARGIN,
                top,
                wide - 2 * MARGIN - _SIDE - 3,
                high - top - MARGIN - 5 - _CALL,
            )
            found.append(((wide, high), frame))
        best = min(found, key=lambda sheet: sheet[1].scale)
        if work.spacing_m * 1000 / best[1].scale >= _LEAST_SPACING:
            break
    return best


def _draw_map_page(
    pen: Pen, *, book: Book, work: BlockWork, frame: PaperFrame, cautions: Sequence[str]
) -> None:
    plan = book.plan
    block_head(pen, book, work, "planting sheet")
    draw_block(pen, frame, plan, work, book.signs, book.to_true)
    _call_box(pen, frame)
    x = frame.x + frame.wide + 3
    y = frame.y
    small = frame_for(plan.boundary.total_bounds, x, y, _SIDE, 36, room=1.5)
    pen.canvas.saveState()
    place = pen.at(x, y + 36)
    pen.canvas.translate(*place)
    pen.canvas.doForm("overview")
    pen.canvas.restoreState()
    mark_block(pen, small, work.shape)
    y = _facts(pen, x, y + 38, book, work)
    y = pen.heading(x, y + 1, _SIDE, "Be careful here") - 1
    lowest = pen.bottom - _key_height(work)
    for words in cautions:
        if y + line_mm(6.5) > lowest:
            break
        y = pen.paragraph(x, y + 0.5, _SIDE, words, 6.5, lowest=lowest)
    _key(pen, x, y + 1, book, work)


def overview_form(pen: Pen, plan: Plan) -> None:
    """Keep the small overview in the file once; every block's sheet shows it."""
    pen.canvas.beginForm("overview", 0, 0, _SIDE * mm, 36 * mm)
    form = Pen(pen.canvas, _SIDE, 36)
    draw_overview(
        form, frame_for(plan.boundary.total_bounds, 0, 0, _SIDE, 36, room=1.5), plan, names=False
    )
    pen.canvas.endForm()


def _facts(pen: Pen, x: float, y: float, book: Book, work: BlockWork) -> float:
    start = start_of(work.shape, work.ends)
    y = pen.heading(x, y, _SIDE, f"Zone {work.zone}") - 0.8
    lines = [
        f"{work.title[:1].upper()}{work.title[1:]}.",
        f"Paddock {work.paddock}. {area_words(work.area_ha)} on the map.",
        f"{int(work.trees.sum())} trees in {len(work.number)} rows, pattern {work.pattern}.",
        *when_and_who(book, work),
        _spacing(book.plan, work),
        f"Start: row 1 begins on the {start.side} side of the block, at the arrow, "
        f"{work.ends[0, 0, 0]:.0f} E {work.ends[0, 0, 1]:.0f} N. Rows start at their {start.end} "
        f"end; row numbers rise to the {start.rises}. After a gap, a row continues under a new "
        "number.",
        _bearing(book, work),
    ]
    for words in lines:
        y = pen.paragraph(x, y + 0.5, _SIDE, words, 6.8)
    return y


def when_and_who(book: Book, work: BlockWork) -> list[str]:
    """Who may plant the block, when, and which of its trees wait."""
    facts = book.works[work.block]
    year = f"year {facts.year}" if facts.year else "later than the years planned"
    said = f"Access: {facts.access_class}. Plant {facts.window}, {year}."
    if not facts.trees_later:
        return [said]
    waits = book.plan.trees["year"].to_numpy()[work.tree] != facts.year
    kinds = np.bincount(work.species[waits], minlength=len(book.codes))
    mix = ", ".join(f"{book.codes[k]} {kinds[k]}" for k in np.flatnonzero(kinds))
    then = f"year {facts.later}" if facts.later else "a later year"
    return [
        said,
        f"{facts.trees_later} of the trees wait for nurse trees until {then} ({mix}). All numbers "
        "here include them; leave their places open.",
    ]


def _spacing(plan: Plan, work: BlockWork) -> str:
    if not work.even:
        return (
            f"Trees are not evenly spaced, mostly {work.spacing_m:.1f} m apart. Place them by "
            "this map, not by the tape."
        )
    low, high = work.slope_distance_m.min(), work.slope_distance_m.max()
    slope_distance = f"{low:.2f} m" if high - low < 0.005 else f"{low:.2f} to {high:.2f} m"
    between = (
        f"{work.row_spacing_m:.2f} m on the map"
        if np.isfinite(work.row_spacing_m)
        else "one line only"
    )
    up = row_spacing_slope_distance(plan, work)
    between += f", about {up:.1f} m on the tape up the slope" if np.isfinite(up) else ""
    return (
        f"In the row: {work.spacing_m:.2f} m on the map, {slope_distance} on the tape along the "
        f"ground (each row's is in the table): about "
        f"{paces(float(np.median(work.slope_distance_m))):g} paces of {PACE_M} m. "
        f"Between rows: {between}."
    )


def _bearing(book: Book, work: BlockWork) -> str:
    declination = "by compass ______° (corrected for today's declination)"
    if not work.straight:
        return (
            "Rows follow the contour. The table has each row's bearing from grid north, first "
            f"tree to last, {abs(book.to_true):.1f}° {'less' if book.to_true < 0 else 'more'} "
            f"from true north; {declination}."
        )
    true = (work.mean_bearing + book.to_true) % 360
    return (
        f"Walk rows on bearing {work.mean_bearing:.0f}° from grid north, {true:.0f}° from true "
        f"north; {declination}."
    )


def _key_height(work: BlockWork) -> float:
    return 5.5 + 3.7 * ((int((work.trees > 0).sum()) + 1) // 2)


def _key(pen: Pen, x: float, y: float, book: Book, work: BlockWork) -> None:
    """Draw the species: sign, code, name and number; in two columns where room is short."""
    y = pen.heading(x, y, _SIDE, "Species")
    shown = [k for k in np.argsort(-work.trees, kind="stable") if work.trees[k]]
    columns = 1 if y + 3.7 * len(shown) <= pen.bottom else 2
    deep, wide = -(-len(shown) // columns), _SIDE / columns
    for place, species in enumerate(shown):
        left = x + (place // deep) * wide
        foot = y + (place % deep + 1) * 3.7 - 0.6
        draw_signs(pen.canvas, book.signs[species], [pen.at(left + 1.4, foot - 0.9)], 1.1 * mm)
        code = book.codes[species]
        pen.text(left + 3.6, foot, code, size_within(code, 10 * mm, BOLD, 6.3), bold=True)
        name = str(book.plan.species["common_name"].iloc[species])
        pen.text(left + 14.2, foot, name, 6.3, limit=wide - 23.2)
        pen.text(left + wide - 1, foot, f"{work.trees[species]:,}", 6.3, align="right")


def _call_box(pen: Pen, frame: PaperFrame) -> None:
    y = frame.y + frame.high + 1.5
    pen.box(frame.x, y, frame.wide, _CALL - 2)
    pen.text(frame.x + 1.5, y + 3.6, "Who to call", 7.5, bold=True)
    third = (frame.wide - 6) / 3
    labels = ("Emergency", "Crew leader", "Landholder", "Power network", "Buried services",
              "First aider")  # fmt: skip
    for number, words in enumerate(labels):
        left = frame.x + 1.5 + (number % 3) * (third + 1.5)
        pen.blank(left, y + 8 + (number // 3) * 5.2, third, words, 7)


# --- the rows ------------------------------------------------------------------------------


def row_pages(book: Book, work: BlockWork) -> list[Page]:
    """Make the pages with a line a row and, after the last, the strip to write on."""
    size, columns, halves = _row_columns(book, work)
    each = int((size[1] - 2 * MARGIN - 17 - 2 * PITCH) / PITCH)
    rows = range(len(work.number))
    draw = partial(_draw_rows, book=book, work=work, columns=columns, each=each)
    parts = [rows[at : at + each * halves] for at in rows[:: each * halves]]
    room = (each - min(len(parts[-1]), each)) * PITCH - 4
    fits = room >= _strip_height(work)
    pages = [Page(size, partial(draw, rows=part, strip=False)) for part in parts[:-1]]
    pages.append(Page(size, partial(draw, rows=parts[-1], strip=fits)))
    if not fits:
        pages.append(Page(A4, partial(_draw_strip_page, book=book, work=work)))
    return pages


def _here(work: BlockWork) -> list[int]:
    return [int(k) for k in np.flatnonzero(work.trees)]


def _row_columns(book: Book, work: BlockWork) -> tuple[tuple[float, float], list[Column], int]:
    """Paper and columns of the table of rows, and how many tables stand side by side."""
    fixed = [
        Column("Row", 9),
        Column("Drop", 9, "centre"),
        Column("Trees", 10),
        Column("Tape m", 13),
        Column("Long m", 13),
        Column("Bearing°", 15),
    ]
    here, done = _here(work), 12.0
    used = sum(c.width for c in fixed) + done
    sheets = (A4, A4[::-1], A3[::-1])
    size = next((s for s in sheets if s[0] - 2 * MARGIN >= used + _CODE * len(here)), sheets[-1])
    wide = size[0] - 2 * MARGIN
    halves = 2 if used + _CODE * len(here) <= (wide - 4) / 2 else 1
    room = (wide - 4 * (halves - 1)) / halves - used
    each = min(12.0, room / len(here))
    species = [Column(book.codes[k], each) for k in here]
    left = done + room - each * len(here)
    last = Column("Done, notes" if left > 22 else "Done", left, "left")
    return size, [*fixed, *species, last], halves


def _row_lines(work: BlockWork, rows: range) -> list[list[str]]:
    """Make the lines of the table for some of the rows, counted from 0 in their order."""
    here = _here(work)
    letter = np.empty(len(work.number), dtype=object)
    for name, drop in zip(letters(len(work.drops)), work.drops, strict=True):
        letter[drop] = name
    return [
        [
            str(work.number[row]),
            letter[row],
            str(int(work.by_row[row].sum())),
            f"{work.slope_distance_m[row]:.2f}",
            f"{work.length_m[row]:.0f}",
            f"{work.bearing[row]:.0f}" if np.isfinite(work.bearing[row]) else "",
            *(str(n) if (n := int(work.by_row[row, k])) else "" for k in here),
            "",
        ]
        for row in rows
    ]


def _draw_rows(
    pen: Pen,
    *,
    book: Book,
    work: BlockWork,
    columns: Sequence[Column],
    rows: range,
    each: int,
    strip: bool,
) -> None:
    top = block_head(pen, book, work, "rows")
    here = _here(work)
    first = len(columns) - 1 - len(here)

    def mark(number: int, x: float, y: float) -> None:
        if first <= number < first + len(here):
            sign = book.signs[here[number - first]]
            draw_signs(pen.canvas, sign, [pen.at(x, y)], 1.1 * mm)

    wide = sum(column.width for column in columns)
    y = top
    for side, begin in enumerate(range(0, len(rows), each)):
        x = MARGIN + side * (wide + 4)
        part = _row_lines(work, rows[begin : begin + each])
        y = max(y, table(pen, x, top, columns, part, size=6.5, pitch=PITCH, mark=mark))
    if strip:
        _strip(pen, y + 3, book, work)


def _draw_strip_page(pen: Pen, *, book: Book, work: BlockWork) -> None:
    _strip(pen, block_head(pen, book, work, "what was planted"), book, work)


def _strip_height(work: BlockWork) -> float:
    return _STRIP + PITCH * ((len(_here(work)) + 1) // 2)


def _strip(pen: Pen, y: float, book: Book, work: BlockWork) -> float:
    """Draw the strip to write what was planted; give the y beneath it."""
    wide = pen.wide - 2 * MARGIN
    y = pen.heading(MARGIN, y, wide, f"What was planted in block {work.block}")
    columns = [
        Column("Code", 14, "left"),
        Column("Species", 38, "left"),
        Column("In plan", 14),
        Column("Planted", 14),
        Column("Lost", 13),
    ]
    here = sorted(_here(work), key=lambda k: -work.trees[k])
    names = book.plan.species["common_name"]
    rows = [[book.codes[k], str(names.iloc[k]), str(int(work.trees[k])), "", ""] for k in here]
    half = (len(rows) + 1) // 2
    low = y
    for side, part in enumerate((rows[:half], rows[half:])):
        if part:
            x = MARGIN + side * (wide / 2 + 1)
            low = max(low, table(pen, x, y, columns, part, size=6.8, pitch=PITCH))
    y = low + 7
    third = wide / 3 - 2
    for column, words in enumerate(("Date", "Rows planted, from … to", "Planted by")):
        pen.blank(MARGIN + column * (third + 3), y, third, words)
    pen.blank(MARGIN, y + 7, wide, "Gaps, changes, places not planted and why")
    pen.blank(MARGIN, y + 14, wide, "Weather and soil on the day")
    return y + 16
