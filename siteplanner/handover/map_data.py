"""What the map page is given: a plan as compact plain values. Pure; writes nothing.

Places on the page are whole decimetres of EPSG:3857 east and north of the frame's south-west
corner. Those metres are longer than metres on the ground by 1 / cos(latitude), and the page
brings them back with the same projection, so nothing is lost but the rounding.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio.warp
import shapely
from affine import Affine
from numpy.typing import NDArray
from PIL import Image
from rasterio.enums import Resampling

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground.layer import LayerInfo
from siteplanner.handover import colours
from siteplanner.plan import Plan

MERCATOR = "EPSG:3857"
RELIEF_PIXELS = 1400
LAYER_PIXELS = 600
RAMP_STEPS = 64
_UNITS = 10  # page units a metre
_TOLERANCE_M = 0.3


@dataclass(frozen=True)
class Frame:
    """The part of the world that the page shows, EPSG:3857 metres."""

    west: float
    south: float
    width: float
    height: float

    @classmethod
    def around(cls, shapes: gpd.GeoSeries, margin: float = 0.25) -> Frame:
        """Frame the shapes in a square with a margin, a share of the longer side."""
        west, south, east, north = shapes.to_crs(MERCATOR).total_bounds
        side = math.ceil((1 + 2 * margin) * max(east - west, north - south))
        west, south = math.floor((west + east - side) / 2), math.floor((south + north - side) / 2)
        return cls(west, south, side, side)

    def pixels(self, longest: int) -> tuple[tuple[int, int], Affine]:
        """Give shape (rows, columns) and transform of a picture of the frame."""
        size = max(self.width, self.height) / longest
        shape = (max(1, round(self.height / size)), max(1, round(self.width / size)))
        top = self.south + self.height
        wide, high = self.width / shape[1], self.height / shape[0]
        return shape, Affine(wide, 0, self.west, 0, -high, top)


def page_data(plan: Plan) -> dict[str, Any]:
    """Give everything the page shows, as values that JSON can hold (no NaN)."""
    frame = Frame.around(plan.boundary.geometry)
    return {
        "name": plan.name,
        "trees_total": plan.trees_total,
        "area_ha": _number(plan.zones["area_ha"][plan.zones["trees"] > 0].sum(), 2),
        "frame": [frame.west, frame.south, frame.width, frame.height],
        "units": _UNITS,
        "frost_error_c": _number(plan.frost_error_c, 1),
        "reference_height_m": _reference_height(plan.settings),
        "species": _species(plan),
        "zones": _zones(plan, frame),
        "blocks": _features(
            plan.blocks, frame, ["block", "zone", "paddock"], {"area_ha": 3, "trees": 0,
            "rows": 0, "bearing_deg": 0}, label=True,
        ),
        "paddocks": [
            record | {"plant": bool(plant)}
            for record, plant in zip(
                _features(
                    plan.paddocks, frame, ["name"], {"area_ha": 2, "trees": 0}, label=True
                ),
                plan.paddocks["plant"],
                strict=True,
            )
        ],
        "boundary": _features(plan.boundary, frame, [], {}),
        "no_plant": _features(plan.no_plant, frame, ["kind", "name"], {"setback_m": 1}),
        "setbacks": _features(plan.setbacks, frame, ["kind"], {"setback_m": 1}),
        "frost": _features(
            plan.frost_obs, frame, ["name"], {"winter_min_c": 1, "height_m": 2,
            "at_reference_c": 1, "estimated_c": 1}, label=True,
        ),
        "trees": _trees(plan, frame),
        "counts": _counts(plan),
        "relief": _relief(plan.layers["hillshade"], plan.grid, frame),
        "layers": [
            _layer(info, plan.layers[name], plan, frame)
            for name, info in plan.infos.items()
            if info.on_map and name in plan.layers
        ],
        "cautions": list(plan.cautions),
        "warnings": list(plan.warnings),
    }  # fmt: skip


def _number(value: Any, digits: int) -> float | int | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) if digits else round(value)


def _text(value: Any) -> str:
    missing = value is None or (isinstance(value, float) and math.isnan(value))
    return "" if missing else str(value)


def _reference_height(settings: dict[str, object]) -> float | None:
    frost = settings.get("frost")
    height = frost.get("reference_height_m") if isinstance(frost, dict) else None
    return _number(height, 2)


def _species(plan: Plan) -> list[dict[str, Any]]:
    trees = np.bincount(plan.tree_species, minlength=len(plan.species))
    marks = colours.shapes(list(plan.species["colour"]))
    words = ["botanical_name", "common_name", "roles", "cautions", "colour"]
    return [
        {word: _text(getattr(row, word)) for word in words} | {"shape": shape, "trees": int(count)}
        for row, shape, count in zip(plan.species.itertuples(), marks, trees, strict=True)
    ]


def _zones(plan: Plan, frame: Frame) -> list[dict[str, Any]]:
    records = _features(
        plan.zones,
        frame,
        ["zone", "title", "ground", "pattern"],
        {"area_ha": 3, "spacing_m": 2, "density_ha": 0, "trees": 0},
    )
    order = {name: i for i, name in enumerate(plan.species["botanical_name"])}
    sums = plan.counts.groupby(["zone", "species"], sort=False)[["trees", "infill", "order"]].sum()
    parts = plan.zones.geometry.to_crs(MERCATOR).simplify(_TOLERANCE_M)
    tints = colours.zone_colours(plan.zones["trees"])
    for record, colour, shape in zip(records, tints, parts, strict=True):
        mine = [
            {"species": order[species], "trees": int(n), "infill": int(more), "order": int(all_)}
            for (zone, species), (n, more, all_) in zip(sums.index, sums.to_numpy(), strict=True)
            if zone == record["zone"]
        ]
        record["counts"] = sorted(mine, key=lambda count: -count["trees"])
        record["colour"] = colour
        record["labels"] = _labels(shape, frame)
    return records


def _labels(shape: shapely.Geometry, frame: Frame) -> list[list[int]]:
    """Give a place for a zone's letter in each part, with the width around it, widest first."""
    parts = shapely.get_parts(shape)
    rays = shapely.maximum_inscribed_circle(parts, tolerance=0.5)
    widths = np.rint(2 * shapely.length(rays) * _UNITS).astype(int)
    order = np.argsort(-widths, kind="stable")
    return [[*_place(shapely.get_point(rays[i], 0), frame), int(widths[i])] for i in order]


