"""What the map page shows: a plan as compact plain values. Pure; writes nothing.

Places on the page are whole decimetres of EPSG:3857 east and north of the frame's south-west
corner. Those metres are longer than metres on the ground by 1 / cos(latitude), and the page
brings them back with the same projection, so nothing is lost but the rounding.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import Any
from urllib.parse import urlsplit

import geopandas as gpd
import numpy as np
import shapely

from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.symbology import colours, kinds
from siteplanner.base.symbology.kinds import HATCHES, MARKER_MM, MARKERS, SOLID_OPACITY, Symbology
from siteplanner.base.tables import FORMULA_STARTS
from siteplanner.base.units import area_words, hectares, share_words
from siteplanner.handover.contours import HEIGHTS, contours
from siteplanner.handover.credits import credit_lines, map_credit
from siteplanner.handover.drawn_kinds import DRAWN, drawn_kinds, in_drawing_order
from siteplanner.handover.map import words
from siteplanner.handover.map.crew import crews, jobs
from siteplanner.handover.map.ground import (
    MapFrame,
    layer,
    minus,
    number,
    relief,
    text,
)
from siteplanner.handover.map.signs import species_records
from siteplanner.handover.map.species import frost_odds, species_ground
from siteplanner.handover.map.trees import trees_of
from siteplanner.plan import Plan

_UNITS = 10  # page units a metre
_TOLERANCE_M = 0.3


#: What is said of a hollow, and its decimals.
_CONTOUR_SCALE = 7500.0
_OF_HOLLOW = {"area_ha": 4, "depth_m": 1, "trees": 0}


def page_data(plan: Plan, call: Call = afresh) -> dict[str, Any]:
    """Give everything the page shows, as values that JSON can hold (no NaN).

    What is dear goes through ``call``.
    """
    frame = MapFrame.around(plan.boundary.geometry)
    blocks = _features(
        plan.blocks,
        frame,
        ["block", "zone", "paddock", "steep"],
        {"area_ha": 4, "trees": 0, "rows": 0, "bearing_deg": 0},
        label=True,
    )
    crew, careful = crews(plan, call)
    planted_ha = float(plan.zones["area_ha"][plan.zones["trees"] > 0].sum())
    return {
        "name": plan.name,
        "trees_total": plan.trees_total,
        "planted": share_words(planted_ha, float(hectares(plan.boundary.area.sum()))),
        "frame": [frame.west, frame.south, frame.width, frame.height],
        "units": _UNITS,
        "frost_error_c": number(plan.frost_error_c, 1),
        "words": {
            "sure": words.sure(number(plan.frost_error_c, 1)),
            "losses": words.LOSSES,
            "codes": words.CODES,
            "services": words.SERVICES,
        },
        "symbology": {kind: _symbology(one) for kind, one in DRAWN.items()},
        "drawn_kinds": [
            {"kind": kind, "forms": forms} for kind, forms in drawn_kinds(plan).items()
        ],
        "hatches": [*HATCHES],
        "solid_opacity": SOLID_OPACITY,
        "zone_opacity": kinds.ZONE_OPACITY,
        "marker_mm": MARKER_MM,
        "markers": MARKERS,
        "reference_height_m": _reference_height(plan.settings),
        "species": species_records(plan),
        "zones": _zones(plan, frame),
        "blocks": [
            record | works | crew.get(record["block"], {})
            for record, works in zip(blocks, _works(plan), strict=True)
        ],
        "careful": careful,
        "jobs": jobs(plan),
        "totals": _totals(plan),
        "identity": _identity(plan.name, blocks),
        "paddocks": _paddocks(plan, frame),
        "boundary": _features(plan.boundary, frame, [], {}),
        "no_plant": _features(
            in_drawing_order(plan.no_plant), frame, ["kind", "name"], {"setback_m": 1}
        ),
        "setbacks": _features(plan.setbacks, frame, ["kind"], {"setback_m": 1}),
        "contours": _contours(plan, frame, call),
        "hollows": _features(plan.hollows, frame, ["hollow"], _OF_HOLLOW),
        "frost": _features(
            plan.frost_obs, frame, ["name"], {"winter_min_c": 1, "height_m": 2,
            "at_reference_c": 1, "estimated_c": 1}, label=True,
        ),
        "dig": _dig(plan, frame),
        "thermometers": _thermometers(plan, frame),
        "trees": trees_of(plan, frame),
        "counts": _counts(plan),
        "relief": call(relief, plan.layers["hillshade"], plan.grid, frame),
        "layers": [
            call(layer, info, plan.layers[name], plan.grid, plan.boundary.geometry, frame)
            for name, info in plan.infos.items()
            if info.on_map and name in plan.layers
        ],
        "species_ground": species_ground(plan, call),
        "frost_odds": frost_odds(plan),
        "imagery": _imagery(plan.settings),
        "cautions": list(plan.cautions),
        "warnings": list(plan.warnings),
        "credits": credit_lines(plan.sources),
        "map_credit": map_credit(plan.sources),
        "formula_starts": "".join(FORMULA_STARTS),
    }  # fmt: skip


def _paddocks(plan: Plan, frame: MapFrame) -> list[dict[str, Any]]:
    """Give the paddocks with their area in words, and why there are no trees where none stand."""
    records = _features(plan.paddocks, frame, ["name"], {"area_ha": 4, "trees": 0}, label=True)
    return [
        record
        | {
            "plant": bool(plant),
            "area": area_words(record["area_ha"]),
            "why_not": _why_no_trees(record["trees"], bool(plant)),
        }
        for record, plant in zip(records, plan.paddocks["plant"], strict=True)
    ]


def _symbology(symbology: Symbology) -> dict[str, Any]:
    """Give symbology as plain values, lengths in mm."""
    return {
        "word": symbology.word,
        "colour": symbology.colour,
        "width": symbology.width_mm,
        "dash": list(symbology.dash_mm),
        "fill": symbology.fill,
        "marker": symbology.marker,
        "pale": symbology.pale,
    }


def _identity(name: str, blocks: list[dict[str, Any]]) -> str:
    """Tell plans apart by name and blocks, so that the page's ticks stay with their plan."""
    told = json.dumps([name, [[b["block"], b["trees"], b["shape"]] for b in blocks]])
    return hashlib.sha256(told.encode("utf-8")).hexdigest()[:12]


