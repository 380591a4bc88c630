"""Features as the page has them: plain values, in the site's own metres, nothing rounded."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from shapely.geometry import mapping, shape

from siteplanner.base.errors import input_error
from siteplanner.desk.drawing.drawn import Drawn, Field
from siteplanner.desk.drawing.shared_edges import with_shared_corners
from siteplanner.reading.files.drivers import DRIVER_ERRORS
from siteplanner.reading.files.text import must_hold

#: More corners than these in one layer are drawn in a GIS, not here.
MOST_CORNERS = 200_000
_TYPES = {
    "polygon": ("Polygon", "MultiPolygon"),
    "line": ("LineString", "MultiLineString"),
    "point": ("Point",),
}
_ANY = tuple(kind for kinds in _TYPES.values() for kind in kinds)


@dataclass(frozen=True)
class Layer:
    """A layer as it is in its file.

    ``rows`` are in the file's CRS, indexed by feature id; ``shapes`` the same features in the
    working CRS, with the corners that neighbours share. ``version`` changes with any of it.
    """

    rows: gpd.GeoDataFrame
    shapes: np.ndarray[Any, np.dtype[np.object_]]
    version: str


def layer_in(drawn: Drawn, crs: pyproj.CRS) -> Layer:
    """Read a layer as it is. Raises :class:`~siteplanner.InputError`."""
    if not drawn.there:
        rows = gpd.GeoDataFrame({f.column: [] for f in drawn.fields}, geometry=[], crs=crs)
    else:
        rows = _rows(drawn)
    if not isinstance(rows, gpd.GeoDataFrame) or rows.crs is None:
        raise input_error(
            drawn.path, f"layer {drawn.layer}", "it has no coordinate reference system (CRS)",
            "set its CRS in a GIS and save it again",
        )  # fmt: skip
    rows = rows[~(rows.geometry.isna() | rows.geometry.is_empty)]
    shapes = shapely.force_2d(rows.geometry.to_crs(crs).to_numpy())
    if shapely.get_num_coordinates(shapes).sum() > MOST_CORNERS:
        raise input_error(
            drawn.path, f"layer {drawn.layer}", f"it has over {MOST_CORNERS} corners",
            "draw it in a GIS",
        )  # fmt: skip
    if drawn.shares_edges and shapely.is_valid(shapes).all():
        shapes = with_shared_corners(shapes)
    return Layer(rows, shapes, _version(rows))


def _rows(drawn: Drawn) -> Any:
    must_hold(drawn.path, folder=True)
    try:
        return pyogrio.read_dataframe(drawn.path, layer=drawn.layer or None, fid_as_index=True)
    except DRIVER_ERRORS as error:
        raise input_error(
            drawn.path, f"layer {drawn.layer}", f"it cannot be read ({error})",
            "check the file in a GIS, or take an earlier one out of .before",
        ) from None  # fmt: skip


def _version(rows: gpd.GeoDataFrame) -> str:
    digest = hashlib.sha256()
    for shape_ in shapely.to_wkb(rows.geometry.to_numpy()):
        digest.update(shape_)
    digest.update(rows.drop(columns=rows.geometry.name).to_csv().encode())
    return digest.hexdigest()


def plain(layer: Layer) -> list[dict[str, Any]]:
    """Give features as GeoJSON with all their columns, so that what was deleted can come back."""
    names = [c for c in layer.rows.columns if c != layer.rows.geometry.name]
    values = {name: [_plain(value) for value in layer.rows[name]] for name in names}
    return [
        {
            "type": "Feature",
            "id": int(fid),
            "geometry": mapping(shape_),
            "properties": {column: values[column][n] for column in values},
        }
        for n, (fid, shape_) in enumerate(zip(layer.rows.index, layer.shapes, strict=True))
    ]


def _plain(value: Any) -> Any:
    if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return None
    value = value.item() if hasattr(value, "item") else value
    return value if isinstance(value, str | int | float | bool) else str(value)


class WrongError(Exception):
    """What was drawn or filled in is not valid: the feature's number, its column, a sentence."""

    def __init__(self, *errors: tuple[int | None, str, str]) -> None:
        super().__init__("\n".join(sentence for _, _, sentence in errors))
        self.errors = errors


