"""The sample's whole plan, as a person runs it: first run and later runs, time and memory."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchmarks.harness import Row, copies

SAMPLE = Path(__file__).parent.parent / "sample_site" / "site.toml"
#: The reference job: 200 copies of 4 million float32 cells. The marks were worked out once, on
#: two cores where it took 0.30 s: 60 s cold and 20 s warm are asked for.
CELLS, TIMES = 4_000_000, 200
COLD, WARM = 200.0, 66.7
MEMORY_GB = 2.0


def plan(out: Path, cache: Path) -> tuple[float, float]:
    """Run the command in a process of its own: wall seconds, peak memory in GB."""
    env = os.environ | {"NUMBA_CACHE_DIR": str(cache), "XDG_CACHE_HOME": str(cache)}
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "siteplanner", "plan", str(SAMPLE), "--out", str(out), "--quiet"],
        check=True,
        env=env,
    )
    taken = time.perf_counter() - start
    return taken, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6


def rows() -> Iterator[Row]:
    """Cold, warm, memory."""
    reference = copies(CELLS, TIMES)
    name = f"({TIMES} copies of {CELLS // 1_000_000} million float32)"
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        cold, _ = plan(place / "plan", place / "cache")
        warm, memory = min(plan(place / "plan", place / "cache") for _ in range(2))
    yield Row("plan of the sample, first run with compiling", cold, reference, COLD, "s", name)
    yield Row("plan of the sample, later run", warm, reference, WARM, "s", name)
    yield Row("plan of the sample, peak memory", memory, MEMORY_GB, 1.0, "GB", "(asked for)")
