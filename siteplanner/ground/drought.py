"""Rain against thirst: the year's rainfall and the water that plants would miss."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground._strips import over_rows, plain
from siteplanner.ground.layer import CELL, LayerInfo, layer
from siteplanner.ground.sun import MID_MONTH, MONTH_DAYS, month_rates, sky_radiation


class MonthlyClimate(Protocol):
    """The monthly means that the water balance needs, arrays of 12, January first."""

    tmin_c: NDArray[np.float64]
    tmax_c: NDArray[np.float64]
    rain_mm: NDArray[np.float64]


def hargreaves(
    tmin_c: ArrayLike, tmax_c: ArrayLike, radiation_mj: ArrayLike
) -> NDArray[np.float64]:
    """Tell the reference evapotranspiration, mm/day (FAO-56 eq. 52), never below 0.

    Temperatures in degrees Celsius, ``radiation_mj`` is Ra in MJ m-2 day-1 (0.408 mm a MJ).
    """
    low, high, sky = (np.asarray(v, dtype=np.float64) for v in (tmin_c, tmax_c, radiation_mj))
    mean = (low + high) / 2
    spread = np.sqrt(np.maximum(high - low, 0))
    return np.maximum(0.0023 * (mean + 17.8) * spread * 0.408 * sky, 0)


def monthly_thirst(climate: MonthlyClimate, latitude: float) -> NDArray[np.float64]:
    """Tell the reference evapotranspiration of level ground, mm a month, (12,)."""
    daily = hargreaves(climate.tmin_c, climate.tmax_c, sky_radiation(latitude, MID_MONTH))
    return daily * MONTH_DAYS


def water_year(
    rain_mm: ArrayLike, thirst_mm: ArrayLike, capacity_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Soil water at the end of each month and water used in it, mm, each (12,).

    Monthly balance of Thornthwaite & Mather (1955, 1957): in a month with less rain than
    thirst the store falls by exp(-shortage / capacity), in others it fills and then spills;
    the year is repeated until it closes.
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    thirst = np.asarray(thirst_mm, dtype=np.float64)
    stored, used = np.empty(12), np.empty(12)
    _year(rain, thirst, float(capacity_mm), stored, used)
    return stored, used


@layer(
    LayerInfo(
        title="Rainfall in a year",
        unit="mm",
        method="Sum of the station's monthly means; one figure for the whole site.",
        source="the climate table of the site",
        valid=(0.0, 20_000.0),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def annual_rainfall(dem: FloatGrid, climate: MonthlyClimate) -> FloatGrid:
    """Mean annual rainfall, mm, (rows, cols); NaN where ``dem`` is."""
    total = np.float32(np.sum(climate.rain_mm))
    return np.where(np.isnan(dem), np.float32(np.nan), total)


@layer(
    LayerInfo(
        title="Water missing in a year",
        unit="mm",
        method=(
            "Monthly balance of rain, soil store and reference evapotranspiration in a mean "
            "year: thirst from the station's temperatures, scaled by the cell's clear-sky sun "
            "in that month; store from the soil's available water; no run-on from uphill. The "
            "sum of what plants would have used and did not get. Unknown where the soil is."
        ),
        source=(
            "Thornthwaite & Mather (1955, 1957) balance in its exponential form; FAO-56 (Allen "
            "et al. 1998) eq. 52, Hargreaves; scaling by sun: common practice, no source"
        ),
        valid=(0.0, 5000.0),
        colours="YlOrBr_09",
        on_map=True,
    ),
    reach=CELL,
)
def water_deficit(
    available_water: FloatGrid,
    sun_exposure: FloatGrid,
    summer_sun: FloatGrid,
    winter_sun: FloatGrid,
    grid: Grid,
    latitude: float,
    climate: MonthlyClimate,
) -> FloatGrid:
    """Evapotranspiration wanted but not met over a mean year, mm, (rows, cols)."""
    out = np.empty(grid.shape, np.float32)
    over_rows(
        _deficit,
        grid.shape,
        plain(available_water),
        plain(sun_exposure),
        plain(summer_sun),
        plain(winter_sun),
        np.ascontiguousarray(month_rates(latitude) / 100),
        np.array(climate.rain_mm, dtype=np.float64),
        monthly_thirst(climate, latitude),
        out,
    )
    return out


@njit(
    "void(float64[::1], float64[::1], float64, float64[::1], float64[::1])", cache=True, nogil=True
)
def _year(rain, thirst, capacity, stored, used):  # type: ignore[no-untyped-def]
    """Run the year from a full store until its end meets its start; 100 times at most."""
    store = capacity
    for _ in range(100):
        start = store
        for month in range(12):
            left = rain[month] - thirst[month]
            if left >= 0:
                store = min(capacity, store + left)
                used[month] = thirst[month]
            else:
                # exp falls short of the capacity only; an empty soil holds nothing to lose.
                kept = store * math.exp(left / capacity) if capacity > 0 else 0.0
                used[month] = rain[month] + store - kept
                store = kept
            stored[month] = store
        if abs(store - start) < 1e-6:
            break


@njit(
    "void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1],"
    "float64[:, ::1], float64[::1], float64[::1], float32[:, ::1])",
    cache=True,
    nogil=True,
)
def _deficit(  # type: ignore[no-untyped-def]
    first, last, capacity, year, summer, winter, rates, rain, thirst, out
):
    wanted, stored, used = np.empty(12), np.empty(12), np.empty(12)
    for row in range(first, last):
        for col in range(capacity.shape[1]):
            holds = float(capacity[row, col])
            light = year[row, col] + summer[row, col] + winter[row, col]
            if not (holds == holds and light == light):
                out[row, col] = np.nan
                continue
            for m in range(12):
                share = (
                    rates[m, 0] * year[row, col]
                    + rates[m, 1] * summer[row, col]
                    + rates[m, 2] * winter[row, col]
                )
                wanted[m] = thirst[m] * max(share, 0.0)
            _year(rain, wanted, holds, stored, used)
            missing = 0.0
            for m in range(12):
                missing += wanted[m] - used[m]
            out[row, col] = missing
