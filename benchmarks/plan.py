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

from benchmarks.harness import REFERENCE, Row, mark, reference_job

SAMPLE = Path(__file__).parent.parent / "sample_site" / "site.toml"
COLD, WARM = mark(60), mark(20)
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
    reference = reference_job()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        cold, _ = plan(place / "plan", place / "cache")
        warm, memory = min(plan(place / "plan", place / "cache") for _ in range(2))
    yield Row("plan of the sample, first run with compiling", cold, reference, COLD, "s", REFERENCE)
    yield Row("plan of the sample, later run", warm, reference, WARM, "s", REFERENCE)
    yield Row("plan of the sample, peak memory", memory, MEMORY_GB, 1.0, "GB", "(asked for)")
