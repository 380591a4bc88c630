"""GIS files: the plan as a GeoPackage that opens drawn, and its layers as GeoTIFFs."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray

from siteplanner import __version__
from siteplanner.base.colours import ramp
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.styles import Style, qml, sld
from siteplanner.base.symbology import style_of
from siteplanner.plan import Plan
from siteplanner.site.site_file import slug
from siteplanner.suitability.classes import CLASSES, NOT_SCORED

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
            "year": int,
        },
    ),
    "setbacks": ("MultiPolygon", {"kind": str, "setback_m": float}),
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
#: How the score of a fit came about, by index; see ``species.fit.fit``.
_FIT_METHODS = {
    "limiting": "the most limiting factor decides (FAO Soils Bulletin 32, 1976)",
    "square root": "lowest score times the root of the product of the others (Khiddir 1986)",
    "product": "product of the scores of all factors (Storie 1978)",
}
_EPOCH = "2000-01-01T00:00:00.000Z"  # a file says nothing of when it was written
_STUB_M = 1.0
_FIXED_OPTIONS = {
    "OGR_CURRENT_DATE": _EPOCH,
    "OGR_GPKG_ALLOW_THREADED_RTREE": "NO",
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
}
_options_lock = threading.Lock()


# --- the GeoPackage ------------------------------------------------------------------------


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
            pyogrio.write_dataframe(
                _features(plan, name, fields),
                path,
                layer=name,
                driver="GPKG",
                geometry_type=geometry,
                promote_to_multi=geometry.startswith("Multi"),
                append=path.exists(),
                dataset_options={"VERSION": "1.2"},  # which older programs read without complaint
                layer_options={"GEOMETRY_NAME": "geom", "FID": "fid"},
            )
        pyogrio.write_dataframe(
            layer_styles({name: style_of(plan, name) for name in SCHEMA}, "as on the plan's map"),
            path,
            layer="layer_styles",
            driver="GPKG",
            append=True,
            layer_options={"FID": "id", "DATETIME_PRECISION": "MILLISECOND"},
        )


def _features(plan: Plan, name: str, fields: dict[str, type]) -> gpd.GeoDataFrame:
    source = _source(plan, name)
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
        return features
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


# --- layers as GeoTIFF ---------------------------------------------------------------------


def write_layer(info: LayerInfo, values: FloatGrid, grid: Grid, folder: Path) -> Path:
    """Write a layer as a Cloud-Optimized GeoTIFF ``<name>.tif`` in ``folder``; give its path.

    Numbers are written as they are, float32 with NaN for unknown. A layer of categories is
    written as uint8 codes, 255 for unknown, with a colour table and its names in the tags
    ``class_0``, ``class_1`` …

    Raises ``ValueError`` when a category has a code that its description does not name.
    """
    path = folder / f"{layer_file_stem(info.name)}.tif"
    table = _class_colours(info) if info.classes else None
    _write_cog(path, coded(info, values), grid, info.title, info.unit, _layer_tags(info), table)
    return path


def coded(info: LayerInfo, values: FloatGrid) -> NDArray[Any]:
    """Give a layer's values as they are stored: numbers as they are, categories as uint8 codes.

    Raises ``ValueError`` when a category has a code that its description does not name.
    """
    if not info.classes:
        return values
    known = np.isfinite(values)
    codes = values[known]
    if codes.size and not (codes.min() >= 0 and codes.max() < min(len(info.classes), 255)):
        raise ValueError(
            f"layer {info.name} has codes {codes.min():g} to {codes.max():g}, but describes "
            f"{len(info.classes)} classes"
        )
    out = np.full(values.shape, NOT_SCORED, dtype=np.uint8)
    out[known] = np.rint(codes)
    return out


def describe(file: Any, info: LayerInfo) -> None:
    """Write a layer's description into an open GeoTIFF: title, unit, tags, class colours."""
    table = _class_colours(info) if info.classes else None
    _describe(file, info.title, info.unit, _layer_tags(info), table)


def _layer_tags(info: LayerInfo) -> dict[str, str]:
    return {
        "title": info.title,
        "unit": info.unit,
        "method": info.method,
        "source": info.source,
        "valid_min": f"{info.valid[0]:g}",
        "valid_max": f"{info.valid[1]:g}",
        **{f"class_{code}": name for code, name in enumerate(info.classes)},
    }


