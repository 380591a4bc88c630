"""One catchment in tiles: time, memory and growth on fractal hills, made a tile at a time."""

from __future__ import annotations

import itertools
import json
import math
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
from affine import Affine
from numba import njit

from benchmarks._sites import site_rows
from benchmarks.harness import Row
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.tiled.ground import ground_in_tiles
from siteplanner.tiled.rasters import scratch
from siteplanner.tiled.tiles import Box, cut

#: Cells a side: 0.1, 1, 4, 25, 100 and 400 million cells.
SIDES = (317, 1000, 2000, 5000, 10_000, 20_000)
TILE = 2048
LAYERS = (
    "slope",
    "aspect",
    "topographic_position_150m",
    "flow_accumulation",
    "channels",
    "wetness",
)
MEMORY_GB = 8.0
#: The group's own cases, and how steeply time may grow with cells (1 is in step with them).
SMALL, LARGE = 1000, 2000
GROWTH = 1.1
ASKED = "(asked for)"


@njit(cache=True, nogil=True)
def _hills(top: int, left: int, rows: int, cols: int, octaves: int) -> Any:
    """Heights of a box of endless hills: lattices of random heights, each half as wide."""
    out = np.zeros((rows, cols), np.float32)
    for octave in range(octaves):
        wide, tall = 2 ** (octaves - octave), np.float32(2.0 ** (0.9 * (octaves - octave)) / 4)
        for row in range(rows):
            r, down = (row + top) // wide, np.float32((row + top) % wide) / wide
            for col in range(cols):
                c, right = (col + left) // wide, np.float32((col + left) % wide) / wide
                total = np.float32(0)
                for i in range(2):
                    for j in range(2):
                        mixed = np.uint64(r + i) * np.uint64(0x9E3779B97F4A7C15)
                        mixed ^= np.uint64(c + j) * np.uint64(0xC2B2AE3D27D4EB4F)
                        mixed ^= np.uint64(octave + 1) * np.uint64(0x165667B19E3779F9)
                        mixed ^= mixed >> np.uint64(29)
                        mixed *= np.uint64(0xBF58476D1CE4E5B9)
                        mixed ^= mixed >> np.uint64(32)
                        height = np.float32(mixed >> np.uint64(40)) / np.float32(2**24)
                        total += height * abs(1 - i - down) * abs(1 - j - right)
                out[row, col] += tall * total
    return out


def hills(box: Box) -> FloatGrid:
    """Fractal hill country, m, with valleys some 8 km apart at cells of 2 m, and many hollows."""
    return _hills(box.top, box.left, *box.shape, 12)


def write_hills(path: Path, side: int) -> None:
    """Write a DEM of ``side`` cells a side, a tile at a time."""
    place = Affine(2.0, 0, 600_000, 0, -2.0, 5_350_000)
    target = scratch(path, Grid(pyproj.CRS("EPSG:32755"), place, (side, side)), "float32", np.nan)
    for box in cut((side, side), TILE):
        target.write(box, hills(box))


def run_one(dem: str, out: str, tile: int) -> None:
    """Work the layers out in tiles; print seconds (of the processor too) and peak GB."""
    started = time.perf_counter()
    said: list[tuple[str, float]] = []

    def step(what: str, done: int, _: int) -> None:
        if done == 0:
            said.append((what, time.perf_counter() - started))

    ground_in_tiles(Path(dem), Path(out), LAYERS, tile=tile, step=step)
    said.append(("", time.perf_counter() - started))
    steps: dict[str, float] = {}
    for (name, begun), (_, ended) in itertools.pairwise(said):
        steps[name] = steps.get(name, 0.0) + ended - begun
    used = resource.getrusage(resource.RUSAGE_SELF)
    cpu, peak = used.ru_utime + used.ru_stime, used.ru_maxrss * 1024 / 1e9
    print(json.dumps({"s": said[-1][1], "cpu_s": cpu, "gb": peak, "steps": steps}))


def measure(side: int, tile: int, folder: Path) -> dict[str, Any]:
    """Run one case in a process of its own, on hills of ``side`` cells a side."""
    dem, out = folder / f"hills_{side}.tif", folder / f"ground_{side}"
    if not dem.exists():
        write_hills(dem, side)
    code = f"from benchmarks.scale import run_one; run_one({str(dem)!r}, {str(out)!r}, {tile})"
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    shutil.rmtree(out)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def tile_rows() -> Iterator[Row]:
    """One catchment in tiles: how time and memory grow, with the tile as it is."""
    tile = 512
    with tempfile.TemporaryDirectory() as folder:
        measure(SMALL, tile, Path(folder))  # compiles what is not yet compiled
        small, large = (measure(side, tile, Path(folder)) for side in (SMALL, LARGE))
    more = (LARGE / SMALL) ** 2
    millions = LARGE * LARGE // 1_000_000
    growth = math.log(large["cpu_s"] / small["cpu_s"]) / math.log(more)
    what = "growth of processor time with cells, 1 to 4 million"
    yield Row(what, growth, 1.0, GROWTH, "(power)", "(in step)")
    what = f"{len(LAYERS)} layers in tiles of {tile}, {millions} million cells, peak memory"
    yield Row(what, large["gb"], MEMORY_GB, 1.0, "GB", ASKED)
    what = f"peak memory, {millions} million cells beside {millions // 4}, same tile"
    yield Row(what, large["gb"], small["gb"], 1.5, "GB", "(a quarter of the cells)")


def rows() -> Iterator[Row]:
    """All figures of scale."""
    yield from tile_rows()
    yield from site_rows()


def main() -> None:
    """Measure all sizes of the table in ``scale.md``; the largest takes 15 GB of disk."""
    with tempfile.TemporaryDirectory() as folder:
        for side in SIDES:
            print(json.dumps({"side": side, **measure(side, TILE, Path(folder))}), flush=True)


if __name__ == "__main__":
    main()
