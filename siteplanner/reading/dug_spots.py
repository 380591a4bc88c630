"""Reads what was found in the holes that the plan asked for.

The answers replace the map's guess around the spot, inside the soil polygon it lies in, before
anything is worked out or ordered.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siteplanner.base.crs import crs_words
from siteplanner.base.errors import Errors, near
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES
from siteplanner.base.units import metres_in
from siteplanner.reading.files.cells import read_cells

#: What to record at each spot; empty until somebody looks.
ANSWERS = ("depth_m", "texture", "drainage", "mottles_from_m", "water_at_m", "stones_percent", "ph")


#: Columns whose answers are single values.
_WRITTEN = ("easting", "northing", "reach_m", *ANSWERS)
_INCH_M = metres_in("in")
#: An answer holds this far around the spot where ``reach_m`` is empty (common practice, no
#: source: a hole tells of the ground that looks alike around it).
REACH_M = 40.0


#: A spot farther from every soil polygon was dug elsewhere, or its coordinates are wrong.
FARTHEST_M = 1000.0


def drainage_from_mottles(mottles_from_m: float) -> str:
    """Natural drainage class from the depth at which grey mottles begin, m.

    Minnesota Department of Natural Resources: mottles within 40, 20 to 40, 20 and 10 inches for
    well, moderately well, somewhat poorly and poorly drained soil.
    """
    for inches, name in ((10, "poorly"), (20, "somewhat poorly"), (40, "moderately well")):
        if mottles_from_m < inches * _INCH_M:
            return f"{name} drained"
    return "well drained"


def with_answers(
    soils: gpd.GeoDataFrame, path: Path, notes: list[str] | None = None
) -> tuple[gpd.GeoDataFrame, int]:
    """Lay what was found in the holes over the soil polygons; also how many spots answered.

    ``path`` is ``dig.csv`` as it was filled in: rows without an answer are left out. Decimal
    commas and lone dashes are read as such, and listed in ``notes``. Raises
    :class:`~siteplanner.InputError` with every error.
    """
    frame = read_cells(path, ["easting", "northing"], _WRITTEN, notes)
    for column in (*ANSWERS, "spot", "reach_m"):
        if column not in frame:
            frame[column] = ""
    frame = frame[(frame[list(ANSWERS)] != "").any(axis=1)]
    errors = Errors()
    shapes = soils.geometry.to_numpy()
    added = []
    for row, cells in zip(frame.index, frame.to_dict("records"), strict=True):
        found = _answer(cells, path, f"row {row + 2}", errors)
        if errors.found:
            continue
        point = shapely.Point(found.pop("easting"), found.pop("northing"))
        ground = shapely.buffer(point, found.pop("reach_m"))
        if shapely.distance(shapes, point).min() > FARTHEST_M:
            errors.add(
                path,
                f"row {row + 2}",
                f"no soil polygon is within {FARTHEST_M:.0f} m of the spot",
                f"check its easting and northing, which are in {crs_words(soils.crs)}",
            )
        inside = np.flatnonzero(shapely.contains(shapes, point))
        told: dict[str, object] = {"unit": ""}
        if len(inside):
            told = soils.iloc[inside[-1]].drop("geometry").to_dict()
            ground = shapely.intersection(ground, shapes[inside[-1]])
        told |= {name: value for name, value in found.items() if value is not None}
        told["hint"] = False
        told["unit"] = f"{told['unit']}, spot {cells['spot'] or row + 1}".strip(", ")
        added.append({**told, "geometry": ground})
    errors.raise_any()
    if not added:
        return soils, 0
    over = gpd.GeoDataFrame(added, geometry="geometry", crs=soils.crs)
    joined = pd.concat([soils, over.reindex(columns=soils.columns)], ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=soils.crs), len(added)


def _answer(cells: dict[str, str], path: Path, where: str, errors: Errors) -> dict[str, object]:
    """One row's answers, None where nothing was written."""
    found: dict[str, object] = {}
    for name, low, high, default in (
        ("easting", -1e8, 1e8, float("nan")),
        ("northing", -1e8, 1e8, float("nan")),
        ("reach_m", 1, 1000, REACH_M),
        ("depth_m", 0, 50, None),
        ("mottles_from_m", 0, 10, None),
        ("water_at_m", 0, 50, None),
        ("stones_percent", 0, 100, None),
        ("ph", 2, 11, None),
    ):
        text = cells[name]
        number = float(pd.to_numeric(text, errors="coerce")) if text else default
        if name in ("easting", "northing") and not text:
            errors.add(path, f"{where}, {name}", "it is empty", "write where the hole was dug")
        if number is not None and text and not low <= number <= high:
            errors.add(
                path, f"{where}, {name}", f"{text!r} is not valid",
                f"write a number from {low:g} to {high:g}, or leave it empty",
            )  # fmt: skip
        found[name] = number
    for name, classes in (("texture", TEXTURE_CLASSES), ("drainage", DRAINAGE_CLASSES)):
        text = cells[name].lower()
        if text and text not in classes:
            errors.add(
                path, f"{where}, {name}", f"{text!r} is not a {name} class", near(text, classes)
            )
        found[name] = text or None
    mottles, water = found.pop("mottles_from_m"), found.pop("water_at_m")
    wet = [v for v in (mottles, water) if isinstance(v, (float, np.number, int))]
    if found["drainage"] is None and wet:
        found["drainage"] = drainage_from_mottles(float(min(wet)))
    return found
