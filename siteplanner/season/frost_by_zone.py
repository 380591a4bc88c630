"""Frost where people meet it: odds and dates by zone, odds on every cell, a sentence a zone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
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
from siteplanner.site.inputs import Frost
from siteplanner.suitability.frost_risk import (
    SEEDLING_TENDER_C,
    TOLERANCE_ERROR,
    Gumbel,
    fit_gumbel,
    gumbel_of,
    odds,
    one_in,
    over_years,
    widened,
)

#: A cold winter is one of so many.
COLD_WINTER = 5
_MARGINS = np.linspace(-25, 25, 251)
_UNKNOWN = 255

ODDS_COLUMNS = [
    "zone", "species", "odds_low", "odds", "odds_high", "years", "over_years_low", "over_years",
    "over_years_high", "tree_low", "tree_high", "coldest_c", "error_c", "seedling_dies_below_c",
    "words", "basis",
]  # fmt: skip
DATE_COLUMNS = [
    "zone", "early_first_frost", "first_frost", "last_frost", "late_last_frost",
    "growth_starts", "late_frost_c", "late_frost_chance",
]  # fmt: skip


def tolerances(species: SpeciesTable) -> pd.DataFrame:
    """List what seedlings and trees bear, °C, NaN where nothing is said, and how it is known.

    Columns ``species, seedling, tree, error, known``. The table's ``winter_minimum dies below``
    is the tree's; ``seedling_dies_below_c`` the seedling's, two degrees milder where it is empty.
    """
    facts = species.facts
    points = species.points.get("winter_minimum")
    tree = points[:, 0] if points is not None else np.full(len(facts), np.nan)
    tree = np.where(np.isfinite(tree), tree, np.nan)
    told = facts.get("seedling_dies_below_c", pd.Series(np.nan, index=facts.index)).to_numpy()
    known = np.where(np.isfinite(told.astype(float)), facts["evidence"], "from memory")
    return pd.DataFrame(
        {
            "species": facts["botanical_name"],
            "seedling": np.where(np.isfinite(told.astype(float)), told, tree + SEEDLING_TENDER_C),
            "tree": tree,
            "error": [TOLERANCE_ERROR[k] for k in known],
            "tree_error": [TOLERANCE_ERROR[k] for k in facts["evidence"]],
            "known": known,
        }
    )


def station_minima(climate: Climate) -> Gumbel:
    """Fit the station's winter minima; a short or even record is given a deviation of 1.5 °C."""
    minima = climate.winter_minima.to_numpy(dtype=np.float64)
    if not len(minima):
        return gumbel_of(np.nan, 1.5, 0)
    if len(minima) < 5 or np.ptp(minima) == 0:
        return gumbel_of(float(minima.mean()), 1.5, len(minima))
    return fit_gumbel(minima)


def colder_winter(climate: Climate, winters: int = COLD_WINTER) -> float:
    """How far the coldest night of one winter in so many lies under an average one's, °C."""
    station = station_minima(climate)
    return float(station.mean - station.once_in(winters))


def odds_by_zone(
    coldest: Mapping[str, tuple[float, float]],
    planted: Mapping[str, list[str]],
    species: SpeciesTable,
    climate: Climate,
    years: int,
    winter_c: float = 0.0,
) -> pd.DataFrame:
    """Odds of a killing frost for the species planted in each zone, columns ``ODDS_COLUMNS``.

    ``coldest`` gives each zone's winter minimum and its error, °C, of which ``winter_c`` is what
    one winter there deviates by: that part is chance from winter to winter, not doubt. Odds are
    of seedlings, in one winter; ``over_years`` over the years of establishment; ``tree_low`` and
    ``tree_high`` of grown trees. Where the tolerance is from memory ``odds`` is NaN: only a range
    is told.
    """
    station, mean = station_minima(climate), float(climate.winter_minima.mean())
    station = widened(station, winter_c)
    rows = []
    for zone, (lowest, error) in coldest.items():
        doubt = float(_doubt(np.array([error]), winter_c)[0])
        for one in tolerances(species).itertuples():
            if one.species not in planted.get(zone, []) or np.isnan(one.seedling):
                continue
            vague = one.known == "from memory"
            seedling = odds(
                station,
                lowest - mean,
                doubt,
                one.seedling,
                one.error,
                years=years,
                range_only=vague,
            )
            tree = odds(
                station,
                lowest - mean,
                doubt,
                one.tree,
                one.tree_error,
                years=years,
                range_only=vague,
            )
            basis = f"tolerance {one.known}" + (
                ": a range, not one figure"
                if vague
                else "; includes the errors of station, fit and place"
            )
            rows.append(
                (
                    zone,
                    one.species,
                    seedling.low,
                    np.nan if vague else seedling.chance,
                    seedling.high,
                    years,
                    float(over_years(seedling.low, years)),
                    np.nan if vague else seedling.over,
                    float(over_years(seedling.high, years)),
                    tree.low,
                    tree.high,
                    lowest,
                    error,
                    one.seedling,
                    seedling.words(),
                    basis,
                )
            )
    return pd.DataFrame(rows, columns=ODDS_COLUMNS)


