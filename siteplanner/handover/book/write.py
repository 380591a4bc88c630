"""``sheets.pdf``, the book; ``sheets/<block>.pdf``, a block by itself; run sheets and row tags."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from reportlab.lib.units import mm

from siteplanner.base.text import unique_slugs
from siteplanner.handover.block_work import BlockWork, block_works
from siteplanner.handover.book.block_map import Book, book_of
from siteplanner.handover.book.days import days_of
from siteplanner.handover.book.front import front_pages, overview_page
from siteplanner.handover.book.leaf import Band, band_of, leaves_of
from siteplanner.handover.book.run_sheet import run_sheets
from siteplanner.handover.book.tags import write_row_tags
from siteplanner.handover.credits import map_credit
from siteplanner.handover.paper.pages import A3, A4, LEAST_TEXT, MARGIN, Page, Pen
from siteplanner.handover.paper.tagged import TaggedCanvas
from siteplanner.handover.paper.text import fonts
from siteplanner.plan import Plan

Named = tuple[str, Page]


def write_sheets(plan: Plan, path: Path) -> None:
    """Write the book alone, see :func:`write_book`."""
    fonts()
    works = block_works(plan)
    book = book_of(plan, works)
    _write_book(book, _bands(book, works), path)


def write_book(plan: Plan, folder: Path) -> None:
    """Write ``sheets.pdf``, the book, ``run_sheets.pdf``, ``sheets/<block>.pdf``, ``row_tags.pdf``.

    Beside the blocks ``sheets`` has an overview. The book has front pages and a leaf a block, or
    for some small ones, all on A4, to be printed on both sides. Run sheets, one for each day of a
    crew, are cut out, so they are printed on one side and stand in a file of their own. A block by
    itself has its map as large as a side has room for, on A3 where the site file asks for it.
    Where species are planted at random from buckets there are no tags. The same plan gives the
    same bytes.
    """
    fonts()
    works = block_works(plan)
    book = book_of(plan, works)
    bands = _bands(book, works)
    _write_book(book, bands, folder / "sheets.pdf")
    if not works:
        return
    _write_run_sheets(book, works, folder / "run_sheets.pdf")
    leaves = folder / "sheets"
    leaves.mkdir(exist_ok=True)
    first, *names = unique_slugs(["overview", *(w.block for w in works)])
    canvas = TaggedCanvas(leaves / f"{first}.pdf", f"{plan.name}: where the blocks are")
    _draw(canvas, [("Overview", overview_page(book))], plan)
    paper = _leaf_paper(plan)
    alone = bands if paper == A4 else [band_of(book, work, paper) for work in works]
    for name, band in zip(names, alone, strict=True):
        _write_leaf(book, band, leaves / f"{name}.pdf")
    del bands, band  # a large plan's fill memory, and the tags need some
    if not book.mixed:
        write_row_tags(book, works, folder / "row_tags.pdf")


def _bands(book: Book, works: Sequence[BlockWork]) -> list[Band]:
    """Work out what each block needs on its leaf, in the book or by itself."""
    return [band_of(book, work) for work in works]


def _write_book(book: Book, bands: Sequence[Band], path: Path) -> None:
    works = [band.work for band in bands]
    canvas = TaggedCanvas(path, f"Planting sheets for {book.plan.name}")
    leaves = leaves_of(book, bands, shared=True)

    def page_of(front: int) -> list[int]:
        """Page of each block behind so many front pages, to which a blank one may come."""
        found: dict[str, int] = {}
        number = front + front % 2 + 1
        for leaf in leaves:
            found |= dict.fromkeys(leaf.blocks, number)
            number += len(leaf.sides)
        return [found[work.block] for work in works]

    front = front_pages(book, works, page_of)
    pages: list[Named] = [("Front page", page) for page in front]
    if leaves and len(front) % 2:
        pages.append(("Front page", Page(A4, _blank)))
    for leaf in leaves:
        pages += [(f"Block {', '.join(leaf.blocks)}", page) for page in leaf.sides]
    _draw(canvas, pages, book.plan)


def _write_run_sheets(book: Book, works: Sequence[BlockWork], path: Path) -> None:
    canvas = TaggedCanvas(path, f"Run sheets for {book.plan.name}")
    pages = run_sheets(Pen(canvas, *A4), book, days_of(book.plan, works))
    _draw(canvas, [("Run sheets", page) for page in pages], book.plan)


def _write_leaf(book: Book, band: Band, path: Path) -> None:
    block = band.work.block
    canvas = TaggedCanvas(path, f"{book.plan.name}: block {block}")
    (leaf,) = leaves_of(book, [band], shared=False)
    _draw(canvas, [(f"Block {block}", page) for page in leaf.sides], book.plan)


def _leaf_paper(plan: Plan) -> tuple[float, float]:
    """Paper of a block by itself: A4, or A3 where the site file asks for it."""
    asked = plan.settings.get("sheets")
    return A3 if isinstance(asked, dict) and asked.get("leaves") == "A3" else A4


def _draw(canvas: TaggedCanvas, pages: Sequence[Named], plan: Plan) -> None:
    last = ""
    for number, (name, page) in enumerate(pages, 1):
        wide, high = page.size
        canvas.setPageSize((wide * mm, high * mm))
        pen = Pen(canvas, wide, high)
        if name != last:
            canvas.bookmark(name)
            last = name
        page.draw(pen)
        with canvas.artifact():
            _foot(pen, number, len(pages), map_credit(plan.sources))
        canvas.showPage()
    canvas.save()


def _foot(pen: Pen, number: int, of: int, credit: str) -> None:
    said = "Estimates: walk the ground first. Local codes and owners of lines and pipes decide."
    y = pen.high - MARGIN + 2
    pen.text(MARGIN, y, said, LEAST_TEXT)
    pen.text(MARGIN, y + 3.2, credit, LEAST_TEXT, limit=pen.wide - 2 * MARGIN)
    pen.text(pen.wide - MARGIN, y, f"page {number} of {of}", LEAST_TEXT, align="right")


def _blank(pen: Pen) -> None:
    pen.text(MARGIN, MARGIN + 4, "Notes", 11, bold=True)
