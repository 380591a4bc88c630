"""Rain against reference evapotranspiration: the year's rainfall, the deficit, waterlogging."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.kernels import kernel
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.soil_classes import DRAINAGE_CLASSES
from siteplanner.base.strips import over_rows, plain
from siteplanner.ground.layer import CELL, WHOLE_GRID, layer
from siteplanner.ground.relief.landform import LANDFORMS
from siteplanner.ground.sun.evapotranspiration import evapotranspiration_terms
from siteplanner.ground.sun.irradiation import month_rates
from siteplanner.reading.climate.weather import MonthlyClimate


def water_year(
    rain_mm: ArrayLike, et0_mm: ArrayLike, capacity_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Soil water at the end of each month and water used in it, mm, each (12,).

    Monthly balance of Thornthwaite & Mather (1955, 1957): in a month with less rain than
    ET0 the store falls by exp(-shortage / capacity), in others it fills and then spills;
    the year is repeated until it closes.
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    et0 = np.asarray(et0_mm, dtype=np.float64)
    stored, used = np.empty(12), np.empty(12)
    _year(rain, et0, float(capacity_mm), stored, used)
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


_BALANCE = (
    "Monthly balance of rain, soil store and reference evapotranspiration in a mean year: ET0 by "
    "Penman-Monteith where the station has wind, humidity and sun, otherwise from its "
    "temperatures by Hargreaves; what sunlight drives of it (with Hargreaves all) scaled by the "
    "cell's clear-sky sun in that month, then all of it divided by the cosine of the slope, "
    "because a square metre of the map covers more ground there; store from the soil's available "
    "water; run-on where the ground is wetter than the grid's mean wetness: the mean soil's "
    "surplus, half of which leaves each month, times the difference, 3 times at most unless set "
    "otherwise. {what} Unknown where the soil is unknown."
)
_BALANCE_SOURCE = (
    "Thornthwaite & Mather (1955, 1957) balance in its exponential form, half of the surplus a "
    "month from memory; FAO-56 (Allen et al. 1998) eq. 6 (Penman-Monteith) or eq. 52 "
    "(Hargreaves); division by the cosine: the horizontal equivalent of Allen et al. (2006), seen "
    "second-hand; scaling by sun and run-on by wetness: common practice, no source"
)


@layer(
    LayerInfo(
        name="water_deficit",
        title="Annual water deficit",
        unit="mm",
        method=_BALANCE.format(
            what="The water that plants could have used in a year but did not get."
        ),
        source=_BALANCE_SOURCE,
        valid=(0.0, 5000.0),
        colours="YlOrBr_09",
        on_map=True,
    ),
    LayerInfo(
        name="driest_month_water",
        title="Soil water in the driest month",
        unit="percent of what the soil can hold",
        method=_BALANCE.format(what="The lowest store at the end of a month."),
        source=_BALANCE_SOURCE,
        valid=(0.0, 100.0),
        colours="YlGnBu_09",
    ),
    LayerInfo(
        name="months_waterlogged",
        title="Months waterlogged",
        unit="months a year",
        method=_BALANCE.format(
            what=(
                "Months in which more water spills from the full soil than its drainage class "
                "can drain: 500, 300, 200, 100, 50, 20 and 5 mm a month from excessively to very "
                "poorly drained (common practice, no source)."
            )
        ),
        source=_BALANCE_SOURCE,
        valid=(0.0, 12.0),
        colours="YlGnBu_09",
    ),
    reach=WHOLE_GRID,
)
def water_balance(
    available_water: FloatGrid,
    drainage_class: FloatGrid,
    wetness: FloatGrid,
    slope: FloatGrid,
    sun_exposure: FloatGrid,
    summer_sun: FloatGrid,
    winter_sun: FloatGrid,
    grid: Grid,
    latitude: float,
    climate: MonthlyClimate,
    *,
    most_run_on: float = 3.0,
) -> tuple[FloatGrid, FloatGrid, FloatGrid]:
    """Deficit (mm a year), lowest soil water (percent) and months waterlogged, (rows, cols).

    ``most_run_on`` bounds how many times the mean soil's outflow a cell receives.
    """
    rain = np.array(climate.rain_mm, dtype=np.float64)
    terms = evapotranspiration_terms(climate, latitude)
    et0 = np.maximum(terms.sum(axis=0), 0)
    known = available_water[np.isfinite(available_water)]
    mean_store = float(known.mean(dtype=np.float64)) if known.size else 0.0
    told = wetness[np.isfinite(wetness)]
    mean_wetness = float(told.mean(dtype=np.float64)) if told.size else 0.0
    more = np.clip(wetness - np.float32(mean_wetness), 0, np.float32(most_run_on))
    out = np.full((3, *grid.shape), np.nan, np.float32)
    over_rows(
        _balance_of_rows,
        grid.shape,
        plain(available_water),
        plain(drainage_class),
        plain(np.nan_to_num(more, copy=False)),
        plain(slope),
        plain(sun_exposure),
        plain(summer_sun),
        plain(winter_sun),
        np.ascontiguousarray(month_rates(latitude) / 100),
        rain,
        terms,
        outflow(rain, et0, mean_store),
        np.array(_LETS_GO),
        out,
    )
    return out[0], out[1], out[2]


#: mm a month that each drainage class lets go, dry to wet; common practice, no source.
_LETS_GO = (500.0, 300.0, 200.0, 100.0, 50.0, 20.0, 5.0)


def outflow(rain_mm: ArrayLike, et0_mm: ArrayLike, capacity_mm: float) -> NDArray[np.float64]:
    """Water that leaves a soil in each month, mm, (12,), for the ground below it.

    The surplus of the monthly balance, half of what is there leaving each month (Thornthwaite
    & Mather 1957, from memory), in a year that closes.
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    stored, used = water_year(rain, et0_mm, capacity_mm)
    surplus = np.maximum(rain + np.roll(stored, 1) - used - stored, 0)
    leaves, held = np.zeros(12), 0.0
    for month in [*range(12)] * 3:
        leaves[month] = (held + surplus[month]) / 2
        held = leaves[month]
    return leaves


