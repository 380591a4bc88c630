"""Frost where people meet it: odds and dates by zone, odds on every cell, a sentence a zone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.results.memory import Call, afresh
from siteplanner.ground.cold.frost_dates import (
    FrostDates,
    day_words,
    frost_dates,
    frost_dates_of_record,
    growth_starts,
    nights_of,
)
from siteplanner.reading.climate.station import Climate
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.season.frost_odds import (
    ground_places,
    odds_by_zone,
    odds_on_cells,
    odds_table,
    planted_places,
    station_minima,
)
from siteplanner.site.inputs import Frost
from siteplanner.suitability.frost_risk import one_in

#: A cold winter is one of so many.
COLD_WINTER = 5

DATE_COLUMNS = [
    "zone", "early_first_frost", "first_frost", "last_frost", "late_last_frost",
    "growth_starts", "late_frost_c", "late_frost_chance",
]  # fmt: skip


def colder_winter(climate: Climate, winters: int = COLD_WINTER) -> float:
    """How far the coldest night of one winter in so many lies under an average one's, °C."""
    station = station_minima(climate)
    return float(station.mean - station.once_in(winters))


def dates_by_zone(
    coldest: Mapping[str, tuple[float, float]], climate: Climate, asked: Frost
) -> tuple[pd.DataFrame, dict[str, FrostDates]]:
    """Frost dates of each zone, columns ``DATE_COLUMNS`` (dates in words), and as they are.

    None where the station's months or its winters are not known.
    """
    mean = float(climate.winter_minima.mean())
    if not np.isfinite([mean, *climate.tmin_c]).all():
        return pd.DataFrame(columns=DATE_COLUMNS), {}
    nights = nights_of(climate.night_minima, (climate.tmin_c + climate.tmax_c) / 2, mean)
    growth = growth_starts(nights)
    if asked.growth_starts is not None:
        growth = pd.Timestamp(f"2023-{asked.growth_starts}").day_of_year
    found, rows = {}, []
    for zone, (lowest, _) in coldest.items():
        if climate.daily_minima is not None:
            dates = frost_dates_of_record(
                climate.daily_minima, lowest - mean, late_c=asked.late_frost_c, growth_day=growth
            )
        else:
            dates = frost_dates(nights, lowest - mean, late_c=asked.late_frost_c, growth_day=growth)
        found[zone] = dates
        words = [
            day_words(d) for d in (dates.early, dates.first, dates.last, dates.late, dates.growth)
        ]
        rows.append((zone, *words, asked.late_frost_c, dates.late_chance))
    return pd.DataFrame(rows, columns=DATE_COLUMNS), found


def frost_sentences(
    dates: Mapping[str, FrostDates], chances: pd.DataFrame, names: Mapping[str, str], late_c: float
) -> dict[str, str]:
    """Say a zone's frost in two sentences: when, and which planted species is most at risk."""
    out = {}
    for zone, when in dates.items():
        if np.isfinite(when.first) and np.isfinite(when.last):
            text = (
                f"Frost from about {day_words(when.first)} to {day_words(when.last)} in an "
                f"average year"
            )
            if np.isfinite(when.late):
                text += f", until {day_words(when.late)} in one year in ten"
        else:
            text = "Frost in fewer than half of years"
        if np.isfinite(when.late_chance):
            text += (
                f"; {late_c:g} °C or colder after growth starts (about "
                f"{day_words(when.growth)}): {_springs(when.late_chance)}"
            )
        text += "."
        mine = chances[(chances["zone"] == zone) & (chances["trees"] > 0)]
        if len(mine):
            worst = mine.loc[mine["odds_high"].idxmax()]
            if mine["worst_high"].max() < 0.02:
                text += " No species planted here is at much risk from frost in winter."
            else:
                text += (
                    f" Most at risk as a seedling where it is planted: {names[worst['species']]} "
                    f"(killing frost: {worst['words']}"
                )
                if worst["worst_words"] != worst["words"]:
                    text += f"; worst tenth of its places: {worst['worst_words']}"
                text += ")."
        out[zone] = text
    return out


def _springs(chance: float) -> str:
    return one_in(chance).replace("winter", "spring")


def coldest_by_zone(
    zones: gpd.GeoDataFrame, winter_minimum: FloatGrid, winter_minimum_error: FloatGrid, grid: Grid
) -> dict[str, tuple[float, float]]:
    """Median winter minimum and error (°C) of each zone's cells."""
    of_cell = grid.number(zones.geometry)
    out = {}
    for number, zone in enumerate(zones["zone"], start=1):
        known = (
            (of_cell == number) & np.isfinite(winter_minimum) & np.isfinite(winter_minimum_error)
        )
        if known.any():
            out[str(zone)] = (
                float(np.median(winter_minimum[known])),
                float(np.median(winter_minimum_error[known])),
            )
    return out


@dataclass(frozen=True)
class FrostTold:
    """All that a plan tells of frost: see ``Plan.frost``, ``frost_dates`` and ``frost_odds``.

    ``when`` holds the frost dates of each zone as days of the year.
    """

    odds: pd.DataFrame
    dates: pd.DataFrame
    on_cells: NDArray[np.uint8]
    sentences: dict[str, str]
    when: dict[str, FrostDates]

    def with_words(self, zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Add each zone's sentences on frost to what is said of its ground."""
        words = [
            f"{ground} {self.sentences.get(zone, '')}".strip()
            for zone, ground in zip(zones["zone"], zones["ground"], strict=True)
        ]
        return zones.assign(ground=words)


def tell_frost(
    zones: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    layers: Mapping[str, FloatGrid],
    mask: BoolGrid,
    grid: Grid,
    species: SpeciesTable,
    climate: Climate,
    asked: Frost,
    winter_c: float = 0.0,
    call: Call = afresh,
) -> FrostTold:
    """Work out the frost of a plan's zones, trees and cells (``mask``) from the ground's layers.

    ``trees`` has ``zone, species, geometry``; ``winter_c`` is the part of the layers' error (°C)
    that one winter deviates by.
    """
    lowest, error = layers["winter_minimum"], layers["winter_minimum_error"]
    table = call(odds_table, climate, error, asked.establishment_years, winter_c)
    chances = odds_by_zone(
        table,
        ground_places(zones, lowest, error, grid),
        planted_places(trees, lowest, error, grid),
        species,
        asked.establishment_years,
    )
    coldest = coldest_by_zone(zones, lowest, error, grid)
    dates, when = dates_by_zone(coldest, climate, asked)
    names = dict(zip(species.facts["botanical_name"], species.facts["common_name"], strict=True))
    return FrostTold(
        chances,
        dates,
        call(odds_on_cells, table, lowest, error, mask, species),
        frost_sentences(when, chances, names, asked.late_frost_c),
        when,
    )
