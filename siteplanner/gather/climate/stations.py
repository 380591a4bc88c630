"""Daily minima of the nearest weather station that is near and complete enough."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
import pandas as pd
from pyproj import Geod

from siteplanner.gather.area import Area
from siteplanner.gather.climate.winters import winter_minima
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import AbsentError, Answer, ServiceError, error_inside
from siteplanner.gather.services import Services, Winters

_GEOD = Geod(ellps="WGS84")
_COLUMNS = ("ID", "DATE", "ELEMENT", "DATA_VALUE", "M_FLAG", "Q_FLAG", "S_FLAG", "OBS_TIME")
#: No station is lower than this, m: it stands for an unknown height.
_NO_HEIGHT = -999.0


@dataclass(frozen=True)
class Station:
    """A station and how far it is from the property: ``away_km``, ``higher_m``."""

    number: str
    name: str
    elevation_m: float
    away_km: float
    higher_m: float

    def is_near(self, rules: Winters) -> bool:
        """Whether it speaks for the property without a warning."""
        return self.away_km <= rules.near_km and abs(self.higher_m) <= rules.near_m

    @property
    def in_words(self) -> str:
        """Say which and where."""
        side = "higher" if self.higher_m > 0 else "lower"
        return (
            f"{self.name} ({self.number}), {self.away_km:.0f} km away, {abs(self.higher_m):.0f} m "
            f"{side}"
        )


@dataclass(frozen=True)
class Record:
    """A station's coldest night of each winter (°C by year), and where it was read."""

    station: Station
    minima: pd.Series[float]
    address: str
    on: str


def nearest_record(
    door: Door, services: Services, area: Area, elevation_m: float
) -> tuple[Record, list[str]]:
    """Give the record of the best station, and what was wrong with those before it.

    ``elevation_m`` is the property's. Raises :class:`ServiceError`, :class:`AbsentError` where
    no station is near and complete enough.
    """
    rules, said = services.winters, []
    for station in _stations(door, services, area, elevation_m)[: rules.stations]:
        address = services.ghcn.address.replace("{station}", station.number)
        try:
            answer = door.get(address, "the number of a station", check=_must_be_rows)
        except AbsentError:
            said.append(f"{station.in_words}: it has no file")
            continue
        daily = daily_minima(answer.body)
        recent = daily[pd.DatetimeIndex(daily.index).year >= rules.since - 1]
        minima = winter_minima(recent, area.middle[1], rules.complete)
        minima = minima[minima.index >= rules.since]
        if len(minima) < rules.fewest:
            said.append(
                f"{station.in_words}: {len(minima)} winters since {rules.since} are complete, "
                f"{rules.fewest} are needed"
            )
            continue
        return Record(station, minima, address, answer.on.isoformat()), said
    raise AbsentError(
        "; ".join(said)
        or f"no station with minima is within {rules.far_km:g} km and {rules.far_m:g} m of height"
    )


def _stations(door: Door, services: Services, area: Area, elevation_m: float) -> list[Station]:
    """Stations that may do, the nearest first; 100 m of height count as 25 km."""
    rules = services.winters
    long_enough = _with_minima(
        door.get(services.ghcn.inventory, "the name of a list", check=_must_be_list).body, rules
    )
    listed = door.get(services.ghcn.stations, "the name of a list", check=_must_be_list).body
    lon, lat = area.middle
    found = []
    for line in listed.decode("utf-8", "replace").splitlines():
        number = line[:11]
        if number not in long_enough:
            continue
        try:
            there = float(line[12:20]), float(line[21:30])
            height = float(line[31:37])
        except ValueError:
            raise ServiceError("its list of stations is not in the form it was") from None
        # A degree of latitude is 111 km, so that most stations need no closer look.
        if abs(there[0] - lat) * 111 > rules.far_km + 1 or height <= _NO_HEIGHT:
            continue
        away = _GEOD.inv(lon, lat, there[1], there[0])[2] / 1000
        higher = height - elevation_m
        if away <= rules.far_km and abs(higher) <= rules.far_m:
            found.append(Station(number, line[41:71].strip(), height, away, higher))
    return sorted(found, key=lambda s: s.away_km / rules.near_km + abs(s.higher_m) / rules.near_m)


def _with_minima(inventory: bytes, rules: Winters) -> set[str]:
    """Numbers of the stations whose minima span enough years since the first that counts."""
    found = set()
    for line in inventory.decode("utf-8", "replace").splitlines():
        if line[31:35] == "TMIN" and line[36:45].replace(" ", "").isdigit():
            first, last = int(line[36:40]), int(line[41:45])
            if last - max(first, rules.since) + 1 >= rules.fewest:
                found.add(line[:11])
    return found


def daily_minima(body: bytes) -> pd.Series[float]:
    """Daily minima (°C) of a station's file, with or without a header, flagged rows left out.

    Raises :class:`ServiceError` for temperatures that cannot be.
    """
    rows = csv.reader(io.StringIO(body.decode("utf-8", "replace")))
    days, values = [], []
    for row in rows:
        cells = [*row, *[""] * len(_COLUMNS)][: len(_COLUMNS)]
        told = dict(zip(_COLUMNS, cells, strict=True))
        if told["ELEMENT"] != "TMIN" or told["Q_FLAG"].strip():
            continue
        days.append(told["DATE"])
        values.append(told["DATA_VALUE"])
    dates = pd.to_datetime(pd.Series(days, dtype=str), format="%Y%m%d", errors="coerce")
    numbers = pd.to_numeric(pd.Series(values, dtype=str), errors="coerce") / 10
    known = dates.notna() & (numbers > _NO_HEIGHT)
    daily = pd.Series(numbers[known].to_numpy(np.float64), pd.DatetimeIndex(dates[known]))
    if len(daily) and (daily.min() < -90 or daily.max() > 60):
        raise ServiceError("its temperatures are not possible, so its unit is not what it was")
    return daily[~daily.index.duplicated()].sort_index()


def _must_be_rows(answer: Answer) -> None:
    if answer.body[:1] == b"<" or b"," not in answer.body[:200]:
        raise ServiceError(f"it answered with an error: {error_inside(answer.body)}")


def _must_be_list(answer: Answer) -> None:
    if answer.body[:1] in (b"<", b""):
        raise ServiceError(f"it answered with an error: {error_inside(answer.body)}")
