"""``row_tags.pdf``: a tag a row for the label printer, with its plants in planting order."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from reportlab.lib.units import mm

from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.book.block_map import Book
from siteplanner.handover.fieldwork import letters
from siteplanner.handover.paper.pages import LEAST_TEXT, Pen, wide_of, wrapped
from siteplanner.handover.paper.signs import draw_signs
from siteplanner.handover.paper.tagged import TaggedCanvas

#: Width and height of a tag, mm: a common size of thermal labels (from memory).
TAG = (100.0, 50.0)
_PAD, _LINE, _HEAD = 3.0, 5.4, 7.5
_SIGN, _BETWEEN, _SIZE = 4.2, 2.6, 10.0
_LINES = int((TAG[1] - 2 * _PAD - _HEAD - 8.5) / _LINE)


def write_row_tags(book: Book, works: Sequence[BlockWork], path: Path) -> None:
    """Write a tag for each row, block by block in planting order.

    A tag holds block, row, drop point and the row's species with their numbers in the order in
    which they stand, so that the nursery can bundle a row. What finds no room goes on a second tag
    of the row. The same plan gives the same bytes.
    """
    canvas = TaggedCanvas(path, f"Row tags for {book.plan.name}", TAG)
    pen = Pen(canvas, *TAG)
    for work in works:
        canvas.bookmark(f"Block {work.block}")
        drops = letters(len(work.drops))
        for row, drop in enumerate(work.drop_of.tolist()):
            _tags(pen, book, work, row, drops[drop])
    canvas.save()


def _tags(pen: Pen, book: Book, work: BlockWork, row: int, drop: str) -> None:
    if work.in_order:
        items = work.runs[row]
    else:
        items = [(int(k), int(n)) for k, n in enumerate(work.by_row[row]) if n]
    lines = _lines(book, items)
    parts = [lines[at : at + _LINES] for at in range(0, len(lines), _LINES)]
    for number, part in enumerate(parts, 1):
        with pen.canvas.part("P"):
            _draw_tag(pen, book, work, row, drop, part, (number, len(parts)))
        pen.canvas.showPage()


def _draw_tag(
    pen: Pen,
    book: Book,
    work: BlockWork,
    row: int,
    drop: str,
    lines: list[list[tuple[int, int]]],
    number_of: tuple[int, int],
) -> None:
    more = f", tag {number_of[0]} of {number_of[1]}" if number_of[1] > 1 else ""
    pen.text(_PAD, _PAD + 5, f"{work.block}  row {work.name[row]}{more}", 14, bold=True)
    pen.text(TAG[0] - _PAD, _PAD + 5, f"drop {drop}", 10, bold=True, align="right")
    y = _PAD + _HEAD
    for line in lines:
        y += _LINE
        left = _PAD
        for kind, trees in line:
            place = [pen.at(left + 1.7, y - 1.3)]
            draw_signs(pen.canvas, book.signs[kind], place, 1.6 * mm, book.colours[kind])
            pen.text(left + _SIGN, y, _said(book, kind, trees), _SIZE)
            left += _wide(book, kind, trees)
    order = "in planting order" if work.in_order else "in any order"
    foot = f"{int(work.by_row[row].sum())} trees, {order}. {_names(book, work, row)}"
    y = TAG[1] - _PAD - 5.0
    for words in wrapped(foot, TAG[0] - 2 * _PAD, LEAST_TEXT)[:2]:
        pen.text(_PAD, y + 1.8, words, LEAST_TEXT)
        y += 3.2


def _lines(book: Book, items: list[tuple[int, int]]) -> list[list[tuple[int, int]]]:
    lines: list[list[tuple[int, int]]] = [[]]
    x = 0.0
    for kind, trees in items:
        long = _wide(book, kind, trees)
        if lines[-1] and x + long > TAG[0] - 2 * _PAD:
            lines.append([])
            x = 0.0
        lines[-1].append((kind, trees))
        x += long
    return lines


def _said(book: Book, kind: int, trees: int) -> str:
    return f"{trees} {book.codes[kind]}"


def _wide(book: Book, kind: int, trees: int) -> float:
    return _SIGN + wide_of(_said(book, kind, trees), _SIZE) + _BETWEEN


def _names(book: Book, work: BlockWork, row: int) -> str:
    """Common names of a row's species, the commonest first."""
    counts = work.by_row[row]
    order = [k for k in np.argsort(-counts, kind="stable").tolist() if counts[k]]
    return ", ".join(book.names[k] for k in order)
