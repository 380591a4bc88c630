"""The front of the book: species, how to read it, safety, where the blocks are, the list."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, black
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from siteplanner.base.symbology.kinds import HOLLOW, KINDS, PADDOCK
from siteplanner.base.symbology.signs import SIGNS
from siteplanner.base.units import area_number, hectares, share_words
from siteplanner.handover.block_work import BlockWork
from siteplanner.handover.book.block_map import Book
from siteplanner.handover.contours import contour_lines
from siteplanner.handover.credits import credit_lines
from siteplanner.handover.fieldwork import BUCKET, PACE_M, TRAY
from siteplanner.handover.finding import CARRY_M
from siteplanner.handover.paper.drawing import Drawing
from siteplanner.handover.paper.frame import PaperFrame, frame_for
from siteplanner.handover.paper.key import draw_key, key_height
from siteplanner.handover.paper.pages import (
    A4,
    LEAST_TEXT,
    MARGIN,
    Column,
    Page,
    Pen,
    draw_flowed,
    flowed,
    section,
    table,
)
from siteplanner.handover.paper.signs import draw_signs
from siteplanner.handover.paper.thermometers import thermometer_lines

_PITCH, _LIST_PITCH = 4.2, 3.7
#: Sizes of the text in front, points: the largest that takes no more pages than the smallest.
_SIZES = (8.0, 7.2, LEAST_TEXT)
_BLOCKS_A_SIDE, _BESIDE = 130, 2
_SPECIES_IN_FRONT = 40
_TOP, _BELOW_HEAD, _FORM = 24.0, 17.0, 38.0
_HOW = (
    "Print on both sides at 100 % and check a scale bar with a ruler. Each block has its map in "
    "front and its rows behind; small blocks share a leaf. run_sheets.pdf has a run sheet for "
    "each day of a crew: print it on one side, cut them out and take them along.",
    "Maps are turned so that the block fills them: look at the arrows to north. Find START, the "
    "first peg, from the corner that the sheet names, by bearing and tape, or with a phone or "
    "handheld. Peg both ends of a few rows first.",
    "Distances on the map are horizontal. On a slope the tape lies along the ground, so sheets "
    "give distances on the tape. A handheld is off by several metres: use it to find the block, "
    "then the peg, the bearing and the tape to find the tree.",
    f"A pace is taken as {PACE_M} m (from memory). Check yours: walk along 30 m of tape; this "
    "pace takes 40 steps.",
    f"No row is more than {CARRY_M:.0f} m from its drop point, where a vehicle can come (common "
    f"practice, no source). A tray holds {TRAY} plants of one species. Keep waiting plants in the "
    "shade and their roots wet.",
    "Each species has a sign of its own shape, so that prints in black work. After "
    f"{len(SIGNS)} species the shapes repeat: then use the code.",
    f"On run sheets a number in brackets is trays, or, where crews plant at random, plants of the "
    f"species in a mixed bucket of {BUCKET}.",
    "Numbers are trees to plant now. Plants ordered for infill are not included.",
)
_STOP = (
    "Stop work and go to the meeting point if there is: lightning seen or thunder heard; wind "
    "that breaks branches or that you cannot stand in; smoke, or a fire-danger rating at which "
    "your rules stop work; water rising; heat or cold that people cannot work in safely.",
    "Do not plant into ground that is frozen, waterlogged or bone dry, or with bare roots in sun "
    "and wind.",
    "Only the buried services that were supplied are shown here. Have services located on site "
    "before any digging.",
    "These are common practice, no source. The rules of your employer and your region decide.",
)
_CALLS = (
    "Emergency", "Landholder", "Power network", "Buried services", "Nearest hospital",
    "First aider and kit", "Meeting point", "Phone works at",
)  # fmt: skip


def front_pages(
    book: Book, works: Sequence[BlockWork], listed: Callable[[int], Sequence[int]]
) -> list[Page]:
    """Make the front pages; ``listed`` gives the page of each block, for the list.

    It is called with the number of front pages, which come before the blocks.
    """
    plan = book.plan
    total = np.zeros(len(plan.species), dtype=np.int64)
    for work in works:
        total += work.trees
    sections = {
        "How to use the book": _HOW,
        "Weather that stops work, and buried services": _STOP,
        "Be careful": plan.cautions,
        "Species": _species_cautions(book, total),
        "Where one more thermometer helps most": thermometer_lines(plan),
        "Please read": plan.warnings,
        "Where the data are from": credit_lines(plan.sources),
    }
    kinds = min(int((total > 0).sum()), _SPECIES_IN_FRONT + 1)
    high = (-(-kinds // 2) + 2) * _PITCH
    first, *more = parted(sections, _TOP + high + _FORM)
    pages = [
        Page(A4, partial(_draw_front, book=book, works=works, total=total, parts=first)),
        *(Page(A4, partial(_draw_more, book=book, parts=rest)) for rest in more),
    ]
    # Where the overview would leave the back of its sheet empty, the list has a side of its own.
    beside = len(works) <= _beside_overview(book) and (len(pages) % 2 or not works)
    lists = [] if beside else range(0, len(works), _BLOCKS_A_SIDE)
    entries = [
        [w.block, w.paddock, area_number(w.area_ha), str(len(w.name)), str(int(w.trees.sum())),
         middle_of(book, w), str(page)]
        for w, page in zip(works, listed(len(pages) + 1 + len(lists)), strict=True)
    ]  # fmt: skip
    pages.append(overview_page(book, entries if beside else None))
    for at in lists:
        part = entries[at : at + _BLOCKS_A_SIDE]
        pages.append(Page(A4, partial(_draw_list, book=book, entries=part)))
    return pages


def parted(
    sections: Mapping[str, Sequence[str]], top: float, sizes: Sequence[float] = _SIZES
) -> list[list[Flowable]]:
    """Part what is said in front among as few pages as can be, ``top`` mm from the first's edge."""

    def pages(size: float) -> list[list[Flowable]]:
        told = [section(name, said, size) for name, said in sections.items() if said]
        return flowed([part for parts in told for part in parts], A4, top, _BELOW_HEAD)

    *larger, smallest = sizes
    least = pages(smallest)
    return next((found for found in map(pages, larger) if len(found) <= len(least)), least)


