"""Heights of one country, by the ways that surveys offer them; one datum in one file."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode, urljoin

import shapely
from rasterio.enums import Resampling
from rasterio.warp import transform_bounds

from siteplanner.gather.area import Area, Box, in_words
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import AbsentError, Answer, ServiceError, error_inside
from siteplanner.gather.net.lines import place_of, same_host
from siteplanner.gather.net.rasters import (
    Patch,
    joined,
    must_be_tiff,
    read_answer,
    read_cog,
)
from siteplanner.gather.net.virtual import read_vrt
from siteplanner.gather.services import Heights, National

#: Documents of a catalogue that are looked through, and files that are read, at most.
_MOST_DOCUMENTS, _MOST_FILES = 600, 60
#: Where there is too much of a fine survey, cells are averaged to the first of these that is not.
_COARSER_M = (2.0, 5.0, 10.0)


def national_heights(door: Door, one: National, rules: Heights, area: Area) -> tuple[Patch, float]:
    """Read a country's heights as far around the property as may be; also how far, m.

    Raises :class:`ServiceError`, :class:`AbsentError` where the survey has nothing here.
    """
    for margin in rules.margin_m:
        box = area.around(margin)
        if one.way == "cog":
            return read_cog(door, one.address, box, rules.most_cells), margin
        if one.way == "vrt":
            return read_vrt(door, one.address, box, rules.most_cells), margin
        if one.way in ("stac", "tnm"):
            files = _files(door, one, box)
            if len(files) <= _MOST_FILES or margin == rules.margin_m[-1]:
                return _of_files(door, one, rules, box, files), margin
        elif one.way == "wcs1" or _cells(one, box) <= rules.most_cells:
            return _coverage(door, one, rules, box), margin
    raise ServiceError("it would be too much for one request")


def _size_m(box: Box) -> tuple[float, float]:
    """Width and height of a box (degrees), m."""
    west, south, east, north = box
    up = 111_195.0
    return (east - west) * up * math.cos(math.radians((south + north) / 2)), (north - south) * up


def _cells(one: National, box: Box) -> float:
    wide, high = _size_m(box)
    return wide * high / one.cell_m**2


def _cell_for(one: National, box: Box, most: int) -> float:
    """The service's own cell, or a wider one where there would be too many."""
    wide, high = _size_m(box)
    for cell in (one.cell_m, *(c for c in _COARSER_M if c > one.cell_m)):
        if wide * high / cell**2 <= most:
            return cell
    raise ServiceError("it would be too many cells")


def _of_files(door: Door, one: National, rules: Heights, box: Box, files: list[str]) -> Patch:
    if not files:
        raise AbsentError("it lists no file here")
    if len(files) > _MOST_FILES:
        raise ServiceError(f"{len(files)} files would have to be read")
    step = max(1, round(_cell_for(one, box, rules.most_cells) / one.cell_m))
    patches = []
    for address in files:
        try:
            patches.append(read_cog(door, address, box, rules.most_cells, coarser=step))
        except AbsentError:
            continue  # listed, but beside the box
    if not patches:
        raise AbsentError("it has nothing here")
    if len({patch.crs.to_wkt() for patch in patches}) > 1:
        raise ServiceError("its files here are on different maps, which are not mixed")
    return joined(patches, Resampling.bilinear)


def _files(door: Door, one: National, box: Box) -> list[str]:
    """Addresses of the survey's files that meet the box, in the order in which they are listed."""
    address = _filled(one.address, box)
    allowed = [place for place in (one.address, one.files_from) if place]
    if one.way == "tnm":
        listed = _json(door, address, f"a box, {in_words(box)}")
        found = [str(item.get("downloadURL", "")) for item in _list(listed, "items")]
    else:
        found = list(_stac_files(door, one, address, box))
    found = list(dict.fromkeys(f for f in found if f.lower().endswith((".tif", ".tiff"))))
    for file in found:
        if not any(same_host(file, place) for place in allowed):
            raise ServiceError(
                f"its files are on another host ({place_of(file).host}); name it as files_from "
                "in a services file if you trust it"
            )
    return found


