"""Opens one layer of any vector file that its driver can read, and says why it cannot."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from siteplanner.base.errors import InputError, input_error, near
from siteplanner.reading.files.archive import geodata_in
from siteplanner.reading.files.broken import XML, where_broken
from siteplanner.reading.files.drivers import DRIVER_ERRORS, NO_CRS, listening, plain, reason
from siteplanner.reading.files.text import must_hold

#: A GPX has these layers always; the points of lines are the lines' own.
_GPX = ("tracks", "routes", "waypoints")
_AGAIN = "save it again as a GeoPackage"


@dataclass(frozen=True)
class LayerInFile:
    """A layer: its ``name`` and the ``shapes`` that it says it holds, None for a plain table."""

    name: str
    shapes: str | None


def layers_in(path: Path) -> list[LayerInFile]:
    """List the layers of a vector file: a file, an archive, or a folder that is a data set.

    Raises :class:`~siteplanner.InputError` for what is no geodata.
    """
    source = _source(path)
    with listening():
        try:
            return _listed(source)
        except DRIVER_ERRORS as error:
            raise _unreadable(path, source, error) from None


def open_layer(
    path: Path, layer: str | None, kinds: tuple[str, ...], notes: list[str]
) -> tuple[gpd.GeoDataFrame, str]:
    """Open one layer of a file as it is; also what to call it.

    Where no ``layer`` is named, the only one with features is taken; of a GPX its tracks, routes
    or waypoints, whichever there are. Raises :class:`~siteplanner.InputError`.
    """
    source = _source(path)
    with listening() as said:
        try:
            chosen = _chosen(path, source, layer, kinds, notes)
            frame = _read(path, source, chosen, notes)
        except InputError:
            raise
        except NO_CRS:
            raise input_error(
                path, "", "its CRS cannot be read", "set its CRS in a GIS and save it again"
            ) from None
        except DRIVER_ERRORS as error:
            raise _unreadable(path, source, error) from None
    place = f"layer {chosen}"
    if not isinstance(frame, gpd.GeoDataFrame):
        raise input_error(path, place, "it has no geometry", "name a layer with shapes")
    notes += [f"{path.name}, {place}: {words}." for words in plain(said)]
    return frame, place


def own_layer(
    path: Path, layer: str, columns: Iterable[str], remedy: str, shapes: bool = True
) -> gpd.GeoDataFrame:
    """Read a layer of a file that siteplanner wrote, and which somebody may have changed since.

    Without ``shapes`` it is a plain table. Raises :class:`~siteplanner.InputError`, with the
    ``remedy``, where it cannot be read, has a shape or a CRS no more, or lacks one of ``columns``.
    """
    place = f"layer {layer}"
    with listening():
        try:
            frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=shapes)
        except (*DRIVER_ERRORS, *NO_CRS) as error:
            raise input_error(path, place, f"it cannot be read ({reason(error)})", remedy) from None
    if shapes and (not isinstance(frame, gpd.GeoDataFrame) or frame.crs is None):
        raise input_error(path, place, "it has no shapes or no CRS", remedy)
    if shapes and not np.isfinite(frame.geometry.bounds.to_numpy()).all():
        raise input_error(path, place, "some of it has no shape", remedy)
    for column in columns:
        if column not in frame:
            raise input_error(path, f"{place}, {column}", "this column is missing", remedy)
        if isinstance(frame[column], pd.DataFrame):
            raise input_error(path, f"{place}, {column}", "two columns have this name", remedy)
    return frame


def _source(path: Path) -> str | bytes:
    must_hold(path, folder=True)
    if path.suffix.lower() == ".shp" and not path.with_suffix(".shx").exists():
        raise input_error(
            path, "", "its .shx file is missing", "copy the Shapefile with all its parts"
        )
    source = geodata_in(path)
    where = where_broken(path) if path.suffix.lower() in XML else ""
    if where:  # some drivers read half of it and say nothing
        raise _unreadable(path, source, ValueError("it is not well-formed XML"))
    return source


def _listed(source: str | bytes) -> list[LayerInFile]:
    return [LayerInFile(str(name), shapes) for name, shapes in pyogrio.list_layers(source)]


def _chosen(
    path: Path, source: str | bytes, layer: str | None, kinds: tuple[str, ...], notes: list[str]
) -> str:
    layers = [found.name for found in _listed(source)]
    if layer is not None:
        if layer not in layers:
            raise input_error(
                path, f"layer {layer}", "this layer does not exist", near(layer, layers)
            )
        return layer
    if len(layers) == 1:
        return layers[0]
    if not layers:
        raise input_error(path, "", "it has no layers", "check that the right file was saved")
    shaped = [found.name for found in _listed(source) if found.shapes is not None]
    if path.suffix.lower() == ".gpx":
        points = "Point" in kinds
        lines = "LineString" in kinds or "Polygon" in kinds
        wanted = {"tracks": lines, "routes": lines, "waypoints": points}
        shaped = [name for name in _GPX if wanted[name] and name in shaped]
    full = [
        name
        for name in shaped
        if pyogrio.read_info(source, layer=name, force_feature_count=True)["features"]
    ]
    if len(full) == 1 or (full and path.suffix.lower() == ".gpx"):
        more = [name for name in full[1:]]
        if more:
            notes.append(
                f"{path.name}: its {full[0]} are used, not its {' and '.join(more)}; to use "
                "others, name them in the site file: layer = …"
            )
        return full[0]
    if not full:
        return (shaped or layers)[0]
    raise input_error(
        path,
        "",
        f"it has several layers ({', '.join(full)})",
        "name one in the site file: layer = …",
    )


def _read(path: Path, source: str | bytes, layer: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Read a layer; letters that are not of the encoding that the file tells are read anyway."""
    try:
        return pyogrio.read_dataframe(source, layer=layer, on_invalid="fix")
    except UnicodeDecodeError:
        notes.append(
            f"{path.name}, layer {layer}: its letters are not in the encoding it says; they were "
            "read as Windows-1252. Check the names."
        )
    try:
        return pyogrio.read_dataframe(source, layer=layer, on_invalid="fix", encoding="cp1252")
    except UnicodeDecodeError as error:
        raise input_error(
            path, f"layer {layer}", f"its letters cannot be read ({error.reason})", _AGAIN
        ) from None


def _unreadable(path: Path, source: str | bytes, error: Exception) -> InputError:
    if path.is_dir():
        return input_error(
            path,
            "",
            "it is a folder without geodata in it that can be opened as one",
            "give the path of a file in it",
        )
    where = where_broken(path, source if isinstance(source, bytes) else None)
    return input_error(path, where, f"it cannot be read as geodata ({reason(error)})", _AGAIN)
