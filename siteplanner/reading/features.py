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

from siteplanner.errors import Faults, fault, near

#: Nobody's property is wider; a larger extent means that the units are wrong.
WIDEST_M = 200_000.0
POLYGONS = ("Polygon", "MultiPolygon")
POINTS = ("Point",)
ANY = ("Point", "MultiPoint", "LineString", "MultiLineString", *POLYGONS)


def read_features(
    path: Path,
    layer: str | None,
    columns: dict[str, str | None],
    crs: pyproj.CRS | None,
    kinds: tuple[str, ...],
) -> gpd.GeoDataFrame:
    """Read one vector layer with standard column names, in ``crs`` (None: its own).

    ``columns`` maps standard names to the user's; None leaves a column out. ``kinds`` are the
    geometry types allowed. Invalid polygons are mended, empty features dropped.

    Raises :class:`~siteplanner.errors.InputError` for a missing file, layer, CRS or column,
    and for geometry of the wrong type, all together where possible.
    """
    if not path.exists():
        raise fault(path, "", "there is no such file", "check the path in the site file")
    try:
        layers = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
        if layer is not None and layer not in layers:
            raise fault(path, f"layer {layer}", "there is no such layer", near(layer, layers))
        if layer is None and len(layers) > 1:
            raise fault(
                path,
                "",
                f"it holds several layers ({', '.join(layers)})",
                "name one in the site file: layer = …",
            )
        frame = gpd.read_file(path, layer=layer, engine="pyogrio")
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FieldError,
        pyogrio.errors.FeatureError,
        UnicodeDecodeError,
    ) as error:
        raise fault(
            path, "", f"it cannot be read as geodata ({error})", "save it again as a GeoPackage"
        ) from None
    place = f"layer {layer or layers[0]}"
    if not isinstance(frame, gpd.GeoDataFrame):
        raise fault(path, place, "it has no geometry", "name a layer with shapes")
    faults = Faults()
    if frame.crs is None:
        faults.add(
            path,
            place,
            "it has no coordinate reference system (CRS)",
            "set its CRS in a GIS and save it again",
        )
    out: dict[str, object] = {}
    for standard, theirs in columns.items():
        if theirs is None:
            continue
        if theirs not in frame.columns:
            faults.add(
                path,
                place,
                f"there is no column {theirs!r}",
                "name it in the site file (columns); "
                + near(theirs, [c for c in frame.columns if c != frame.geometry.name]),
            )
        else:
            out[standard] = frame[theirs]
    frame = gpd.GeoDataFrame(out, geometry=frame.geometry.array, crs=frame.crs)
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    for number, kind in zip(frame.index, frame.geom_type, strict=True):
        if kind not in kinds:
            faults.add(
                path,
                f"{place}, feature {number + 1}",
                f"it is a {kind}",
                f"this layer takes {' or '.join(kinds)}",
            )
    if not np.isfinite(frame.total_bounds).all():
        faults.add(
            path,
            place,
            "it has no features with finite coordinates",
            "check that the right layer was saved",
        )
    faults.raise_any()
    flat = shapely.force_2d(frame.geometry.array)
    if "Polygon" in kinds:
        flat = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    frame = frame.set_geometry(gpd.GeoSeries(flat, index=frame.index, crs=frame.crs))
    if crs is not None:
        frame = frame.to_crs(crs)
    west, south, east, north = frame.total_bounds
    if crs is not None and not max(east - west, north - south) < WIDEST_M:
        raise fault(
            path,
            place,
            f"it is {max(east - west, north - south) / 1000:.0f} km wide",
            "check its CRS: this is wider than any property",
        )
    return frame.reset_index(drop=True)


def texts(column: pd.Series[str]) -> pd.Series[str]:
    """Trim texts; empty ones and missing ones become None."""
    trimmed = column.map(lambda v: None if pd.isna(v) else str(v).strip() or None)
    return trimmed.astype(object)


def read_table(path: Path, columns: Iterable[str], may: Iterable[str] = ()) -> pd.DataFrame:
    """Read a CSV that must have these columns and may have others, all numbers."""
    if not path.exists():
        raise fault(path, "", "there is no such file", "check the path in the site file")
    try:
        frame = pd.read_csv(path, encoding="utf-8-sig", comment="#", skipinitialspace=True)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise fault(
            path,
            "",
            f"it cannot be read as a CSV table ({error})",
            "save it as CSV, UTF-8, with commas",
        ) from None
    faults = Faults()
    for column in [*columns, *(c for c in may if c in frame)]:
        if column not in frame:
            faults.add(path, column, "the column is missing", near(column, frame.columns))
            continue
        numbers = pd.to_numeric(frame[column], errors="coerce")
        for row in frame.index[~np.isfinite(numbers.astype("float64"))]:
            faults.add(
                path,
                f"row {row + 2}, {column}",
                "it is empty"
                if pd.isna(frame[column][row])
                else f"{str(frame[column][row])!r} is no number",
                "write a number with a decimal point",
            )
        frame[column] = numbers
    faults.raise_any()
    return frame
