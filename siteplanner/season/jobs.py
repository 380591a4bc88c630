"""Jobs: the dated list of what is done where, from the first fence to the last guard taken off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.grid import Grid
from siteplanner.ground.cold.frost_dates import FrostDates
from siteplanner.reading.kept_blocks import IN_THE_GROUND
from siteplanner.season.cultivation import CLAYS, CONSENT, months_before
from siteplanner.season.direct_seeding import JOB as SEEDING_JOB
from siteplanner.season.direct_seeding import Seeding
from siteplanner.season.plantings import Calendar
from siteplanner.season.upkeep import CLEARING, Planted, fence_words, upkeep_of
from siteplanner.site.planting import WorkRates
from siteplanner.site.upkeep import Upkeep

_DEFAULTS = Upkeep()
COLUMNS = ("year", "month", "place", "job", "quantity", "unit", "note")


class _List:
    """Jobs as they are found; ``order`` tells which of a month comes first."""

    def __init__(self) -> None:
        self.rows: list[tuple[Any, ...]] = []

    def add(
        self, month: int, order: int, place: str, job: str, quantity: float, unit: str, note: str
    ) -> None:
        """Add a job; ``month`` counts the months of all years."""
        quantity = round(quantity, 2 if unit == "ha" else 1)
        self.rows.append((month // 12, month % 12 + 1, order, place, job, quantity, unit, note))

    def frame(self) -> pd.DataFrame:
        """All jobs in order of time."""
        names = ["year", "month", "order", "place", "job", "quantity", "unit", "note"]
        frame = pd.DataFrame(self.rows, columns=names)
        by = ["year", "month", "order", "place"]
        return frame.sort_values(by, kind="stable", ignore_index=True)[list(COLUMNS)]


def jobs_of(
    blocks: pd.DataFrame,
    paddocks: pd.DataFrame,
    calendar: Calendar,
    infill: Mapping[tuple[str, int], int],
    rates: WorkRates,
    seedings: Sequence[Seeding] = (),
    rules: Upkeep = _DEFAULTS,
) -> pd.DataFrame:
    """Write the dated list, ``COLUMNS``: access and fences, ripping, weeds, planting, checks.

    ``blocks`` are as in :class:`~siteplanner.season.works.Works`, with their ``status`` and, for
    those that are cultivated, ``how, mounds, texture``; ``infill`` the deaths expected of what
    each block was planted with in each year; ``rules`` say who browses and how spots are cleared.
    """
    jobs = _List()
    planned = blocks.assign(window_number=calendar.of_block)
    planned = planned[(planned["year"] > 0) & (planned["status"] != IN_THE_GROUND)]
    for paddock in paddocks.itertuples():
        mine = planned[planned["paddock"] == paddock.paddock]
        begins = [*map(calendar.month, mine["window_number"], mine["year"])]
        begins += [(s.year, s.month) for s in seedings if s.paddock == paddock.paddock]
        if begins and paddock.fence_m:
            note = (
                f"{paddock.gates} gate; before any tree is planted; {fence_words(rules)}; have "
                "buried services located first"
            )
            jobs.add(
                _month(min(begins)) - 4, 0, paddock.paddock, "access and fence", paddock.fence_m,
                "m", note,
            )  # fmt: skip
    for one in seedings:
        at = _month((one.year, one.month))
        jobs.add(at, 3, one.block, SEEDING_JOB, one.area_ha, "ha", one.note)
    for block in planned.itertuples():
        _cultivate(jobs, block, calendar)
        soon, late = block.trees - block.trees_later, block.trees_later
        for year, trees in ((block.year, soon), (block.later, late)):
            if year and trees:
                _plant(jobs, block, year, trees, calendar, infill, rates, rules.weeds)
    return jobs.frame()


def _month(when: tuple[int, int]) -> int:
    """Count the months of all years up to a year's month."""
    return when[0] * 12 + when[1] - 1


