"""The odds that a frost kills: one table of odds, read for cells, for zones and for one spot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.reading.climate.station import Climate
from siteplanner.reading.climate.winters import ASSUMED_SPREAD_C, ENOUGH_WINTERS
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.suitability.frost_risk import (
    SEEDLING_TENDER_C,
    TOLERANCE_ERROR,
    Gumbel,
    Odds,
    chances,
    fit_gumbel,
    gumbel_of,
    one_in,
    over_years,
    widened,
)

#: What the station's minimum must fall below to kill, less the station's mean, and the errors of
#: a place's minimum, °C, for which odds are worked out; between them they run straight.
_MARGINS = np.linspace(-25, 25, 251)
_ERROR_STEP = 0.25
_UNKNOWN = 255
#: Places are counted together to this many °C, far finer than the error of any of them.
_ALIKE_C, _MANY = 0.05, 1 << 20
#: Where the middle and the upper end of the range stand in ``chances``.
_MIDDLE, _UPPER = slice(1, 2), slice(2, 3)
#: The worst tenth of places begins at this quantile of their odds.
_WORST = 0.9

#: What the odds on cells are, in words.
CELLS_SHOW = (
    "Where the species' tolerance is from memory, it is the upper end of the range; elsewhere the "
    "middle."
)

#: ``zone, species``; ``trees`` of it there, whose places the odds are of (0: the species is not
#: planted there, and the odds are of all of the zone's ground that may be planted). Chances that
#: one winter kills a seedling, 0-1: ``odds`` is the mean over these places, ``odds_low`` and
#: ``odds_high`` its range (two in three); ``worst`` what a tenth of the places reaches or exceeds
#: (the 90th percentile of the odds over the places), with its range. ``over_years``: the mean
#: chance that it happens at least once in so many ``years``; ``tree_low`` and ``tree_high``: of a
#: grown tree in one winter, means. ``coldest_c`` and ``error_c`` are the places' median winter
#: minimum and its error. ``words`` say the mean, ``worst_words`` the worst tenth; ``basis`` says
#: whose places these are and how the tolerance is known. Where it is from memory only the ranges
#: are given: ``odds``, ``worst`` and ``over_years`` are NaN.
ODDS_COLUMNS = [
    "zone", "species", "trees", "odds_low", "odds", "odds_high", "worst_low", "worst",
    "worst_high", "years", "over_years_low", "over_years", "over_years_high", "tree_low",
    "tree_high", "coldest_c", "error_c", "seedling_dies_below_c", "words", "worst_words", "basis",
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
    """Fit the station's winter minima; a short or even record is given the assumed deviation."""
    minima = climate.winter_minima.to_numpy(dtype=np.float64)
    if not len(minima):
        return gumbel_of(np.nan, ASSUMED_SPREAD_C, 0)
    if len(minima) < ENOUGH_WINTERS or np.ptp(minima) == 0:
        return gumbel_of(float(minima.mean()), ASSUMED_SPREAD_C, len(minima))
    return fit_gumbel(minima)


@dataclass(frozen=True)
class Places:
    """Places gathered to those alike: winter minimum and its error (°C), and how many there are."""

    lowest: NDArray[np.float64]
    error: NDArray[np.float64]
    number: NDArray[np.int64]

    @property
    def total(self) -> int:
        """Number of places whose frost is known."""
        return int(self.number.sum())

    def mean(self, values: NDArray[np.float64]) -> float:
        """Mean over the places of what each of those alike has."""
        return float(values @ self.number / self.total)

    def quantile(self, values: NDArray[np.float64], share: float) -> float:
        """Least value that this share of the places does not exceed."""
        order = np.argsort(values, kind="stable")
        upto = np.cumsum(self.number[order])
        return float(values[order][np.searchsorted(upto, share * self.total - 1e-9)])


def places_of(lowest: NDArray[np.floating], error: NDArray[np.floating]) -> Places:
    """Gather places, any shape, by their winter minimum and its error; unknown ones are left out.

    >>> places_of(np.array([-5.0, -3.0, -5.0, np.nan]), np.full(4, 0.5)).number.tolist()
    [2, 1]
    """
    known = np.isfinite(lowest) & np.isfinite(error)
    cold, doubt = (
        np.rint(values[known].astype(np.float64) / _ALIKE_C).astype(np.int64)
        for values in (lowest, error)
    )
    # One number for both, so that sorting is quick; no error has so many steps.
    alike, number = np.unique(cold * _MANY + doubt, return_counts=True)
    cold, doubt = np.divmod(alike, _MANY)
    return Places(cold * _ALIKE_C, doubt * _ALIKE_C, number.astype(np.int64))


