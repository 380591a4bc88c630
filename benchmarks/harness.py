"""What every benchmark group uses: rows, timing, and the fixed reference job."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Row:
    """One figure: ours beside a reference's from the same run.

    ``asked`` bounds ours / reference: from above, or from below where ``at_least`` is true
    (throughput, speed-up turned round). ``unit`` is that of ``ours`` and ``reference``.
    """

    what: str
    ours: float
    reference: float
    asked: float
    unit: str = "s"
    reference_name: str = ""
    at_least: bool = False

    @property
    def ratio(self) -> float:
        """Ours / reference."""
        return self.ours / self.reference

    @property
    def ok(self) -> bool:
        """Whether the ratio keeps the bound."""
        return self.ratio >= self.asked if self.at_least else self.ratio <= self.asked


def seconds(job: Callable[[], object], repeats: int = 3) -> float:
    """Median wall time of a job, after one run that is not counted."""
    job()
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def copies(cells: int, times: int = 1) -> float:
    """Seconds to copy a float32 grid of so many cells, times over: the machine's own limit."""
    source = np.ones(cells, dtype=np.float32)
    target = np.empty_like(source)

    def job() -> None:
        for _ in range(times):
            np.copyto(target, source)

    return seconds(job, repeats=7)


#: The fixed reference job, for figures that are asked for in seconds: so many copies of so many
#: float32 cells. It took 0.123 to 0.136 s in six runs on two idle cores (AMD EPYC) when the marks
#: were set; all marks in seconds are multiples of that.
REFERENCE_CELLS, REFERENCE_TIMES, REFERENCE_S = 4_000_000, 200, 0.125
REFERENCE = f"({REFERENCE_TIMES} copies of {REFERENCE_CELLS // 1_000_000} million float32)"


def reference_job() -> float:
    """Seconds that the reference job takes in this run."""
    return copies(REFERENCE_CELLS, REFERENCE_TIMES)


def mark(asked_s: float) -> float:
    """What is asked for in seconds, as a multiple of the reference job."""
    return asked_s / REFERENCE_S
