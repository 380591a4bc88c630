"""Write the second sample site: ``python make_sample.py [FOLDER]`` (default: beside this script).

All of it is invented and made from one seed: an upland farm in a northern temperate oceanic
climate. The species table, the site file and README are written by hand.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

# GeoPackage stores the time of writing; a fixed one keeps the bytes the same.
os.environ["OGR_CURRENT_DATE"] = "2026-01-01T00:00:00.000Z"
sys.path.append(str(Path(__file__).parents[1]))  # the cold of a night, as in the first sample

import geopandas as gpd
import make_frost
import numpy as np
import pyogrio
import rasterio
import rasterio.features
import shapely
from numpy.typing import NDArray
from rasterio.transform import from_origin
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.ops import polygonize, unary_union

SEED = 5715
CRS = "EPSG:32628"
CENTRE = (500000.0, 6375000.0)  # open sea, about 57.5 degrees north, 15 degrees west
HALF_M, CELL_M = 760.0, 5.0
WINTER = 2024

# All places are metres east and north of the centre.
BURN = ((150, 760), (95, 420), (130, 210), (70, 30), (120, -170), (95, -330), (190, -760))
# Peaty hollows: middle and radius.
HOLLOWS = (((-165, 45), 85.0), ((-70, -175), 65.0))
# Stony banks, left by ice: each a line, its height and its half width.
BANKS = (
    (((-270, -60), (-180, -62), (-70, -30)), 7.5, 17.0),
    (((-150, -255), (-60, -262), (10, -235)), 6.0, 15.0),
    (((190, -120), (255, -40), (285, 60)), 9.0, 20.0),
    (((180, -300), (260, -240)), 6.5, 17.0),
)
BOUNDARY = Polygon(
    [(-330, -80), (-300, 190), (-120, 300), (90, 310), (290, 255), (335, 40), (310, -230),
     (120, -320), (-120, -330), (-270, -270)]
)  # fmt: skip
DIVIDES = (
    LineString([(-400, 135), (-60, 120), (95, 160), (400, 150)]),
    LineString([(95, 160), (75, 30), (125, -170), (95, -400)]),
    LineString([(-400, -85), (-60, -95), (99, -60)]),
)
# name, 1 = plant, use, a place inside
PADDOCKS = (
    ("Fell Foot", 1, "rough grazing, bracken on the lower part", (0, 220)),
    ("Upper Moss", 1, "rushes, grazed in dry summers only", (-150, 20)),
    ("Lower Moss", 1, "rushes and wet heath", (-100, -200)),
    ("Cairn Banks", 1, "sheep, stony", (220, 0)),
)
LINES = (
    ("track", "Peat road", [(420, -250), (320, -215), (205, -190), (150, -140), (135, 0),
                            (160, 150)]),
    ("power_line", "Moss line", [(420, 95), (200, 88), (-60, 100), (-420, 80)]),
    ("buried_pipe", "Spring pipe", [(40, 250), (150, 175), (230, 130)]),
)  # fmt: skip
AREAS = (
    ("building", "Sallow Fell byre", [(228, 118), (246, 112), (250, 124), (232, 130)]),
    ("heritage", "Old sheepfold", [(-30, 165), (-12, 165), (-12, 182), (-30, 182)]),
    ("bush", "Burnside birches", [(100, 210), (135, 200), (150, 250), (120, 285), (95, 260)]),
    ("other", "Deep peat, to stay open and wet",
     [(-190, 20), (-140, 15), (-130, 55), (-165, 80), (-200, 60)]),
)  # fmt: skip
MOTHER_TREES = (
    ("Betula pubescens", "Burnside birches", "8-9", (115, 240)),
    ("Alnus glutinosa", "burn, below the ford", "10-11", (118, -180)),
    ("Sorbus aucuparia", "crag above the fold", "8-9", (-40, 290)),
    ("Salix cinerea", "edge of Upper Moss", "5-6", (-240, 20)),
    ("Corylus avellana", "Burnside birches, lower end", "9-10", (130, 205)),
    ("Quercus petraea", "Peat road, last bend", "9-10", (300, -200)),
    ("Pinus sylvestris", "knoll beside the byre", "1-3", (270, 140)),
)
# unit, name, texture, drainage, depth_m, ph, stones_pct, source_note
SOILS = (
    ("Br", "brown earth of the fell foot", "loam", "well drained", 0.8, 5.3, 15.0, "pit"),
    ("Pt", "peaty hollow", "silt loam", "very poorly drained", 0.9, 5.0, 0.0, "auger, 4 holes"),
    ("Gl", "gley around the hollows", "silty clay loam", "poorly drained", 0.7, 5.1, 5.0, "auger"),
    ("Bk", "stony bank", "sandy loam", "somewhat excessively drained", 0.55, 5.0, 40.0, "seen"),
    ("Rk", "ranker on the crags", "sandy loam", "well drained", 0.35, 4.9, 45.0, "seen"),
    ("Al", "burnside silt", "silt loam", "moderately well drained", 1.0, 5.6, 8.0, "auger"),
    ("Fl", "flush", "silty clay loam", "somewhat poorly drained", None, None, 10.0, "not dug"),
)  # fmt: skip
# name, height of the instrument, exposure, instrument, place
INSTRUMENTS = (
    ("Fell top", 1.2, "open, windy", "logger", (-130, 285)),
    ("Byre knoll", 1.2, "open", "max-min thermometer", (275, 145)),
    ("Cairn Banks crest", 1.2, "open", "logger", (255, -40)),
    ("Upper Moss", 1.2, "open, still", "logger", (-160, 40)),
    ("Upper Moss, moss level", 0.05, "open", "max-min thermometer", (-175, 45)),
    ("Lower Moss", 1.2, "open, still", "logger", (-70, -175)),
    ("Burn ford", 0.5, "open", "max-min thermometer", (140, -160)),
    ("Fell Foot gate", 1.2, "open slope", "max-min thermometer", (20, 180)),
)
# month, mean minimum and maximum at the station in °C, rain in mm
MONTHS = (
    (1, -0.4, 4.6, 148), (2, -0.5, 4.8, 108), (3, 0.3, 6.6, 112), (4, 1.7, 9.4, 76),
    (5, 4.0, 12.9, 70), (6, 6.9, 15.4, 74), (7, 8.8, 17.0, 84), (8, 8.6, 16.6, 98),
    (9, 6.8, 14.0, 116), (10, 4.3, 10.5, 138), (11, 1.7, 7.1, 142), (12, -0.1, 5.0, 150),
)  # fmt: skip


def axes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cell centres east and north, (rows, columns), row 0 in the north."""
    at = np.arange(-HALF_M + CELL_M / 2, HALF_M, CELL_M)
    return np.meshgrid(at, at[::-1])


