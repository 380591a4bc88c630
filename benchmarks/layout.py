"""The layout: a million trees set out and given their species, the mix, quality of the placing."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine

from benchmarks.harness import REFERENCE, Row, mark, reference_job
from benchmarks.plan import SAMPLE
from siteplanner import load_site, make_plan
from siteplanner.base.grid import Grid
from siteplanner.planting.mix import allocation
from siteplanner.planting.mix.allocation import allocate_species
from siteplanner.planting.mix.assign import clumped, place_species
from siteplanner.planting.mix.mix import choose_mix
from siteplanner.planting.mix.supply import Candidates, gather
from siteplanner.planting.rows.contour import contour, row_spacings
from siteplanner.planting.rows.layout import number_rows, set_out
from siteplanner.planting.rows.patterns import Relief, patterns
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.site.planting import Mix
from siteplanner.suitability.score import Suitability

MILLION, LARGE_MIX, SMALL_MIX = mark(20), mark(20), mark(2)
MEMORY_GB = 2.0
SPECIES = 20


def field(side_m: float) -> tuple[gpd.GeoDataFrame, Grid, Suitability, SpeciesTable, Relief]:
    """Blocks of 25 ha in 16 zones on hilly ground, and how 20 species fit it."""
    cells = int(side_m / 4)
    grid = Grid(None, Affine(4, 0, 0, 0, -4, side_m), (cells, cells))
    rows, cols = np.mgrid[:cells, :cells]
    x, y = cols.ravel() * 4.0, rows.ravel() * 4.0
    dem = (60 * np.sin(cols / 90) * np.cos(rows / 70) + 0.2 * cols).astype(np.float32)
    score = np.stack(
        [np.clip(60 + 45 * clumped(x, y, 150, s), 0, 100).astype(np.uint8) for s in range(SPECIES)]
    )
    suitability = Suitability(np.ones(grid.shape, bool), (), score, score, score)
    steps = np.arange(0, side_m, 500.0)
    shapes = [shapely.box(e, n, e + 498, n + 498) for n in steps for e in steps]
    number = np.arange(len(shapes))
    blocks = gpd.GeoDataFrame(
        {
            "block": [f"B{n}" for n in number],
            "zone": [f"Z{n % 16:02d}" for n in number],
            "pattern": np.array(["square", "contour", "square", "natural"])[number % 4],
            "spacing_m": 4.0,
            "bearing_deg": 20.0 * (number % 9),
        },
        geometry=shapes,
    )
    facts = pd.DataFrame(
        {
            "botanical_name": [f"species {n}" for n in range(SPECIES)],
            "roles": [("pioneer",) if n % 2 else ("habitat",) for n in range(SPECIES)],
            "expected_survival": np.linspace(0.7, 0.95, SPECIES),
            "mature_height_m": 12.0,
        }
    )
    return blocks, grid, suitability, SpeciesTable(Path(), facts, {}, {}, {}), Relief(dem, grid)


def layout(side_m: float) -> tuple[float, int]:
    """Set out a field and put species on it: seconds, trees."""
    blocks, grid, suitability, table, relief = field(side_m)
    nothing = gpd.GeoDataFrame({"kind": [], "setback_m": []}, geometry=[])
    start = time.perf_counter()
    places = set_out(blocks, patterns(), nothing, relief=relief)
    kind = allocate_species(Mix(), table, grid, suitability, blocks, places, nothing).kind
    placed = number_rows(places.only(kind >= 0), blocks)
    return time.perf_counter() - start, len(placed.x)


def mixes(zones: int, species: int) -> tuple[float, float]:
    """Choose mixes for zones of 5000 places: seconds, and the widest optimality gap."""
    supplies = []
    names = tuple(f"species {n}" for n in range(species))
    roles = tuple(("pioneer",) if n % 3 == 0 else ("habitat",) for n in range(species))
    kinds = Candidates(names, np.linspace(0.6, 0.95, species), roles)
    for zone in range(zones):
        random = np.random.default_rng(zone)
        x, y = random.uniform(0, 300, (2, 5000))
        patchy = np.stack([clumped(x, y, 60, s + 100 * zone) for s in range(species)], axis=1)
        supplies.append(np.clip(random.uniform(0, 90, species) + 25 * patchy, 0, 100))
    start = time.perf_counter()
    found = [choose_mix(gather(scores, kinds, Mix()), kinds, Mix()) for scores in supplies]
    return time.perf_counter() - start, max(mixed.optimality_gap for mixed in found)


def sample_mix() -> float:
    """Seconds that the mixes of the sample's zones take, as its plan is made."""
    taken = 0.0

    def timed(*args: Any, **kwargs: Any) -> Any:
        nonlocal taken
        start = time.perf_counter()
        found = choose_mix(*args, **kwargs)
        taken += time.perf_counter() - start
        return found

    with mock.patch.object(allocation, "choose_mix", timed):
        make_plan(load_site(SAMPLE))
    return taken


