"""Scoring 60 species on 10 factors over 4 million cells, and drawing zones on as many."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Iterator

import numpy as np
from scipy.ndimage import gaussian_filter

from benchmarks.harness import REFERENCE, Row, mark, reference_job, seconds
from siteplanner.base.grid import BoolGrid, FloatGrid
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import score_factor, score_species

SIDE, SPECIES = 2000, 60
NUMBERS, CLASSES = 8, (7, 12)
#: 0.6 billion cell-species a second and zones in 20 s are asked for.
SUITABILITY, ZONES = mark(SIDE * SIDE * SPECIES / 0.6e9), mark(20)
FASTER = 30.0
MEMORY_GB = 2.0


def made() -> tuple[list[Factor], dict[str, FloatGrid], BoolGrid]:
    """Seeded factors and smooth layers, a fifth of one layer unknown."""
    draw = np.random.default_rng(20260101)
    factors, layers = [], {}
    for number in range(NUMBERS):
        name = f"number_{number}"
        layers[name] = _smooth(draw) * 100
        middle = draw.uniform(0, 100, (SPECIES, 1))
        factors.append(Factor(name, middle + np.array([-70, -40, 40, 70]), None))
    layers["number_0"][: SIDE // 5] = np.nan
    for number, classes in enumerate(CLASSES):
        name = f"class_{number}"
        layers[name] = np.minimum(np.floor(_smooth(draw) * classes), classes - 1)
        scores = draw.choice(np.array([0, 50, 100, 100], np.float32), (SPECIES, classes))
        factors.append(Factor(name, None, scores))
    return factors, layers, np.ones((SIDE, SIDE), dtype=bool)


def _smooth(draw: np.random.Generator) -> FloatGrid:
    values = gaussian_filter(draw.standard_normal((SIDE, SIDE), dtype=np.float32), 12)
    return ((values - values.min()) / np.ptp(values)).astype(np.float32)


def plain(factors: list[Factor], layers: dict[str, FloatGrid], mask: BoolGrid) -> None:
    """The same scores and limiting factors in plain numpy."""
    each = np.stack([score_factor(f, layers[f.layer][mask]) for f in factors])
    unknown = np.isnan(each)
    known = np.where(unknown, 100, each)
    np.where(unknown.any(axis=0), np.minimum(known.min(axis=0), 84), known.min(axis=0))
    known.argmin(axis=0)
    (~unknown).mean(axis=0)


def zoning() -> None:
    """Draw zones on 4 million cells; run in a process of its own, for its memory."""
    import pyproj
    from affine import Affine

    from siteplanner.base.grid import Grid
    from siteplanner.planting.zones.zones import kinds_of_ground, shapes_of_kinds

    factors, layers, mask = made()
    suitability = score_species(factors, layers, mask)
    scores = suitability.on_grid(suitability.score)
    grid = Grid(pyproj.CRS("EPSG:32756"), Affine(2, 0, 600000, 0, -2, 5300000), mask.shape)
    start = time.perf_counter()
    kinds = kinds_of_ground(
        scores, layers["number_1"] / 4, mask, grid,
        kinds=8, smallest_m2=5000, smooth_m=10, steepest_deg=40, lowest_suitability=20,
    )  # fmt: skip
    shapes_of_kinds(kinds, 10)
    print(time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6)


def rows() -> Iterator[Row]:
    """Rate with limiting factors, against plain numpy, zones, memory."""
    reference = reference_job()
    factors, layers, mask = made()
    ours = seconds(lambda: score_species(factors, layers, mask))
    yield Row(
        f"score {SPECIES} species, {len(factors)} factors, 4 million cells", ours, reference,
        SUITABILITY, "s", REFERENCE,
    )  # fmt: skip
    few = np.zeros_like(mask)
    few[::50, ::2] = True
    rate = SIDE * SIDE * SPECIES / ours / 1e6
    by_numpy = few.sum() * SPECIES / seconds(lambda: plain(factors, layers, few), 1) / 1e6
    yield Row(
        "the same, million cell-species a second", rate, by_numpy, FASTER, "M/s", "(plain numpy)",
        at_least=True,
    )  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", "from benchmarks.suitability import zoning; zoning()"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    taken, memory = (float(word) for word in done.stdout.split())
    yield Row("zones on 4 million cells", taken, reference, ZONES, "s", REFERENCE)
    yield Row("scoring and zones, peak memory", memory, MEMORY_GB, 1.0, "GB", "(asked for)")