def _away(line: object, east: NDArray[np.float64], north: NDArray[np.float64]) -> NDArray:
    """Distance of every cell from a line, m."""
    return shapely.distance(LineString(line), shapely.points(east, north))


def make_ground() -> tuple[NDArray[np.float64], NDArray[np.int16]]:
    """Heights in m and the row of ``SOILS`` of each cell, (rows, columns)."""
    rng = np.random.default_rng(SEED)
    east, north = axes()
    heights = 252 + 0.075 * north
    heights += 95 * np.exp(-(((east + 140) / 330) ** 2 + ((north - 470) / 200) ** 2))
    heights += 22 * np.exp(-(((east - 360) / 130) ** 2 + ((north - 110) / 150) ** 2))
    for reach, swing in ((60, 2.2), (22, 0.9)):
        rough = ndimage.gaussian_filter(rng.standard_normal(heights.shape), reach / CELL_M)
        heights += swing * rough / rough.std()
    burn = _away(BURN, east, north)
    heights -= 13 * np.exp(-((burn / 55) ** 2)) + 1.2 * np.exp(-((burn / 5) ** 2))
    for (x, y), radius in HOLLOWS:
        away = np.hypot(east - x, north - y)
        inside = np.exp(-((away / radius) ** 6))
        level = np.quantile(heights[away < radius], 0.12)
        heights = heights * (1 - inside) + inside * (level + 0.3 * (away / radius) ** 2)
    bank = np.zeros_like(heights)
    for line, high, wide in BANKS:
        away = _away(line, east, north)
        bank = np.maximum(bank, high * np.exp(-((away / wide) ** 2)))
    heights += bank
    slope = np.degrees(np.arctan(np.hypot(*np.gradient(heights, CELL_M))))
    small = ndimage.gaussian_filter(rng.standard_normal(heights.shape), 1)
    heights += np.clip((slope - 2) / 10, 0.03, 1) * 0.25 * small / small.std()

    unit = np.zeros(heights.shape, dtype=np.int16)
    unit[(slope > 4) & (slope < 9) & (north > 60) & (east < -120)] = 6
    unit[slope > 20] = 4
    unit[burn < 22] = 5
    for (x, y), radius in HOLLOWS:
        away = np.hypot(east - x, north - y)
        unit[(away < 1.35 * radius) & (bank < 1)] = 2
        unit[(away < 0.95 * radius) & (bank < 1)] = 1
    unit[bank > 1.8] = 3
    return np.round(heights, 2), unit


def soils(unit: NDArray[np.int16]) -> gpd.GeoDataFrame:
    """Soil polygons: one multipolygon a unit over the property and 60 m past it."""
    share = [ndimage.gaussian_filter((unit == k).astype(np.float32), 2) for k in range(len(SOILS))]
    index = np.argmax(share, axis=0).astype(np.int16)
    to_map = from_origin(-HALF_M, HALF_M, CELL_M, CELL_M)
    found = [
        (shapely.geometry.shape(g), int(k))
        for g, k in rasterio.features.shapes(index, transform=to_map)
    ]
    lines = shapely.coverage_simplify([g for g, _ in found], 12.0)
    frame = BOUNDARY.buffer(60, join_style="mitre")
    rows = []
    for k, facts in enumerate(SOILS):
        parts = [g for g, (_, which) in zip(lines, found, strict=True) if which == k]
        land = shapely.intersection(unary_union(parts), frame)
        polygons = [p for p in shapely.get_parts(land) if isinstance(p, Polygon)]
        rows.append((*facts, MultiPolygon(polygons).normalize()))
    names = ["unit", "name", "texture", "drainage", "depth_m", "ph", "stones_pct", "source_note"]
    return gpd.GeoDataFrame(rows, columns=[*names, "geometry"], geometry="geometry")