def _place(point: shapely.Point, frame: Frame) -> list[int]:
    return [round((point.x - frame.west) * _UNITS), round((point.y - frame.south) * _UNITS)]


def _features(
    table: gpd.GeoDataFrame,
    frame: Frame,
    words: Iterable[str],
    numbers: dict[str, int],
    *,
    label: bool = False,
) -> list[dict[str, Any]]:
    """Give rows of a table as records with the named columns and an outline."""
    shapes = table.geometry.to_crs(MERCATOR).simplify(_TOLERANCE_M)
    records = []
    for (_, row), shape in zip(table.iterrows(), shapes, strict=True):
        record: dict[str, Any] = {word: _text(row[word]) for word in words}
        record |= {name: _number(row[name], digits) for name, digits in numbers.items()}
        record["shape"] = _outline(shape, frame)
        if label:
            record["label"] = _place(shape.representative_point(), frame)
        records.append(record)
    return records


def _outline(shape: shapely.Geometry | None, frame: Frame) -> dict[str, list[Any]]:
    """Give a shape as areas (lists of rings), lines and points, each a flat x, y list."""

    def flat(part: shapely.Geometry) -> list[int]:
        xy = (shapely.get_coordinates(part) - (frame.west, frame.south)) * _UNITS
        return np.rint(xy).astype(int).ravel().tolist()

    found: dict[str, list[Any]] = {"areas": [], "lines": [], "points": []}
    for part in shapely.get_parts(shapely.force_2d(shape)) if shape is not None else []:
        if part.geom_type == "Polygon":
            found["areas"].append([flat(ring) for ring in (part.exterior, *part.interiors)])
        elif part.geom_type == "Point":
            found["points"].append(flat(part))
        elif part.geom_type in ("LineString", "LinearRing"):
            found["lines"].append(flat(part))
    return {kind: parts for kind, parts in found.items() if parts}


def _trees(plan: Plan, frame: Frame) -> dict[str, Any]:
    """Give all trees as base64 of small integers, row by row.

    ``x`` and ``y`` are uint16, little-endian, from 0 at the frame's west and south edge to
    65535 at its east and north edge; ``species`` is one byte a tree; ``rows`` lists
    [index of block, row, trees], in the trees' order.
    """
    index = {block: i for i, block in enumerate(plan.blocks["block"])}
    block = plan.trees["block"].map(index).to_numpy(np.int64)
    row = plan.trees["row"].to_numpy(np.int64)
    order = np.lexsort((row, block))
    points = shapely.get_coordinates(plan.trees.geometry.to_crs(MERCATOR))[order]
    share = (points - (frame.west, frame.south)) / (frame.width, frame.height)
    whole = np.rint(np.clip(share, 0, 1) * 65535).astype("<u2")
    runs, lengths = np.unique(np.column_stack((block, row)), axis=0, return_counts=True)
    return {
        "x": _base64(whole[:, 0].tobytes()),
        "y": _base64(whole[:, 1].tobytes()),
        "species": _base64(plan.tree_species[order].astype("u1").tobytes()),
        "rows": np.column_stack((runs, lengths)).tolist(),
    }