def _stac_files(door: Door, one: National, address: str, box: Box) -> Iterator[str]:
    """Files of a SpatioTemporal Asset Catalog, an API's answer or a tree of documents."""
    waiting, looked = [address], 0
    wanted = shapely.box(*box)
    while waiting:
        here = waiting.pop(0)
        looked += 1
        if looked > _MOST_DOCUMENTS:
            raise ServiceError("its catalogue is too long to be looked through")
        sends = f"a box, {in_words(box)}" if "bbox=" in here else "names of documents"
        document = _json(door, here, sends)
        kind = document.get("type")
        if kind == "FeatureCollection":
            for item in _list(document, "features"):
                yield from _assets(item, here, one.only)
            continue
        if kind == "Feature":
            if _meets(document.get("bbox"), wanted):
                yield from _assets(document, here, "")
            continue
        boxes = document.get("extent", {}).get("spatial", {}).get("bbox")
        if kind == "Collection" and not any(_meets(b, wanted) for b in boxes or []):
            continue
        for link in _list(document, "links"):
            to = urljoin(here, str(link.get("href", "")))
            of_tree = link.get("rel") in ("child", "item")
            if of_tree and (kind == "Collection" or one.only in to):
                waiting.append(to)


def _assets(item: dict[str, Any], address: str, only: str) -> Iterator[str]:
    for asset in (item.get("assets") or {}).values():
        to = urljoin(address, str(asset.get("href", "")))
        if only in to:
            yield to


def _meets(bounds: Any, box: shapely.Geometry) -> bool:
    try:
        low = len(bounds) // 2
        there = shapely.box(*map(float, (bounds[0], bounds[1], bounds[low], bounds[low + 1])))
    except (TypeError, ValueError, IndexError):
        return False
    return bool(there.intersects(box))


def _coverage(door: Door, one: National, rules: Heights, box: Box) -> Patch:
    """Heights by a Web Coverage Service: 1.0.0, which takes a size, or 2.0.1, which does not."""
    west, south, east, north = box
    sends = f"a box, {in_words(box)}"
    if one.way == "wcs1":
        cell = _cell_for(one, box, rules.most_cells)
        wide, high = _size_m(box)
        asked = [
            ("service", "WCS"), ("version", "1.0.0"), ("request", "GetCoverage"),
            ("coverage", one.coverage), ("crs", one.crs),
            ("bbox", f"{west},{south},{east},{north}"),
            ("width", str(round(wide / cell))), ("height", str(round(high / cell))),
            ("format", "GeoTIFF"),
        ]  # fmt: skip
    else:
        x0, y0, x1, y1 = transform_bounds("EPSG:4326", one.crs, *box, densify_pts=21)
        along, up = one.axes
        asked = [
            ("SERVICE", "WCS"), ("VERSION", "2.0.1"), ("REQUEST", "GetCoverage"),
            ("COVERAGEID", one.coverage), ("FORMAT", "image/tiff"),
            ("SUBSET", f"{along}({x0:.8g},{x1:.8g})"), ("SUBSET", f"{up}({y0:.8g},{y1:.8g})"),
        ]  # fmt: skip
    joint = "&" if "?" in one.address else "?"
    return read_answer(
        door.get(f"{one.address}{joint}{urlencode(asked)}", sends, check=must_be_tiff)
    )


def _filled(address: str, box: Box) -> str:
    for name, value in zip(("west", "south", "east", "north"), box, strict=True):
        address = address.replace(f"{{{name}}}", f"{value:g}")
    return address


def _json(door: Door, address: str, sends: str) -> dict[str, Any]:
    found: dict[str, Any] = {}

    def check(answer: Answer) -> None:
        try:
            read = json.loads(answer.body)
        except ValueError:
            raise ServiceError(f"it answered with {error_inside(answer.body)!r}") from None
        if not isinstance(read, dict):
            raise ServiceError("its answer is not what was asked")
        found.update(read)

    answer = door.get(address, sends, check=check)
    if not found:  # kept from an earlier run, and believed then
        check(answer)
    return found


def _list(document: dict[str, Any], name: str) -> list[dict[str, Any]]:
    inside = document.get(name)
    if not isinstance(inside, list):
        raise ServiceError(f"its answer has no list of {name}")
    return [one for one in inside if isinstance(one, dict)]