def greedy(scores: np.ndarray, trees: np.ndarray) -> float:
    """Sum of suitability when each place in turn takes the best species that has trees left."""
    left, total = trees.copy(), 0.0
    for row in scores:
        kind = np.where(left > 0, row, -1.0).argmax()
        left[kind] -= 1
        total += row[kind]
    return total


def quality() -> tuple[float, float]:
    """Sum of suitability of our placing and of the greedy one, on the same patchy ground."""
    east, north = (a.ravel().astype(float) for a in np.meshgrid(np.arange(100), np.arange(100)))
    scores = np.stack([50 + 50 * clumped(east, north, 20, s) for s in range(10)], axis=1)
    trees = np.full(10, 1000)
    placed = place_species(scores, trees, 0, np.zeros(scores.shape, np.float32))
    return float(scores[np.arange(len(scores)), placed].sum()), greedy(scores, trees)


def spacings_within_bounds() -> float:
    """Share of the row spacings of contour rows on hills that are 0.75 to 1.5 spacings."""
    _, _, _, _, relief = field(1000.0)
    x, y, row = contour(shapely.box(100, 100, 900, 900), 4.0, 0.0, ground=relief)
    spacings = row_spacings(x, y, row, 4.0)
    return float(((spacings >= 0.75) & (spacings <= 1.5)).mean())


def rows() -> Iterator[Row]:
    """Time, memory, linear growth, quality."""
    reference = reference_job()
    # In a process of its own, so that the memory is that of the layout alone.
    done = subprocess.run(
        [sys.executable, "-m", "benchmarks.layout"], capture_output=True, text=True, check=True
    )
    quarter, quarter_trees, whole, trees, memory = map(float, done.stdout.split())
    yield Row(f"{trees:,.0f} trees set out and placed", whole, reference, MILLION, "s", REFERENCE)
    yield Row("the same, peak memory", memory, MEMORY_GB, 1.0, "GB", "(asked for)")
    yield Row(
        "seconds a tree, beside a quarter of the trees",
        1e6 * whole / trees,
        1e6 * quarter / quarter_trees,
        1.3,
        "µs",
        f"({quarter_trees:,.0f} trees)",
    )
    small, _ = mixes(10, 20)
    yield Row("mix of 10 zones, 20 species", small, reference, SMALL_MIX, "s", REFERENCE)
    yield Row("mixes of the sample's zones", sample_mix(), reference, SMALL_MIX, "s", REFERENCE)
    large, optimality_gap = mixes(40, 60)
    yield Row("mix of 40 zones, 60 species", large, reference, LARGE_MIX, "s", REFERENCE)
    yield Row(
        "widest optimality gap of these mixes",
        optimality_gap,
        0.01,
        1.0,
        "",
        "of the places (our own)",
    )
    ours, theirs = quality()
    yield Row(
        "suitability summed over places", ours, theirs, 1.02, "", "greedy placing", at_least=True
    )
    yield Row(
        "row spacings of contour rows within bounds",
        spacings_within_bounds(),
        1.0,
        0.95,
        "",
        "all",
        at_least=True,
    )


if __name__ == "__main__":
    layout(500.0)
    few = layout(2000.0)
    many = layout(4000.0)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(*few, *many, peak)
