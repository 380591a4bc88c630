"""The cold-air night's speed and balance, on made ground and on the sample."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchmarks.harness import REFERENCE, Row, mark, reference_job
from siteplanner import load_site
from siteplanner.base.grid import FloatGrid
from siteplanner.ground.cold.cold_air import ColdAir
from siteplanner.ground.cold.drainage_run import cached_drainage, night_seconds, run_drainage
from siteplanner.reading.inputs import read_inputs

ROOT = Path(__file__).parent.parent
#: 30 s for eight hours on a million cells are asked for.
DRAINAGE = mark(30)


def rows() -> Iterator[Row]:
    """Speed first, then how little the cells matter."""
    yield from drainage_rows()
    yield from sample_rows()


def hills(side: int, cell: float) -> FloatGrid:
    """Seeded hills and valleys on a square of cells, the same however many there are, m."""
    draw = np.random.default_rng(7)
    y, x = np.meshgrid(np.arange(side) * cell, np.arange(side) * cell, indexing="ij")
    total = np.zeros((side, side))
    for _ in range(24):
        length, turn, phase = draw.uniform(300, 3000), draw.uniform(0, np.pi), draw.uniform(0, 6)
        along = np.cos(turn) * x + np.sin(turn) * y
        total += length / 3000 * np.cos(2 * np.pi * along / length + phase)
    return (60 * total / total.std() / 2 + 300).astype(np.float32)


def drainage_rows() -> Iterator[Row]:
    """Time eight hours on 5 m cells: a million of them, a quarter of them, and kept."""
    reference = reference_job()
    run_drainage(hills(60, 5.0), 5.0, 600.0, ColdAir())
    taken, busy = {}, {}
    for side in (500, 1000):
        dem = hills(side, 5.0)
        start, busy_from = time.perf_counter(), time.process_time()
        made = run_drainage(dem, 5.0, 8 * 3600.0, ColdAir())
        taken[side], busy[side] = time.perf_counter() - start, time.process_time() - busy_from
    yield Row("8 h night, 1 M cells of 5 m", taken[1000], reference, DRAINAGE, "s", REFERENCE)
    yield Row(
        "processor time, a quarter of 1 M cells",
        busy[1000] / 4,
        busy[500],
        1.5,
        "s",
        "0.25 M cells",
    )
    yield Row(
        "stored + flowed out - chilled, of what was chilled",
        abs(made.imbalance),
        1e-6,
        1.0,
        "",
        "mark",
    )
    with tempfile.TemporaryDirectory() as folder:
        before = os.environ.get("SITEPLANNER_CACHE")
        os.environ["SITEPLANNER_CACHE"] = folder
        try:
            times = []
            for _ in range(2):
                start = time.perf_counter()
                cached_drainage(
                    hills(500, 5.0), 5.0, 2 * 3600.0, ColdAir(), None, cell_m=5.0, lies_m=2.0
                )
                times.append(time.perf_counter() - start)
        finally:
            os.environ.pop("SITEPLANNER_CACHE")
            if before is not None:
                os.environ["SITEPLANNER_CACHE"] = before
    yield Row("the same night again", times[1], times[0], 0.5, "s", "the first time")


def sample_rows() -> Iterator[Row]:
    """Pool area on the sample when the cell is halved, and a coarse start against a fine one."""
    site = read_inputs(load_site(ROOT / "sample_site" / "site.toml"))
    cell, seconds = site.grid.cell, night_seconds(site.grid.centre_lonlat[1])
    wide, fine = (run_drainage(site.dem, cell, seconds, ColdAir(), cell_m=m) for m in (12.0, 6.0))
    areas = [float((n.depth >= 2).sum()) * m**2 / 1e4 for n, m in ((wide, 12.0), (fine, 6.0))]
    yield Row(
        "change of pool area when the cell is halved",
        abs(areas[1] / areas[0] - 1),
        0.1,
        1.0,
        "",
        "mark",
    )
    slow = run_drainage(site.dem, cell, seconds, ColdAir(), cell_m=6.0, coarser=1)
    off = float(np.abs(fine.depth - slow.depth).mean() / slow.depth.mean())
    yield Row(
        "depth after a coarse start, off a night on fine cells alone", off, 0.05, 1.0, "", "mark"
    )
