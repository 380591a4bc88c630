"""Saves one layer of a GeoPackage whole or not at all; all else in the file stays.

The file is copied, the layer written into the copy, the copy read by the site's own readers, and
only then put in the file's place in one step. The file as it was goes to ``.before`` beside it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import shapely

from siteplanner.base.errors import ErrorDetail, InputError
from siteplanner.desk.drawing.before import keep
from siteplanner.desk.drawing.drawn import Drawn, reader, reading_from
from siteplanner.desk.drawing.features import Layer, WrongError, layer_in, rows_of, understood
from siteplanner.desk.drawing.held import HeldError, open_in, refuse_held
from siteplanner.desk.drawing.shared_edges import cut_to_fit, newly_wrong, with_shared_corners
from siteplanner.site.edit import with_settings
from siteplanner.site.site_file import Site, load_site, toml_text

_LAST = (
    "Not saved: the last feature of a layer is not deleted. Undo; to have none, take {} out of {}."
)


_SEEN = (
    "{} is open in {} too, which shows it as it was: load it again there before you edit it there."
)


class StaleError(Exception):
    """The layer was changed elsewhere since the page read it."""


def save(site: Site, drawn: Drawn, version: str, sent: Any, crs: pyproj.CRS) -> list[str]:
    """Put features, as the page sent them, in place of a layer's; give notes of the readers.

    Raises :class:`StaleError`, :class:`HeldError`, :class:`WrongError` or
    :class:`~siteplanner.InputError`; then nothing has changed.
    """
    layer = layer_in(drawn, crs)
    if layer.version != version:
        raise StaleError
    features = understood(drawn, sent)
    if not features:  # a file without features is an error to its reader, and mostly a mistake
        raise WrongError((None, "", _LAST.format(drawn.path.name, site.path.name)))
    if drawn.shares_edges:
        features = _fitted(drawn, layer, features)
    rows = rows_of(drawn, layer, features, crs)
    beside = drawn.path.with_name(f".{drawn.path.stem}.new.gpkg")
    refuse_held(drawn.path)
    with _removed(beside):
        _written(drawn, rows, beside)
        notes = _checked(site, drawn, beside, crs, rows)
        with beside.open("rb+") as file:
            os.fsync(file.fileno())
        text = None if drawn.there else _site_text(site, drawn)
        seen = open_in(drawn.path)
        keep(drawn.path)
        in_place(beside, drawn.path)
        if text is not None:
            replace_text(site.path, text)
    return [*notes, *(_SEEN.format(drawn.path.name, program) for program in seen)]


def _fitted(
    drawn: Drawn, layer: Layer, features: list[tuple[int | None, shapely.Geometry, dict[str, Any]]]
) -> list[tuple[int | None, shapely.Geometry, dict[str, Any]]]:
    """Cut what is new to what is there, and refuse what newly overlaps."""
    place = {int(fid): n for n, fid in enumerate(layer.rows.index)}
    was = [None if fid is None else place.get(fid) for fid, _, _ in features]
    shapes = np.array([one for _, one, _ in features], dtype=object)
    for n, before in enumerate(was):
        if before is None:
            others = [m for m in range(len(shapes)) if m < n or was[m] is not None]
            shapes[n] = cut_to_fit(shapes[n], shapes[[m for m in others if m != n]])
            if shapes[n].is_empty:
                raise WrongError((n, "", "It lies wholly inside others of this layer."))
    shapes = with_shared_corners(shapes)
    wrong = newly_wrong(layer.shapes, shapes, was)
    if wrong:
        named = ", ".join(str(n + 1) for n in sorted(wrong))
        said = (
            f"Not saved: features {named} of {drawn.title} would overlap. Undo, and move the edge."
        )
        raise WrongError(*((n, "", said) for n in sorted(wrong)))
    return [(fid, shapes[n], values) for n, (fid, _, values) in enumerate(features)]


def in_place(beside: Path, path: Path) -> None:
    """Put a file in another's place in one step."""
    try:
        beside.replace(path)
    except PermissionError:  # where a file that is open cannot be replaced
        raise HeldError(path.name) from None