def _doubt(error: NDArray[Any], winter_c: float) -> NDArray[Any]:
    """What is left of an error (°C) without the part that one winter deviates by."""
    return np.sqrt(np.maximum(error**2 - winter_c**2, 0))


def odds_on_cells(
    winter_minimum: FloatGrid,
    winter_minimum_error: FloatGrid,
    mask: BoolGrid,
    species: SpeciesTable,
    climate: Climate,
    winter_c: float = 0.0,
) -> NDArray[np.uint8]:
    """Chance in percent that one winter kills a seedling, (species, rows, columns), 255 unknown.

    ``winter_c`` is the part of the error (°C) that one winter deviates by.

    The upper end of the range where the tolerance is from memory, to be on the safe side; the
    middle elsewhere.
    """
    station, mean = station_minima(climate), float(climate.winter_minima.mean())
    station = widened(station, winter_c)
    difference = winter_minimum[mask] - np.float32(mean)
    error = _doubt(winter_minimum_error[mask], winter_c)
    known = np.isfinite(difference) & np.isfinite(error)
    errors = np.arange(0.25, 6.1, 0.25)
    bins = np.clip(np.rint(np.where(known, error, 0) / 0.25) - 1, 0, len(errors) - 1).astype(int)
    out = np.full((len(species.facts), *mask.shape), _UNKNOWN, dtype=np.uint8)
    tables: dict[tuple[float, bool], NDArray[np.float64]] = {}
    used = np.unique(bins)
    for place, one in enumerate(tolerances(species).itertuples()):
        if np.isnan(one.seedling):
            continue
        key = (one.error, one.known == "from memory")
        if key not in tables:
            tables[key] = np.zeros((len(errors), len(_MARGINS)))
            for bin_ in used:
                found = [
                    odds(station, 0.0, errors[bin_], margin, one.error, years=1, range_only=key[1])
                    for margin in _MARGINS
                ]
                tables[key][bin_] = [o.high if key[1] else o.chance for o in found]
        at = (np.where(known, one.seedling - difference, 0) - _MARGINS[0]) / 0.2
        percent = 100 * tables[key][bins, np.clip(np.rint(at), 0, len(_MARGINS) - 1).astype(int)]
        out[place, mask] = np.where(known, np.rint(percent), _UNKNOWN).astype(np.uint8)
    return out


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
        mine = chances[chances["zone"] == zone]
        if len(mine):
            worst = mine.loc[mine["odds_high"].idxmax()]
            if worst["odds_high"] < 0.02:
                text += " No species planted here is at much risk from frost in winter."
            else:
                text += (
                    f" Most at risk as a seedling: {names[worst['species']]} (killing frost: "
                    f"{worst['words']})."
                )
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
    counts: pd.DataFrame,
    layers: Mapping[str, FloatGrid],
    mask: BoolGrid,
    grid: Grid,
    species: SpeciesTable,
    climate: Climate,
    asked: Frost,
    winter_c: float = 0.0,
) -> FrostTold:
    """Work out the frost of a plan's zones and cells (``mask``) from the ground's layers.

    ``winter_c`` is the part of the layers' error (°C) that one winter deviates by.
    """
    lowest, error = layers["winter_minimum"], layers["winter_minimum_error"]
    coldest = coldest_by_zone(zones, lowest, error, grid)
    planted = {
        str(zone): list(part["species"].unique())
        for zone, part in counts[counts["trees"] > 0].groupby("zone")
    }
    chances = odds_by_zone(coldest, planted, species, climate, asked.establishment_years, winter_c)
    table, dates = dates_by_zone(coldest, climate, asked)
    names = dict(zip(species.facts["botanical_name"], species.facts["common_name"], strict=True))
    return FrostTold(
        chances,
        table,
        odds_on_cells(lowest, error, mask, species, climate, winter_c),
        frost_sentences(dates, chances, names, asked.late_frost_c),
        dates,
    )
