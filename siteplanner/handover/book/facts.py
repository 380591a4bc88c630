"""What a block's sheet says beside its map. Pure; draws nothing."""

from __future__ import annotations

import re

import numpy as np

from siteplanner.base.text import count
from siteplanner.base.units import area_words
from siteplanner.handover.block_work import BlockWork, row_spacing_slope_distance
from siteplanner.handover.book.block_map import Book
from siteplanner.handover.fieldwork import PACE_M, paces, start_of
from siteplanner.handover.finding import nearest_landmark
from siteplanner.planting.access import VOLUNTEERS


def title_of(book: Book, work: BlockWork) -> str:
    """What a block is, where, and who alone may enter where volunteers must not."""
    who = str(book.works[work.block].access_class)
    only = "" if who == VOLUNTEERS else f": {who}"
    return f"Block {work.block}, {work.paddock}{only}"


def facts_of(book: Book, work: BlockWork) -> list[str]:
    """Sentences on a block, what it is first, then when, where it starts, how rows run."""
    rows = len(work.name) - sum(not name.isdigit() for name in work.name)
    return [
        f"Zone {work.zone}: {work.title}. {area_words(work.area_ha)} on the map, "
        f"{count(int(work.trees.sum()), 'tree')} in {count(rows, 'row')} ({work.pattern}).",
        *when_and_who(book, work),
        start_words(book, work),
        rows_words(book, work),
        spacing_words(book, work),
    ]


def care_short(book: Book, work: BlockWork) -> str:
    """Name what to be careful of in a block; the whole sentences are on the back."""
    named = [re.split(r"[:(\d]", words)[0].strip().lower() for words in book.cares[work.block]]
    return f"Be careful (see behind): {', '.join(dict.fromkeys(named))}."


def when_and_who(book: Book, work: BlockWork) -> list[str]:
    """Who may plant the block, when, and which of its trees wait."""
    facts = book.works[work.block]
    year = f"year {facts.year}" if facts.year else "later than the years planned"
    said = f"Access: {facts.access_class}. Plant {facts.window}, {year}."
    if not facts.trees_later:
        return [said]
    kinds = np.bincount(work.species[work.year != facts.year], minlength=len(book.codes))
    mix = ", ".join(f"{book.codes[k]} {kinds[k]}" for k in np.flatnonzero(kinds))
    then = f"year {facts.later}" if facts.later else "a later year"
    return [
        said,
        f"{facts.trees_later} of the trees wait for nurse trees until {then} ({mix}). They are "
        "among the trees here: leave their places open.",
    ]


def both_bearings(book: Book, grid_bearing: float) -> str:
    """Say a bearing from true north and by compass; ``grid_bearing`` is from grid north."""
    true = (grid_bearing + book.to_true) % 360
    compass = (true - book.magnetic) % 360
    return f"{true:.0f}° true, {compass:.0f}° by compass"


def start_words(book: Book, work: BlockWork) -> str:
    """Say where the first peg is: from something that one can see, and on the grid."""
    peg = work.ends[0, 0]
    found = nearest_landmark(book.marks, peg)
    seen = ""
    if found is not None:
        mark, far, bearing = found
        seen = f"{far:.0f} m from {mark.words}, on {both_bearings(book, bearing)}; "
    return f"START, the first peg: {seen}{peg[0]:.0f} E {peg[1]:.0f} N."


def rows_words(book: Book, work: BlockWork) -> str:
    """Say at which end rows start, how their numbers rise and on what bearing they run."""
    start = start_of(work.shape, work.ends)
    way = both_bearings(book, work.mean_bearing)
    run = f"walk on {way}" if work.straight else f"they follow the contour, most on {way}"
    said = f"Rows start at their {start.end} end, numbers rise to the {start.rises}; {run}."
    parts = [name for name in work.name if not name.isdigit()]
    return f"{said} Past a gap a row goes on as {parts[0]}." if parts else said


def spacing_words(book: Book, work: BlockWork) -> str:
    """Say how far trees and rows are apart, on the map, on the tape and in paces."""
    if not work.even:
        return (
            f"Trees are not evenly spaced, mostly {work.spacing_m:.1f} m apart. Place them by "
            "this map, not by the tape."
        )
    up = row_spacing_slope_distance(book.plan, work)
    if not np.isfinite(work.row_spacing_m):
        between = "One line only"
    else:
        between = f"Rows {work.row_spacing_m:.2f} m apart on the map"
        between += f", about {up:.1f} m on the tape up the slope" if np.isfinite(up) else ""
    return (
        f"Trees {tape_words(work)} apart on the tape, {work.spacing_m:.2f} m on the map, "
        f"{paces(float(np.median(work.slope_distance_m))):g} paces of {PACE_M} m. {between}."
    )


def tape_varies(work: BlockWork) -> bool:
    """Whether rows differ so in their distance on the tape that each says its own."""
    return bool(np.ptp(work.slope_distance_m) >= 0.05)


def tape_words(work: BlockWork) -> str:
    """Distance from tree to tree on the tape, or its range."""
    low, high = work.slope_distance_m.min(), work.slope_distance_m.max()
    return f"{low:.2f} m" if high - low < 0.005 else f"{low:.2f} to {high:.2f} m"
