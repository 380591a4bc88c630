"""Leaves of the book: a block's map in front, its rows behind; small blocks share a leaf."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, partial

import numpy as np
from reportlab.lib.units import mm

from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.book.block_map import (
    Book,
    draw_block,
    draw_line_key,
    least_scale,
    turns_of,
)
from siteplanner.handover.book.facts import care_short, facts_of, title_of
from siteplanner.handover.book.rows import Table, draw_rows, table_of
from siteplanner.handover.paper.drawing import Drawing
from siteplanner.handover.paper.frame import SCALES, PaperFrame, extents, moved, turned_frame
from siteplanner.handover.paper.pages import (
    A4,
    LEAST_TEXT,
    MARGIN,
    Page,
    Pen,
    line_mm,
    wrapped,
)
from siteplanner.handover.paper.signs import draw_signs

#: y (mm) where the bands of a side begin.
TOP = MARGIN
_SIDE, _GAP, _HEAD, _STRIP, _EDGE = 62.0, 3.0, 6.5, 20.0, 8.0
_KEY = 3.5
_BETWEEN = 4.0
_Line = tuple[str, str | int]
#: Width and height of paper, mm.
Paper = tuple[float, float]


@dataclass(frozen=True)
class Arrangement:
    """How map and facts share a band: ``columns`` of facts beside the map or beneath it, in mm.

    ``strip`` is the height of what stands beneath the map: scale, norths, key.
    """

    map_wide: float
    columns: int
    facts_wide: float
    beside: bool
    strip: float


def room(paper: Paper = A4) -> float:
    """How high the bands of a side are together, mm."""
    return paper[1] - 2 * MARGIN - 5.0


def _wide(paper: Paper) -> float:
    return paper[0] - 2 * MARGIN


@cache
def arrangements(paper: Paper) -> tuple[Arrangement, ...]:
    """Facts in a column beside the map, in two beside a narrow one, or in three beneath one."""
    wide = _wide(paper)
    return (
        Arrangement(wide - _SIDE - _GAP, 1, _SIDE, True, _STRIP),
        Arrangement(wide - 2 * (56.0 + _GAP), 2, 56.0, True, _STRIP + 9.0),
        Arrangement(wide, 3, (wide - 2 * _GAP) / 3, False, _STRIP),
    )


@dataclass(frozen=True)
class Band:
    """A block's place on both sides of a leaf of ``paper``; heights in mm.

    ``least`` is what it needs on either side, ``facts`` the lines of its facts in each of the
    ``arrangements`` and ``facts_high`` their heights; ``made`` is its back. What to be careful
    of is said in front where that saves a side.
    """

    work: BlockWork
    least: float
    facts: tuple[list[_Line], ...]
    facts_high: tuple[float, ...]
    made: Table
    paper: Paper


@dataclass(frozen=True)
class Leaf:
    """The sides of some blocks, an even number of them, and the blocks' names."""

    blocks: tuple[str, ...]
    sides: tuple[Page, ...]


def leaves_of(book: Book, bands: Sequence[Band], *, shared: bool) -> list[Leaf]:
    """Put blocks on leaves; ``shared``: as many on one as it has room for.

    The blocks that need most go first, each to the first leaf that has room for it (first fit,
    textbook method); leaves come in the order of their first blocks.
    """
    rooms: list[list[int]] = []
    for at in sorted(range(len(bands)), key=lambda n: -bands[n].least):
        for leaf in rooms if shared else ():
            need = sum(bands[n].least + _BETWEEN for n in leaf)
            if need + bands[at].least <= room(bands[at].paper):
                leaf.append(at)
                break
        else:
            rooms.append([at])
    return [_leaf(book, [bands[n] for n in sorted(leaf)]) for leaf in sorted(map(sorted, rooms))]


