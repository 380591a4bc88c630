"""Reads hedges and shelterbelts: lines that dam or slow cold air."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pyproj

from siteplanner.base.errors import Errors, told
from siteplanner.reading.files.features import read_features
from siteplanner.reading.files.numbers import with_plain_numbers
from siteplanner.site.site_file import Site

LINES = ("LineString", "MultiLineString")


def no_shelter(crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    """Give the shelter of bare ground: none, with the columns that any has."""
    empty: dict[str, list[float]] = {"height_m": [], "porosity": []}
    return gpd.GeoDataFrame(empty, geometry=[], crs=crs)


def read_shelter(
    site: Site, crs: pyproj.CRS | None, notes: list[str] | None = None
) -> gpd.GeoDataFrame:
    """Read the lines with ``height_m`` (m) and ``porosity`` (0 a wall, 1 nothing).

    Raises :class:`~siteplanner.InputError` with every height or porosity that will not
    do.
    """
    part = site.shelter
    if part is None:
        return no_shelter(crs)
    path = site.folder / part.file
    frame = read_features(path, part.layer, part.columns.model_dump(), crs, LINES, notes)
    lines = [f"line {n + 1}" for n in frame.index]
    numbered = ("height_m", "porosity")
    notes = [] if notes is None else notes
    frame = with_plain_numbers(path.name, frame, numbered, lines, notes)
    errors = Errors()
    for column, high, remedy in (
        ("height_m", 60.0, "give the height in metres"),
        (
            "porosity",
            1.0,
            "give the share of the wind that passes through, from 0 (a wall) to 1 (nothing there)",
        ),
    ):
        numbers = pd.to_numeric(frame[column], errors="coerce").astype("float64")
        for number in frame.index[~numbers.between(0, high)]:
            theirs = getattr(part.columns, column)
            what = f"{told(frame[column][number])} is not valid"
            errors.add(path, f"line {number + 1}, {theirs}", what, remedy)
        frame[column] = numbers
    errors.raise_any()
    return frame[["height_m", "porosity", "geometry"]]