@dataclass(frozen=True)
class OddsTable:
    """Odds by how cold it must get and how sure a place's minimum is; all odds are read from it.

    ``rows`` holds (4, errors, margins) chances (see ``chances``) by the error of a tolerance;
    ``first`` is the number of the first error in steps. ``mean`` is the station's mean winter
    minimum, °C, ``winter_c`` the part of the places' error that one winter deviates by: chance
    from winter to winter, not doubt.
    """

    rows: Mapping[float, NDArray[np.float64]]
    first: int
    mean: float
    winter_c: float

    def at(
        self,
        dies_below_c: float,
        tolerance_error_c: float,
        lowest: NDArray[Any],
        error: NDArray[Any],
        only: slice = slice(None),
    ) -> NDArray[np.float64]:
        """Chances (4, places) that one winter kills what bears ``dies_below_c``.

        ``lowest`` and ``error`` (places,) are known, or the chances are not; an unknown tolerance
        gives NaN. ``only`` takes some of the four, as reading them for many places takes long.
        """
        rows = self.rows[tolerance_error_c][only]
        if not np.isfinite(dies_below_c):
            return np.full((len(rows), len(lowest)), np.nan)
        doubt = _doubt(error, self.winter_c) / _ERROR_STEP - self.first
        margin = (dies_below_c - lowest - _MARGINS[0]) / (_MARGINS[1] - _MARGINS[0])
        where = np.stack([doubt, margin])
        return np.stack(
            [map_coordinates(quantity, where, order=1, mode="nearest") for quantity in rows]
        )