def _imagery(settings: dict[str, object]) -> dict[str, str] | None:
    """Give the online imagery that the site file asks for; None by default."""
    asked = settings.get("map")
    url = asked.get("imagery_url") if isinstance(asked, dict) else None
    if not isinstance(asked, dict) or not url:
        return None
    parts = urlsplit(url)
    return {
        "url": url,
        "origin": f"{parts.scheme}://{parts.netloc}",
        "credit": text(asked.get("imagery_credit")),
    }


def _why_no_trees(trees: int, plant: bool) -> str:
    """Say why a paddock has no trees; empty where it has some."""
    if not plant:
        return "No trees: the paddocks file leaves it out of this plan."
    if not trees:
        return (
            "No trees: setbacks, steep ground and ground that suits no species leave nothing to "
            "plant."
        )
    return ""


def _why_zone_empty(zone: dict[str, Any], settings: dict[str, object]) -> str:
    """Say why a zone has no trees; empty where it has some."""
    if zone["trees"]:
        return ""
    planting, mix = settings.get("planting"), settings.get("mix")
    if "too steep" in zone["title"] and isinstance(planting, dict):
        steepest = planting.get("steepest_deg", 0)
        return (
            f"Not for trees: steeper than {steepest:g}°. Someone who knows this ground must judge "
            "what is safe on foot."
        )
    if "nothing fits" in zone["title"] and isinstance(mix, dict):
        lowest = mix.get("lowest_suitability")
        return f"Not for trees: no species reaches a suitability of {lowest} of 100 here."
    return "Not for trees: the plan places no species here."


def _reference_height(settings: dict[str, object]) -> float | None:
    frost = settings.get("frost")
    height = frost.get("reference_height_m") if isinstance(frost, dict) else None
    return number(height, 2)


def _zones(plan: Plan, frame: MapFrame) -> list[dict[str, Any]]:
    records = _features(
        plan.zones,
        frame,
        ["zone", "title", "ground", "pattern"],
        {"area_ha": 4, "spacing_m": 2, "density_ha": 0, "trees": 0},
    )
    order = {name: i for i, name in enumerate(plan.species["botanical_name"])}
    sums = plan.counts.groupby(["zone", "species"], sort=False)[["trees", "infill", "order"]].sum()
    parts = plan.zones.geometry.to_crs(frame.crs).simplify(_TOLERANCE_M)
    tints = colours.zone_colours(plan.zones["trees"])
    cues = colours.zone_patterns(tints)
    for record, colour, marks, shape in zip(records, tints, cues, parts, strict=True):
        mine = [
            {"species": order[species], "trees": int(n), "infill": int(more), "order": int(all_)}
            for (zone, species), (n, more, all_) in zip(sums.index, sums.to_numpy(), strict=True)
            if zone == record["zone"]
        ]
        record["counts"] = sorted(mine, key=lambda count: -count["trees"])
        record["ground"] = minus(record["ground"])
        record["title"] = minus(record["title"])
        record["why_not"] = _why_zone_empty(record, plan.settings)
        record["colour"] = colour
        record["marks"] = marks
        record["labels"] = _labels(shape, frame)
        record["area"] = area_words(record["area_ha"])
    return records


