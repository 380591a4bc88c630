"""The back of a block's sheet: its rows with their species in order, and its drop points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.units import mm

from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.book.block_map import Book
from siteplanner.handover.book.facts import facts_of, tape_varies
from siteplanner.handover.fieldwork import letters
from siteplanner.handover.finding import Drop
from siteplanner.handover.paper.pages import LEAST_TEXT, MARGIN, Pen, wide_of, wrapped
from siteplanner.handover.paper.signs import draw_signs

PITCH = 3.35
"""Height of a line of the table, mm."""
_GAP, _TICK, _NAME, _TREES, _TAPE = 4.0, 3.4, 7.0, 9.0, 8.5
_SIGN, _BETWEEN = 2.9, 1.8
_HEADS = PITCH + 1.0
_Item = tuple[int, int]


@dataclass(frozen=True)
class Entry:
    """A row with its species on one or more lines, or the words on a drop point."""

    row: int
    lines: list[list[_Item]]
    words: list[str]

    @property
    def high(self) -> float:
        """Height in mm."""
        return PITCH * (len(self.lines) + len(self.words)) + (1.2 if self.words else 0.0)


@dataclass(frozen=True)
class Table:
    """The entries of a block in columns ``wide`` mm wide, ``across`` of them on a side."""

    across: int
    wide: float
    columns: list[list[Entry]]

    @property
    def high(self) -> float:
        """Height in mm, heads with it."""
        return _HEADS + max(sum(entry.high for entry in part) for part in self.columns)

    @property
    def sides(self) -> int:
        """How many sides or bands of sides it takes."""
        return -(-len(self.columns) // self.across)


def table_of(
    book: Book,
    work: BlockWork,
    wide: float,
    most: float,
    *,
    care: bool = True,
    facts: bool = False,
) -> Table:
    """Set out a block's rows and drop points in columns up to ``most`` mm high, as low as may be.

    Together the columns are ``wide`` mm wide.
    With ``care`` what to be careful of comes after the rows, with ``facts`` all that is said of the
    block comes before them.
    """
    found = []
    for across in (2, 1, 3):
        each = (wide - _GAP * (across - 1)) / across
        entries = _facts(book, work, each) if facts else []
        entries += _entries(book, work, each, care)
        found.append(Table(across, each, _even(entries, across, most - _HEADS)))
    return min(found, key=lambda table: (table.sides, table.high))


def _entries(book: Book, work: BlockWork, wide: float, care: bool) -> list[Entry]:
    """Everything on the back of a block's sheet, in its order."""
    ordered = work.in_order
    left = _TICK + _NAME + _TREES + (_TAPE if tape_varies(work) else 0.0) + 1.5
    found: list[Entry] = []
    for letter, drop in zip(letters(len(work.drops)), work.drops, strict=True):
        found.append(Entry(-1, [], wrapped(drop_words(work, letter, drop), wide, LEAST_TEXT)))
        for row in drop.rows.tolist():
            items = work.runs[row] if ordered else _counts(work, row)
            found.append(Entry(row, _filled(book, items, wide - left), []))
    said = book.cares[work.block] if care else []
    return found + [
        Entry(-1, [], wrapped(("Be careful: " if at == 0 else "") + words, wide, LEAST_TEXT))
        for at, words in enumerate(said)
    ]


def _facts(book: Book, work: BlockWork, wide: float) -> list[Entry]:
    order = [int(k) for k in np.argsort(-work.trees, kind="stable") if work.trees[k]]
    kinds = "; ".join(f"{book.codes[k]} {book.names[k]} {work.trees[k]:,}" for k in order)
    said = [*facts_of(book, work), f"Species: {kinds}."]
    return [Entry(-1, [], wrapped(words, wide, LEAST_TEXT)) for words in said]


def _counts(work: BlockWork, row: int) -> list[_Item]:
    counts = work.by_row[row]
    order = np.argsort(-counts, kind="stable")
    return [(int(k), int(counts[k])) for k in order if counts[k]]


def drop_words(work: BlockWork, letter: str, drop: Drop) -> str:
    """Say of a drop point where it is, which rows it serves and how far they are."""
    rows, at = drop.rows, drop.at
    where = f"{'rows' if len(rows) > 1 else 'row'} {spans(work, rows)}"
    no_way = "" if drop.vehicle else " Steep: no vehicle, carry."
    return (
        f"Drop {letter}, at the start of row {work.name[at]}: {where}, up to "
        f"{drop.farthest_m:.0f} m away, {work.by_row[rows].sum()} trees.{no_way}"
    )


def spans(work: BlockWork, rows: NDArray[np.int64]) -> str:
    """Name rows (indices, rising), those that follow each other as "4 to 9"."""
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    named = [(work.name[part[0]], work.name[part[-1]]) for part in parts]
    return ", ".join(a if a == b else f"{a} to {b}" for a, b in named)


