"""The map of 50,000 trees and all writers: the sample planted closer, as a person gets it."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchmarks.harness import REFERENCE, Row, mark, reference_job
from siteplanner.run import write_plan
from siteplanner.site.site_file import Site, load_site

SAMPLE = Path(__file__).parent.parent / "sample_site" / "site.toml"
TREES = 50_000
MEGABYTES = 8.0
INTERACTIVE, WRITERS = mark(2), mark(20)


def closer(site: Site, share: float) -> Site:
    """Give the site with every spacing multiplied by ``share``."""
    rules = tuple(
        rule.model_copy(update={"spacing_m": rule.spacing_m * share})
        for rule in site.planting.rules
    )
    planting = site.planting.model_copy(
        update={"spacing_m": site.planting.spacing_m * share, "rules": rules}
    )
    return site.model_copy(update={"planting": planting})


def write(site: Site, out: Path) -> tuple[int, float]:
    """Write a plan: its trees, and the seconds from the first writer after planning to the end.

    Layers are written while the ground is worked out; only what is left of them then counts.
    """
    began: list[float] = []

    def step(words: str) -> None:
        if words.startswith("Writing") and not began:
            began.append(time.perf_counter())

    plan = write_plan(site, out, step=step)
    return plan.trees_total, time.perf_counter() - began[0]


def interactive(page_file: Path, repeats: int = 5) -> float | None:
    """Median seconds from opening the page to its second frame after it is ready.

    None, with a word why, where there is no Chromium or no playwright.
    """
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        print("no playwright: the page is not timed", file=sys.stderr)
        return None
    chromium = os.environ.get("SITEPLANNER_CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        print("no Chromium: the page is not timed", file=sys.stderr)
        return None
    frames = "() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)))"
    taken = []
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu"]
        browser = playwright.chromium.launch(executable_path=chromium, args=arguments)
        for _ in range(repeats + 1):
            with browser.new_context(
                offline=True, viewport={"width": 1440, "height": 900}
            ) as world:
                page = world.new_page()
                start = time.perf_counter()
                page.goto(page_file.as_uri())
                page.wait_for_selector("html[data-ready]", state="attached")
                page.evaluate(frames)
                taken.append(time.perf_counter() - start)
        browser.close()
    return float(np.median(taken[1:]))


def rows() -> Iterator[Row]:
    """Size, time to interactive, all writers."""
    site = load_site(SAMPLE)
    with tempfile.TemporaryDirectory() as folder:
        trees, _ = write(site, Path(folder) / "as_it_is")
        out = Path(folder) / "closer"
        trees, writers = write(closer(site, (trees / (1.02 * TREES)) ** 0.5), out)
        if trees < TREES:
            raise RuntimeError(f"{trees} trees are too few for this figure")
        size = (out / "map.html").stat().st_size / 1e6
        opened = interactive(out / "map.html")
    reference = reference_job()
    yield Row(f"map of {trees:,} trees, size", size, MEGABYTES, 1.0, "MB", "(asked for)")
    if opened is not None:
        what = f"map of {trees:,} trees, until interactive"
        yield Row(what, opened, reference, INTERACTIVE, "s", REFERENCE)
    yield Row(f"all writers, {trees:,} trees", writers, reference, WRITERS, "s", REFERENCE)