def _totals(plan: Plan) -> list[dict[str, int]]:
    """Give the trees and the order of each species in all zones, most trees first."""
    sums = plan.counts.groupby("species")[["trees", "order"]].sum()
    rows = [
        {"species": place, **{key: int(n) for key, n in sums.loc[name].items()}}
        for place, name in enumerate(plan.species["botanical_name"])
        if name in sums.index
    ]
    return sorted((row for row in rows if row["trees"]), key=lambda row: -row["trees"])


def _labels(shape: shapely.Geometry, frame: MapFrame) -> list[list[int]]:
    """Give a place for a zone's letter in each part, with the width around it, widest first."""
    parts = shapely.get_parts(shape)
    rays = shapely.maximum_inscribed_circle(parts, tolerance=0.5)
    widths = np.rint(2 * shapely.length(rays) * _UNITS).astype(int)
    order = np.argsort(-widths, kind="stable")
    return [[*_place(shapely.get_point(rays[i], 0), frame), int(widths[i])] for i in order]


def _works(plan: Plan) -> list[dict[str, Any]]:
    """Give each block its area in words; where it has trees, year, window, crew and crew-days."""
    known = plan.works.blocks.set_index("block")
    texts, numbers = (
        ["access_class", "window"],
        {"year": 0, "later": 0, "trees_later": 0, "crew_days": 1},
    )
    found: list[dict[str, Any]] = []
    for block, area_ha in zip(plan.blocks["block"], plan.blocks["area_ha"], strict=True):
        found.append({"area": area_words(area_ha)})
        if block in known.index:
            found[-1] |= {word: text(known.at[block, word]) for word in texts}
            found[-1] |= {name: number(known.at[block, name], n) for name, n in numbers.items()}
    return found


def _dig(plan: Plan, frame: MapFrame) -> list[dict[str, Any]]:
    """Give the spots where a look with a spade would change the plan most."""
    spots = plan.dig
    if not len(spots):
        return []
    points = gpd.GeoSeries(
        gpd.points_from_xy(spots["easting"].astype(float), spots["northing"].astype(float)),
        crs=plan.grid.crs,
    ).to_crs(frame.crs)
    return [
        {word: text(row[word]) for word in ("spot", "map_says", "why", "if_not")}
        | {"label": _place(point, frame)}
        for row, point in zip(spots.to_dict("records"), points, strict=True)
    ]


def _thermometers(plan: Plan, frame: MapFrame) -> list[dict[str, Any]]:
    """Give the spots where one more thermometer would lower the frost estimate's error most."""
    spots = plan.thermometers
    if not len(spots):
        return []
    points = gpd.GeoSeries(
        gpd.points_from_xy(spots["easting"], spots["northing"]), crs=plan.grid.crs
    ).to_crs(frame.crs)
    errors = ("error_there_c", "mean_error_before_c", "mean_error_after_c")
    return [
        {"spot": text(row["spot"]), "label": _place(point, frame)}
        | {name: number(row[name], 2) for name in errors}
        for row, point in zip(spots.to_dict("records"), points, strict=True)
    ]


def _place(point: shapely.Point, frame: MapFrame) -> list[int]:
    return [round((point.x - frame.west) * _UNITS), round((point.y - frame.south) * _UNITS)]


def _contours(plan: Plan, frame: MapFrame, call: Call) -> list[dict[str, Any]]:
    """Contours of the property and what is around it, as the overview on paper has them."""
    area = plan.boundary.union_all().buffer(100.0)
    layers = {name: plan.layers[name] for name in (HEIGHTS, "slope") if name in plan.layers}
    found = call(contours, layers, plan.grid, area.bounds, _CONTOUR_SCALE)
    inside = found.set_geometry(shapely.intersection(found.geometry, area))
    return _features(inside[~inside.is_empty], frame, [], {"height_m": 1}, label=True)


def _features(
    table: gpd.GeoDataFrame,
    frame: MapFrame,
    texts: Iterable[str],
    numbers: dict[str, int],
    *,
    label: bool = False,
) -> list[dict[str, Any]]:
    """Give rows of a table as records with the named columns and an outline."""
    shapes = table.geometry.to_crs(frame.crs).simplify(_TOLERANCE_M)
    records = []
    for (_, row), shape in zip(table.iterrows(), shapes, strict=True):
        record: dict[str, Any] = {word: text(row[word]) for word in texts}
        record |= {name: number(row[name], digits) for name, digits in numbers.items()}
        record["shape"] = _outline(shape, frame)
        if label:
            record["label"] = _place(shape.representative_point(), frame)
        records.append(record)
    return records


def _outline(shape: shapely.Geometry | None, frame: MapFrame) -> dict[str, list[Any]]:
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


def _counts(plan: Plan) -> list[dict[str, Any]]:
    texts, numbers = ["zone", "paddock", "species", "common_name"], ["trees", "infill", "order"]
    return [
        {w: text(row[w]) for w in texts} | {n: int(row[n]) for n in numbers}
        for row in plan.counts.to_dict("records")
    ]
