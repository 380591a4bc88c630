"""Soils as a model guesses them, cell by cell: a hint until somebody digs.

Texture, pH and stones of the upper 30 cm, each with what the model's own range allows. Drainage
and water table are in no open model of the world and stay unknown.
"""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from scipy.spatial import KDTree

from siteplanner.base.soil_classes import TEXTURE_CLASSES, texture_class_of
from siteplanner.gather.area import Area, Box, in_words
from siteplanner.gather.found import Found, first_that_works
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import AbsentError, ServiceError
from siteplanner.gather.net.rasters import Patch, must_be_tiff, read_answer, read_cog
from siteplanner.gather.net.virtual import read_vrt
from siteplanner.gather.services import Service, Services
from siteplanner.gather.writing import write_features

#: Thickness of the layers that are averaged, cm, and the layer whose range is read.
_LAYERS = {"0-5cm": 5, "5-15cm": 10, "15-30cm": 15}
_MIDDLE = "5-15cm"
#: All are whole numbers of tenths: percent, pH, percent of volume.
_TENTHS = 10.0
_PROPERTIES = ("clay", "sand", "silt", "phh2o", "cfvo")
_RANGED = ("clay", "sand", "phh2o", "cfvo")
_MOST_CELLS = 250_000
#: Sand, silt and clay of a model need not add up to 100, but further off than this something
#: else was read.
_SUM = (80.0, 120.0)
#: Cells alike in texture, and in these steps of pH and percent of stones, are one polygon.
_STEP_PH, _STEP_STONES = 0.2, 5.0

Values = dict[str, NDArray[np.float64]]
_Reader = Callable[[str, str, str], Patch]


def soils(door: Door, services: Services, area: Area) -> Found:
    """Find soil hints for the property's cells of 250 m. Raises :class:`ServiceError`."""
    box = area.around(services.soils.beside_m)
    readers = {
        "soilgrids": (services.soilgrids, _tiles(door, services, box)),
        "soilgrids_wcs": (services.soilgrids_wcs, _coverage(door, services, box)),
    }
    tries = [
        (
            readers[name][0].service,
            lambda name=name: _found(door, services, area, *readers[name]),
        )
        for name in services.soils.use
    ]
    found, said = first_that_works(tries)
    notes = (*(f"Soils: {name}: {error}." for name, error in said.items()), *found.notes)
    return Found(**{**vars(found), "notes": notes})


def _tiles(door: Door, services: Services, box: Box) -> _Reader:
    def read(name: str, depth: str, value: str) -> Patch:
        address = services.soilgrids.address
        for word, text in (("property", name), ("depth", depth), ("value", value)):
            address = address.replace(f"{{{word}}}", text)
        return read_vrt(door, address, box, _MOST_CELLS)

    return read


def _coverage(door: Door, services: Services, box: Box) -> _Reader:
    west, south, east, north = box
    degrees = "http://www.opengis.net/def/crs/EPSG/0/4326"

    def read(name: str, depth: str, value: str) -> Patch:
        asked = [
            ("map", f"/map/{name}.map"), ("SERVICE", "WCS"), ("VERSION", "2.0.1"),
            ("REQUEST", "GetCoverage"), ("COVERAGEID", f"{name}_{depth}_{value}"),
            ("FORMAT", "GEOTIFF_INT16"), ("SUBSET", f"long({west:g},{east:g})"),
            ("SUBSET", f"lat({south:g},{north:g})"), ("SUBSETTINGCRS", degrees),
            ("OUTPUTCRS", degrees),
        ]  # fmt: skip
        address = f"{services.soilgrids_wcs.address}?{urlencode(asked, safe='/')}"
        return read_answer(door.get(address, f"a box, {in_words(box)}", check=must_be_tiff))

    return read


