"""The plan as a GeoPackage that a desktop GIS opens drawn."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray

from siteplanner.base.symbology.styles import Style, qml, sld
from siteplanner.handover.credits import OF_THE_MAP, credit_lines
from siteplanner.handover.drawn_kinds import in_drawing_order
from siteplanner.handover.gis.plan_styles import style_of
from siteplanner.plan import Plan

#: Geometry and fields of each layer of the GeoPackage, in the order in which they are written.
SCHEMA: dict[str, tuple[str, dict[str, type]]] = {
    "boundary": ("MultiPolygon", {"name": str}),
    "paddocks": ("MultiPolygon", {"name": str, "plant": bool, "area_ha": float, "trees": int}),
    "zones": (
        "MultiPolygon",
        {
            "zone": str,
            "title": str,
            "ground": str,
            "ground_kind": str,
            "area_ha": float,
            "pattern": str,
            "spacing_m": float,
            "density_ha": float,
            "trees": int,
        },
    ),
    "blocks": (
        "Polygon",
        {
            "block": str,
            "zone": str,
            "paddock": str,
            "area_ha": float,
            "trees": int,
            "rows": int,
            "bearing_deg": float,
            "steep": str,
            "status": str,
            "pattern": str,
            "spacing_m": float,
            "year": int,
        },
    ),
    "setbacks": ("MultiPolygon", {"kind": str, "setback_m": float}),
    "hollows": (
        "MultiPolygon",
        {"hollow": int, "area_ha": float, "depth_m": float, "trees": int},
    ),
    "no_plant": ("Unknown", {"kind": str, "name": str, "setback_m": float}),
    "rows": (
        "LineString",
        {
            "block": str,
            "zone": str,
            "row": int,
            "trees": int,
            "length_m": float,
            "ground_spacing_m": float,
        },
    ),
    "machine_lines": ("LineString", {"block": str, "length_m": float}),
    "trees": (
        "Point",
        {
            "species": str,
            "zone": str,
            "block": str,
            "row": int,
            "year": int,
            "mother": str,
        },
    ),
    "frost_obs": (
        "Point",
        {
            "name": str,
            "winter_min_c": float,
            "height_m": float,
            "at_reference_c": float,
            "estimated_c": float,
        },
    ),
}
_DTYPES = {str: object, int: np.int64, float: np.float64, bool: np.bool_}
_EPOCH = "2000-01-01T00:00:00.000Z"  # a file says nothing of when it was written
_STUB_M = 1.0
#: So many features are made ready at once: those of a large plan would fill memory.
_AT_ONCE = 50_000
_FIXED_OPTIONS = {
    "OGR_CURRENT_DATE": _EPOCH,
    "OGR_GPKG_ALLOW_THREADED_RTREE": "NO",
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
}
_options_lock = threading.Lock()


def write_geopackage(plan: Plan, path: Path) -> None:
    """Write the plan's features, with a style for each layer, as an OGC GeoPackage.

    Layers and fields are those of ``SCHEMA``, whatever the plan holds, so that a program may
    rely on them. A row of a single tree is drawn as a stub of 1 m along the block's rows; its
    ``length_m`` stays 0. The table ``layer_styles`` holds each layer's style where desktop GIS
    look for it. The same plan gives the same bytes.
    """
    path.unlink(missing_ok=True)
    with fixed_gdal_options():
        for name, (geometry, fields) in SCHEMA.items():
            source = _source(plan, name)
            for start in range(0, max(1, len(source)), _AT_ONCE):
                pyogrio.write_dataframe(
                    _features(plan, name, source.iloc[start : start + _AT_ONCE], fields),
                    path,
                    layer=name,
                    driver="GPKG",
                    geometry_type=geometry,
                    promote_to_multi=geometry.startswith("Multi"),
                    append=path.exists(),
                    **({} if start else _new_layer(plan, name)),
                )
        pyogrio.write_dataframe(
            layer_styles({name: style_of(plan, name) for name in SCHEMA}, "as on the plan's map"),
            path,
            layer="layer_styles",
            driver="GPKG",
            append=True,
            layer_options={"FID": "id", "DATETIME_PRECISION": "MILLISECOND"},
        )


def _new_layer(plan: Plan, name: str) -> dict[str, dict[str, str]]:
    """Give the options that a layer is begun with."""
    return {
        "dataset_options": {"VERSION": "1.2"},  # which older programs read without complaint
        "layer_options": {"GEOMETRY_NAME": "geom", "FID": "fid"} | _whose(plan, name),
    }


def _whose(plan: Plan, name: str) -> dict[str, str]:
    """Give a layer whose data are passed on the words of their licence, as its description."""
    lines = credit_lines(s for s in plan.sources if s.share_alike and s.what == OF_THE_MAP)
    return {"DESCRIPTION": " ".join(lines)} if name == "no_plant" and lines else {}


def _features(
    plan: Plan, name: str, source: gpd.GeoDataFrame, fields: dict[str, type]
) -> gpd.GeoDataFrame:
    columns: dict[str, Any] = {}
    for field, kind in fields.items():
        if name == "boundary" and field == "name":
            columns[field] = np.full(len(source), plan.name, dtype=object)
        elif field in source:
            columns[field] = _typed(source[field], kind)
        else:  # years and mothers of a plan whose works were not worked out
            columns[field] = np.full(len(source), 0 if kind is int else None, _DTYPES[kind])
    shapes = shapely.force_2d(source.geometry.to_numpy())
    if name == "rows":
        shapes = _lines(shapes, source["block"], plan.blocks)
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=plan.grid.crs)


def _source(plan: Plan, name: str) -> gpd.GeoDataFrame:
    if name != "machine_lines":
        features: gpd.GeoDataFrame = getattr(plan, name)
        return in_drawing_order(features) if name == "no_plant" else features
    return plan.works.rip


def _typed(column: pd.Series, kind: type) -> NDArray[Any]:
    if kind is str:
        return column.astype(object).where(column.notna(), None).to_numpy()
    return column.to_numpy().astype(_DTYPES[kind])


def _lines(shapes: NDArray[Any], block: pd.Series, blocks: gpd.GeoDataFrame) -> NDArray[Any]:
    single = shapely.get_type_id(shapes) == shapely.GeometryType.POINT
    if not single.any():
        return shapes
    bearing = block[single].map(blocks.set_index("block")["bearing_deg"]).to_numpy(dtype=float)
    along = np.column_stack([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
    middle = shapely.get_coordinates(shapes[single])
    ends = np.stack([middle - along * _STUB_M / 2, middle + along * _STUB_M / 2], axis=1)
    lines = shapes.copy()
    lines[single] = shapely.linestrings(ends)
    return lines


def layer_styles(styles: Mapping[str, Style], words: str) -> pd.DataFrame:
    """Make the table by which a desktop GIS draws layers; ``words`` describe their styles."""
    return pd.DataFrame(
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": list(styles),
            "f_geometry_column": "geom",
            "styleName": list(styles),
            "styleQML": [qml(style) for style in styles.values()],
            "styleSLD": [sld(name, style) for name, style in styles.items()],
            "useAsDefault": True,
            "description": words,
            "owner": "",
            "ui": "",
            "update_time": pd.Timestamp(_EPOCH),
        }
    )


@contextmanager
def fixed_gdal_options() -> Iterator[None]:
    """Set the options that make the bytes repeat; they hold for the process, so one at a time."""
    with _options_lock:
        before = {name: pyogrio.get_gdal_config_option(name) for name in _FIXED_OPTIONS}
        pyogrio.set_gdal_config_options(_FIXED_OPTIONS)
        try:
            yield
        finally:
            pyogrio.set_gdal_config_options(before)
