"""How a plan's time and memory grow with its trees: an invented farm beside the sample."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchmarks._farm import SPACING_M, write_farm
from benchmarks._sites import SAMPLE, watch
from benchmarks.harness import Row
from siteplanner.forecast import forecast_of
from siteplanner.reading.inputs import read_inputs
from siteplanner.site.site_file import load_site

#: Trees of the farms over which growth is fitted, and of the farm of the marks.
TREES = (25_000, 100_000, 600_000, 1_000_000)
MARKED = 600_000
MEMORY_GB, TIMES_SAMPLE, GROWTH = 1.2, 6.0, 1.1


def farm(folder: Path, trees: int) -> Path:
    """Write a farm that holds so many trees at its spacing; give its site file."""
    return write_farm(folder / f"farm{trees}", trees * SPACING_M**2 / 1e4)


def measure(site: Path, folder: Path) -> tuple[float, float]:
    """Plan a site with nothing kept from before: processor seconds, peak GB of all processes."""
    with tempfile.TemporaryDirectory(dir=folder) as fresh:
        before = os.times()
        run = subprocess.Popen(
            [sys.executable, "-m", "siteplanner", "plan", str(site), "--out", f"{fresh}/plan",
             "--quiet"],
            env=os.environ | {"SITEPLANNER_CACHE": f"{fresh}/cache"},
        )  # fmt: skip
        peak = [0.0]
        watcher = threading.Thread(target=watch, args=(run, peak))
        watcher.start()
        code = run.wait()
        watcher.join()
        after = os.times()
    if code != 0:
        raise RuntimeError(f"the plan of {site} ended with {code}")
    # The process that writes layers is counted too: the plan waits for it.
    return after[2] - before[2] + after[3] - before[3], peak[0]


def growth(taken: dict[int, float]) -> float:
    """Power of the trees with which something grows, by least squares of logarithms."""
    power, _ = np.polyfit(np.log(list(taken)), np.log(list(taken.values())), 1)
    return float(power)


def rows() -> Iterator[Row]:
    """The marks: 600,000 trees beside the sample, and the growth from 25,000 to a million."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        measure(farm(folder, 1000), folder)  # compiles what is not yet compiled
        sample_s, sample_gb = measure(SAMPLE / "site.toml", folder)
        taken = {trees: measure(farm(folder, trees), folder) for trees in TREES}
        told = {
            trees: forecast_of(site, read_inputs(site))
            for trees in TREES
            for site in [load_site(farm(folder, trees))]
        }
    marked = MARKED
    what = f"{marked:,} trees on 1,000 ha, processor time"
    yield Row(what, taken[marked][0], sample_s, TIMES_SAMPLE, "s", "(the sample's plan)")
    what = f"{marked:,} trees on 1,000 ha, peak memory"
    yield Row(what, taken[marked][1], MEMORY_GB, 1.0, "GB", "(asked for)")
    for number, kind in enumerate(("processor time", "memory")):
        power = growth({trees: one[number] for trees, one in taken.items()})
        what = f"growth of {kind} with trees, {TREES[0]:,} to {TREES[-1]:,}"
        yield Row(what, power, 1.0, GROWTH, "(power)", "(in step)")
    for trees, one in told.items():
        what = f"memory foretold for {trees:,} trees"
        yield Row(what, one.bytes / 1e9, taken[trees][1], 2.0, "GB", "(measured)")
        yield Row(what, one.bytes / 1e9, taken[trees][1], 0.5, "GB", "(measured)", at_least=True)
    yield Row("sample's peak memory", sample_gb, MEMORY_GB, 1.0, "GB", "(asked for)")
