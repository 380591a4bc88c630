"""``plan.json``: what a plan was made of, what it says, and which files belong to it."""

from __future__ import annotations

import json
import math
import platform
from collections.abc import Iterable, Mapping
from datetime import date
from hashlib import file_digest
from importlib.metadata import version
from pathlib import Path, PurePath
from typing import Any

import numpy as np
import pyogrio
import pyproj
import rasterio
import shapely

from siteplanner import __version__
from siteplanner.base.plugins import packages
from siteplanner.base.text import utf8
from siteplanner.handover.credits import credit_lines
from siteplanner.plan import Plan

#: Packages whose version may change a plan's numbers or bytes.
_PACKAGES = (
    "branca",
    "contourpy",
    "exactextract",
    "fiona",
    "folium",
    "geopandas",
    "icalendar",
    "numba",
    "numpy",
    "pandas",
    "pillow",
    "pyogrio",
    "pyproj",
    "rasterio",
    "reportlab",
    "scipy",
    "segno",
    "shapely",
    "xlsxwriter",
    "xstatic-leaflet",
)


def write_manifest(plan: Plan, path: Path, files: Iterable[str]) -> None:
    """Write the manifest of a plan whose other output files lie in ``path``'s folder.

    ``files`` are their paths relative to that folder, with ``/`` between the parts.

    The text has no clock and no absolute path: the same plan, made with the same versions,
    gives the same bytes. A number that cannot be told is ``null``.
    """
    content = {
        "site": plan.name,
        "versions": versions(),
        "inputs": dict(plan.inputs),
        "settings": plan.settings,
        "grid": {
            "crs": plan.grid.crs.to_string(),
            "cell_m": plan.grid.cell,
            "rows": plan.grid.shape[0],
            "columns": plan.grid.shape[1],
        },
        **headlines(plan),
        "cautions": plan.cautions,
        "warnings": plan.warnings,
        **({"credits": credit_lines(plan.sources)} if plan.sources else {}),
        "files": {
            file: {
                "bytes": (path.parent / file).stat().st_size,
                "sha256": digest(path.parent / file),
            }
            for file in files
        },
    }
    text = json.dumps(plain(content), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    path.write_bytes(utf8(text) + b"\n")


def headlines(plan: Plan) -> dict[str, Any]:
    """Figures of the plan as a whole: totals, and trees by zone and by species.

    ``area_planted_ha`` is the map area of the zones that hold trees.
    """
    planted = plan.zones["trees"] > 0
    by_species = plan.trees["species"].value_counts()
    return {
        "trees_total": plan.trees_total,
        "area_planted_ha": round(float(plan.zones["area_ha"][planted].sum()), 2),
        "zones": [
            {"zone": zone, "title": title, "trees": trees, "area_ha": area}
            for zone, title, trees, area in zip(
                *(plan.zones[name] for name in ("zone", "title", "trees", "area_ha")), strict=True
            )
        ],
        "trees_by_species": {
            name: int(by_species.get(name, 0)) for name in plan.species["botanical_name"]
        },
        "frost_error_c": plan.frost_error_c,
    }


def versions() -> dict[str, str]:
    """Versions of siteplanner and of all that may change its numbers or bytes."""
    return {
        "siteplanner": __version__,
        "python": platform.python_version(),
        "processor": platform.machine(),
        **{name: version(name) for name in _PACKAGES},
        **{f"plugin {name}": number for name, number in packages().items()},
        "gdal (rasterio)": rasterio.__gdal_version__,
        "gdal (pyogrio)": pyogrio.__gdal_version_string__,
        "geos": shapely.geos_version_string,
        "proj": pyproj.proj_version_str,
    }


def digest(file: Path) -> str:
    """SHA-256 of a file's content, as hexadecimal text."""
    with file.open("rb") as stream:
        return file_digest(stream, "sha256").hexdigest()


def plain(value: Any) -> Any:
    """Turn numpy values, paths, dates and containers into what JSON can say; NaN is ``None``."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, (set, frozenset)):
        return sorted((plain(item) for item in value), key=str)
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, PurePath):
        return value.name if value.is_absolute() else value.as_posix()
    if isinstance(value, date):
        return value.isoformat()
    return value
