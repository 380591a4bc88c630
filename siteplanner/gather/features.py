"""What to keep clear of, from OpenStreetMap by the Overpass interface."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import urlencode

import geopandas as gpd
import numpy as np
import shapely

from siteplanner.gather.area import Area, Box, in_words
from siteplanner.gather.found import Found
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import Answer, ServiceError, error_inside
from siteplanner.gather.services import Services
from siteplanner.gather.writing import write_features

_ASKED = (
    '(nwr["power"];nwr["building"];way["highway"];way["railway"];way["waterway"];way["barrier"];'
    'nwr["natural"~"^(water|wetland|spring)$"];nwr["man_made"~"pipeline|well|tank"];);out geom;'
)
_LIES_UNDER = ("underground", "underwater")
#: Features that are areas where their line is closed.
_AREAS = ("building", "natural", "man_made")
_AREA_POWER = ("substation", "plant", "generator")
_LAYERS = {"Point": "points", "LineString": "lines", "Polygon": "areas"}


def features(door: Door, services: Services, area: Area) -> Found | None:
    """Find what to keep clear of in and around the property; None where nothing is mapped.

    Raises :class:`ServiceError`, also for an answer that is empty because time ran out.
    """
    own = services.overpass
    box = area.around(own.wider_m)
    west, south, east, north = box
    asked = f"[out:json][timeout:60][bbox:{south:g},{west:g},{north:g},{east:g}];{_ASKED}"
    form = urlencode({"data": asked}).encode()
    answer = door.post(own.address, form, f"a box, {in_words(box)}", check=must_be_whole)
    frame, strange = mapped(json.loads(answer.body)["elements"], box)
    if frame.empty:
        return None
    layers = {
        layer: frame[frame.geom_type.str.removeprefix("Multi") == kind].reset_index(drop=True)
        for kind, layer in _LAYERS.items()
    }
    notes = [
        "Features: fences and buried lines are mostly not in OpenStreetMap, and a line that is in "
        "it can be metres off. Have services located before anyone digs, and draw what is missing."
    ]
    if strange:
        notes.append(f"Features: {strange} things of other kinds are left out.")
    words = f"{own.credit}. Licence: {own.licence}."
    return Found(
        own, own.address, answer.on.isoformat(),
        "drawn by volunteers: what is missing may still be there",
        lambda path: write_features(path, layers, words), own.cell,
        "walk the ground and draw fences, pipes and wires; have buried services located",
        tuple(notes),
    )  # fmt: skip


def must_be_whole(answer: Answer) -> None:
    """Refuse an answer that is no list, or whose list ends where time or memory ran out."""
    try:
        read = json.loads(answer.body)
    except ValueError:
        raise ServiceError(f"it answered with an error: {error_inside(answer.body)}") from None
    if not isinstance(read, dict) or not isinstance(read.get("elements"), list):
        raise ServiceError("its answer is not what was asked")
    if read.get("remark"):
        raise ServiceError(f"it did not finish ({str(read['remark'])[:160]}); run again later")


def kind_of(tags: Mapping[str, str]) -> str | None:
    """Give the kind of thing to keep clear of that tags mean; None for what is none.

    >>> kind_of({"power": "minor_line"}), kind_of({"highway": "residential"})
    ('power_line', 'track')
    >>> kind_of({"barrier": "gate"}) is None
    True
    """
    under = tags.get("location") in _LIES_UNDER or tags.get("tunnel") == "yes"
    if power := tags.get("power"):
        return "buried_cable" if power == "cable" or under else "power_line"
    if tags.get("man_made") == "pipeline":
        return "buried_pipe"
    if tags.get("building", "no") != "no":
        return "building"
    if waterway := tags.get("waterway"):
        return "dam_wall" if waterway in ("dam", "weir") else "waterway"
    if natural := tags.get("natural"):
        return {"water": "dam", "wetland": "waterway", "spring": "waterway"}.get(natural)
    if "highway" in tags:
        return "track"
    if "railway" in tags:
        return "other"
    if tags.get("barrier") in ("fence", "wall", "hedge"):
        return "fence"
    return "other" if "man_made" in tags else None


def mapped(elements: Iterable[Any], box: Box) -> tuple[gpd.GeoDataFrame, int]:
    """Give elements' kinds, names and shapes in a box (degrees), and how many are of none.

    A shape runs past the box that was asked for, and is cut to it.
    """
    whole = shapely.box(*box)
    kinds, names, shapes, strange = [], [], [], 0
    for element in elements:
        tags = element.get("tags") or {}
        kind = kind_of(tags)
        if kind is None:
            strange += bool(tags)
            continue
        shape = _shape(element, _is_area(tags))
        if shape is None:
            continue
        for part in _parts(shapely.intersection(shapely.make_valid(shape), whole)):
            kinds.append(kind)
            names.append(_name(tags))
            shapes.append(part)
    frame = gpd.GeoDataFrame({"kind": kinds, "name": names}, geometry=shapes, crs=4326)
    return frame, strange


def _name(tags: Mapping[str, str]) -> str:
    for key in ("name", "ref"):
        if tags.get(key):
            return str(tags[key])[:200]
    for key in ("railway", "highway", "waterway", "man_made", "power", "natural"):
        if tags.get(key):
            return str(tags[key]).replace("_", " ")[:200]
    return ""


def _is_area(tags: Mapping[str, str]) -> bool:
    return any(key in tags for key in _AREAS) or tags.get("power") in _AREA_POWER


def _shape(element: Mapping[str, Any], area: bool) -> shapely.Geometry | None:
    """The shape of a node, a way or a relation; None where it has none."""
    kind = element.get("type")
    if kind == "node":
        return shapely.Point(element["lon"], element["lat"])
    if kind == "way":
        return _line(element.get("geometry"), area)
    members = [m for m in element.get("members") or [] if m.get("type") == "way"]
    if not area:
        lines = [_line(m.get("geometry"), False) for m in members]
        found = shapely.union_all([line for line in lines if line is not None])
        return None if found.is_empty else found
    found = shapely.difference(_filled(members, "outer"), _filled(members, "inner"))
    # Rings that do not close are still there to keep clear of.
    return _shape(element, False) if found.is_empty else found


def _filled(members: list[Any], role: str) -> shapely.Geometry:
    """The ground that the rings of one role enclose, out of lines in any order."""
    lines = [_line(m.get("geometry"), False) for m in members if (m.get("role") or "outer") == role]
    closed = shapely.polygonize([line for line in lines if line is not None])
    return shapely.union_all(shapely.get_parts(closed))


def _line(geometry: Any, area: bool) -> shapely.Geometry | None:
    places = np.array([(p["lon"], p["lat"]) for p in geometry or [] if p], dtype=np.float64)
    if len(places) < 2:
        return None
    if area and len(places) > 3 and (places[0] == places[-1]).all():
        return shapely.Polygon(places)
    return shapely.LineString(places)


def _parts(shape: shapely.Geometry) -> list[shapely.Geometry]:
    return [one for one in shapely.get_parts(shape) if not one.is_empty]