def band_of(book: Book, work: BlockWork, paper: Paper = A4) -> Band:
    """Work out what a block needs on both sides of a leaf."""
    most, wide, ways = room(paper) - _HEAD, _wide(paper), arrangements(paper)
    made = table_of(book, work, wide, most)
    less = table_of(book, work, wide, most, care=False) if made.sides > 1 else made
    care = less.sides < made.sides
    made = less if care else made
    said = facts_of(book, work)
    facts = tuple(_fact_lines(book, work, said, how.facts_wide, care) for how in ways)
    facts_high = tuple(
        -(-len(lines) // how.columns) * _KEY + 1.0 for lines, how in zip(facts, ways, strict=True)
    )
    scale = max((s for s in SCALES if s <= least_scale(work)), default=SCALES[0])
    sizes = [
        [side * 1000 / scale + 2 * _EDGE for side in sides]
        for sides in extents(work.shape, turns_of(work))
    ]
    fronts = []
    for how, high in zip(ways, facts_high, strict=True):
        tall = min((down for across, down in sizes if across <= how.map_wide), default=np.inf)
        tall += how.strip
        fronts.append(_HEAD + (max(tall, high) if how.beside else tall + high))
    least = float(min(max(min(fronts), made.high + _HEAD), room(paper)))
    return Band(work, least, facts, facts_high, made, paper)


def _leaf(book: Book, bands: Sequence[Band]) -> Leaf:
    names = tuple(band.work.block for band in bands)
    if len(bands) == 1:
        return Leaf(names, tuple(_sides_of_one(book, bands[0])))
    paper = bands[0].paper
    free = (room(paper) - sum(b.least for b in bands) - _BETWEEN * (len(bands) - 1)) / len(bands)
    places, y = [], TOP
    for band in bands:
        places.append((y, band.least + free, band))
        y += band.least + free + _BETWEEN
    front = Page(paper, partial(_draw_fronts, book=book, places=places))
    return Leaf(names, (front, Page(paper, partial(_draw_backs, book=book, places=places))))


def _sides_of_one(book: Book, band: Band) -> list[Page]:
    """Sides of a block that has its leaf alone, or more than one leaf."""
    work, made, paper = band.work, band.made, band.paper
    strip = strip_of(work, band)
    fronts = [
        Page(
            paper,
            partial(_draw_part, book=book, work=work, frame=frame, part=f"{n} of {len(strip)}"),
        )
        for n, frame in enumerate(strip, 1)
    ]
    if len(strip) == 2:  # two maps say where they lie to each other: what is said stands behind
        made = table_of(book, work, _wide(paper), room(paper) - _HEAD, facts=True)
    else:
        whole = partial(_draw_fronts, book=book, places=[(TOP, room(paper), band)])
        fronts = [Page(paper, whole), *fronts]
    backs = [
        Page(paper, partial(_draw_back, book=book, work=work, made=made, side=side))
        for side in range(made.sides)
    ]
    sides = [fronts[0], backs[0]]
    for at in range(1, max(len(fronts), len(backs))):
        sides += [*fronts[at : at + 1], *backs[at : at + 1]]
    if len(sides) % 2:
        sides.append(Page(paper, partial(_draw_notes, book=book, work=work)))
    return sides


# --- the front -----------------------------------------------------------------------------


def _draw_fronts(pen: Pen, *, book: Book, places: Sequence[tuple[float, float, Band]]) -> None:
    for y, high, band in places:
        _draw_front(pen, y, high, book, band)


def front_frame(y: float, high: float, band: Band) -> tuple[PaperFrame, Arrangement]:
    """Frame of the map of a block in a band, and how its facts stand to it: the largest map."""
    top, turns = y + _HEAD, turns_of(band.work)
    found = []
    for how, facts in zip(arrangements(band.paper), band.facts_high, strict=True):
        tall = high - _HEAD - how.strip - (0.0 if how.beside else facts)
        if tall > 30 and (not how.beside or facts <= high - _HEAD):
            frame = turned_frame(band.work.shape, MARGIN, top, how.map_wide, tall, turns, _EDGE)
            found.append((frame, how))
    if not found:
        how = arrangements(band.paper)[0]
        tall = high - _HEAD - how.strip
        frame = turned_frame(band.work.shape, MARGIN, top, how.map_wide, tall, turns, _EDGE)
        found = [(frame, how)]
    return min(found, key=lambda one: one[0].scale)


def _draw_front(pen: Pen, y: float, high: float, book: Book, band: Band) -> None:
    work = band.work
    _head(pen, y, title_of(book, work))
    frame, how = front_frame(y, high, band)
    _draw_map(pen, frame, book, work)
    x = MARGIN + frame.wide + _GAP if how.beside else MARGIN
    top = y + _HEAD if how.beside else frame.y + frame.high + how.strip
    lines = band.facts[arrangements(band.paper).index(how)]
    each = -(-len(lines) // how.columns)
    for number in range(how.columns):
        part = lines[number * each : (number + 1) * each]
        with pen.canvas.part("P"):
            left = x + number * (how.facts_wide + _GAP)
            _draw_lines(pen, left, top, how.facts_wide, book, work, part)


def _head(pen: Pen, y: float, words: str) -> None:
    with pen.canvas.part("H1"):
        pen.heading(MARGIN, y - 1.5, _wide((pen.wide, pen.high)), words, 11)


def _draw_map(pen: Pen, frame: PaperFrame, book: Book, work: BlockWork) -> None:
    words = f"Map of block {work.block}, 1 : {frame.scale}: rows, trees, START and drop points."
    with pen.canvas.part("Figure", words):
        kinds = draw_block(pen, frame, book, work)
        below = frame.y + frame.high
        drawing = Drawing(pen, frame)
        drawing.scale_bar(frame.x + 1, below + 5.0)
        norths = 28.0 if abs(book.to_true) <= 0.5 else 42.0
        drawing.norths(frame.x + frame.wide - norths + 6, below + 5.6, book.to_true, book.magnetic)
        # A narrow map has its scale on three lines.
        low = below + (9.6 if frame.wide > 110 else 15.6)
        draw_line_key(pen, frame.x, low, frame.wide, ["block", *kinds], frame.wide - norths)
    pen.canvas.place_map(pen, frame, book.plan.grid.crs, f"Block {work.block}")


def _fact_lines(
    book: Book, work: BlockWork, said: Sequence[str], wide: float, care: bool
) -> list[_Line]:
    """Lines beside a map: text, bold text, or the species (its index) that a line is of."""
    lines: list[_Line] = []
    for words in said:
        lines += [("text", line) for line in wrapped(words, wide, LEAST_TEXT)]
    short = "Be careful here:" if care else care_short(book, work)
    lines += [("bold", line) for line in wrapped(short, wide, LEAST_TEXT, bold=True)]
    for words in book.cares[work.block] if care else ():
        lines += [("text", line) for line in wrapped(words, wide, LEAST_TEXT)]
    order = np.argsort(-work.trees, kind="stable")
    return lines + [("species", int(k)) for k in order if work.trees[k]]


def _draw_lines(
    pen: Pen, x: float, y: float, wide: float, book: Book, work: BlockWork, lines: list[_Line]
) -> None:
    for kind, words in lines:
        foot = y + line_mm(LEAST_TEXT) - 0.75
        if isinstance(words, str):
            pen.text(x, foot, words, LEAST_TEXT, bold=kind == "bold")
        else:
            sign = [pen.at(x + 1.5, foot - 0.9)]
            draw_signs(pen.canvas, book.signs[words], sign, 1.2 * mm, book.colours[words])
            pen.text(x + 4.0, foot, book.codes[words], LEAST_TEXT, bold=True)
            pen.text(x + 18.5, foot, book.names[words], LEAST_TEXT, limit=wide - 27.5)
            pen.text(x + wide, foot, f"{work.trees[words]:,}", LEAST_TEXT, align="right")
        y += _KEY


# --- maps of a block's parts ---------------------------------------------------------------


def strip_of(work: BlockWork, band: Band) -> list[PaperFrame]:
    """Give frames of a strip of maps, where trees could not be read on the one in front."""
    whole, _ = front_frame(TOP, room(band.paper), band)
    if whole.scale <= least_scale(work):
        return []
    scale = max((s for s in SCALES if s <= least_scale(work)), default=SCALES[0])
    wide, high = _wide(band.paper), room(band.paper) - _HEAD - _STRIP
    best: list[PaperFrame] = []
    for turn in turns_of(work):
        frames = _tiles(work, turn, scale, wide, high)
        if not best or len(frames) < len(best):
            best = frames
    return best


def _tiles(work: BlockWork, turn: float, scale: int, wide: float, high: float) -> list[PaperFrame]:
    """Frames at a scale that together show all trees of a block."""
    whole = turned_frame(work.shape, MARGIN, TOP + _HEAD, wide, high, [turn], _EDGE)
    ground = np.array(extents(work.shape, [turn])[0])
    inner = (np.array([wide, high]) - 2 * _EDGE) * scale / 1000
    across, down = np.maximum(np.ceil(ground / inner), 1).astype(int).tolist()
    found = []
    for row in range(down):
        for column in range(across):
            off = (np.array([column + 0.5, row + 0.5]) / [across, down] - 0.5) * ground
            tile = moved(whole, scale, off)
            if tile.ground.intersects(work.shape):
                found.append(tile)
    return found


def _draw_part(pen: Pen, *, book: Book, work: BlockWork, frame: PaperFrame, part: str) -> None:
    _head(pen, TOP, f"{title_of(book, work)}: map {part}")
    _draw_map(pen, frame, book, work)


# --- the back ------------------------------------------------------------------------------


def _draw_backs(pen: Pen, *, book: Book, places: Sequence[tuple[float, float, Band]]) -> None:
    for y, _, band in places:
        _head(pen, y, f"{title_of(book, band.work)}: rows")
        draw_rows(pen, y + _HEAD, book, band.work, band.made)


def _draw_back(pen: Pen, *, book: Book, work: BlockWork, made: Table, side: int) -> None:
    _head(pen, TOP, f"{title_of(book, work)}: rows")
    draw_rows(pen, TOP + _HEAD, book, work, made, side)


def _draw_notes(pen: Pen, *, book: Book, work: BlockWork) -> None:
    _head(pen, TOP, f"{title_of(book, work)}: notes")
    for number in range(24):
        y = TOP + 16 + number * 10
        pen.rule(MARGIN, y, pen.wide - MARGIN, y, 0.2)
