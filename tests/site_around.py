"""A whole site made round any DEM: a square property with invented soils and climate."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from conftest import SITE

from siteplanner.base.results.memory import Call, afresh
from siteplanner.planting.lay_out import READS, Layout, lay_out
from siteplanner.site.site_file import Site
from siteplanner.suitability.of_site import assessed

SAMPLE = SITE.parent
TEXTURES = ("loam", "clay loam", "sandy loam", "silty clay loam")
DRAINAGE = ("well drained", "somewhat poorly drained", "moderately well drained", None)


def quarters(square: shapely.Polygon, crs) -> gpd.GeoDataFrame:
    """Invented soils: the square and what lies round it in four parts."""
    x, y = square.centroid.x, square.centroid.y
    west, south, east, north = square.buffer(0.1 * np.sqrt(square.area)).bounds
    return gpd.GeoDataFrame(
        {
            "unit": list("ABCD"),
            "texture": TEXTURES,
            "drainage": DRAINAGE,
            "depth_m": [1.0, 0.6, 1.4, 0.9],
            "ph": 5.8,
            "stones_percent": [5.0, 20.0, 0.0, 10.0],
        },
        geometry=[
            shapely.box(west, y, x, north),
            shapely.box(x, y, east, north),
            shapely.box(west, south, x, y),
            shapely.box(x, south, east, y),
        ],
        crs=crs,
    )


def site_around(
    folder: Path,
    dem: dict[str, object],
    square: shapely.Polygon,
    crs: object,
    soils: gpd.GeoDataFrame | None = None,
    **zones: object,
) -> Path:
    """Write a site file and its inputs into ``folder``; give the site file's path.

    ``dem`` holds the settings of its table, ``square`` is the property in the metric ``crs``,
    ``zones`` settings of their table. Climate, species and the coldest nights are the sample's.
    """
    folder.mkdir(parents=True, exist_ok=True)
    land = gpd.GeoDataFrame({"name": ["All of it"], "plant": [1]}, geometry=[square], crs=crs)
    land.to_file(folder / "land.gpkg", layer="land")
    soils = quarters(square, crs) if soils is None else soils
    soils.to_file(folder / "soils.gpkg", layer="soils")
    for name in ("climate.csv", "winter_minima.csv", "species.csv"):
        (folder / name).write_bytes((SAMPLE / name).read_bytes())
    across = float(np.sqrt(square.area))
    rules = {"smallest_m2": max(25.0, square.area / 100), "smooth_m": min(50.0, across / 30)}
    tables = {
        "site": {"name": "A square"},
        "boundary": {"file": "land.gpkg"},
        "paddocks": {"file": "land.gpkg"},
        "dem": {"margin_m": across / 3, **dem},
        "soils": {"file": "soils.gpkg"},
        "climate": {"monthly": "climate.csv", "winter_minima": "winter_minima.csv"},
        "species": {"file": "species.csv", "native": WATTLES},
        "planting": {"spacing_m": float(np.clip(across / 60, 4, 50)), "steepest_deg": 60.0},
        "mix": {"least_species": 1, "largest_share": 1.0, "lowest_suitability": 0},
        "zones": {**rules, **zones},
    }
    lines = []
    for table, values in tables.items():
        lines.append(f"[{table}]")
        lines += [f"{k} = {json.dumps(v)}" for k, v in values.items() if v is not None]
    path = folder / "site.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


#: Weedy where they do not grow wild, as they do on the invented ground.
WATTLES = ["Acacia dealbata", "Acacia mearnsii", "Acacia melanoxylon"]


def agreement(one: np.ndarray, other: np.ndarray) -> float:
    """Adjusted Rand index of two labellings (Hubert & Arabie 1985, from memory)."""
    _, a = np.unique(one, return_inverse=True)
    _, b = np.unique(other, return_inverse=True)
    table = np.zeros((a.max() + 1, b.max() + 1))
    np.add.at(table, (a, b), 1)

    def pairs(counts):
        return (counts * (counts - 1) / 2).sum()

    both, rows, cols = pairs(table), pairs(table.sum(1)), pairs(table.sum(0))
    chance = rows * cols / pairs(np.array([len(a)]))
    return (both - chance) / ((rows + cols) / 2 - chance)


def laid_out(site: Site, call: Call = afresh) -> Layout:
    """Make the layout of a site: zones, rows and trees, without its season."""
    return lay_out(*assessed(site, set(READS), call=call), site, call=call)
