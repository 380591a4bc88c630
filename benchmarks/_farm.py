"""An invented farm of any size, in open sea: hills, soils, paddocks, tracks and frost readings."""

from __future__ import annotations

import itertools
import math
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
import shapely
from affine import Affine
from scipy import ndimage

from benchmarks._sites import SAMPLE
from benchmarks.scale import hills
from siteplanner.tiled.tiles import Box

CRS = pyproj.CRS("EPSG:32756")
#: South-west corner of every farm, m: in open sea, far from the sample.
WEST, SOUTH = 660_000.0, 5_300_000.0
#: Width of a cell of the DEM, and of the ground that it shows past the boundary, m.
CELL_M, MARGIN_M = 5.0, 400.0
#: A square lattice of places 4.08 m apart is 600 places a hectare.
SPACING_M = 4.08
_PADDOCK_M, _SOIL_M = 320.0, 450.0
#: texture, drainage, depth_m, ph, stones_pct
_SOILS = (
    ("clay loam", "moderately well drained", 1.1, 5.8, 6.0),
    ("loam", "well drained", 0.8, 5.7, 15.0),
    ("clay", "poorly drained", 1.2, 5.6, 0.0),
    ("loam", "well drained", 1.6, 6.1, 4.0),
)
_SETTINGS = f"""
[site]
name = "Invented farm"
[boundary]
file = "farm.gpkg"
layer = "boundary"
[paddocks]
file = "farm.gpkg"
layer = "paddocks"
[dem]
file = "dem.tif"
margin_m = {MARGIN_M}
[soils]
file = "farm.gpkg"
layer = "soils"
columns = {{ stones_percent = "stones_pct" }}
[frost]
readings = {{ file = "farm.gpkg", layer = "readings" }}
[climate]
monthly = "climate.csv"
winter_minima = "winter_minima.csv"
station_elevation_m = 200.0
[no_plant]
file = "tracks.gpkg"
[species]
file = "species.csv"
[planting]
spacing_m = {SPACING_M}
"""


def write_farm(folder: Path, hectares: float, cell: float = CELL_M) -> Path:
    """Write a square farm of so many hectares, with a DEM of such cells; give its site file."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("species.csv", "climate.csv", "winter_minima.csv"):
        shutil.copy(SAMPLE / name, folder)
    side = math.sqrt(hectares * 1e4)
    heights = _write_dem(folder / "dem.tif", side, cell)
    file = folder / "farm.gpkg"
    outline = shapely.box(WEST, SOUTH, WEST + side, SOUTH + side)
    _layer({"name": ["Invented farm"]}, [outline]).to_file(file, layer="boundary")
    paddocks = _squares(side, _PADDOCK_M)
    names = [f"Paddock {number}" for number in range(1, len(paddocks) + 1)]
    _layer({"name": names, "plant": 1}, paddocks).to_file(file, layer="paddocks")
    _soils(side).to_file(file, layer="soils")
    tracks = [shapely.LineString([(WEST, y), (WEST + side, y + 90)])
              for y in np.arange(SOUTH + min(200.0, side / 2), SOUTH + side, 900)]  # fmt: skip
    _layer({"kind": ["track"] * len(tracks), "name": "Farm track"}, tracks).to_file(
        folder / "tracks.gpkg"
    )
    _readings(side, heights, cell).to_file(file, layer="readings")
    path = folder / "site.toml"
    path.write_text(_SETTINGS, encoding="utf-8")
    return path


def _layer(columns: dict[str, object], shapes: list[shapely.Geometry]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def _squares(side: float, wide: float) -> list[shapely.Geometry]:
    """A square of ``side`` cut into equal squares about so wide."""
    edges = np.linspace(0, side, max(1, round(side / wide)) + 1)
    return [
        shapely.box(WEST + left, SOUTH + low, WEST + right, SOUTH + high)
        for left, right in itertools.pairwise(edges)
        for low, high in itertools.pairwise(edges)
    ]


def _soils(side: float) -> gpd.GeoDataFrame:
    grown = side + 2 * MARGIN_M
    squares = [
        shapely.affinity.translate(s, -MARGIN_M, -MARGIN_M) for s in _squares(grown, _SOIL_M)
    ]
    which = [_SOILS[number * 7 // 3 % len(_SOILS)] for number in range(len(squares))]
    texture, drainage, depth, ph, stones = zip(*which, strict=True)
    columns = {"unit": [f"Soil {n}" for n in range(len(squares))], "texture": texture,
               "drainage": drainage, "depth_m": depth, "ph": ph, "stones_pct": stones}  # fmt: skip
    return _layer(columns, squares)


def _write_dem(path: Path, side: float, cell: float) -> np.ndarray:
    """Gentle fractal hills, the same hills whatever the cell."""
    cells = math.ceil((side + 2 * MARGIN_M) / CELL_M)
    high = 100 + 0.5 * hills(Box(0, cells, 0, cells))
    if cell != CELL_M:
        high = ndimage.zoom(high, CELL_M / cell, order=1, grid_mode=True, mode="nearest")
    place = Affine(cell, 0, WEST - MARGIN_M, 0, -cell, SOUTH - MARGIN_M + high.shape[0] * cell)
    with rasterio.open(
        path, "w", driver="GTiff", height=high.shape[0], width=high.shape[1], count=1,
        dtype="float32", crs=CRS.to_wkt(), transform=place, compress="deflate", tiled=True,
    ) as file:  # fmt: skip
        file.write(high.astype("float32"), 1)
    return high


def _readings(side: float, heights: np.ndarray, cell: float) -> gpd.GeoDataFrame:
    """Twelve readings over the middle 600 m, colder on low ground."""
    rng = np.random.default_rng(7)
    xy = rng.uniform(max(0, side / 2 - 300), min(side, side / 2 + 300), (12, 2))
    column = ((xy[:, 0] + MARGIN_M) / cell).astype(int)
    row = heights.shape[0] - 1 - ((xy[:, 1] + MARGIN_M) / cell).astype(int)
    high = heights[row, column]
    cold = -3.0 + 3.0 * (high - high.min()) / max(np.ptp(high), 1.0)
    columns = {"name": [f"Logger {n}" for n in range(12)], "winter_min_c": np.round(cold, 1),
               "height_m": 1.2, "winter": 2024}  # fmt: skip
    return _layer(columns, list(shapely.points(xy + np.array([WEST, SOUTH]))))
