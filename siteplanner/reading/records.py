"""Reads what the soil map and the thermometers say, in standard words and units."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj

from siteplanner.base.errors import Errors, input_error, near, told
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES, texture_class_of
from siteplanner.reading.climate.station import Climate
from siteplanner.reading.climate.winters import one_value_a_winter
from siteplanner.reading.files.features import POINTS, POLYGONS, read_features, texts
from siteplanner.reading.files.numbers import with_plain_numbers
from siteplanner.reading.reference_height import to_reference
from siteplanner.site.site_file import Site

#: How a frost reading may be exposed to the night sky.
EXPOSURES = ("open", "sheltered")
#: What stands in ``known_by`` where only a model speaks of a soil polygon.
MODELLED = "modelled"
_SOIL_NUMBERS = ("depth_m", "ph", "stones_percent", "sand", "silt", "clay")
#: More soil units than these are left out of a sentence.
_NAMED = 5


def read_soils(
    site: Site, crs: pyproj.CRS | None, notes: list[str] | None = None
) -> gpd.GeoDataFrame:
    """Read the soil polygons with ``unit, texture, drainage, depth_m, ph, stones_percent``.

    ``hint`` is true of a polygon that only a model speaks of (``known_by``). The user's words are
    given their standard class; None and NaN mean unknown. Where there is no word for the texture,
    it is worked out from sand, silt and clay, if the file has them.
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
    words = texts(frame["known_by"]).map(lambda w: w.lower() if isinstance(w, str) else None)
    frame["hint"] = (words == MODELLED).to_numpy(dtype=bool)
    errors.raise_any()
    return frame


def hint_note(soils: gpd.GeoDataFrame) -> list[str]:
    """Say what soil hints are worth, where there are any."""
    hints = soils[soils["hint"]]
    if hints.empty:
        return []
    share = hints.area.sum() / soils.area.sum()
    return [
        f"Soil: {share:.0%} of the mapped ground is known from a model alone ({len(hints)} soil "
        "polygons). Such hints count as half known, spots that somebody dug as known: dig the "
        "spots that the plan lists and write down what you find."
    ]


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
