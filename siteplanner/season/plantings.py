"""Plantings: which trees go into the ground in which window of which year, and the infill after.

One calendar for works and nursery: a block has a window, a window has dates in a year, and both
the jobs on the block and the batches raised for it go by these.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.ground.cold.frost_dates import FrostDates
from siteplanner.ground.sun.evapotranspiration import reference_evapotranspiration
from siteplanner.planting.counts import split
from siteplanner.reading.inputs import Inputs
from siteplanner.season.windows import (
    SHORTEST_DAYS,
    Moisture,
    Window,
    moisture_of,
    window_for,
    window_without_climate,
)
from siteplanner.site.site_file import Site

#: Kinds of ground that have a window of their own; the first that a block has counts.
KINDS = ("frosty", "wet", "dry", "any")
#: What the columns of a planting hold.
COLUMNS = (
    "species", "window", "year", "infill", "plants", "plant_from", "plant_until",
)  # fmt: skip


@dataclass(frozen=True)
class Calendar:
    """When blocks may be planted.

    ``windows`` are the plan's distinct windows, in the order of the year; ``of_block`` the place
    in it of each planted block's window. ``first`` is the first year, None where nothing is
    dated; before the day ``not_before`` nothing is planted. ``moisture`` is the ground's over a
    year, None where no climate is given.
    """

    windows: tuple[Window, ...]
    of_block: NDArray[np.int64]
    first: int | None
    not_before: date | None
    moisture: Moisture | None = None

    def dates(self, window: int, year: int) -> tuple[date, date] | None:
        """First and last day of a window in a year; None where years have no numbers."""
        if self.first is None:
            return None
        start, end = self.windows[window].dates(year)
        if self.not_before is not None and start < self.not_before <= end:
            start = self.not_before
        return start, end

    def month(self, window: int, year: int) -> tuple[int, int]:
        """Year and month in which a window opens; the month alone counts without dates."""
        days = self.dates(window, year)
        if days is None:
            return year, self.windows[window].dates(2023)[0].month
        return days[0].year, days[0].month

    def earliest(self) -> NDArray[np.int64]:
        """How many years each block's planting comes later at least: its window may be over."""
        if self.first is None or self.not_before is None:
            return np.zeros(len(self.of_block), dtype=np.int64)
        late = [
            window.dates(self.first)[1] - timedelta(days=SHORTEST_DAYS - 1) < self.not_before
            for window in self.windows
        ]
        return np.array(late, dtype=np.int64)[self.of_block]

    def letter(self, window: int) -> str:
        """Short name of a window, which hangs on no year: A, B and so on."""
        return chr(ord("A") + window) if window < 26 else f"A{window}"


def calendar_of(
    blocks: gpd.GeoDataFrame,
    marks: Sequence[frozenset[str]],
    frost: Mapping[str, FrostDates],
    inputs: Inputs,
    site: Site,
) -> Calendar:
    """Choose each planted block's window from its ``zone``'s frost, its marks and the climate."""
    climate = inputs.climate
    latitude = inputs.grid.centre_lonlat[1]
    weeks = site.nursery.planting_weeks
    moisture = None
    if not np.isfinite(climate.rain_mm).all():
        chosen = [window_without_climate(latitude, weeks)] * len(blocks)
    else:
        moisture = moisture_of(
            climate.rain_mm,
            reference_evapotranspiration(climate, latitude),
            (climate.tmin_c + climate.tmax_c) / 2,
        )
        chosen = [
            window_for(
                next(kind for kind in KINDS if kind in mark),
                moisture,
                frost.get(zone),
                rooting_weeks=site.work.rooting_weeks,
                weeks=weeks,
            )
            for zone, mark in zip(blocks["zone"], marks, strict=True)
        ]
    windows = tuple(sorted(set(chosen), key=lambda w: (w.first, w.last, w.words)))
    plant_on = site.nursery.plant_on
    day = plant_on if isinstance(plant_on, date) else None
    year = site.nursery.first_year or site.years.first
    of_block = np.array([windows.index(w) for w in chosen], dtype=np.int64)
    return Calendar(windows, of_block, year, day, moisture)


def plantings_of(
    trees: pd.DataFrame, calendar: Calendar, facts: pd.DataFrame, rooms: NDArray[np.int64]
) -> pd.DataFrame:
    """Plants to raise, by species, window and year, ``COLUMNS``; infill comes the year after.

    ``trees`` has ``species``, ``survival`` and ``year`` (0: later than planned, not raised yet),
    ``rooms`` the place of each tree's block among the planted ones. The infill is what is
    expected to die (see ``planting.counts.ordered``): it is a first guess until survival has
    been counted.
    """
    windowed = trees[["species", "survival", "year"]].assign(window=calendar.of_block[rooms])
    counts = split(windowed, ["species", "window", "year"], facts)
    counts = counts[counts["year"] > 0]
    rows = []
    for one in counts.itertuples():
        for infill, plants in ((False, one.trees), (True, one.infill)):
            year = one.year + infill
            days = calendar.dates(one.window, year) or (None, None)
            if plants:
                rows.append((one.species, one.window, year, infill, int(plants), *days))
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype(
        {"plant_from": object, "plant_until": object}
    )


def notes_on_windows(blocks: gpd.GeoDataFrame, calendar: Calendar) -> list[str]:
    """Say which zones no window fits, and why."""
    said = []
    for number, window in enumerate(calendar.windows):
        if window.fits:
            continue
        zones = ", ".join(dict.fromkeys(blocks["zone"][calendar.of_block == number]))
        said.append(
            f"Zone {zones}: no time of the year suits planting, because {window.why_not}. The "
            "dates given are the least bad ones: water the trees through their first dry season, "
            "or choose species there whose seedlings stand the frost and plant them earlier."
        )
    return said
