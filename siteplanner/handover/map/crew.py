"""What a crew needs of the map: how a block starts and runs, its drop points, its dated jobs. Pure.

The words are those of the planting sheets, so that phone and paper say the same.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np

from siteplanner.base.results.memory import Call, afresh
from siteplanner.handover.block_work import BlockWork, block_works
from siteplanner.handover.book.block_map import Book, book_of
from siteplanner.handover.book.facts import facts_of
from siteplanner.handover.book.rows import drop_words
from siteplanner.handover.fieldwork import letters
from siteplanner.handover.map.ground import minus, number
from siteplanner.plan import Plan


def crews(plan: Plan, call: Call = afresh) -> tuple[dict[str, dict[str, Any]], list[str]]:
    """Give what a crew is told of each block with trees, by its name, and all cautions.

    ``said`` are the sheet's sentences on where it starts and how its rows run, ``careful`` indices
    into the cautions, ``drops`` the drop points as [letter, place of its row among the block's,
    words], ``ordered`` whether a row's species stand in an order that can be said. What is dear
    goes through ``call``.
    """
    works = block_works(plan, call)
    if not works:
        return {}, []
    book = book_of(plan, works)
    cautions: dict[str, int] = {}
    found = {}
    for work in works:
        careful = [cautions.setdefault(words, len(cautions)) for words in book.cares[work.block]]
        found[work.block] = _of_block(book, work) | {"careful": careful}
    return found, [minus(words) for words in cautions]


def _of_block(book: Book, work: BlockWork) -> dict[str, Any]:
    return {
        "said": [minus(words) for words in facts_of(book, work)[2:]],
        "ordered": work.in_order and not book.mixed,
        "drops": [
            [letter, drop.at, drop_words(work, letter, drop)]
            for letter, drop in zip(letters(len(work.drops)), work.drops, strict=True)
        ],
    }


def jobs(plan: Plan) -> dict[str, Any]:
    """Give the plan's dated jobs, month by month: the calendar of ``works.csv``.

    ``months`` lists [year, month, jobs], in order of time; a job is [index into ``kinds``, its
    places as [place, quantity, …]]; a kind is [job, unit, note]; a place is the name of a block or
    paddock. Years count from 1 where the plan has no dates.
    """
    kinds: dict[tuple[str, str, str], int] = {}
    months: dict[tuple[int, int], dict[int, list[Any]]] = defaultdict(lambda: defaultdict(list))
    for row in plan.works.jobs.itertuples():
        kind = kinds.setdefault((str(row.job), str(row.unit), str(row.note)), len(kinds))
        digits = 2 if row.unit == "ha" else 0 if row.quantity >= 10 else 1
        place = [str(row.place), number(row.quantity, digits)]
        months[int(row.year), int(row.month)][kind] += place
    dated = bool(np.all([year > 1900 for year, _ in months])) if months else True
    return {
        "dated": dated,
        "kinds": [list(kind) for kind in kinds],
        "months": [
            [year, month, [[kind, places] for kind, places in mine.items()]]
            for (year, month), mine in months.items()
        ],
    }
