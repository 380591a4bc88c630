"""The run sheet of a block: what to load, where to drop it, how to fill a bucket, when to stop."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray
from reportlab.platypus import Flowable, KeepTogether

from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.cautions import species_cautions
from siteplanner.handover.fieldwork import BUCKET, TRAY, bucket, letters, trays
from siteplanner.handover.paper.block import BELOW_HEAD, PITCH, Book, block_head, when_and_who
from siteplanner.handover.paper.pages import (
    A4,
    MARGIN,
    Column,
    Page,
    Pen,
    draw_flowed,
    flowed,
    grid,
    heading,
    paragraph,
    section,
)

_DROPS_ACROSS = 6  # drop points beside each other in a table
_SIZE = 7.0
_BELOW_FORM = 54.0  # mm from the top: the form to fill in ends above
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
    "Stop work and go to the meeting point if there is: lightning seen or thunder heard; wind "
    "that breaks branches or that you cannot stand in; smoke, or a fire-danger rating at which "
    "your rules stop work; water rising; heat or cold that people cannot work in safely.",
    "Do not plant into ground that is frozen, waterlogged or bone dry, or with bare roots in sun "
    "and wind.",
    "These are common practice, no source. The rules of your employer and your region decide.",
)


def day_pages(book: Book, work: BlockWork, cautions: Sequence[str]) -> list[Page]:
    """Make the run sheet: one page, or more where it does not fit beneath the form."""
    number = len(work.drops)
    story = [
        part for name, said in _safety(book, work, cautions) for part in section(name, said, _SIZE)
    ]
    for start in range(0, number, _DROPS_ACROSS):
        drops = list(range(number))[start : start + _DROPS_ACROSS]
        story += [
            KeepTogether(_plants(book, work, drops)),
            KeepTogether(_buckets(book, work, drops)),
        ]
    first, *more = flowed(story, A4, _BELOW_FORM, BELOW_HEAD)
    return [
        Page(A4, partial(_draw_day, book=book, work=work, parts=first)),
        *(Page(A4, partial(_draw_more, book=book, work=work, parts=rest)) for rest in more),
    ]


def _draw_day(pen: Pen, *, book: Book, work: BlockWork, parts: list[Flowable]) -> None:
    wide = pen.wide - 2 * MARGIN
    y = block_head(pen, book, work, "run sheet for the day") + 4
    half = wide / 2 - 2
    for number, words in enumerate(_BLANKS):
        pen.blank(MARGIN + (number % 2) * (half + 4), y + (number // 2) * 6, half, words)
    y += 18
    pen.blank(MARGIN, y, wide, "Access for an ambulance (gate, track, who opens it)")
    lat, lon = _middle(book, work)
    said = f"latitude {lat:.5f}, longitude {lon:.5f} (WGS 84)"
    pen.text(MARGIN, y + 5, f"Middle of the block, for the emergency call: {said}", _SIZE)
    y = pen.heading(MARGIN, y + 6, wide, "Buried services")
    pen.text(MARGIN, y + 4, "Only what was supplied is shown here.", 7.5)
    pen.blank(MARGIN + 52, y + 4, 75, "Located on site", 7.5)
    pen.blank(MARGIN + 130, y + 4, wide - 130, "by", 7.5)
    draw_flowed(pen, _BELOW_FORM, parts)


def _draw_more(pen: Pen, *, book: Book, work: BlockWork, parts: list[Flowable]) -> None:
    block_head(pen, book, work, "run sheet, plants and buckets")
    draw_flowed(pen, BELOW_HEAD, parts)


def _safety(book: Book, work: BlockWork, cautions: Sequence[str]) -> list[tuple[str, list[str]]]:
    said = list(cautions)
    if species := species_cautions(book.plan, work):
        said.append("Species: " + "; ".join(species) + ".")
    said += when_and_who(book, work)
    return [("Weather that stops work", list(_STOP)), ("Be careful here", said)]


def _species(book: Book, work: BlockWork) -> tuple[list[int], list[str]]:
    """Species of the block, the commonest first, and what they are called in a table."""
    here = [int(k) for k in np.argsort(-work.trees, kind="stable") if work.trees[k]]
    common = book.plan.species["common_name"]
    return here, [f"{book.codes[k]} {common.iloc[k]}" for k in here]


def _at_drops(work: BlockWork, drops: list[int]) -> NDArray[np.int64]:
    """Trees (drops, species) that each drop point serves."""
    return np.array([work.by_row[work.drops[d]].sum(axis=0) for d in drops])


def _plants(book: Book, work: BlockWork, drops: list[int]) -> list[Flowable]:
    """Table of the plants to bring to each drop point."""
    here, names = _species(book, work)
    letter, plants = letters(len(work.drops)), _at_drops(work, drops)
    last = drops[-1] == len(work.drops) - 1 > 0
    lists = [*plants, work.trees] if last else [*plants]
    rows = [
        [name, *(_with_trays(int(p[k])) for p in lists)]
        for name, k in zip(names, here, strict=True)
    ]
    rows.append(["All", *(f"{p.sum()} ({sum(trays(int(n)) for n in p)})" for p in lists)])
    columns = [_FIRST, *(Column(letter[d], 18) for d in drops)]
    columns += [Column("Whole block", 24)] if last else []
    where = "; ".join(
        f"{letter[d]} at the start of row {work.number[work.drop_row(work.drops[d])]}, for rows "
        f"{work.number[work.drops[d].start]} to {work.number[work.drops[d].stop - 1]}"
        for d in drops
    )
    said = f"Drop points: {where}. Infill is not in these numbers."
    if last:
        said += " Trays for the whole block are full; split them among the drop points."
    return [
        *heading(f"Plants for each drop point (and trays of {TRAY}, one species in each)"),
        grid(columns, rows, size=6.8, pitch=PITCH, last_bold=True),
        paragraph(said, 6.5),
    ]


def _buckets(book: Book, work: BlockWork, drops: list[int]) -> list[Flowable]:
    """Table of the recipe of a bucket at each drop point."""
    here, names = _species(book, work)
    letter, plants = letters(len(work.drops)), _at_drops(work, drops)
    mixed = np.array([bucket(p) for p in plants])
    rows = [
        [name, *(_in_bucket(int(m[k]), int(p[k])) for m, p in zip(mixed, plants, strict=True))]
        for name, k in zip(names, here, strict=True)
    ]
    rows.append(["Buckets to fill", *(str(-(-int(p.sum()) // BUCKET)) for p in plants)])
    columns = [_FIRST, *(Column(letter[d], 18) for d in drops)]
    said = (
        "By hand: too few for every bucket; hand them out by the table of rows. Where the "
        "species in a row matters, as at a wet end, follow that table, not the bucket."
    )
    return [
        *heading(f"In each bucket of {BUCKET}, mixed"),
        grid(columns, rows, size=6.8, pitch=PITCH, last_bold=True),
        paragraph(said, 6.5),
    ]


def _with_trays(plants: int) -> str:
    return f"{plants} ({trays(plants)})" if plants else ""


def _in_bucket(mixed: int, plants: int) -> str:
    return str(mixed) if mixed else ("by hand" if plants else "")


def _middle(book: Book, work: BlockWork) -> tuple[float, float]:
    """Latitude and longitude of a spot inside the block."""
    spot = work.shape.representative_point()
    lon, lat = book.plan.grid.lonlat(spot.x, spot.y)
    return lat, lon