def odds_table(
    climate: Climate, error: NDArray[np.floating], years: int, winter_c: float = 0.0
) -> OddsTable:
    """Work out the odds for places whose errors (°C, any shape, NaN where unknown) are these."""
    station, mean = station_minima(climate), float(climate.winter_minima.mean())
    station = widened(station, winter_c)
    doubt = _doubt(error[np.isfinite(error)], winter_c)
    doubt = doubt if doubt.size else np.zeros(1)
    first, last = int(doubt.min() // _ERROR_STEP), int(doubt.max() // _ERROR_STEP) + 1
    steps = np.arange(first, last + 1) * _ERROR_STEP
    rows = {
        one: np.stack(
            [chances(station, mean + _MARGINS, step, one, years=years) for step in steps], axis=1
        )
        for one in sorted(set(TOLERANCE_ERROR.values()))
    }
    return OddsTable(rows, first, mean, winter_c)


def _doubt(error: NDArray[Any], winter_c: float) -> NDArray[Any]:
    """What is left of an error (°C) without the part that one winter deviates by."""
    return np.sqrt(np.maximum(error**2 - winter_c**2, 0))


def odds_by_zone(
    table: OddsTable,
    ground: Mapping[str, Places],
    planted: Mapping[tuple[str, str], Places],
    species: SpeciesTable,
    years: int,
) -> pd.DataFrame:
    """Odds that a frost kills each species in each zone, columns ``ODDS_COLUMNS``.

    ``ground`` are the places of each zone's ground, ``planted`` those where a species (the second
    key) stands in a zone (the first). Errors are taken to be shared by a zone's places, so that the
    ends of the mean's range are the means of the ends.
    """
    rows = []
    for zone, anywhere in ground.items():
        for one in tolerances(species).itertuples():
            own = planted.get((zone, one.species))
            here = anywhere if own is None or not own.total else own
            if not here.total or np.isnan(one.seedling):
                continue
            trees = 0 if here is anywhere else here.total
            rows.append((zone, one.species, trees, *_told(table, here, one, years, trees > 0)))
    return pd.DataFrame(rows, columns=ODDS_COLUMNS)


def _told(table: OddsTable, here: Places, one: Any, years: int, planted: bool) -> tuple[Any, ...]:
    """What a row says after its zone, species and trees; ``one`` is a row of ``tolerances``."""
    vague = one.known == "from memory"
    low, middle, high, over = table.at(one.seedling, one.error, here.lowest, here.error)
    tree_low, _, tree_high, _ = table.at(one.tree, one.tree_error, here.lowest, here.error)
    mean = Odds(here.mean(middle), here.mean(low), here.mean(high), here.mean(over), vague)
    low10, middle10, high10, over10 = (
        here.quantile(values, _WORST) for values in (low, middle, high, over)
    )
    worst = Odds(middle10, low10, high10, over10, vague)

    def figure(value: float) -> float:
        return np.nan if vague else value

    basis = "its planted places" if planted else "not planted here: all of the zone's ground"
    basis += f"; tolerance {one.known}" + (
        ": a range, not one figure" if vague else "; includes the errors of station, fit and place"
    )
    return (
        mean.low, figure(mean.chance), mean.high,
        worst.low, figure(worst.chance), worst.high,
        years, here.mean(over_years(low, years)), figure(mean.over),
        here.mean(over_years(high, years)),
        here.mean(tree_low), here.mean(tree_high),
        here.quantile(here.lowest, 0.5), here.quantile(here.error, 0.5),
        one.seedling, mean.words(), worst.words(), basis,
    )  # fmt: skip


def odds_on_cells(
    table: OddsTable,
    winter_minimum: FloatGrid,
    winter_minimum_error: FloatGrid,
    mask: BoolGrid,
    species: SpeciesTable,
) -> NDArray[np.uint8]:
    """Chance in percent that one winter kills a seedling, (species, rows, columns), 255 unknown.

    The upper end of the range where the tolerance is from memory, to be on the safe side; the
    middle elsewhere: ``CELLS_SHOW`` says so to people, ``cell_words`` of one cell.
    """
    lowest, error = winter_minimum[mask], winter_minimum_error[mask]
    known = np.isfinite(lowest) & np.isfinite(error)
    lowest, error = np.where(known, lowest, 0), np.where(known, error, 0)
    out = np.full((len(species.facts), *mask.shape), _UNKNOWN, dtype=np.uint8)
    for place, one in enumerate(tolerances(species).itertuples()):
        if np.isfinite(one.seedling):
            only = _UPPER if one.known == "from memory" else _MIDDLE
            (odds,) = table.at(one.seedling, one.error, lowest, error, only)
            percent = np.rint(100 * odds)
            out[place, mask] = np.where(known, percent, _UNKNOWN).astype(np.uint8)
    return out


def range_only(rows: pd.DataFrame) -> dict[str, bool]:
    """Tell by species of ``odds_by_zone`` whether only the range of its odds is given.

    On cells it then has the upper end, the others the middle (see ``odds_on_cells``).
    """
    return {str(s): bool(odds.isna().all()) for s, odds in rows.groupby("species")["odds"]}


def cell_words(percent: int, range_only: bool) -> str:
    """Say a cell's figure of ``odds_on_cells`` as what it is, in the words of ``Odds``.

    >>> cell_words(12, range_only=False), cell_words(12, range_only=True)
    ('1 winter in 8 (middle of the range)', 'up to 1 winter in 8')
    """
    said = one_in(percent / 100)
    if range_only:
        return f"up to {said}" if said.startswith("1 winter") else said
    return f"{said} (middle of the range)" if said.startswith("1 winter") else said


def planted_places(
    trees: gpd.GeoDataFrame, lowest: FloatGrid, error: FloatGrid, grid: Grid
) -> dict[tuple[str, str], Places]:
    """The places of each zone's trees by species; ``trees`` has ``zone, species, geometry``."""
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    cold, doubt = (grid.sample(layer, x, y).astype(np.float64) for layer in (lowest, error))
    groups = trees.groupby(["zone", "species"], sort=False).indices
    return {(str(z), str(s)): places_of(cold[i], doubt[i]) for (z, s), i in groups.items()}


def ground_places(
    zones: gpd.GeoDataFrame, lowest: FloatGrid, error: FloatGrid, grid: Grid
) -> dict[str, Places]:
    """The cells of each zone's ground, by ``zone``: all of it may be planted."""
    of_cell = grid.number(zones.geometry)
    return {
        str(zone): places_of(lowest[of_cell == number], error[of_cell == number])
        for number, zone in enumerate(zones["zone"], start=1)
    }