def _cultivate(jobs: _List, block: Any, calendar: Calendar) -> None:
    """Date a block's ripping or mounding before its window opens."""
    if block.how not in ("rip", "mound"):
        return
    opens = _month(calendar.month(block.window_number, block.year))
    window = calendar.windows[block.window_number]
    clay = block.texture in CLAYS
    at = opens - months_before(block.how, clay, window, calendar.moisture)
    unsure = "" if calendar.moisture else "; no climate is given: look whether it is dry enough"
    if block.how == "rip":
        note = "along the contour, when the soil crumbles and does not smear"
        note += "; have buried services located first"
        jobs.add(at, 1, block.block, "rip", block.rip_m, "m", note + unsure)
    else:
        note = f"a mound a tree, when the ground is driest; {CONSENT}"
        jobs.add(at, 1, block.block, "mound", block.mounds, "mounds", note + unsure)


def _plant(
    jobs: _List,
    block: Any,
    year: int,
    trees: int,
    calendar: Calendar,
    infill: Mapping[tuple[str, int], int],
    rates: WorkRates,
    weeds: str,
) -> None:
    """Date what is done for the trees of a block that go in in a year, and what comes of them."""
    share = trees / block.trees
    opens = _month(calendar.month(block.window_number, year))
    jobs.add(
        opens - int(np.ceil(rates.weed_weeks / 4.345)), 2, block.block, "weed control",
        block.weed_m2 * share, "m²", CLEARING[weeds],
    )  # fmt: skip
    note = f"{block.window}; {block.access_class}"
    jobs.add(opens, 3, block.block, "plant", trees, "trees", note)
    note = "against browsing animals, the same day"
    jobs.add(opens, 4, block.block, "guard", block.guards * share, "guards", note)
    for after in (1, 10):
        # Florabank: check at 1 month, count again at 10 months.
        note = f"{after} month{'s' * (after > 1)} after planting"
        jobs.add(opens + after, 5, block.block, "count what lives", trees, "trees", note)
    if dead := infill.get((block.block, year), 0):
        jobs.add(
            _month(calendar.month(block.window_number, year + 1)), 6, block.block, "plant infill",
            dead, "trees",
            "as many as were expected to die: plant what the survival count asks for",
        )  # fmt: skip


def upkeep_jobs(
    blocks: pd.DataFrame,
    growth_m: Mapping[tuple[str, int], NDArray[np.float64]],
    calendar: Calendar,
    frost: Mapping[str, FrostDates],
    rules: Upkeep,
    grid: Grid,
) -> pd.DataFrame:
    """Write the jobs that repeat after planting, ``COLUMNS``, in order of time.

    ``blocks`` as for :func:`jobs_of`; ``growth_m`` is what each tree planted on a block in a year
    grows in a year; ``frost`` has the start of growth of each zone.
    """
    jobs = _List()
    planned = blocks.assign(window_number=calendar.of_block)
    planned = planned[(planned["year"] > 0) & (planned["status"] != IN_THE_GROUND)]
    for block in planned.itertuples():
        dates = frost.get(block.zone)
        start = _growth_month(dates.growth if dates else np.nan, grid.centre_lonlat[1])
        for year in dict.fromkeys((block.year, block.later)):
            grows = growth_m.get((block.block, year))
            if not year or grows is None:
                continue
            share = len(grows) / block.trees
            opens = _month(calendar.month(block.window_number, year))
            planted = Planted(
                str(block.block), opens, grows, block.weed_m2 * share, block.guards * share,
                block.stakes * share, start,
            )  # fmt: skip
            for month, place, job, quantity, unit, note in upkeep_of(planted, rules):
                jobs.add(month, 7, place, job, quantity, unit, note)
    return jobs.frame()


def _growth_month(day: float, latitude: float) -> int:
    """Month in which growth starts: by the frost dates, else the first of spring by the sun.

    >>> _growth_month(float("nan"), -42.0), _growth_month(132.0, 57.5)
    (9, 5)
    """
    if not np.isfinite(day):
        return 3 if latitude >= 0 else 9
    date = np.datetime64("2023-01-01") + np.timedelta64(int(day) - 1, "D")
    return int(date.astype("datetime64[M]").astype(int) % 12) + 1


def in_order(*frames: pd.DataFrame) -> pd.DataFrame:
    """Put lists of jobs together, in order of time."""
    whole = pd.concat(frames, ignore_index=True)
    return whole.sort_values(["year", "month"], kind="stable", ignore_index=True)