def _class_colours(info: LayerInfo) -> dict[int, tuple[int, int, int]]:
    return dict(enumerate(_rgb(c) for c in ramp(info.colours, len(info.classes))))


def write_fit(
    species: Sequence[str],
    scores: NDArray[np.uint8],
    grid: Grid,
    folder: Path,
    index: str = "limiting",
) -> list[Path]:
    """Write each species' fit as ``fit_<species>.tif``, coloured in four bands of fitness.

    ``index`` is how scores of factors became one (``species.fit.INDICES``). ``scores`` is uint8
    (species, rows, columns), 0-100, 255 where not scored. Two species whose names give the same
    file name are told apart by a number.
    """
    bands = _fit_bands()
    colours = [_rgb(colour) for colour in reversed(ramp("YlGnBu_09", len(bands)))]
    table: dict[int, tuple[int, int, int]] = {}
    for (low, high, _), colour in zip(bands, colours, strict=True):
        table |= dict.fromkeys(range(low, high + 1), colour)
    tags = {f"class_{low}_{high}": words for low, high, words in bands}
    tags |= {
        "unit": "score 0-100",
        "method": _FIT_METHODS[index],
        "valid_min": "0",
        "valid_max": "100",
    }
    paths = []
    for name, stem, score in zip(species, unique_slugs(species), scores, strict=True):
        title = f"Fit of {name}"
        path = folder / f"fit_{stem}.tif"
        _write_cog(path, score, grid, title, "", {"title": title, "species": name, **tags}, table)
        paths.append(path)
    return paths


def _fit_bands() -> list[tuple[int, int, str]]:
    """Lowest and highest score and the words of each band, best first; N1 and N2 are one."""
    bands: list[tuple[int, int, str]] = []
    high = 100
    for _, low, words in CLASSES:
        if bands and bands[-1][2] == words:
            bands[-1] = (low, bands[-1][1], words)
        else:
            bands.append((low, high, words))
        high = low - 1
    return bands


def _write_cog(
    path: Path,
    values: NDArray[Any],
    grid: Grid,
    title: str,
    unit: str,
    tags: dict[str, str],
    colours: dict[int, tuple[int, int, int]] | None = None,
) -> None:
    number = values.dtype == np.float32
    rows, columns = grid.shape
    # Deflate is read everywhere; its higher levels cost three times as long for 1.5 % of size.
    with rasterio.open(
        path,
        "w",
        driver="COG",
        height=rows,
        width=columns,
        count=1,
        dtype=values.dtype,
        crs=grid.crs.to_wkt(),
        transform=grid.transform,
        nodata=np.nan if number else NOT_SCORED,
        compress="DEFLATE",
        level=1 if number else 6,
        predictor="FLOATING_POINT" if number else "NO",
        overview_resampling="AVERAGE" if number else "NEAREST",
    ) as file:
        file.write(values, 1)
        _describe(file, title, unit, tags, colours)


def _describe(
    file: Any,
    title: str,
    unit: str,
    tags: dict[str, str],
    colours: dict[int, tuple[int, int, int]] | None,
) -> None:
    file.set_band_description(1, _tag(title))
    file.units = (unit,)
    tags = {"made_by": f"siteplanner {__version__}", **tags}
    file.update_tags(**{name: _tag(text) for name, text in tags.items()})
    if colours is not None:
        file.write_colormap(1, {code: (0, 0, 0, 0) for code in range(256)} | colours)


def _tag(text: str) -> str:
    # Tags are kept as XML inside the file: a control character there would make it unreadable.
    return "".join(c if c.isprintable() or c == " " else "?" for c in text)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


# --- file names ----------------------------------------------------------------------------


def unique_slugs(texts: Sequence[str]) -> list[str]:
    """Give each text a file name's stem, with ``_2``, ``_3`` … where an earlier one took it."""
    taken: set[str] = set()
    chosen = []
    for text in texts:
        stem = first = _stem(text)
        number = 1
        while stem in taken:
            number += 1
            stem = f"{first}_{number}"
        taken.add(stem)
        chosen.append(stem)
    return chosen


def layer_file_stem(name: str) -> str:
    """File name's stem of a layer; a name unsafe as one is slugged and marked by its hash."""
    if re.fullmatch(r"[a-z0-9_]{1,60}", name) and not name.startswith("fit_"):
        return name
    return f"{_stem(name)}_{sha256(name.encode()).hexdigest()[:8]}"


def _stem(text: str) -> str:
    return slug(text).replace("-", "_") or "unnamed"
