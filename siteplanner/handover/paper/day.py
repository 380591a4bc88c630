"""The run sheet of a block: what to load, where to drop it, how to fill a bucket, when to stop."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from siteplanner.handover.cautions import cautions_of, species_cautions
from siteplanner.handover.fieldwork import BUCKET, TRAY, bucket, letters, trays
from siteplanner.handover.paper.block import PITCH, Book, head, when_and_who
from siteplanner.handover.paper.pages import (
    A4,
    MARGIN,
    Column,
    Page,
    Pen,
    line_mm,
    table,
    table_height,
    wrapped,
)
from siteplanner.handover.work import Work

_DROPS_ACROSS = 6  # drop points beside each other in a table
_SIZE = 7.0
_FIRST = Column("Species", 52, "left")
_BLANKS = (
    "Date",
    "Crew leader",
    "Meeting point",
    "Phone works at",
    "First aider and kit",
    "Nearest hospital",
)
_STOP = (
    "Stop work and go to the meeting point: lightning seen or thunder heard; wind that breaks "
    "branches or that you cannot stand in; smoke, or a fire-danger rating at which your rules "
    "stop work; water rising; heat or cold in which people flag.",
    "Do not plant into ground that is frozen, waterlogged or bone dry, or with bare roots in sun "
    "and wind.",
    "These are common practice, no source; the rules of your employer and your region decide.",
)


@dataclass(frozen=True)
class _Part:
    """A table of the run sheet: plants to drop points, or recipes of buckets, for some drops."""

    drops: list[int]
    buckets: bool


def day_pages(book: Book, work: Work) -> list[Page]:
    """Make the run sheet: one page, or more where its tables do not fit beneath the cautions."""
    number = len(work.drops)
    drops = [list(range(number))[a : a + _DROPS_ACROSS] for a in range(0, number, _DROPS_ACROSS)]
    parts = [_Part(d, buckets) for d in drops for buckets in (False, True)]
    full = A4[1] - 2 * MARGIN - 14
    pages: list[list[_Part]] = [[]]
    room = full - _safety_height(book, work)
    for part in parts:
        need = _part_height(work, part)
        if need > room:
            pages.append([])
            room = full
        pages[-1].append(part)
        room -= need
    first, *more = pages
    return [
        Page(A4, partial(_draw_day, book=book, work=work, parts=first)),
        *(Page(A4, partial(_draw_more, book=book, work=work, parts=rest)) for rest in more),
    ]


def _draw_day(pen: Pen, *, book: Book, work: Work, parts: list[_Part]) -> None:
    wide = pen.wide - 2 * MARGIN
    y = head(pen, book.plan, f"Block {work.block}: run sheet for the day") + 4
    half = wide / 2 - 2
    for number, words in enumerate(_BLANKS):
        pen.blank(MARGIN + (number % 2) * (half + 4), y + (number // 2) * 6, half, words)
    y += 18
    pen.blank(MARGIN, y, wide, "Access for an ambulance (gate, track, who opens)")
    lat, lon = _middle(book, work)
    said = f"latitude {lat:.5f}, longitude {lon:.5f} (WGS 84)"
    pen.text(MARGIN, y + 5, f"Middle of the block, for the emergency call: {said}", _SIZE)
    y = pen.heading(MARGIN, y + 6, wide, "Buried services")
    pen.text(MARGIN, y + 4, "Only what was supplied is shown.", 7.5)
    pen.blank(MARGIN + 52, y + 4, 75, "Located on site", 7.5)
    pen.blank(MARGIN + 130, y + 4, wide - 130, "by", 7.5)
    y += 5
    for heading, lines in _safety(book, work):
        y = pen.heading(MARGIN, y + 1, wide, heading) - 0.8
        for words in lines:
            rest = "plan.xlsx, sheet Species"
            y = pen.paragraph(MARGIN, y + 0.5, wide, words, _SIZE, lowest=pen.bottom, rest=rest)
    _tables(pen, y, book, work, parts)


def _draw_more(pen: Pen, *, book: Book, work: Work, parts: list[_Part]) -> None:
    y = head(pen, book.plan, f"Block {work.block}: run sheet, plants and buckets")
    _tables(pen, y, book, work, parts)


def _safety(book: Book, work: Work) -> list[tuple[str, list[str]]]:
    said = cautions_of(book.plan, work)
    if species := species_cautions(book.plan, work):
        said.append("Species: " + "; ".join(species) + ".")
    said += when_and_who(book, work)
    return [("Weather that stops work", list(_STOP)), ("Be careful here", said)]


def _safety_height(book: Book, work: Work) -> float:
    wide = A4[0] - 2 * MARGIN
    lines = sum(
        len(wrapped(words, wide, _SIZE)) * line_mm(_SIZE) + 0.5
        for _, said in _safety(book, work)
        for words in said
    )
    return 45 + 2 * 6 + lines


def _part_height(work: Work, part: _Part) -> float:
    notes = line_mm(6.5) * (2 if part.buckets else 1 + (len(part.drops) + 1) // 2)
    return 8 + table_height(int((work.trees > 0).sum()) + 1, pitch=PITCH) + notes + 2


def _tables(pen: Pen, y: float, book: Book, work: Work, parts: list[_Part]) -> None:
    for part in parts:
        y = (_buckets if part.buckets else _plants)(pen, y + 1, book, work, part.drops) + 1


def _species(book: Book, work: Work) -> tuple[list[int], list[str]]:
    """Species of the block, the commonest first, and what they are called in a table."""
    here = [int(k) for k in np.argsort(-work.trees, kind="stable") if work.trees[k]]
    common = book.plan.species["common_name"]
    return here, [f"{book.codes[k]} {common.iloc[k]}" for k in here]


def _at_drops(work: Work, drops: list[int]) -> NDArray[np.int64]:
    """Trees (drops, species) that each drop point serves."""
    return np.array([work.by_row[work.drops[d]].sum(axis=0) for d in drops])


def _plants(pen: Pen, y: float, book: Book, work: Work, drops: list[int]) -> float:
    """Draw the plants to bring to each drop point; give the y beneath."""
    wide = pen.wide - 2 * MARGIN
    here, names = _species(book, work)
    letter, plants = letters(len(work.drops)), _at_drops(work, drops)
    last = drops[-1] == len(work.drops) - 1 > 0
    lists = [*plants, work.trees] if last else [*plants]
    heading = f"Plants to each drop point (and trays of {TRAY}, a species a tray)"
    y = pen.heading(MARGIN, y, wide, heading)
    rows = [
        [name, *(_with_trays(int(p[k])) for p in lists)]
        for name, k in zip(names, here, strict=True)
    ]
    rows.append(["All", *(f"{p.sum()} ({sum(trays(int(n)) for n in p)})" for p in lists)])
    columns = [_FIRST, *(Column(letter[d], 18) for d in drops)]
    columns += [Column("Whole block", 24)] if last else []
    y = table(pen, MARGIN, y, columns, rows, size=6.8, pitch=PITCH, last_bold=True)
    where = "; ".join(
        f"{letter[d]} at the start of row {work.number[work.drop_row(work.drops[d])]}, for rows "
        f"{work.number[work.drops[d].start]} to {work.number[work.drops[d].stop - 1]}"
        for d in drops
    )
    said = f"Drop points: {where}. Infill is not in these numbers."
    if last:
        said += " Trays of the whole block are full ones, to be split among the drop points."
    return pen.paragraph(MARGIN, y + 0.6, wide, said, 6.5)


def _buckets(pen: Pen, y: float, book: Book, work: Work, drops: list[int]) -> float:
    """Draw the recipe of a bucket at each drop point; give the y beneath."""
    wide = pen.wide - 2 * MARGIN
    here, names = _species(book, work)
    letter, plants = letters(len(work.drops)), _at_drops(work, drops)
    mixed = np.array([bucket(p) for p in plants])
    y = pen.heading(MARGIN, y, wide, f"In each bucket of {BUCKET}, mixed")
    rows = [
        [name, *(_in_bucket(int(m[k]), int(p[k])) for m, p in zip(mixed, plants, strict=True))]
        for name, k in zip(names, here, strict=True)
    ]
    rows.append(["Buckets to fill", *(str(-(-int(p.sum()) // BUCKET)) for p in plants)])
    columns = [_FIRST, *(Column(letter[d], 18) for d in drops)]
    y = table(pen, MARGIN, y, columns, rows, size=6.8, pitch=PITCH, last_bold=True)
    said = (
        "By hand: too few for every bucket; hand them out by the table of rows. Where the "
        "species of a row matters, as at a wet end, that table decides, not the bucket."
    )
    return pen.paragraph(MARGIN, y + 0.6, wide, said, 6.5)


def _with_trays(plants: int) -> str:
    return f"{plants} ({trays(plants)})" if plants else ""


def _in_bucket(mixed: int, plants: int) -> str:
    return str(mixed) if mixed else ("by hand" if plants else "")


def _middle(book: Book, work: Work) -> tuple[float, float]:
    """Latitude and longitude of a spot inside the block."""
    spot = work.shape.representative_point()
    lon, lat = book.plan.grid.lonlat(spot.x, spot.y)
    return lat, lon