def _filled(book: Book, items: Sequence[_Item], wide: float) -> list[list[_Item]]:
    lines: list[list[_Item]] = [[]]
    x = 0.0
    for item in items:
        long = _item_wide(book, item)
        if lines[-1] and x + long > wide:
            lines.append([])
            x = 0.0
        lines[-1].append(item)
        x += long
    return lines


def _item_wide(book: Book, item: _Item) -> float:
    return _SIGN + wide_of(f"{item[1]} {book.codes[item[0]]}", LEAST_TEXT) + _BETWEEN


def _even(entries: Sequence[Entry], across: int, most: float) -> list[list[Entry]]:
    """Part entries among columns no higher than ``most`` mm, on one side about as high."""
    columns = _columns(entries, most)
    if len(columns) > across:
        return columns
    high = sum(entry.high for entry in entries) / across
    while len(found := _columns(entries, min(high, most))) > across:
        high += PITCH / 2
    return found


def _columns(entries: Sequence[Entry], most: float) -> list[list[Entry]]:
    columns: list[list[Entry]] = [[]]
    high = 0.0
    for number, entry in enumerate(entries):
        need = entry.high
        if entry.words and number + 1 < len(entries):
            need += entries[number + 1].high  # a drop point's words stay with its first row
        if columns[-1] and high + need > most:
            columns.append([])
            high = 0.0
        columns[-1].append(entry)
        high += entry.high
    return columns


def draw_rows(pen: Pen, y: float, book: Book, work: BlockWork, made: Table, side: int = 0) -> None:
    """Draw the columns of one side of a table with their heads from ``y`` down."""
    columns = made.columns[side * made.across : (side + 1) * made.across]
    with pen.canvas.part("Table"):
        _draw_columns(pen, y, book, work, made, columns)


def _draw_columns(
    pen: Pen,
    y: float,
    book: Book,
    work: BlockWork,
    made: Table,
    columns: Sequence[Sequence[Entry]],
) -> None:
    wide, tape = made.wide, tape_varies(work)
    heads = "in order" if work.in_order else "any order; places on the map"
    if book.mixed:
        heads = "at random from mixed buckets"
    for number, column in enumerate(columns):
        x = MARGIN + number * (wide + _GAP)
        at = x + _TICK + _NAME
        foot = y + PITCH - 1.0
        with pen.canvas.part("TR"), pen.canvas.part("TH"):
            pen.text(at, foot, "Row", LEAST_TEXT, bold=True, align="right")
            pen.text(at + _TREES, foot, "Trees", LEAST_TEXT, bold=True, align="right")
            if tape:
                pen.text(at + _TREES + _TAPE, foot, "Tape", LEAST_TEXT, bold=True, align="right")
            left = at + _TREES + (_TAPE if tape else 0.0) + 1.5
            pen.text(left, foot, f"Species, {heads}", LEAST_TEXT, bold=True)
        pen.rule(x, y + PITCH, x + wide, y + PITCH, 0.5)
        down = y + PITCH + 0.4
        for entry in column:
            with pen.canvas.part("TR"), pen.canvas.part("TD"):
                down = _draw_entry(pen, x, down, wide, book, work, entry)


def _draw_entry(
    pen: Pen, x: float, y: float, wide: float, book: Book, work: BlockWork, entry: Entry
) -> float:
    if entry.words:
        y += 0.8
        for words in entry.words:
            pen.text(x, y + PITCH - 1.0, words, LEAST_TEXT)
            y += PITCH
        pen.rule(x, y + 0.1, x + wide, y + 0.1, 0.5)
        return y + 0.4
    tape = tape_varies(work)
    at, foot = x + _TICK + _NAME, y + PITCH - 1.0
    pen.box(x, y + 0.6, 2.3, 2.3, 0.3)
    pen.text(at, foot, work.name[entry.row], LEAST_TEXT, bold=True, align="right")
    trees = int(work.by_row[entry.row].sum())
    pen.text(at + _TREES, foot, str(trees), LEAST_TEXT, align="right")
    if tape:
        said = f"{work.slope_distance_m[entry.row]:.2f}"
        pen.text(at + _TREES + _TAPE, foot, said, LEAST_TEXT, align="right")
    first = at + _TREES + (_TAPE if tape else 0.0) + 1.5
    for line in entry.lines:
        left = first
        for item in line:
            kind, number = item
            sign = [pen.at(left + 1.2, y + PITCH / 2)]
            draw_signs(pen.canvas, book.signs[kind], sign, 1.2 * mm, book.colours[kind])
            pen.text(left + _SIGN, y + PITCH - 1.0, f"{number} {book.codes[kind]}", LEAST_TEXT)
            left += _item_wide(book, item)
        y += PITCH
    pen.rule(x, y, x + wide, y, 0.12)
    return y
