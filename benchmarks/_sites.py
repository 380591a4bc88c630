"""Many sites: time and memory of a catchment of small properties cut from the sample's ground."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import psutil
import rasterio
import shapely
from rasterio.windows import from_bounds

from benchmarks.harness import Row

SAMPLE = Path(__file__).parents[1] / "sample_site"
#: Sites of the table in ``scale.md``, and of the group's own two cases.
SITES = (5, 10, 20, 50)
FEW, MORE = 3, 9
WORKERS = 2
#: Width of a property and of the ground told past its boundary, m.
WIDE, MARGIN = 240.0, 120.0
GROWTH = 1.1
_FILES = ("species.csv", "climate.csv", "winter_minima.csv", "soils.gpkg")
_SETTINGS = f"""
[boundary]
file = "land.gpkg"
[paddocks]
file = "land.gpkg"
[dem]
file = "dem.tif"
margin_m = {MARGIN}
[soils]
file = "soils.gpkg"
columns = {{ stones_percent = "stones_pct" }}
[climate]
monthly = "climate.csv"
winter_minima = "winter_minima.csv"
[species]
file = "species.csv"
[mix]
least_species = 1
largest_share = 1.0
"""


def write_site(folder: Path, number: int) -> None:
    """Write a property of six hectares, cut from another place of the sample for each number."""
    folder.mkdir(parents=True)
    for name in _FILES:
        shutil.copy(SAMPLE / name, folder)
    with rasterio.open(SAMPLE / "dem.tif") as source:
        left, bottom, right, top = gpd.read_file(SAMPLE / "soils.gpkg").total_bounds
        # Places that do not repeat, spread evenly by the golden section.
        x = left + (right - left - WIDE) * (number * 0.6180339887 % 1)
        y = bottom + (top - bottom - WIDE) * (number * 0.7548776662 % 1)
        box = (x - MARGIN, y - MARGIN, x + WIDE + MARGIN, y + WIDE + MARGIN)
        window = from_bounds(*box, source.transform).round_offsets().round_lengths()
        values = source.read(window=window)
        profile = source.profile | {
            "height": values.shape[1],
            "width": values.shape[2],
            "transform": source.window_transform(window),
        }
        crs = source.crs
    with rasterio.open(folder / "dem.tif", "w", **profile) as target:
        target.write(values)
    square = shapely.box(x, y, x + WIDE, y + WIDE)
    land = gpd.GeoDataFrame({"name": ["All of it"], "plant": [1]}, geometry=[square], crs=crs)
    land.to_file(folder / "land.gpkg", layer="land")
    name = f'[site]\nname = "Invented property {number:03d}"\n'
    (folder / "site.toml").write_text(name + _SETTINGS, encoding="utf-8")


def measure(sites: int, folder: Path, workers: int = WORKERS) -> dict[str, Any]:
    """Plan so many sites with the command; seconds, and the peak of all its processes, GB."""
    for number in range(sites):
        if not (folder / f"site{number:03d}").exists():
            write_site(folder / f"site{number:03d}", number)
    names = [f"site{number:03d}/site.toml" for number in range(sites)]
    file = folder / f"{sites}.toml"
    file.write_text(f'[catchment]\nname = "Invented valley"\nsites = {json.dumps(names)}\n')
    out = folder / f"out{sites}"
    command = [sys.executable, "-m", "siteplanner", "catchment", str(file), "--out", str(out),
               "--workers", str(workers)]  # fmt: skip
    start = time.perf_counter()
    run = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak = [0.0]
    watcher = threading.Thread(target=watch, args=(run, peak))
    watcher.start()
    code = run.wait()
    taken = time.perf_counter() - start
    watcher.join()
    if code != 0:
        raise RuntimeError(f"the catchment ended with {code}")
    planned = len(list((out / "sites").iterdir()))
    shutil.rmtree(out)
    return {"sites": planned, "s": taken, "gb": peak[0]}


def watch(run: subprocess.Popen[bytes], peak: list[float]) -> None:
    """Add up what all processes of a run hold (memory that they share counted once)."""
    while run.poll() is None:
        held = 0
        try:
            parent = psutil.Process(run.pid)
            family = [parent, *parent.children(recursive=True)]
        except psutil.NoSuchProcess:
            return
        for process in family:
            try:
                held += process.memory_full_info().pss
            except (psutil.NoSuchProcess, psutil.AccessDenied):
                continue
        peak[0] = max(peak[0], held / 1e9)
        time.sleep(0.5)


def site_rows() -> Iterator[Row]:
    """How time and memory grow with the number of sites."""
    with tempfile.TemporaryDirectory() as folder:
        measure(1, Path(folder))  # compiles what is not yet compiled
        few, more = (measure(sites, Path(folder)) for sites in (FEW, MORE))
    growth = math.log(more["s"] / few["s"]) / math.log(MORE / FEW)
    what = f"growth of time with sites, {FEW} to {MORE}, {WORKERS} workers"
    yield Row(what, growth, 1.0, GROWTH, "(power)", "(in step)")
    what = f"peak memory of {MORE} sites beside {FEW}"
    yield Row(what, more["gb"], few["gb"], 1.2, "GB", "(a third of the sites)")


def main() -> None:
    """Measure all sizes of the table in ``scale.md``."""
    with tempfile.TemporaryDirectory() as folder:
        measure(1, Path(folder))
        for sites in SITES:
            print(json.dumps(measure(sites, Path(folder))), flush=True)


if __name__ == "__main__":
    main()
