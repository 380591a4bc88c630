"""Reads one vector layer or one table, whatever it is about, and names what is wrong in it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from siteplanner.base.errors import Errors, input_error, near
from siteplanner.reading.files.archive import geodata_in
from siteplanner.reading.files.shapes import check_axes, repaired, which
from siteplanner.reading.files.sheet import read_sheet
from siteplanner.reading.files.text import must_hold

#: Nobody's property is wider; a larger extent means that the units are wrong.
WIDEST_M = 200_000.0
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

    ``columns`` maps standard names to the user's; None leaves a column out. ``kinds`` are the
    geometry types allowed. Polygons that cross themselves are repaired, features without a shape
    and heights of corners left out; each is told in ``notes``.

    Raises :class:`~siteplanner.InputError` for a missing file, layer, CRS or column,
    and for geometry of the wrong type, all together where possible.
    """
    frame, place = _opened(path, layer)
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
    for number, kind in zip(frame.index, frame.geom_type, strict=True):
        if kind not in kinds:
            errors.add(
                path,
                f"{place}, feature {number + 1}",
                f"it is a {kind}",
                f"this layer takes {' or '.join(kinds)}",
            )
    errors.raise_any()
    notes = [] if notes is None else notes
    if empty.any():
        notes.append(f"{path.name}, {place}: left out without a shape: {which(empty)}.")
    frame = repaired(path, place, frame, "Polygon" in kinds, notes)
    check_axes(path, place, frame)
    return _moved_to(path, place, frame, crs).reset_index(drop=True)


def _opened(path: Path, layer: str | None) -> tuple[gpd.GeoDataFrame, str]:
    """Open one layer of a file as it is; also what to call it."""
    must_hold(path)
    source = geodata_in(path)
    if path.suffix.lower() == ".shp" and not path.with_suffix(".shx").exists():
        raise input_error(
            path, "", "its .shx file is missing", "copy the Shapefile with all its parts"
        )
    try:
        layers = [str(name) for name in pyogrio.list_layers(source)[:, 0]]
        if layer is not None and layer not in layers:
            raise input_error(
                path, f"layer {layer}", "this layer does not exist", near(layer, layers)
            )
        if layer is None and len(layers) > 1:
            raise input_error(
                path,
                "",
                f"it has several layers ({', '.join(layers)})",
                "name one in the site file: layer = …",
            )
        frame = gpd.read_file(source, layer=layer, engine="pyogrio")
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FieldError,
        pyogrio.errors.FeatureError,
        pyogrio.errors.GeometryError,
        shapely.errors.GEOSException,
        UnicodeDecodeError,
    ) as error:
        raise input_error(
            path, "", f"it cannot be read as geodata ({error})", "save it again as a GeoPackage"
        ) from None
    place = f"layer {layer or layers[0]}"
    if not isinstance(frame, gpd.GeoDataFrame):
        raise input_error(path, place, "it has no geometry", "name a layer with shapes")
    return frame, place


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
        if theirs is None:
            continue
        if theirs not in frame.columns:
            errors.add(
                path,
                place,
                f"there is no column {theirs!r}",
                "name it in the site file (columns); "
                + near(theirs, [c for c in frame.columns if c != frame.geometry.name]),
            )
        else:
            out[standard] = frame[theirs]
    return gpd.GeoDataFrame(out, geometry=frame.geometry.array, crs=frame.crs)


def _moved_to(
    path: Path, place: str, frame: gpd.GeoDataFrame, crs: pyproj.CRS | None
) -> gpd.GeoDataFrame:
    """Bring the shapes to a CRS (None: their own) and hold them to what can be."""
    if crs is not None:
        frame = frame.to_crs(crs)
    west, south, east, north = frame.total_bounds
    if not np.isfinite([west, south, east, north]).all():
        raise input_error(
            path, place, "its coordinates are outside the area of its CRS", "check its CRS"
        )
    if crs is not None and max(east - west, north - south) >= WIDEST_M:
        raise input_error(
            path,
            place,
            f"it is {max(east - west, north - south) / 1000:.0f} km wide",
            "check its CRS: this is wider than any property",
        )
    return frame


def texts(column: pd.Series[str]) -> pd.Series[str]:
    """Trim texts; empty ones and missing ones become None."""
    trimmed = column.map(lambda v: None if pd.isna(v) else str(v).strip() or None)
    return trimmed.astype(object)


def read_table(path: Path, columns: Iterable[str], may: Iterable[str] = ()) -> pd.DataFrame:
    """Read a CSV or XLSX that must have these columns and may have others, all numbers."""
    frame = read_sheet(path).map(lambda cell: cell.partition("#")[0].strip())
    if frame.empty:
        raise input_error(
            path, "", "it has no rows", "below the header, write one row for each entry"
        )
    errors = Errors()
    empty: dict[str, list[int]] = {}
    for column in [*columns, *(c for c in may if c in frame)]:
        if column not in frame:
            errors.add(path, column, "this column is missing", near(column, frame.columns))
            continue
        numbers = pd.to_numeric(frame[column], errors="coerce")
        bad = ~np.isfinite(numbers.astype("float64"))
        if (blank := bad & (frame[column] == "")).any():
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