@layer(
    LayerInfo(
        title="Drainage of the site",
        unit="USDA natural drainage class",
        method=(
            "The soil's own class, one class wetter in hollows and valleys, on flood-flats and "
            "where the wetness is 10 or more, one drier on ridges of 10 degrees or more, unless "
            "set otherwise. Unknown where the soil's class is unknown: dig and look for mottles."
        ),
        source="common practice, no source",
        valid=(0.0, len(DRAINAGE_CLASSES) - 1.0),
        colours="YlGnBu_09",
        classes=DRAINAGE_CLASSES,
    ),
    reach=CELL,
)
def site_drainage(
    drainage_class: FloatGrid,
    landform: FloatGrid,
    flood_flat: FloatGrid,
    wetness: FloatGrid,
    slope: FloatGrid,
    *,
    wet: float = 10.0,
    steep: float = 10.0,
) -> FloatGrid:
    """Soil's drainage class moved by its place in the land, codes of DRAINAGE_CLASSES.

    ``wet`` is the wetness and ``steep`` the slope (degrees) from which a class is changed.
    """
    wetter = (landform == 0) | (flood_flat == 1) | (wetness >= np.float32(wet))
    drier = (landform == len(LANDFORMS) - 1) & (slope >= np.float32(steep)) & ~wetter
    moved = drainage_class + wetter.astype(np.float32) - drier.astype(np.float32)
    return np.clip(moved, 0, np.float32(len(DRAINAGE_CLASSES) - 1))


@kernel("void(float64[::1], float64[::1], float64, float64[::1], float64[::1])")
def _year(rain, et0, capacity, stored, used):  # type: ignore[no-untyped-def]
    """Run the year from a full store until its end meets its start; 100 times at most."""
    store = capacity
    for _ in range(100):
        start = store
        for month in range(12):
            comes, wanted = rain[month], et0[month]
            left = comes - wanted
            if left >= 0:
                store = min(capacity, store + left)
                used[month] = wanted
            else:
                # exp falls short of the capacity only; an empty soil holds nothing to lose.
                kept = store * math.exp(left / capacity) if capacity > 0 else 0.0
                used[month] = comes + store - kept
                store = kept
            stored[month] = store
        if abs(store - start) < 1e-6:
            break


def _balance_of_rows(first: int, last: int, *given: object) -> None:
    months = np.empty((4, 12))
    _balance(first, last, *given, *months)


@kernel(
    "void(int64, int64, float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1],"
    "float32[:, ::1], float32[:, ::1], float32[:, ::1], float64[:, ::1], float64[::1],"
    "float64[:, ::1], float64[::1], float64[::1], float32[:, :, ::1], float64[::1], float64[::1],"
    "float64[::1], float64[::1])"
)
def _balance(  # type: ignore[no-untyped-def]
    first, last, capacity, drainage, more, slope, year, summer, winter, rates, rain, terms,
    runs_on, lets_go, out, comes, wanted, stored, used,
):  # fmt: skip
    """Fill the rows of ``out``, which is NaN, where soil and light are known."""
    for row in range(first, last):
        for col in range(capacity.shape[1]):
            holds = float(capacity[row, col])
            in_year, in_summer, in_winter = year[row, col], summer[row, col], winter[row, col]
            # Ground on a square metre of the map.
            ground = 1.0 / math.cos(slope[row, col] * math.pi / 180)
            known = holds + in_year + in_summer + in_winter + ground
            if known != known:
                continue
            run_on, code = more[row, col], drainage[row, col]
            for m in range(12):
                share = rates[m, 0] * in_year + rates[m, 1] * in_summer + rates[m, 2] * in_winter
                wanted[m] = max(terms[0, m] * max(share, 0.0) + terms[1, m], 0.0) * ground
                comes[m] = rain[m] + runs_on[m] * run_on
            _year(comes, wanted, holds, stored, used)
            goes = lets_go[int(code)] if code == code else np.nan
            missing, lowest, wet, before = 0.0, holds, 0.0, stored[11]
            for m in range(12):
                need, got, store = wanted[m], used[m], stored[m]
                missing += need - got
                lowest = min(lowest, store)
                wet += comes[m] + before - got - store > goes
                before = store
            out[0, row, col] = missing
            out[1, row, col] = 100.0 * lowest / holds if holds > 0 else 0.0
            if goes == goes:
                out[2, row, col] = wet
