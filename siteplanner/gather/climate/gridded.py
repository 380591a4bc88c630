"""Daily weather of a wide cell: one point's answer, its parameters held to their units."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from siteplanner.gather.area import Area
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import Answer, ServiceError, error_inside
from siteplanner.gather.services import Services

#: What is asked for, and the unit that is counted on.
UNITS = {
    "T2M_MIN": "C", "T2M_MAX": "C", "PRECTOTCORR": "mm/day", "WS2M": "m/s", "RH2M": "%",
    "ALLSKY_SFC_SW_DWN": "MJ/m^2/day",
}  # fmt: skip
#: A month's mean is given where this share of its days, over all years, is known.
_KNOWN = 0.9


@dataclass(frozen=True)
class Cell:
    """Daily weather of a cell whose mean height is ``elevation_m``.

    ``daily`` has a column a parameter, is indexed by date, and NaN where unknown; ``missing`` names
    what could not be used.
    """

    daily: pd.DataFrame
    elevation_m: float
    address: str
    on: str
    missing: tuple[str, ...]

    def monthly(self, name: str, how: str = "mean") -> np.ndarray | None:
        """Means of the twelve months (``total``: of their sums); None where too few are known."""
        if name not in self.daily:
            return None
        values = self.daily[name]
        months = pd.DatetimeIndex(values.index).month
        if (values.notna().groupby(months).mean() < _KNOWN).any() or len(set(months)) < 12:
            return None
        means = values.groupby(months).mean()
        days = pd.Series([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], range(1, 13))
        return (means * days if how == "total" else means).to_numpy(np.float64)


def read_cell(door: Door, services: Services, area: Area, today: date) -> Cell:
    """Ask for the cell at the property's middle, rounded to 0.01°. Raises :class:`ServiceError`."""
    lon, lat = (round(v, 2) for v in area.middle)
    words = {
        "parameters": ",".join(UNITS), "lon": f"{lon:.2f}", "lat": f"{lat:.2f}",
        "start": f"{max(services.winters.since, 1984)}0101", "end": f"{today.year - 1}1231",
    }  # fmt: skip
    address = services.power.address
    for name, text in words.items():
        address = address.replace(f"{{{name}}}", text)
    answer = door.get(address, f"a point, {lon:.2f} east {lat:.2f} north", check=_must_be_days)
    told = json.loads(answer.body)
    none = told["header"].get("fill_value", -999)
    given = told["properties"]["parameter"]
    columns, missing = {}, []
    for name, unit in UNITS.items():
        said = (told.get("parameters", {}).get(name) or {}).get("units", unit)
        if name not in given:
            missing.append(f"{name} is missing")
        elif said != unit:
            missing.append(f"{name} is in {said} instead of {unit}")
        else:
            values = pd.Series(given[name], dtype=np.float64)
            columns[name] = values.mask(values <= none if none < 0 else values == none)
    daily = pd.DataFrame(columns)
    daily.index = pd.to_datetime(daily.index, format="%Y%m%d")
    return Cell(
        daily, float(told["geometry"]["coordinates"][2]), services.power.address.split("?")[0],
        answer.on.isoformat(), tuple(missing),
    )  # fmt: skip


def _must_be_days(answer: Answer) -> None:
    try:
        told: Any = json.loads(answer.body)
        given = told["properties"]["parameter"]
        height = float(told["geometry"]["coordinates"][2])
        days = set().union(*(set(values) for values in given.values()))
        _ = told["header"]
    except (ValueError, KeyError, TypeError, IndexError, AttributeError):
        words = error_inside(answer.body)
        raise ServiceError(f"it answered with an error: {words}") from None
    if not days or not np.isfinite(height):
        raise ServiceError("its answer has no days")