def paddocks() -> gpd.GeoDataFrame:
    """Cut the boundary along the dividing fences, in the order of ``PADDOCKS``."""
    pieces = list(polygonize(unary_union([BOUNDARY.exterior, *DIVIDES])))
    rows = []
    for name, plant, use, place in PADDOCKS:
        (piece,) = [p for p in pieces if p.contains(Point(place))]
        rows.append({"name": name, "plant": plant, "use": use, "geometry": piece})
    return gpd.GeoDataFrame(rows, geometry="geometry")


def no_plant() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Lines and areas to keep clear of."""
    rows = [(kind, name, LineString(line)) for kind, name, line in LINES]
    rows += [("fence", f"fence {n}", BOUNDARY.intersection(d)) for n, d in enumerate(DIVIDES, 1)]
    rows.append(("fence", "march fence", LineString(BOUNDARY.exterior.coords)))
    burn = LineString(BURN).intersection(BOUNDARY.buffer(150))
    rows.append(("waterway", "Sallow Burn", burn))
    areas = [(kind, name, Polygon(ring)) for kind, name, ring in AREAS]
    names = ["kind", "name", "geometry"]
    return tuple(gpd.GeoDataFrame(r, columns=names, geometry="geometry") for r in (rows, areas))


def frost_readings(heights: NDArray[np.float64]) -> gpd.GeoDataFrame:
    """List the instruments with what they read on the coldest night of the winter."""
    names, height_m, exposure, instrument, places = zip(*INSTRUMENTS, strict=True)
    east, north = np.array(places, dtype=float).T
    read = make_frost.readings(
        heights,
        CELL_M,
        ((HALF_M - north) / CELL_M).astype(int),
        ((east + HALF_M) / CELL_M).astype(int),
        np.array(height_m),
        np.random.default_rng(SEED + 1),
        coarse=2,
        ridge_air_c=-7.0,
    )
    table = {
        "name": names,
        "winter_min_c": read,
        "height_m": height_m,
        "exposure": exposure,
        "instrument": instrument,
        "winter": WINTER,
    }
    return gpd.GeoDataFrame(table, geometry=[Point(p) for p in places])


def write_layer(features: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    """Add one layer to a GeoPackage, moved to map coordinates."""
    moved = features.set_geometry(features.translate(*CENTRE).set_precision(0.01)).set_crs(CRS)
    pyogrio.write_dataframe(moved, path, layer=layer, driver="GPKG")


def write_dem(heights: NDArray[np.float64], path: Path) -> None:
    """Write heights as a compressed GeoTIFF."""
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "crs": CRS, "nodata": -9999.0,
        "height": heights.shape[0], "width": heights.shape[1], "compress": "deflate", "zlevel": 9,
        "predictor": 3,
        "transform": from_origin(CENTRE[0] - HALF_M, CENTRE[1] + HALF_M, CELL_M, CELL_M),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as dem:
        dem.write(heights.astype(np.float32), 1)


def write_climate(folder: Path) -> None:
    """Write the station's monthly means and the coldest night of thirty winters."""
    lines = ["month,tmin_c,tmax_c,rain_mm", *(",".join(map(str, month)) for month in MONTHS)]
    (folder / "climate.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    # Extremes of many nights follow a Gumbel distribution; mean -8, spread 2 degrees.
    coldest = -8.0 - (np.random.default_rng(SEED + 2).gumbel(0, 1.6, 30) - 0.5772 * 1.6)
    lines = ["year,min_c"]
    lines += [f"{year},{low:.1f}" for year, low in zip(range(1996, 2026), coldest, strict=True)]
    (folder / "winter_minima.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def make_sample(folder: Path) -> None:
    """Write every made file of the sample into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    heights, unit = make_ground()
    write_dem(heights, folder / "dem.tif")
    (folder / "farm.gpkg").unlink(missing_ok=True)
    fields = paddocks()
    whole = fields.set_precision(0.01).union_all().normalize()
    outline = gpd.GeoDataFrame({"name": ["Sallow Fell"]}, geometry=[whole])
    lines, areas = no_plant()
    trees = gpd.GeoDataFrame(
        [(s, n, months, "", Point(at)) for s, n, months, at in MOTHER_TREES],
        columns=["species", "name", "fruiting_months", "permit", "geometry"],
        geometry="geometry",
    )
    for layer, features in (
        ("boundary", outline),
        ("paddocks", fields),
        ("soils", soils(unit)),
        ("readings", frost_readings(heights)),
        ("no_plant_lines", lines),
        ("no_plant_areas", areas),
        ("seed_sources", trees),
    ):
        write_layer(features, folder / "farm.gpkg", layer)
    write_climate(folder)


if __name__ == "__main__":
    make_sample(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