def _species_cautions(book: Book, total: NDArray[np.int64]) -> list[str]:
    """What the species table says to be careful of, once, with all species it is said of."""
    species = book.plan.species
    facts = species[(total > 0) & species["cautions"].map(bool).to_numpy()]
    said = facts.groupby("cautions", sort=False)["common_name"].agg(", ".join)
    stock = "Stock: blocks of which nothing else is said have no species that the species table "
    stock += "names as toxic to stock, but it may be incomplete. Ask."
    return [*(f"{names}: {caution}." for caution, names in said.items()), stock]


def _draw_front(
    pen: Pen,
    *,
    book: Book,
    works: Sequence[BlockWork],
    total: NDArray[np.int64],
    parts: list[Flowable],
) -> None:
    wide = pen.wide - 2 * MARGIN
    with pen.canvas.part("H1"):
        y = pen.heading(MARGIN, MARGIN, wide, f"{book.plan.name}: planting sheets", 14) + 1
    area, whole = sum(w.area_ha for w in works), hectares(book.plan.boundary.area.sum())
    said = (
        f"{int(total.sum()):,} trees of {int((total > 0).sum())} species in {len(works)} blocks; "
        f"{share_words(area, whole)} planted."
    )
    with pen.canvas.part("P"):
        pen.paragraph(MARGIN, y, wide, said, 9)
    with pen.canvas.part("P"):
        y = _species_table(pen, _TOP, book, total)
    with pen.canvas.part("P"):
        _calls(pen, y, wide)
    kinds = min(int((total > 0).sum()), _SPECIES_IN_FRONT + 1)
    with pen.canvas.part("P"):
        draw_flowed(pen, _TOP + (-(-kinds // 2) + 2) * _PITCH + _FORM, parts)


def _species_table(pen: Pen, y: float, book: Book, total: NDArray[np.int64]) -> float:
    """Draw the species in two tables side by side; give the y beneath them."""
    facts = book.plan.species
    here = [int(k) for k in np.argsort(-total, kind="stable") if total[k]]
    shown = here[:_SPECIES_IN_FRONT]
    rows = [
        [book.codes[k], str(facts["common_name"].iloc[k]),
         str(facts["botanical_name"].iloc[k]), f"{total[k]:,}"]
        for k in shown
    ]  # fmt: skip
    if rest := here[_SPECIES_IN_FRONT:]:
        rows.append(["", f"and {len(rest)} more", "in plan.xlsx", f"{total[rest].sum():,}"])
    half = max(-(-len(rows) // 2), 1)
    wide = (pen.wide - 2 * MARGIN) / 2
    columns = [
        Column("Code", 17, "right"), Column("Name", 31, "left"),
        Column("Botanical name", wide - 58.5, "left"), Column("Trees", 10.5),
    ]  # fmt: skip
    low = y
    for side in range(2):
        part = rows[side * half : (side + 1) * half]
        x = MARGIN + side * wide
        if part:
            low = max(low, table(pen, x, y, columns, part, size=LEAST_TEXT, pitch=_PITCH))
        for at, k in enumerate(shown[side * half : (side + 1) * half]):
            place = pen.at(x + 2.2, y + (at + 1.5) * _PITCH)
            draw_signs(pen.canvas, book.signs[k], [place], 1.2 * mm, book.colours[k])
    return low


def _calls(pen: Pen, y: float, wide: float) -> None:
    y = pen.heading(MARGIN, y + 1, wide, "Who to call, where to meet") - 1
    half = wide / 2 - 2
    for number, words in enumerate(_CALLS):
        left = MARGIN + (number % 2) * (half + 4)
        pen.blank(left, y + 5.5 + (number // 2) * 6, half, words)
    pen.blank(MARGIN, y + 29.5, wide, "Access for an ambulance (gate, track, who opens it)")


def _draw_more(pen: Pen, *, book: Book, parts: list[Flowable]) -> None:
    with pen.canvas.part("H1"):
        pen.heading(MARGIN, MARGIN - 2, pen.wide - 2 * MARGIN, "Please read first", 11)
    with pen.canvas.part("P"):
        draw_flowed(pen, _BELOW_HEAD, parts)


def middle_of(book: Book, work: BlockWork) -> str:
    """Latitude and longitude of a spot inside the block to 10 m or so, for an emergency call."""
    spot = work.shape.representative_point()
    lon, lat = book.plan.grid.lonlat(spot.x, spot.y)
    return f"{float(lat):.4f}, {float(lon):.4f}"


def overview_page(book: Book, entries: list[list[str]] | None = None) -> Page:
    """Make the page that shows where the blocks are, with their list beneath where it is given."""
    return Page(A4, partial(_draw_overview_page, book=book, entries=entries))


def _draw_overview_page(pen: Pen, *, book: Book, entries: list[list[str]] | None) -> None:
    wide = pen.wide - 2 * MARGIN
    with pen.canvas.part("H1"):
        top = pen.heading(MARGIN, MARGIN - 2, wide, "Where the blocks are", 11) + 1
    room = 0.0 if entries is None else _list_high(len(entries))
    frame = overview_frame(book, pen, top, room)
    with pen.canvas.part("Figure", "Map of the property with its blocks; north is up."):
        draw_overview(pen, frame, book)
    pen.canvas.place_map(pen, frame, book.plan.grid.crs, "Overview")
    if entries is not None:
        _draw_entries(pen, pen.bottom - room + 2, entries)


def _list_high(entries: int) -> float:
    return (-(-entries // _BESIDE) + 1) * _LIST_PITCH + 3


def _beside_overview(book: Book) -> int:
    """How many blocks are listed under the overview at the most: it stays 100 mm high."""
    return int((A4[1] - 160 - key_height(book.plan, A4[0] - 2 * MARGIN)) / _LIST_PITCH) * _BESIDE


def overview_frame(book: Book, pen: Pen, top: float, room: float = 0.0) -> PaperFrame:
    """Frame of the property on a page below ``top`` mm, with ``room`` mm left beneath."""
    wide = pen.wide - 2 * MARGIN
    foot = pen.bottom - key_height(book.plan, wide) - 17 - room
    return frame_for(book.plan.boundary.total_bounds, MARGIN, top, wide, foot - top, room=3.0)


def draw_overview(pen: Pen, frame: PaperFrame, book: Book) -> None:
    """Draw the whole property with its key: boundary, paddocks, features and blocks."""
    plan = book.plan
    drawing = Drawing(pen, frame)
    drawing.open()
    for block in plan.blocks.itertuples():
        drawing.shape(block.geometry, edge=black, fill=HexColor("#e4e4e4"), points=0.4)
    drawing.setbacks(book.around)
    for _, hollow in drawing.near(book.around.hollows):
        drawing.symbol(hollow, HOLLOW)
    drawing.features(book.around)
    heights, lines = contour_lines(plan.layers, plan.grid, frame.box, frame.scale)
    drawing.contours(lines)
    for paddock in plan.paddocks.itertuples():
        drawing.symbol(paddock.geometry, PADDOCK)
    for boundary in plan.boundary.geometry:
        drawing.symbol(boundary, KINDS["boundary"])
    for block in plan.blocks[plan.blocks["trees"] > 0].itertuples():
        drawing.name(block.geometry, str(block.block), 8, bold=True, must=True)
    for paddock in plan.paddocks.itertuples():
        drawing.name(paddock.geometry, str(paddock.name))
    drawing.feature_names(book.around)
    drawing.grid()
    for height, shape in zip(heights, lines, strict=True):
        drawing.along(shape, f"{height:g} m")
    drawing.close()
    below = frame.y + frame.high
    drawing.scale_bar(frame.x + 2, below + 5.5)
    drawing.norths(frame.x + frame.wide - 34, below + 5.6, book.to_true, book.magnetic)
    pen.text(frame.x + 100, below + 4.5, f"Magnetic north in {book.year}:", LEAST_TEXT)
    side = "east" if book.magnetic >= 0 else "west"
    said = f"{abs(book.magnetic):.1f}° {side} of true (WMM2025)"
    pen.text(frame.x + 100, below + 8.0, said, LEAST_TEXT)
    draw_key(pen, MARGIN, below + 16, pen.wide - 2 * MARGIN, plan)


def _draw_list(pen: Pen, *, book: Book, entries: list[list[str]]) -> None:
    wide = pen.wide - 2 * MARGIN
    with pen.canvas.part("H1"):
        y = pen.heading(MARGIN, MARGIN - 2, wide, "List of blocks", 11) + 1
    _draw_entries(pen, y, entries)


def _draw_entries(pen: Pen, y: float, entries: list[list[str]]) -> None:
    wide = pen.wide - 2 * MARGIN
    columns = [
        Column("Block", 11, "left"), Column("Paddock", 21, "left"), Column("ha", 8),
        Column("Rows", 9), Column("Trees", 9.5), Column("Help to", 26.5, "left"), Column("Page", 9),
    ]  # fmt: skip
    if not entries:
        with pen.canvas.part("P"):
            pen.text(MARGIN, y + 6, "The plan has no trees, so there are no block sheets.", 9)
        return
    half = -(-len(entries) // _BESIDE)
    for side in range(_BESIDE):
        part = entries[side * half : (side + 1) * half]
        if part:
            x = MARGIN + side * (wide / 2 + 0.5)
            with pen.canvas.part("P"):
                table(pen, x, y, columns, part, size=LEAST_TEXT, pitch=_LIST_PITCH)
