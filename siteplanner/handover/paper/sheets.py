"""``sheets.pdf``: planting sheets and run sheets, a few pages a block, after a front page."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from siteplanner.base.bearings import convergence
from siteplanner.base.text import uncommanded
from siteplanner.base.units import area_number, area_words
from siteplanner.handover.block_work import BlockWork, block_works
from siteplanner.handover.cautions import cautions_of
from siteplanner.handover.credits import credit_lines, map_credit
from siteplanner.handover.fieldwork import (
    BUCKET,
    PACE_M,
    TREES_A_DROP,
)
from siteplanner.handover.paper.block import (
    BELOW_HEAD,
    PITCH,
    Book,
    head,
    map_page,
    overview_form,
    row_pages,
)
from siteplanner.handover.paper.block_map import draw_overview
from siteplanner.handover.paper.day import day_pages
from siteplanner.handover.paper.drawing import Drawing
from siteplanner.handover.paper.frame import frame_for
from siteplanner.handover.paper.key import draw_key, key_height
from siteplanner.handover.paper.packed import PackedCanvas
from siteplanner.handover.paper.pages import (
    A4,
    MARGIN,
    Column,
    Page,
    Pen,
    draw_flowed,
    flowed,
    section,
    table,
)
from siteplanner.handover.paper.signs import SIGNS, draw_signs, signs
from siteplanner.handover.paper.text import fonts
from siteplanner.handover.paper.thermometers import thermometer_lines
from siteplanner.plan import Plan

_BLOCKS_A_PAGE = 54
_SPECIES_IN_FRONT = 30
_SIZE = 7.2
_FRONT = 28.0  # mm of the front page above its table
_HOW = (
    "Each block has a map, a table of its rows and a run sheet. Print at 100 %, one-sided; check "
    "the scale bar with a ruler. Some large blocks are on A3. On a reduced copy the scale bar is "
    "still right, but the scale is not.",
    "Find the block on the small overview map. Peg both ends of a few rows first: row 1 starts "
    "at the arrow on the map. Walk on the bearing; correct a compass for today's declination.",
    "Distances on the map are horizontal. On a slope the tape lies along the ground, so the "
    "table of rows gives a tape distance for each row. A handheld is off by several metres: use "
    "it to find the block, then the peg, the bearing and the tape to find the tree.",
    f"A pace is taken as {PACE_M} m (from memory). Check yours: walk along 30 m of tape; this "
    "pace takes 40 steps.",
    f"A drop point serves about {TREES_A_DROP} trees; a bucket holds {BUCKET} (common practice, "
    "no source). Keep waiting plants in the shade and their roots wet.",
    "Each species has a sign of its own shape, so that black-and-white prints work. After "
    f"{len(SIGNS)} species the shapes repeat: then use the code in the table of rows.",
    "Numbers are trees to plant now. Plants ordered for infill are not included.",
)


def write_sheets(plan: Plan, path: Path) -> None:
    """Write the front page, the list of blocks, and the sheets of every block with trees.

    A block's map is on A4, or A3 where its trees would be too close to read. The same plan
    gives the same bytes.
    """
    fonts()
    work = block_works(plan)
    total = np.sum([w.trees for w in work], axis=0) if work else np.zeros(len(plan.species), int)
    works = {row.block: row for row in plan.works.blocks.itertuples()}
    book = Book(plan, signs(total), list(plan.species["code"]), convergence(plan.grid), works)
    pages = _pages(book, work, total)
    canvas = PackedCanvas(
        str(path), pagesize=(A4[0] * mm, A4[1] * mm), invariant=1, pageCompression=1
    )
    canvas.setTitle(uncommanded(f"Planting sheets for {plan.name}"))
    canvas.setAuthor("siteplanner")
    overview_form(Pen(canvas, *A4), plan)
    for number, (name, page) in enumerate(pages, 1):
        wide, high = page.size
        canvas.setPageSize((wide * mm, high * mm))
        pen = Pen(canvas, wide, high)
        if name and (number == 1 or pages[number - 2][0] != name):
            canvas.bookmarkPage(f"block{number}")
            canvas.addOutlineEntry(uncommanded(name), f"block{number}", 0)
        page.draw(pen)
        _foot(pen, number, len(pages), map_credit(plan.sources))
        canvas.showPage()
    canvas.save()


def _pages(book: Book, work: list[BlockWork], total: np.ndarray) -> list[tuple[str, Page]]:
    """Every page with the name of what it belongs to."""
    plan = book.plan
    of_block = [_pages_of_block(book, w, cautions_of(plan, w)) for w in work]
    sections = {
        "How to read a sheet": _HOW,
        "Be careful": plan.cautions,
        "Where one more thermometer helps most": thermometer_lines(plan),
        "Please read": plan.warnings,
        "Where the data are from": credit_lines(plan.sources),
    }
    story = [part for name, said in sections.items() if said for part in section(name, said, _SIZE)]
    kinds = min(int((total > 0).sum()), _SPECIES_IN_FRONT + 1)
    top = _FRONT + (kinds + 2) * PITCH
    front, *more = flowed(story, A4, top, BELOW_HEAD)
    lists = max(1, -(-len(work) // _BLOCKS_A_PAGE))
    number = 3 + len(more) + lists
    entries = []
    for w, pages in zip(work, of_block, strict=True):
        entries.append([w.block, w.zone, w.paddock, area_number(w.area_ha), str(len(w.number)),
                        str(int(w.trees.sum())), str(number)])  # fmt: skip
        number += len(pages)
    out = [
        (
            "Front page",
            Page(A4, partial(_draw_front, book=book, work=work, total=total, parts=front)),
        ),
        *(
            ("Front page", Page(A4, partial(_draw_more_front, book=book, parts=rest)))
            for rest in more
        ),
        ("Overview", Page(A4[::-1], partial(_draw_overview_page, book=book))),
    ]
    for at in range(lists):
        part = entries[at * _BLOCKS_A_PAGE : (at + 1) * _BLOCKS_A_PAGE]
        out.append(("Blocks", Page(A4, partial(_draw_list, book=book, entries=part))))
    for w, pages in zip(work, of_block, strict=True):
        out += [(f"Block {w.block}", page) for page in pages]
    return out


def _pages_of_block(book: Book, work: BlockWork, cautions: Sequence[str]) -> list[Page]:
    first = map_page(book, work, cautions)
    return [first, *row_pages(book, work), *day_pages(book, work, cautions)]


def _foot(pen: Pen, number: int, of: int, credit: str) -> None:
    words = "Estimates: walk the ground first. Local codes and owners of lines and pipes decide."
    pen.text(MARGIN, pen.high - MARGIN + 2, f"{words} {credit}".rstrip(), 6)
    pen.text(pen.wide - MARGIN, pen.high - MARGIN + 2, f"page {number} of {of}", 7, align="right")


def _draw_front(
    pen: Pen, *, book: Book, work: list[BlockWork], total: np.ndarray, parts: list[Flowable]
) -> None:
    plan, wide = book.plan, pen.wide - 2 * MARGIN
    y = pen.heading(MARGIN, MARGIN, wide, f"{plan.name}: planting sheets", 16) + 1
    area = sum(w.area_ha for w in work)
    said = (
        f"{int(total.sum()):,} trees of {int((total > 0).sum())} species in {len(work)} blocks, "
        f"{area_words(area)} on the map."
    )
    y = pen.paragraph(MARGIN, y, wide, said, 10) + 1
    columns = [
        Column("Sign", 10, "centre"),
        Column("Code", 14, "left"),
        Column("Botanical name", 58, "left"),
        Column("Common name", 48, "left"),
        Column("Trees", 20),
    ]
    here = [int(k) for k in np.argsort(-total, kind="stable") if total[k]]
    facts = plan.species
    shown = here[:_SPECIES_IN_FRONT]
    rows = [
        ["", book.codes[k], str(facts["botanical_name"].iloc[k]),
         str(facts["common_name"].iloc[k]), f"{total[k]:,}"]
        for k in shown
    ]  # fmt: skip
    if len(here) > len(shown):
        rest = here[len(shown) :]
        words = f"and {len(rest)} more, in plan.xlsx"
        rows.append(["", "", words, "", f"{int(total[rest].sum()):,}"])
    rows.append(["", "", "All", "", f"{int(total.sum()):,}"])
    for at, k in enumerate(shown):
        place = pen.at(MARGIN + 5, y + (at + 1.5) * PITCH)
        draw_signs(pen.canvas, book.signs[k], [place], 1.2 * mm)
    y = table(pen, MARGIN, y, columns, rows, size=7.5, pitch=PITCH, last_bold=True)
    draw_flowed(pen, y + 2, parts)


def _draw_more_front(pen: Pen, *, book: Book, parts: list[Flowable]) -> None:
    head(pen, book.plan, "Planting sheets: please read first")
    draw_flowed(pen, BELOW_HEAD, parts)


def _draw_overview_page(pen: Pen, *, book: Book) -> None:
    top = head(pen, book.plan, "Where the blocks are")
    wide = pen.wide - 2 * MARGIN
    foot = pen.bottom - key_height(book.plan, wide) - 1.5
    frame = frame_for(book.plan.boundary.total_bounds, MARGIN, top, wide, foot - top)
    draw_overview(pen, frame, book.plan, names=True)
    drawing = Drawing(pen, frame)
    drawing.scale_bar()
    drawing.north(book.to_true)
    draw_key(pen, MARGIN, foot + 2, wide, book.plan)


def _draw_list(pen: Pen, *, book: Book, entries: list[list[str]]) -> None:
    y = head(pen, book.plan, "List of blocks")
    columns = [
        Column("Block", 16, "left"),
        Column("Zone", 14, "left"),
        Column("Paddock", 70, "left"),
        Column("ha", 20),
        Column("Rows", 20),
        Column("Trees", 24),
        Column("Page", 18),
    ]
    if entries:
        table(pen, MARGIN, y, columns, entries, size=7.5, pitch=PITCH)
    else:
        pen.text(MARGIN, y + 6, "The plan has no trees, so there are no block sheets.", 9)
