"""Reads what the soil map, the station and the thermometers say, in standard words and units."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, input_error, near, told
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES, texture_class_of
from siteplanner.reading.files.features import POINTS, POLYGONS, read_features, read_table, texts
from siteplanner.reading.files.numbers import with_plain_numbers
from siteplanner.reading.reference_height import to_reference
from siteplanner.reading.weather import StationAir, vapour_of_humidity, wind_at_2_m
from siteplanner.reading.winters import one_value_a_winter
from siteplanner.site.site_file import Site

#: How a frost reading may be exposed to the night sky.
EXPOSURES = ("open", "sheltered")
_SOIL_NUMBERS = ("depth_m", "ph", "stones_percent", "sand", "silt", "clay")
_MONTHLY = ("tmin_c", "tmax_c", "rain_mm")
#: More soil units than these are left out of a sentence.
_NAMED = 5


@dataclass(frozen=True)
class Climate:
    """A station's climate: monthly means, January first, and the coldest night each winter.

    ``tmin_c``, ``tmax_c`` (°C) and ``rain_mm`` have shape (12,), at screen height (1.2 m), which
    evapotranspiration and the nursery go by. ``winter_minima``, indexed by year, ``night_minima``
    (the months' mean minima, (12,)) and ``daily_minima``, indexed by date, None where the site
    names none, are °C brought to the site's reference height. ``air`` is None where the station
    does not tell wind, humidity and sun. ``elevation_m`` is the station's.
    """

    tmin_c: NDArray[np.float64]
    tmax_c: NDArray[np.float64]
    rain_mm: NDArray[np.float64]
    winter_minima: pd.Series[float]
    night_minima: NDArray[np.float64]
    daily_minima: pd.Series[float] | None = None
    air: StationAir | None = None
    elevation_m: float | None = None

    @property
    def in_words(self) -> str:
        """Say what is known of the climate."""
        known = bool(np.isfinite(self.rain_mm).all())
        rain = f"{self.rain_mm.sum():.0f} mm rain a year" if known else "months not given"
        said = f"{rain}, {len(self.winter_minima)} winter minima"
        return f"{said}, {self.et0_in_words}" if known else said

    @property
    def et0_in_words(self) -> str:
        """Say how evapotranspiration is worked out, and what would make it better."""
        if self.air is not None:
            return "evapotranspiration by Penman-Monteith"
        return (
            "evapotranspiration from temperatures alone, by Hargreaves (columns wind_m_s, "
            "humidity_percent and sunshine_h would allow Penman-Monteith)"
        )


#: Columns of the monthly means that are not needed, the range of each and its unit.
_AIR_COLUMNS = {
    "wind_m_s": (0, 60, "mean wind in metres a second"),
    "humidity_percent": (1, 100, "mean relative humidity in percent"),
    "sunshine_h": (0, 24, "hours of sunshine a day"),
    "solar_mj": (0, 50, "radiation in MJ a square metre and day"),
}


def read_soils(
    site: Site, crs: pyproj.CRS | None, notes: list[str] | None = None
) -> gpd.GeoDataFrame:
    """Read the soil polygons with ``unit, texture, drainage, depth_m, ph, stones_percent``.

    The user's words are given their standard class; None and NaN mean unknown. Where there is
    no word for the texture, it is worked out from sand, silt and clay, if the file has them.
    Raises :class:`~siteplanner.InputError` with every word and number that will not do.
    """
    part = site.soils
    path = site.folder / str(part.file)
    columns = part.columns.model_dump()
    notes = [] if notes is None else notes
    frame = read_features(path, part.layer, columns, crs, POLYGONS, notes)
    absent = [name for name in columns if name not in frame]
    frame[absent] = pd.DataFrame(None, frame.index, absent, dtype=object)
    if "unit" in absent:
        frame["unit"] = [f"polygon {n + 1}" for n in frame.index]
    labels = [f"soil unit {unit}" for unit in frame["unit"]]
    frame = with_plain_numbers(path.name, frame, _SOIL_NUMBERS, labels, notes)
    errors = Errors()
    standard = {"texture": TEXTURE_CLASSES, "drainage": DRAINAGE_CLASSES}
    for column, classes in standard.items():
        theirs = {key.lower(): value for key, value in getattr(part.words, column).items()}
        for word, meaning in theirs.items():
            if meaning not in classes:
                errors.add(
                    site.path,
                    f"soils.words.{column}.{word}",
                    f"{meaning!r} is not a {column} class",
                    near(meaning, classes),
                )
        words = texts(frame[column]).map(lambda w: w.lower() if isinstance(w, str) else None)
        said = words.map(lambda w, t=theirs: t.get(w, w) if isinstance(w, str) else None)
        strange = said.notna() & ~said.isin([*classes, *theirs.values()])
        for word in dict.fromkeys(said[strange]):
            errors.add(
                path,
                f"soil {_units(frame['unit'][said == word])}, {getattr(part.columns, column)}",
                f"{word!r} is not a {column} class",
                near(word, classes)
                + f" Or give its meaning in the site file under soils.words.{column}",
            )
        frame[column] = said.astype(object)
    with errors.gather():
        frame["texture"] = frame["texture"].fillna(_texture_of_shares(path, frame))
    limits = {
        "depth_m": (0, 50, "metres"),
        "ph": (2, 11, "pH"),
        "stones_percent": (0, 100, "percent"),
    }
    for column, (low, high, unit) in limits.items():
        given = frame[column]
        numbers = pd.to_numeric(given, errors="coerce").astype("float64")
        wrong = (given.notna() & numbers.isna()) | (numbers < low) | (numbers > high)
        for number in frame.index[wrong]:
            errors.add(
                path,
                f"soil unit {frame['unit'][number]}, {getattr(part.columns, column)}",
                f"{told(given[number])} is not valid",
                f"give {unit} between {low} and {high} with a decimal point, or leave it empty "
                "when unknown",
            )
        frame[column] = numbers
    errors.raise_any()
    return frame


def _units(units: pd.Series[str]) -> str:
    """Name soil units in a sentence, each once."""
    names = list(dict.fromkeys(map(str, units)))
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"unit{'s' if len(names) > 1 else ''} {', '.join(names[:_NAMED])}{more}"


def _texture_of_shares(path: Path, frame: gpd.GeoDataFrame) -> pd.Series[str]:
    """Texture class of each polygon's sand, silt and clay; None where one is unknown."""
    errors = Errors()
    given = frame[["sand", "silt", "clay"]]
    shares = given.apply(pd.to_numeric, errors="coerce")
    codes = texture_class_of(*shares.to_numpy(np.float64).T)
    for number in frame.index[given.notna().all(axis=1) & (codes < 0)]:
        told = ", ".join(str(v) for v in given.loc[number])
        errors.add(
            path,
            f"soil unit {frame['unit'][number]}, sand, silt and clay",
            f"{told} do not add up to 100",
            "give percent by weight of the fine earth that add up to 100, or leave them empty",
        )
    errors.raise_any()
    words = [TEXTURE_CLASSES[code] if code >= 0 else None for code in codes]
    return pd.Series(words, frame.index, dtype=object)


def read_climate(site: Site, notes: list[str] | None = None) -> Climate:
    """Read the station's monthly means and winter minima.

    Raises :class:`~siteplanner.InputError` with every error of both files.
    """
    path = site.folder / (site.climate.monthly or "")
    errors = Errors()
    monthly = pd.DataFrame(np.nan, range(12), ["month", *_MONTHLY])
    minima = pd.DataFrame({"year": [], "min_c": []}, dtype="float64")
    if site.climate.monthly is not None:
        with errors.gather():
            monthly = _monthly(path, notes)
    if site.climate.winter_minima is not None:
        with errors.gather():
            minima = _winter_minima(site.folder / site.climate.winter_minima, notes)
    errors.raise_any()
    by_year = minima.set_index(minima["year"].astype(int))["min_c"].sort_index()
    by_year[:] = to_reference(by_year.to_numpy(), site.frost)
    tmin, tmax, rain = (monthly[c].to_numpy(dtype=np.float64) for c in _MONTHLY)
    nights, air = to_reference(tmin, site.frost), _air(site, path, monthly)
    height = site.climate.station_elevation_m
    return Climate(tmin, tmax, rain, by_year, nights, _daily_minima(site, notes), air, height)


def _monthly(path: Path, notes: list[str] | None) -> pd.DataFrame:
    """Read the twelve months, January first."""
    monthly = read_table(path, ["month", *_MONTHLY], _AIR_COLUMNS, notes)
    errors = Errors()
    if sorted(monthly["month"]) != list(range(1, 13)):
        errors.add(
            path,
            "month",
            "it must have each month from 1 to 12 once",
            "write one row for each month",
        )
    monthly = monthly.sort_values("month")
    for row in monthly.itertuples():
        if row.tmin_c > row.tmax_c:
            errors.add(path, f"month {row.month}", "tmin_c is above tmax_c", "swap them")
        for column in ("tmin_c", "tmax_c"):
            if not -60 <= getattr(row, column) <= 60:
                errors.add(
                    path,
                    f"month {row.month}, {column}",
                    f"{getattr(row, column)} is not possible",
                    "give the month's mean in °C",
                )
        if not 0 <= row.rain_mm < 5000:
            errors.add(
                path,
                f"month {row.month}, rain_mm",
                f"{row.rain_mm} mm is not possible",
                "give the month's mean rainfall in mm",
            )
        for column, (low, high, what) in _AIR_COLUMNS.items():
            if not low <= getattr(row, column, low) <= high:
                errors.add(
                    path,
                    f"month {row.month}, {column}",
                    f"{getattr(row, column)} is not possible",
                    f"give the month's {what}",
                )
    errors.raise_any()
    return monthly


def _winter_minima(path: Path, notes: list[str] | None) -> pd.DataFrame:
    """Read ``year`` and ``min_c``, each winter once."""
    minima = read_table(path, ["year", "min_c"], notes=notes)
    year = minima["year"]
    errors = Errors()
    for row in minima.index[~year.between(1800, 2200) | (year != year.round())]:
        errors.add(
            path,
            f"row {row + 2}, year",
            f"{year[row]} is not a year",
            "write a whole year, such as 2024",
        )
    for row in minima.index[year.duplicated()]:
        errors.add(
            path, f"row {row + 2}, year", f"{year[row]} is listed twice", "keep one row of it"
        )
    _possible_minima(path, minima, errors)
    errors.raise_any()
    return minima


def _possible_minima(path: Path, frame: pd.DataFrame, errors: Errors) -> None:
    for row in frame.index[~frame["min_c"].between(-90, 40)]:
        errors.add(
            path,
            f"row {row + 2}, min_c",
            f"{frame['min_c'][row]} is not possible",
            "give the lowest temperature in °C",
        )


def _air(site: Site, path: Path, monthly: pd.DataFrame) -> StationAir | None:
    """What the monthly means, in order, tell for Penman-Monteith; None unless they tell it all."""
    told = {c: monthly[c].to_numpy(np.float64) for c in _AIR_COLUMNS if c in monthly}
    if not {"wind_m_s", "humidity_percent"} <= told.keys() or not {"sunshine_h", "solar_mj"} & set(
        told
    ):
        return None
    if site.climate.station_elevation_m is None:
        raise input_error(
            site.path,
            "climate.station_elevation_m",
            f"it is missing, and {path.name} has wind, humidity and sun for Penman-Monteith",
            "give the station's elevation in metres, from which its air pressure is worked out",
        )
    low, high = (monthly[c].to_numpy(np.float64) for c in ("tmin_c", "tmax_c"))
    return StationAir(
        wind_at_2_m(told["wind_m_s"], site.climate.wind_height_m),
        vapour_of_humidity(low, high, told["humidity_percent"]),
        told.get("solar_mj"),
        told.get("sunshine_h"),
        site.climate.station_elevation_m,
    )


def _daily_minima(site: Site, notes: list[str] | None) -> pd.Series[float] | None:
    """Read the station's daily minima, brought to the reference height."""
    if site.climate.daily_minima is None:
        return None
    path = site.folder / site.climate.daily_minima
    frame = read_table(path, ["min_c"], notes=notes)
    if "date" not in frame:
        raise input_error(path, "date", "this column is missing", "name the column of dates date")
    dates = pd.to_datetime(frame["date"], format="%Y-%m-%d", errors="coerce")
    errors = Errors()
    _possible_minima(path, frame, errors)
    for row in frame.index[dates.isna()][:10]:
        errors.add(
            path,
            f"row {row + 2}, date",
            f"{frame['date'][row]!r} is not a date",
            "write dates as 2024-07-31",
        )
    for row in frame.index[dates.duplicated() & dates.notna()][:10]:
        errors.add(
            path,
            f"row {row + 2}, date",
            f"{frame['date'][row]} is listed twice",
            "keep one row of it",
        )
    errors.raise_any()
    lowest = to_reference(frame["min_c"].to_numpy(), site.frost)
    return pd.Series(lowest, index=pd.DatetimeIndex(dates)).sort_index()


def read_readings(
    site: Site, crs: pyproj.CRS | None, notes: list[str] | None = None
) -> gpd.GeoDataFrame:
    """Read the frost readings and bring them to the reference height (``at_reference_c``).

    A reading without a height is an error, not a guess: grass and screen differ by degrees.
    """
    part = site.frost.readings
    if part is None:
        return gpd.GeoDataFrame(
            {
                c: []
                for c in (
                    "name",
                    "winter_min_c",
                    "height_m",
                    "winter",
                    "at_reference_c",
                    "difference_c",
                )
            },
            geometry=[],
            crs=crs,
        )
    path = site.folder / part.file
    frame = read_features(path, part.layer, part.columns.model_dump(), crs, POINTS, notes)
    errors = Errors()
    frame["name"] = [
        str(n) if not pd.isna(n) else f"reading {i + 1}"
        for i, n in enumerate(frame.get("name", [None] * len(frame)))
    ]
    notes = [] if notes is None else notes
    needed = ["winter_min_c", "height_m", "winter"]
    frame = with_plain_numbers(path.name, frame, needed, frame["name"], notes)
    for column, low, high, remedy in (
        ("winter_min_c", -60, 30, "give the winter's lowest temperature in °C"),
        ("height_m", 0.0, 3.0, "give the height of the instrument above the ground in metres"),
        ("winter", 1800, 2200, "give the year of the winter"),
    ):
        numbers = pd.to_numeric(frame[column], errors="coerce").astype("float64")
        half = (numbers != numbers.round()) & (column == "winter")
        for number in frame.index[~numbers.between(low, high) | half]:
            errors.add(
                path,
                f"{frame['name'][number]}, {getattr(part.columns, column)}",
                f"{told(frame[column][number])} is not valid",
                remedy,
            )
        frame[column] = numbers
    errors.raise_any()
    twice = frame.duplicated(["name", "winter"])
    if twice.any() and site.frost.nights == 1:
        names = ", ".join(sorted(set(frame["name"][twice])))
        notes.append(
            f"Frost readings of the same name and winter ({names}): their mean is used where they "
            "are within 10 m of each other. If they are several cold nights of one instrument, "
            "set their number in frost.nights."
        )
    frame["at_reference_c"] = to_reference(
        frame["winter_min_c"].to_numpy(), site.frost, frame["height_m"].to_numpy()
    )
    if "exposure" in frame:
        words = texts(frame["exposure"]).map(lambda w: w.lower() if isinstance(w, str) else None)
        for number in frame.index[~words.isin(EXPOSURES)]:
            errors.add(
                path,
                f"{frame['name'][number]}, {part.columns.exposure}",
                f"{frame['exposure'][number]!r} is not valid",
                near(str(words[number]), EXPOSURES),
            )
        errors.raise_any()
        # Shelter keeps the sky off: a plant in the open meets the colder air.
        warmer = site.frost.sheltered_warmer_c
        frame["at_reference_c"] -= np.where(words == "sheltered", warmer, 0.0)
    if site.frost.nights > 1:
        frame = one_value_a_winter(frame, site.frost.nights, path, errors)
        errors.raise_any()
    return frame


def against_station(site: Site, readings: gpd.GeoDataFrame, climate: Climate) -> gpd.GeoDataFrame:
    """Add ``difference_c``: one winter is not a climate, the station carries it further."""
    path = site.folder / str(site.climate.winter_minima)
    missing = sorted(set(readings["winter"].astype(int)) - set(climate.winter_minima.index))
    if missing:
        raise input_error(
            path,
            "year",
            f"winter {', '.join(map(str, missing))} is missing, "
            "but frost readings were taken in it",
            "add the station's minimum of that winter",
        )
    station = climate.winter_minima.reindex(readings["winter"].astype(int)).to_numpy()
    return readings.assign(difference_c=readings["at_reference_c"] - station)