def _counts(plan: Plan) -> list[dict[str, Any]]:
    words, numbers = ["zone", "paddock", "species", "common_name"], ["trees", "infill", "order"]
    return [
        {w: _text(row[w]) for w in words} | {n: int(row[n]) for n in numbers}
        for row in plan.counts.to_dict("records")
    ]


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _warped(values: FloatGrid, grid: Grid, frame: Frame, longest: int, classes: bool) -> FloatGrid:
    shape, step = frame.pixels(longest)
    shrinks = step.a > grid.cell / math.cos(math.radians(grid.centre_lonlat[1]))
    way = Resampling.average if shrinks else Resampling.bilinear
    warped = np.full(shape, np.nan, dtype=np.float32)
    rasterio.warp.reproject(
        values,
        warped,
        src_transform=grid.transform,
        src_crs=grid.crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=step,
        dst_crs=MERCATOR,
        dst_nodata=np.nan,
        resampling=Resampling.nearest if classes else way,
        num_threads=1,
    )
    return warped


def _relief(hillshade: FloatGrid, grid: Grid, frame: Frame) -> str:
    """Give the hillshade as a JPEG data URL, lightened so that what lies on it is read."""
    shade = _warped(hillshade, grid, frame, RELIEF_PIXELS, classes=False)
    light = np.where(np.isnan(shade), 238, 90 + shade * (165 / 255)).round()
    return _image(Image.fromarray(light.clip(0, 255).astype(np.uint8)), "JPEG", quality=72)


def _layer(info: LayerInfo, values: FloatGrid, plan: Plan, frame: Frame) -> dict[str, Any]:
    """Give a layer as a picture with its legend; unknown cells are clear."""
    warped = _warped(values, plan.grid, frame, LAYER_PIXELS, classes=bool(info.classes))
    inside = values[plan.grid.cover(plan.boundary.geometry) & np.isfinite(values)]
    record: dict[str, Any] = {
        "name": info.name,
        "title": info.title,
        "unit": info.unit,
        "method": info.method,
        "source": info.source,
    }
    if info.classes:
        tints = colours.ramp(info.colours, len(info.classes))
        codes = np.where(np.isfinite(warped), warped + 1, 0).clip(0, len(tints))
        cells = np.bincount(inside.astype(int), minlength=len(tints)) / max(1, inside.size)
        record["classes"] = [
            {"title": title, "colour": tint, "percent": round(100 * float(share))}
            for title, tint, share in zip(info.classes, tints, cells, strict=False)
            if share > 0
        ]
    else:
        low, high = np.percentile(inside, (1, 99)) if inside.size else (np.nan, np.nan)
        span = max(float(high - low), 1e-9) if inside.size else 1.0
        tints = colours.ramp(info.colours, RAMP_STEPS)
        steps = np.floor((warped - low) / span * RAMP_STEPS).clip(0, RAMP_STEPS - 1) + 1
        codes = np.where(np.isfinite(steps), steps, 0)
        record |= {"low": _shown(low, span), "high": _shown(high, span)}
        record["beyond"] = bool(inside.size and (inside.min() < low or inside.max() > high))
        record["ramp"] = colours.ramp(info.colours, 9)
    record["image"] = _palette_image(codes.astype(np.uint8), tints)
    return record


def _shown(value: float, span: float) -> float | int | None:
    """Round a legend's end to a hundredth of its span or so."""
    return _number(value, max(0, 2 - math.ceil(math.log10(span))))


def _palette_image(codes: NDArray[np.uint8], tints: list[str]) -> str:
    """Give codes (0 clear, 1 … n the tints) as a PNG data URL."""
    picture = Image.fromarray(codes, mode="P")
    rgb = bytes.fromhex("ffffff" + "".join(tint.lstrip("#") for tint in tints))
    picture.putpalette(rgb)
    return _image(picture, "PNG", transparency=0, optimize=True)


def _image(picture: Image.Image, form: str, **options: Any) -> str:
    buffer = io.BytesIO()
    picture.save(buffer, form, **options)
    return f"data:image/{form.lower()};base64,{_base64(buffer.getvalue())}"
