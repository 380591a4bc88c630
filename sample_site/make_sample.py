"""Write the sample site: ``python make_sample.py [FOLDER]`` (default: beside this script).

Everything is invented and made from one seed, so that running it again gives the same bytes
for the versions of the libraries that ``made_with.json`` names. The species table, the site
file and README are written by hand; they are copied when another folder is asked for.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from importlib.metadata import version
from pathlib import Path

# GeoPackage stores the time of writing; a fixed one keeps the bytes the same.
os.environ["OGR_CURRENT_DATE"] = "2026-01-01T00:00:00.000Z"

import geopandas as gpd
import make_frost
import make_ground
import make_hills
import make_property
import numpy as np
import pyogrio
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import Point, Polygon

SEED = 20260
CRS = "EPSG:32756"
CENTRE = (620000.0, 5350000.0)  # open sea
LIBRARIES = ("geopandas", "numba", "numpy", "pyogrio", "pyproj", "rasterio", "scipy", "shapely")
BY_HAND = ("species.csv", "site.toml", "README.md")
WINTER = 2024

# name, height of the instrument, exposure, instrument, metres east and north of the centre
INSTRUMENTS = (
    ("Knoll top", 1.2, "open, windy", "logger", (215, 320)),
    ("Shoulder gate", 1.2, "open", "max-min thermometer", (420, 500)),
    ("Shelf middle", 1.2, "open", "logger", (210, 140)),
    ("Long Run gate", 0.5, "open slope", "max-min thermometer", (-450, 200)),
    ("Scarp foot", 1.2, "sheltered by the face", "logger", (180, -150)),
    ("House yard", 1.2, "beside buildings", "max-min thermometer", (300, -492)),
    ("Flat, upper end", 1.2, "open", "max-min thermometer", (170, -390)),
    ("Flat, bank hollow", 1.2, "open, still", "logger", (-265, -370)),
    ("Flat, below the bank", 0.5, "open", "max-min thermometer", (-400, -420)),
    ("Flat, grass peg", 0.05, "open, short grass", "max-min thermometer", (-60, -390)),
)
HOLLOW = ((-310, -500), (-308, -290), (-180, -265), (-60, -300), (-20, -400), (-120, -500))
MONTHS = (
    (1, 9.4, 21.3, 54),
    (2, 9.5, 21.2, 50),
    (3, 8.1, 18.9, 58),
    (4, 5.8, 15.6, 68),
    (5, 3.5, 12.2, 76),
    (6, 1.6, 9.6, 80),
    (7, 1.1, 9.1, 86),
    (8, 1.7, 10.3, 88),
    (9, 3.2, 12.7, 80),
    (10, 4.8, 15.1, 76),
    (11, 6.5, 17.4, 68),
    (12, 8.1, 19.4, 66),
)


def to_map(features: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Features moved from metres about the centre to map coordinates, to the centimetre."""
    moved = features.set_geometry(features.translate(*CENTRE).set_precision(0.01))
    return moved.set_crs(CRS)


def write_layer(features: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    """Add one layer to a GeoPackage."""
    pyogrio.write_dataframe(to_map(features), path, layer=layer, driver="GPKG")


def write_dem(heights: np.ndarray, path: Path) -> None:
    """Write heights as a tiled, compressed GeoTIFF."""
    rows, columns = heights.shape
    half = make_hills.HALF_M
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": 1,
        "height": rows,
        "width": columns,
        "crs": CRS,
        "transform": from_origin(
            CENTRE[0] - half, CENTRE[1] + half, make_hills.CELL_M, make_hills.CELL_M
        ),
        "nodata": -9999.0,
        "compress": "deflate",
        "zlevel": 9,
        "predictor": 3,
        "tiled": True,
    }
    with rasterio.open(path, "w", **profile) as dem:
        dem.write(heights.astype(np.float32), 1)


def frost_readings(heights: np.ndarray, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """List the instruments with what they read in the winter of ``WINTER``."""
    names, height_m, exposure, instrument, places = zip(*INSTRUMENTS, strict=True)
    east, north = np.array(places, dtype=float).T
    columns = ((east + make_hills.HALF_M) / make_hills.CELL_M).astype(int)
    rows = ((make_hills.HALF_M - north) / make_hills.CELL_M).astype(int)
    read = make_frost.readings(heights, make_hills.CELL_M, rows, columns, np.array(height_m), rng)
    table = {
        "name": names,
        "winter_min_c": read,
        "height_m": height_m,
        "exposure": exposure,
        "instrument": instrument,
        "winter": WINTER,
    }
    return gpd.GeoDataFrame(table, geometry=[Point(p) for p in places])


def write_climate(folder: Path, rng: np.random.Generator) -> None:
    """Write the station's monthly means and the coldest night of thirty winters."""
    lines = ["month,tmin_c,tmax_c,rain_mm"]
    lines += [f"{m},{low},{high},{rain}" for m, low, high, rain in MONTHS]
    (folder / "climate.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    # Extremes of many nights follow a Gumbel distribution; mean -3.5, spread 0.9 degrees.
    coldest = -3.5 - (rng.gumbel(0, 0.7, 30) - 0.5772 * 0.7)
    lines = ["year,min_c"]
    lines += [f"{year},{low:.1f}" for year, low in zip(range(1996, 2026), coldest, strict=True)]
    (folder / "winter_minima.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def make_sample(folder: Path) -> None:
    """Write every file of the sample site into ``folder``."""
    here = Path(__file__).parent
    folder.mkdir(parents=True, exist_ok=True)
    ground = make_ground.make_ground(SEED)
    write_dem(ground.heights, folder / "dem.tif")
    for name in ("property", "soils", "frost", "no_plant", "seed_sources"):
        (folder / f"{name}.gpkg").unlink(missing_ok=True)
    write_layer(make_property.boundary(), folder / "property.gpkg", "boundary")
    write_layer(make_property.paddocks(), folder / "property.gpkg", "paddocks")
    write_layer(make_property.soils(ground), folder / "soils.gpkg", "soils")
    write_layer(make_property.no_plant_lines(ground), folder / "no_plant.gpkg", "lines")
    write_layer(make_property.no_plant_areas(ground), folder / "no_plant.gpkg", "areas")
    write_layer(make_property.seed_sources(), folder / "seed_sources.gpkg", "seed_sources")
    read = frost_readings(ground.heights, np.random.default_rng(SEED + 1))
    write_layer(read, folder / "frost.gpkg", "readings")
    hollow = gpd.GeoDataFrame({"name": ["Bank hollow"]}, geometry=[Polygon(HOLLOW)])
    write_layer(hollow, folder / "frost.gpkg", "hollows")
    write_climate(folder, np.random.default_rng(SEED + 2))
    made_with = {name: version(name) for name in LIBRARIES}
    (folder / "made_with.json").write_text(json.dumps(made_with, indent=1) + "\n")
    for name in BY_HAND:
        if folder.resolve() != here.resolve() and (here / name).exists():
            shutil.copyfile(here / name, folder / name)


if __name__ == "__main__":
    make_sample(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