def _found(door: Door, services: Services, area: Area, service: Service, read: _Reader) -> Found:
    first = read("clay", _MIDDLE, "mean")
    means = {n: _mean(n, read, first) for n in _PROPERTIES}
    low = {n: _same_cells(read(n, _MIDDLE, "Q0.05"), first) / _TENTHS for n in _RANGED}
    high = {n: _same_cells(read(n, _MIDDLE, "Q0.95"), first) / _TENTHS for n in _RANGED}
    total = means["clay"] + means["sand"] + means["silt"]
    known = np.isfinite(total) & np.isfinite(means["phh2o"]) & np.isfinite(means["cfvo"])
    if not known.any():
        raise AbsentError(f"it has no soil within {services.soils.beside_m:.0f} m")
    _must_be_soil(means, total, known)
    cells = _cells(first, area, known, services.soils.beside_m)
    notes = []
    if cells["moved"].any():
        notes.append(
            f"Soils: {int(cells['moved'].sum())} of the {len(cells)} cells of 250 m here have no "
            "soil in the model (towns and water have none); the nearest that has is taken."
        )
    frame = _described(cells, means, low, high, total)
    depth, said = _depth(door, services, area, frame)
    own = [service.licence, service.credit]
    if depth is not None:
        own = [f"{own[0]}; depth {depth.licence}", f"{own[1]}; depth: {depth.credit}"]
    printed = Service(
        service=service.service + (f"; {depth.service}" if depth else ""),
        licence=own[0], credit=own[1], cell=service.cell,
    )  # fmt: skip
    words = f"{printed.credit}. Licence: {printed.licence}."
    return Found(
        printed, first.address, first.on,
        "a model's guess for cells of 250 m, no survey: drainage and water table are not in it; "
        "what could_be lists is as well possible",
        lambda path: write_features(path, {"soils": frame}, words), service.cell,
        "dig the spots that the plan lists (dig.csv), and test the pH", (*notes, *said),
    )  # fmt: skip


def _mean(name: str, read: _Reader, first: Patch) -> NDArray[np.float64]:
    """Mean of the upper 30 cm, each layer by its thickness."""
    total = sum(_LAYERS.values())
    parts = [
        thick / total * _same_cells(read(name, depth, "mean"), first)
        for depth, thick in _LAYERS.items()
    ]
    return np.sum(parts, axis=0) / _TENTHS


def _same_cells(patch: Patch, first: Patch) -> NDArray[np.float64]:
    if patch.values.shape != first.values.shape or patch.transform != first.transform:
        raise ServiceError("its layers do not lie on the same cells")
    # An undeclared number for no soil.
    return np.where(patch.values <= -32768, np.nan, patch.values)


def _must_be_soil(means: Values, total: NDArray[np.float64], known: NDArray[np.bool_]) -> None:
    low, high = float(total[known].min()), float(total[known].max())
    if low < _SUM[0] or high > _SUM[1]:
        raise ServiceError(
            f"its sand, silt and clay add up to {low:.0f} to {high:.0f} %, so its unit is not "
            "what it was"
        )
    ph, stones = means["phh2o"][known], means["cfvo"][known]
    if ph.min() < 2 or ph.max() > 11 or stones.min() < 0 or stones.max() > 100:
        raise ServiceError("its pH or stones are not possible, so its unit is not what it was")


def _cells(first: Patch, area: Area, known: NDArray[np.bool_], beside_m: float) -> gpd.GeoDataFrame:
    """The cells that the property meets, in degrees.

    ``at`` is the cell that speaks for each, ``moved`` says where that is another.
    """
    rows, columns = np.indices(known.shape)
    corners = np.array(
        [
            first.transform @ (columns.astype(float) + dx, rows.astype(float) + dy)
            for dx, dy in ((0, 0), (1, 0), (1, 1), (0, 1))
        ]
    )
    to_degrees = Transformer.from_crs(first.crs, 4326, always_xy=True)
    lon, lat = to_degrees.transform(corners[:, 0], corners[:, 1])
    shapes = shapely.polygons(np.stack([lon, lat], axis=-1).transpose(1, 2, 0, 3).reshape(-1, 4, 2))
    here = np.flatnonzero(shapely.intersects(shapes, area.outline))
    if not len(here):
        raise AbsentError("it has nothing here")
    scale = np.cos(np.radians(area.middle[1])) * 111_195, 111_195
    middles = shapely.get_coordinates(shapely.centroid(shapes)) * scale
    with_soil = np.flatnonzero(known.ravel())
    away, place = KDTree(middles[with_soil]).query(middles[here])
    if (far := away > beside_m).any():
        raise AbsentError(f"{far.sum()} of its {len(far)} cells here have no soil within "
                          f"{beside_m:.0f} m")  # fmt: skip
    at = with_soil[place]
    frame = gpd.GeoDataFrame({"at": at, "moved": at != here}, geometry=shapes[here], crs=4326)
    return frame