def understood(
    drawn: Drawn, sent: Any
) -> list[tuple[int | None, shapely.Geometry, dict[str, Any]]]:
    """Take features as the page sent them: id (None for a new one), shape, and properties.

    Raises :class:`WrongError` with each feature that is not what the layer takes.
    """
    if not isinstance(sent, list):
        raise WrongError((None, "", "The page sent no list of features."))
    found, errors = [], []
    for number, one in enumerate(sent):
        try:
            drawn_shape = shape(one["geometry"])
            given = one["properties"]
            values = {**given, **{f.column: _value(f, given.get(f.column)) for f in drawn.fields}}
            fid = one.get("id")
            if not (fid is None or (isinstance(fid, int) and not isinstance(fid, bool))):
                raise ValueError("its number is not one")
        except _ValueError as error:
            errors.append((number, error.column, str(error)))
            continue
        except Exception:  # whatever else a page may send is no feature
            errors.append((number, "", f"Feature {number + 1} cannot be understood."))
            continue
        wrong = _wrong_shape(drawn, drawn_shape, number)
        if wrong:
            errors.append((number, "", wrong))
        else:
            found.append((fid, shapely.remove_repeated_points(drawn_shape), values))
    if errors:
        raise WrongError(*errors)
    if sum(shapely.get_num_coordinates(one) for _, one, _ in found) > MOST_CORNERS:
        raise WrongError((None, "", f"A layer drawn here has at most {MOST_CORNERS} corners."))
    return found


class _ValueError(Exception):
    def __init__(self, column: str, words: str) -> None:
        super().__init__(words)
        self.column = column


def _value(field: Field, given: Any) -> Any:
    if given is None or (isinstance(given, str) and not given.strip()):
        return None
    if field.kind == "text":
        return str(given)[:500]
    if field.kind == "choice":
        if str(given) not in {value for value, _ in field.choices}:
            raise _ValueError(field.column, f"{field.title}: choose one of the list.")
        return str(given)
    try:
        number = float(str(given).replace(",", ".", 1))
    except ValueError:
        raise _ValueError(field.column, f"{field.title}: write a number.") from None
    if not math.isfinite(number):
        raise _ValueError(field.column, f"{field.title}: write a number.")
    return int(number) if number == int(number) and field.kind == "yes_no" else number


def _wrong_shape(drawn: Drawn, one: shapely.Geometry, number: int) -> str:
    if one.geom_type not in _TYPES.get(drawn.shape, _ANY):
        return f"Feature {number + 1} is a {one.geom_type}; {drawn.title} takes others."
    if one.is_empty or not np.isfinite(shapely.get_coordinates(one)).all():
        return f"Feature {number + 1} has a corner without a place."
    if not shapely.is_valid(one):
        why = shapely.is_valid_reason(one).split("[")[0].strip().lower()
        crossed = "its outline crosses itself" if "intersection" in why else why
        return f"Feature {number + 1} was not saved: {crossed}. Move that corner back."
    return ""


def _as_before(rows: gpd.GeoDataFrame, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    for column, kind in rows.dtypes.items():
        if column == rows.geometry.name or column not in frame or len(rows) == 0:
            continue
        try:
            frame[column] = frame[column].astype(kind)
        except (TypeError, ValueError):  # an empty cell among whole numbers
            continue
    return frame


def rows_of(
    drawn: Drawn,
    layer: Layer,
    features: list[tuple[int | None, shapely.Geometry, dict[str, Any]]],
    crs: pyproj.CRS,
) -> gpd.GeoDataFrame:
    """Put features into rows of the file: what was not moved keeps its coordinates as they were.

    Columns that the page does not show stay with their feature.
    """
    rows, own = layer.rows, layer.rows.geometry.name
    place = {int(fid): n for n, fid in enumerate(rows.index)}
    moved = gpd.GeoSeries([one for _, one, _ in features], crs=crs).to_crs(rows.crs).to_numpy()
    records, shapes = [], []
    for n, (fid, one, values) in enumerate(features):
        at = place.get(fid) if fid is not None else None
        base = {} if at is None else rows.iloc[at].drop(own).to_dict()
        shown = {f.column for f in drawn.fields}
        mine = {c: v for c, v in values.items() if c in shown or (at is None and c in rows)}
        records.append({**base, **mine})
        same = at is not None and shapely.equals_exact(one, layer.shapes[at])
        shapes.append(rows.geometry.iloc[at] if same else moved[n])
    columns = [c for c in rows.columns if c != own]
    columns += [f.column for f in drawn.fields if f.column not in columns]
    frame = gpd.GeoDataFrame(pd.DataFrame(records, columns=columns), geometry=shapes, crs=rows.crs)
    return _as_before(rows, frame)
