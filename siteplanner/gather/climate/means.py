"""Monthly means, and the coldest night of each winter: a station's, or a wide cell's average."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from siteplanner.base.tables import write_table
from siteplanner.gather.area import Area
from siteplanner.gather.climate.gridded import Cell, read_cell
from siteplanner.gather.climate.stations import Record, nearest_record
from siteplanner.gather.climate.winters import TROPIC_DEG, winter_minima
from siteplanner.gather.found import Found
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import AbsentError, ServiceError
from siteplanner.gather.net.rasters import read_cog
from siteplanner.gather.services import Service, Services

#: Variables of the climatology, and the columns they give.
_NORMALS = {"tasmin": "tmin_c", "tasmax": "tmax_c", "pr": "rain_mm"}
_MOST_CELLS = 10_000
#: Added doubt (°C) about winters, judgement: a cell's average, whose minima of cold months were 6.3
#: to 7.5 °C off at 70 stations of one country (from memory); a station that is far or high.
CELL_C, FAR_STATION_C = 6.5, 1.5


@dataclass
class Climate:
    """Finds the climate of a property; the wide cell is asked for once, when it is needed."""

    door: Door
    services: Services
    area: Area
    elevation_m: float | None

    @cached_property
    def _cell(self) -> Cell | ServiceError:
        try:
            return read_cell(self.door, self.services, self.area, self.door.today)
        except ServiceError as error:
            return error

    def monthly(self) -> Found:
        """Monthly means. Raises :class:`ServiceError` where no service has them."""
        cell, own = self._cell, self.services.chelsa
        notes: list[str] = []
        try:
            table, address, on = _normals(self.door, self.services, self.area)
            service: Service = own
            sure = "means of 1981-2010 on cells of 1 km, modelled between stations"
        except ServiceError as error:
            if isinstance(cell, ServiceError):
                raise ServiceError(
                    f"{own.service}: {error}; {self.services.power.service}: {cell}"
                ) from None
            notes.append(f"Climate: {own.service}: {error}.")
            table, service = _means_of(cell), self.services.power
            address, on = cell.address, cell.on
            sure = f"average of a cell some 50 km wide, mean height {cell.elevation_m:.0f} m"
        settings: dict[str, float] = {}
        if isinstance(cell, ServiceError):
            notes.append(f"Climate: {self.services.power.service}: {cell}.")
        else:
            air = _air(cell)
            notes += [f"Climate: {self.services.power.service}: {m}." for m in cell.missing]
            if air is not None:
                table = table.assign(**air)
                settings = {"wind_height_m": 2.0, "station_elevation_m": cell.elevation_m}
                if service is own:
                    power = self.services.power
                    service = Service(
                        service=f"{own.service}; wind, humidity and sun: {power.service}",
                        licence=f"{own.licence}; {power.licence}",
                        credit="; ".join(filter(None, (own.credit, power.credit))),
                        cell=own.cell,
                    )
                    sure += "; wind, humidity and sun of a cell some 50 km wide"
        return Found(
            service, address, on, sure, _table_writer(table, ".2f"), service.cell,
            "the monthly means of a weather station nearby", tuple(notes), settings,
        )  # fmt: skip

    def winters(self) -> Found:
        """The coldest night of each winter. Raises :class:`ServiceError`.

        Also where the property's height is not known yet: a station is chosen by it.
        """
        if self.elevation_m is None:
            raise ServiceError("it waits for the heights, by which a station is chosen; run again")
        latitude = self.area.middle[1]
        weak = (
            ("Climate: this near the equator winter is a weak word; frost may come at any time.",)
            if abs(latitude) < TROPIC_DEG
            else ()
        )
        try:
            record, said = nearest_record(self.door, self.services, self.area, self.elevation_m)
        except ServiceError as error:
            cell = self._cell
            if isinstance(cell, ServiceError):
                raise ServiceError(
                    f"{self.services.ghcn.service}: {error}; {self.services.power.service}: {cell}"
                ) from None
            found = self._of_cell(cell)
            notes = (f"Winters: {self.services.ghcn.service}: {error}.", *found.notes, *weak)
            better = found.better
            if not isinstance(error, AbsentError):
                better += (
                    f"; or delete this file and run again: {self.services.ghcn.service} failed"
                )
            return Found(**{**vars(found), "notes": notes, "better": better})
        return self._of_station(record, (*(f"Winters: {words}." for words in said), *weak))

    def _of_station(self, record: Record, notes: tuple[str, ...]) -> Found:
        station, rules = record.station, self.services.winters
        near = station.is_near(rules)
        settings: dict[str, float] = {"station_elevation_m": station.elevation_m}
        if not near:
            settings["minima_error_c"] = FAR_STATION_C
            notes = (
                f"Winters: the station {station.in_words}, is further away than "
                f"{rules.near_km:g} km or {rules.near_m:g} m of height: it may not speak for the "
                "property's ground.",
                *notes,
            )
        return Found(
            self.services.ghcn, record.address, record.on,
            f"read at {station.in_words}; {len(record.minima)} winters. Hollows of the property "
            "may be several °C colder",
            _table_writer(_by_year(record.minima), ".1f"), "a station",
            "a minimum thermometer in the property's lowest spot for one winter", notes, settings,
        )  # fmt: skip

    def _of_cell(self, cell: Cell) -> Found:
        rules = self.services.winters
        if "T2M_MIN" not in cell.daily:
            raise ServiceError(f"{self.services.power.service}: {', '.join(cell.missing)}")
        minima = winter_minima(cell.daily["T2M_MIN"], self.area.middle[1], rules.complete)
        if len(minima) < rules.fewest:
            raise ServiceError(
                f"{self.services.power.service}: {len(minima)} winters are complete, "
                f"{rules.fewest} are needed"
            )
        at = f", the property's is {self.elevation_m:.0f} m"
        return Found(
            self.services.power, cell.address, cell.on,
            f"average of a cell some 50 km wide, mean height {cell.elevation_m:.0f} m{at}: no "
            f"place's own; give or take {CELL_C} °C. Hollows may be several °C colder",
            _table_writer(_by_year(minima), ".1f"), self.services.power.cell,
            "a minimum thermometer in the property's lowest spot for one winter",
            (
                "Winters: no station is near enough, so the coldest nights are a wide cell's "
                "average, not a place's.",
            ),
            {"station_elevation_m": cell.elevation_m, "minima_error_c": CELL_C},
        )  # fmt: skip


def _normals(door: Door, services: Services, area: Area) -> tuple[pd.DataFrame, str, str]:
    """The climatology's cell at the property's middle, month by month."""
    lon, lat = area.middle
    box = (lon - 1e-6, lat - 1e-6, lon + 1e-6, lat + 1e-6)
    table = pd.DataFrame({"month": range(1, 13)})
    for variable, column in _NORMALS.items():
        values = []
        for month in range(1, 13):
            address = services.chelsa.address.replace("{variable}", variable)
            patch = read_cog(door, address.replace("{month}", f"{month:02d}"), box, _MOST_CELLS)
            values.append(float(patch.values[0, 0]) * patch.scale + patch.offset)
        table[column] = values
    if table.isna().any(axis=None):
        raise AbsentError("it has nothing here")
    _must_be_climate(table)
    return table, services.chelsa.address, patch.on


def _must_be_climate(table: pd.DataFrame) -> None:
    low, high, rain = table["tmin_c"], table["tmax_c"], table["rain_mm"]
    possible = low.between(-60, 45) & high.between(-50, 60) & rain.between(0, 3000) & (low <= high)
    if not possible.all():
        raise ServiceError("its months are not possible, so its scale is not what it was")


def _means_of(cell: Cell) -> pd.DataFrame:
    columns = {
        "tmin_c": cell.monthly("T2M_MIN"), "tmax_c": cell.monthly("T2M_MAX"),
        "rain_mm": cell.monthly("PRECTOTCORR", "total"),
    }  # fmt: skip
    if any(values is None for values in columns.values()):
        raise ServiceError("too few days are known for monthly means")
    table = pd.DataFrame({"month": range(1, 13), **columns})
    _must_be_climate(table)
    return table


def _air(cell: Cell) -> dict[str, np.ndarray] | None:
    """Wind at 2 m, humidity and sun, all three or none, as evapotranspiration asks for them."""
    found = {
        "wind_m_s": cell.monthly("WS2M"), "humidity_percent": cell.monthly("RH2M"),
        "solar_mj": cell.monthly("ALLSKY_SFC_SW_DWN"),
    }  # fmt: skip
    known = {name: values for name, values in found.items() if values is not None}
    return known if len(known) == len(found) else None


def _by_year(minima: pd.Series[float]) -> pd.DataFrame:
    return pd.DataFrame({"year": minima.index.astype(int), "min_c": minima.to_numpy()})


def _table_writer(table: pd.DataFrame, numbers: str) -> Callable[[Path], None]:
    return lambda path: write_table(path, table, numbers)
