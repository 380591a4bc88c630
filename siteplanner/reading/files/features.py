"""Reads one vector layer or one table, whatever it is about, and names what is wrong in it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from siteplanner.base.errors import Errors, input_error, near
from siteplanner.reading.files.numbers import DASHES, with_plain_numbers
from siteplanner.reading.files.opening import open_layer
from siteplanner.reading.files.parts import usable, which
from siteplanner.reading.files.shapes import check_axes, repaired, unwrapped
from siteplanner.reading.files.sheet import read_sheet

#: Nobody's property is wider; a larger extent means that the units are wrong.
WIDEST_M = 200_000.0
#: Columns that a file need not have; a site file says so with "".
MAY_BE_ABSENT = {
    *("name", "plant", "kind", "exposure", "fruiting_months", "permit"),
    *("unit", "texture", "drainage", "depth_m", "ph", "stones_percent", "sand", "silt", "clay"),
    "known_by",
}
POLYGONS = ("Polygon", "MultiPolygon")
POINTS = ("Point",)
ANY = ("Point", "MultiPoint", "LineString", "MultiLineString", *POLYGONS)
_A_NUMBER = "write a number with a decimal point"


def read_features(
    path: Path,
    layer: str | None,
    columns: dict[str, str | None],
    crs: pyproj.CRS | None,
    kinds: tuple[str, ...],
    notes: list[str] | None = None,
) -> gpd.GeoDataFrame:
    """Read one vector layer with standard column names, in ``crs`` (None: its own).

    ``columns`` maps standard names to the user's; None or "" leaves a column out. ``kinds`` are
    the geometry types wanted: usable parts of other shapes are used. Polygons that cross
    themselves are repaired, features without a shape, those far from all others and heights of
    corners left out; each is told in ``notes``.

    Raises :class:`~siteplanner.InputError` for a missing file, layer, CRS or column,
    and where no shape is of the wanted type, all together where possible.
    """
    notes = [] if notes is None else notes
    frame, place = open_layer(path, layer, kinds, notes)
    errors = Errors()
    if frame.crs is None:
        errors.add(
            path,
            place,
            "it has no coordinate reference system (CRS)",
            "set its CRS in a GIS and save it again",
        )
    frame = _with_columns(path, place, frame, columns, errors)
    empty = frame.geometry.isna() | frame.geometry.is_empty
    frame = frame[~empty]
    with errors.gather():
        frame = usable(path, place, frame, kinds, notes)
    errors.raise_any()
    if empty.any():
        notes.append(f"{path.name}, {place}: left out without a shape: {which(empty)}.")
    frame = repaired(path, place, unwrapped(frame), "Polygon" in kinds, notes)
    check_axes(path, place, frame)
    return _moved_to(path, place, frame, crs, notes).reset_index(drop=True)


def _with_columns(
    path: Path,
    place: str,
    frame: gpd.GeoDataFrame,
    columns: dict[str, str | None],
    errors: Errors,
) -> gpd.GeoDataFrame:
    """Give the columns their standard names; a missing one joins the errors."""
    out: dict[str, object] = {}
    for standard, theirs in columns.items():
        if theirs == "" and standard not in MAY_BE_ABSENT:
            errors.add(
                path,
                place,
                f"the site file says that there is no column for {standard}, which is needed",
                "name the column in the site file (columns), or leave this file out",
            )
        if not theirs:
            continue
        if theirs not in frame.columns:
            errors.add(
                path,
                place,
                f"there is no column {theirs!r}",
                "name it in the site file (columns)"
                + _or_none(standard)
                + "; "
                + near(theirs, [c for c in frame.columns if c != frame.geometry.name]),
            )
        else:
            out[standard] = frame[theirs]
    return gpd.GeoDataFrame(out, geometry=frame.geometry.array, crs=frame.crs)


def _or_none(standard: str) -> str:
    return f', or write {standard} = "" there if it has none' * (standard in MAY_BE_ABSENT)


def _moved_to(
    path: Path, place: str, frame: gpd.GeoDataFrame, crs: pyproj.CRS | None, notes: list[str]
) -> gpd.GeoDataFrame:
    """Bring the shapes to a CRS (None: their own) and hold them to what can be."""
    if crs is not None:
        frame = frame.to_crs(crs)
    lost = pd.Series(~np.isfinite(shapely.bounds(frame.geometry.array)).all(axis=1), frame.index)
    if lost.any():
        raise input_error(
            path,
            place if lost.all() else f"{place}, {which(lost)}",
            "its coordinates are outside the area of its CRS",
            "check its CRS" if lost.all() else "correct its coordinates",
        )
    if crs is None or _width(frame) < WIDEST_M:
        return frame
    middle = shapely.get_coordinates(shapely.centroid(frame.geometry.array))
    away = np.hypot(*(middle - np.median(middle, axis=0)).T)
    far = pd.Series(away >= WIDEST_M, frame.index)
    if far.sum() * 2 >= len(far) or _width(frame[~far]) >= WIDEST_M:
        raise input_error(
            path,
            place,
            f"it is {_width(frame) / 1000:.0f} km wide",
            "check its CRS: this is wider than any property",
        )
    notes.append(
        f"{path.name}, {place}: left out, {away[far].min() / 1000:.0f} km or more from the "
        f"others: {which(far)}. Check the coordinates there."
    )
    return frame[~far]


def _width(frame: gpd.GeoDataFrame) -> float:
    west, south, east, north = frame.total_bounds
    return float(max(east - west, north - south))


def texts(column: pd.Series[str]) -> pd.Series[str]:
    """Trim texts; empty ones and missing ones become None."""
    trimmed = column.map(lambda v: None if pd.isna(v) else str(v).strip() or None)
    return trimmed.astype(object)


def read_table(
    path: Path,
    columns: Iterable[str],
    may: Iterable[str] = (),
    notes: list[str] | None = None,
    gaps: bool = False,
) -> pd.DataFrame:
    """Read a CSV or XLSX that must have these columns and may have others, all numbers.

    Decimal commas are read as such, and listed in ``notes``. A lone dash is a number that is not
    known: a column that may be there is not used then, and where there may be ``gaps`` the row is
    left out.
    """
    columns = [*columns]
    frame = read_sheet(path).map(lambda cell: cell.partition("#")[0].strip())
    if frame.empty:
        raise input_error(
            path, "", "it has no rows", "below the header, write one row for each entry"
        )
    errors = Errors()
    present = [c for c in (*columns, *may) if c in frame]
    rows = [f"row {n + 2}" for n in frame.index]
    notes = [] if notes is None else notes
    dash = frame.isin(DASHES)
    frame = with_plain_numbers(path.name, frame, present, rows, notes)
    unused = [column for column in may if column in frame and dash[column].any()]
    if unused:
        notes.append(f"{path.name}: not used, since it is not known throughout: "
                     f"{', '.join(unused)}.")  # fmt: skip
        frame = frame.drop(columns=unused)
    if gaps:
        frame = frame[~dash[[c for c in columns if c in frame]].any(axis=1)].copy()
    empty: dict[str, list[int]] = {}
    for column in [*columns, *(c for c in may if c in frame)]:
        if column not in frame:
            errors.add(path, column, "this column is missing", near(column, frame.columns))
            continue
        numbers = pd.to_numeric(frame[column], errors="coerce")
        bad = ~np.isfinite(numbers.astype("float64"))
        unclear = bad & dash[column].reindex(frame.index)
        for row in frame.index[unclear]:
            errors.add(
                path,
                f"row {row + 2}, {column}",
                "a lone dash may mean none, or not known",
                "write 0 where there is none, or else the number",
            )
        bad &= ~unclear
        if (blank := bad & (frame[column].fillna("") == "")).any():
            empty[column] = [row + 2 for row in frame.index[blank]]
        for row in frame.index[bad & ~blank]:
            errors.add(
                path,
                f"row {row + 2}, {column}",
                f"{frame[column][row]!r} is not a number",
                _A_NUMBER,
            )
        frame[column] = numbers
    _add_empty(path, empty, len(frame), errors)
    errors.raise_any()
    return frame


def _add_empty(path: Path, empty: dict[str, list[int]], rows: int, errors: Errors) -> None:
    """Add the empty cells of a table, the rows of each column that has any, as one error."""
    number = sum(len(mine) for mine in empty.values())
    if number == 1:
        [(column, (row,))] = empty.items()
        errors.add(path, f"row {row}, {column}", "it is empty", _A_NUMBER)
    elif number:
        where: dict[str, list[str]] = {}
        for column, mine in empty.items():
            named = "every row" if len(mine) == rows else f"row{'s' * (len(mine) > 1)} "
            named += "" if len(mine) == rows else ", ".join(map(str, mine))
            where.setdefault(named, []).append(column)
        listed = "; ".join(f"{', '.join(found)} in {named}" for named, found in where.items())
        errors.add(path, listed, f"{number} cells are empty", _A_NUMBER)