def _described(
    cells: gpd.GeoDataFrame, means: Values, low: Values, high: Values, total: NDArray[np.float64]
) -> gpd.GeoDataFrame:
    """Soil polygons: cells alike joined, each with what else the model's range allows."""
    at = cells["at"].to_numpy()
    sand, silt, clay = (100 * (means[n] / total).ravel()[at] for n in ("sand", "silt", "clay"))
    texture = texture_class_of(sand, silt, clay)
    sides = []
    for c, s in ((low["clay"], high["sand"]), (high["clay"], low["sand"])):
        c, s = c.ravel()[at], s.ravel()[at]
        t = np.maximum(100 - c - s, 0)
        sides.append(texture_class_of(*(100 * part / (c + s + t) for part in (s, t, c))))
    numbers = {
        "ph": means["phh2o"], "ph_low": low["phh2o"], "ph_high": high["phh2o"],
        "stones_percent": means["cfvo"], "stones_low": low["cfvo"], "stones_high": high["cfvo"],
    }  # fmt: skip
    frame = cells[["geometry"]].assign(
        texture=[TEXTURE_CLASSES[code] for code in texture],
        could_be=[_could_be(codes) for codes in np.transpose([texture, *sides])],
        **{name: values.ravel()[at] for name, values in numbers.items()},
    )
    keys = [
        frame["texture"], frame["could_be"],
        (frame["ph"] / _STEP_PH).round(), (frame["stones_percent"] / _STEP_STONES).round(),
    ]  # fmt: skip
    group = frame.groupby(keys, sort=True).ngroup().rename("group")
    words = frame.groupby(group)[["texture", "could_be"]].first()
    values = frame.groupby(group)[list(numbers)].mean().round(1)
    shapes = frame[["geometry"]].dissolve(by=group)
    out = gpd.GeoDataFrame(
        pd.concat([words, values], axis=1), geometry=shapes.geometry, crs=frame.crs
    ).reset_index(drop=True)
    out.insert(0, "unit", [f"hint {n + 1}" for n in out.index])
    return out.assign(
        drainage=pd.Series([None] * len(out), dtype=object), depth_m=np.nan, known_by="modelled"
    )


def _could_be(codes: NDArray[np.int8]) -> str:
    found, *others = (int(code) for code in codes)
    return ", ".join(TEXTURE_CLASSES[c] for c in dict.fromkeys(others) if c >= 0 and c != found)


def _depth(
    door: Door, services: Services, area: Area, frame: gpd.GeoDataFrame
) -> tuple[Service | None, list[str]]:
    """Put the depth to rock into the polygons, where it is open; a hint, and a weak one."""
    said = []
    for one in services.depth:
        if not shapely.box(*one.bounds).covers(area.outline):
            continue
        try:
            patch = read_cog(door, one.address, area.around(0), _MOST_CELLS)
            metres = patch.values * {"m": 1.0, "cm": 0.01}[one.unit]
            known = np.isfinite(metres) & (metres >= 0)
            if not known.any():
                raise AbsentError("it has nothing here")
            if metres[known].max() > 500:
                raise ServiceError("its depths are not possible")
        except ServiceError as error:
            said.append(f"Soil depth: {one.service}: {error}.")
            continue
        deepest = one.deepest * {"m": 1.0, "cm": 0.01}[one.unit]
        frame["depth_m"] = _mean_under(frame, patch, np.where(known, metres, np.nan), deepest)
        said.append(  # about a third: from memory
            "Soil depth is a weak hint (such models explain about a third of how regolith "
            f"differs); {deepest:g} m means that deep or deeper. Dig."
        )
        return one, said
    return None, said


def _mean_under(
    frame: gpd.GeoDataFrame, patch: Patch, metres: NDArray[np.float64], deepest: float
) -> NDArray[np.float64]:
    """Mean depth of the patch's cells whose middles lie in each polygon, else of the nearest."""
    rows, columns = np.nonzero(np.isfinite(metres))
    x, y = patch.transform @ np.array([columns + 0.5, rows + 0.5])
    x, y = Transformer.from_crs(patch.crs, 4326, always_xy=True).transform(x, y)
    points, values = shapely.points(x, y), np.minimum(metres[rows, columns], deepest)
    tree = shapely.STRtree(points)
    out = values[tree.nearest(shapely.centroid(frame.geometry.to_numpy()))]
    polygon, point = tree.query(frame.geometry.to_numpy(), predicate="contains")
    count = np.bincount(polygon, minlength=len(frame))
    total = np.bincount(polygon, values[point], len(frame))
    inside = count > 0
    out[inside] = total[inside] / count[inside]
    return np.round(out, 2)