def _written(drawn: Drawn, rows: gpd.GeoDataFrame, beside: Path) -> None:
    """Write the layer into a copy of the file; its other layers and styles stay."""
    options: dict[str, Any] = {}
    kinds = {"line": "LineString", "polygon": "Polygon", "point": "Point", "any": "Unknown"}
    wanted = kinds[drawn.shape]
    if drawn.path.exists():
        shutil.copy2(drawn.path, beside)
    if drawn.there:
        info = pyogrio.read_info(drawn.path, layer=drawn.layer)
        wanted = str(info["geometry_type"] or "Unknown").replace(" Z", "").replace("2.5D ", "")
        options = {
            "GEOMETRY_NAME": info["geometry_name"] or "geom",
            "FID": info["fid_column"] or "fid",
        }
    shapes = rows.geometry.to_numpy()
    if wanted.startswith("Multi"):
        shapes = np.array([_multi(one) for one in shapes], dtype=object)
    elif any(str(one.geom_type).startswith("Multi") for one in shapes):
        wanted = f"Multi{wanted}" if wanted != "Unknown" else wanted
        shapes = np.array([_multi(one) for one in shapes], dtype=object)
    rows = rows.set_geometry(gpd.GeoSeries(shapes, index=rows.index, crs=rows.crs))
    pyogrio.write_dataframe(
        rows, beside, layer=drawn.layer, driver="GPKG", geometry_type=wanted,
        layer_options=options,
    )  # fmt: skip


def _multi(one: shapely.Geometry) -> shapely.Geometry:
    make = {
        "Polygon": shapely.multipolygons,
        "LineString": shapely.multilinestrings,
        "Point": shapely.multipoints,
    }.get(one.geom_type)
    return make([one]) if make else one


def _checked(
    site: Site, drawn: Drawn, beside: Path, crs: pyproj.CRS, rows: gpd.GeoDataFrame
) -> list[str]:
    """Have the site's readers read the copy; an error that was not there before refuses it."""
    read = reader(drawn)
    notes: list[str] = []
    old: set[tuple[str, str]] = set()
    if drawn.there:
        try:
            read(site, crs, [])
        except InputError as error:
            old = {(one.where, one.what) for one in error.errors}
    try:
        read(reading_from(site, drawn, beside.name), crs, notes)
    except InputError as error:
        new = [one for one in error.errors if (one.where, one.what) not in old]
        if new:
            raise WrongError(*(_placed(drawn, one, beside, rows) for one in new)) from None
    return [note.replace(beside.name, drawn.path.name) for note in notes]


def check_all(site: Site, drawn: Iterable[Drawn], beside: Path, crs: pyproj.CRS) -> None:
    """Have the readers read several layers of a file that is to take the place of theirs.

    Raises :class:`~siteplanner.desk.drawing.features.WrongError` for what was not wrong before.
    """
    for one in drawn:
        _checked(site, one, beside, crs, gpd.GeoDataFrame())


def _placed(
    drawn: Drawn, error: ErrorDetail, beside: Path, rows: gpd.GeoDataFrame
) -> tuple[int | None, str, str]:
    """Say which feature and which column an error is about, where it says so."""
    words = error.where.rpartition(", ")
    column = next((f.column for f in drawn.fields if f.column == words[2]), "")
    first = words[0] if column else error.where
    number = None
    digits = [int(w) for w in first.split() if w.isdigit()]
    if first.startswith(("feature", "paddock")) and digits and digits[0] <= len(rows):
        number = digits[0] - 1
    elif drawn.fields and drawn.fields[0].column in rows:
        names = [str(value) for value in rows[drawn.fields[0].column]]
        matches = [n for n, name in enumerate(names) if name and name in first]
        number = matches[0] if len(matches) == 1 else None
    return number, column, str(error).replace(str(beside), drawn.path.name)


@contextlib.contextmanager
def _removed(path: Path) -> Iterator[None]:
    """Leave no half of a file behind; one that a killed save left is removed first."""
    every = [path.with_name(path.name + end) for end in ("", "-wal", "-shm", "-journal")]
    for one in every:  # a journal that is left would be played back into the new copy
        one.unlink(missing_ok=True)
    try:
        yield
    finally:
        for one in every:
            one.unlink(missing_ok=True)


def _site_text(site: Site, drawn: Drawn) -> str | None:
    """The site file with the new file named in it; None where it is named already."""
    table, values = drawn.setting
    if not values:
        return None
    return with_settings(site.path, site_text(site), table, values)


def site_text(site: Site) -> str:
    """Give the text of a site file with its line ends as they are."""
    return toml_text(site.path, "give the path of a site file (site.toml)")


def replace_text(path: Path, text: str) -> None:
    """Put a site file in place once it can be read."""
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(text.encode("utf-8"))
    try:
        load_site(beside)
        keep(path)
        in_place(beside, path)
    finally:
        beside.unlink(missing_ok=True)
