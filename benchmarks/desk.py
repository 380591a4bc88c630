"""The desk: from an edit to the new map, as a share of a whole plan and in the browser.

The sample with the zones of its own plan drawn; a corner that zones share is moved, a species is
barred in one zone, the distance from fences is doubled. Plan and map are timed in a process that
made the plan before the edit; shares are of processor seconds, which other work on the machine
leaves alone. In the browser the time runs from the moment the edit is sent to be saved until the
new trees are drawn on the map that is drawn on, which is asked for, and until the new plan's map is
ready with all else that it shows.
"""

from __future__ import annotations

import gc
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchmarks.harness import REFERENCE, Row, mark, reference_job
from siteplanner.base.results.memory import Memory
from siteplanner.desk.site_desk import SiteDesk
from siteplanner.handover.map.page import map_page
from siteplanner.run import plan_through, write_plan
from siteplanner.site.site_file import load_site

SAMPLE = Path(__file__).parent.parent / "sample_site"
SHARE, SECONDS, MAP_S = 0.22, 2.0, 4.0
Features = list[dict[str, Any]]


def move_corner(features: Features) -> None:
    """Move a corner that two zones share by some metres, in both."""
    texts = [json.dumps(one["geometry"]["coordinates"]) for one in features]
    found = [set(re.findall(r"\[[\d.]+, [\d.]+\]", text)) for text in texts]
    shared = sorted(at for at in set.union(*found) if sum(at in mine for mine in found) == 2)
    at = shared[len(shared) // 2]
    x, y = json.loads(at)
    for one, text in zip(features, texts, strict=True):
        one["geometry"]["coordinates"] = json.loads(text.replace(at, f"[{x + 4}, {y + 2}]"))


def bar(features: Features) -> None:
    """Bar a species that the first zone has."""
    features[0]["properties"]["barred"] = "Acacia dealbata"


EDITS: dict[str, Callable[[Features], None] | None] = {
    "a zone's corner moved": move_corner,
    "a species barred in a zone": bar,
    "fences' setback doubled": None,
}


def keep_clear(site: Path) -> None:
    """Double the distance from fences."""
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace("fence = 2.0", "fence = 4.0"), encoding="utf-8")


def processor_s() -> float:
    """Processor seconds of this process and those that it has waited for."""
    return sum(os.times()[:4])


def planned(folder: Path) -> tuple[float, SiteDesk]:
    """Put the sample with its zones drawn into a folder, planned: processor seconds, its desk."""
    shutil.copytree(SAMPLE, folder)
    desk = SiteDesk(folder)
    site = load_site(desk.path)
    plan_through(Memory(), site)  # everything is loaded and compiled
    start = processor_s()
    write_plan(site, desk.plan.folder)
    whole = processor_s() - start
    desk.take_zones({})
    return whole, desk


def edited(desk: SiteDesk, edit: Callable[[Features], None] | None) -> None:
    """Make an edit and save it as the page does."""
    if edit is None:
        keep_clear(desk.path)
        return
    [zones] = [one["id"] for one in desk.about()["drawn"] if one["part"] == "zones"]
    found = desk.layer(zones)
    assert found is not None
    edit(found["features"])
    desk.save(zones, found["version"], found["features"])


def warm(desk: SiteDesk) -> dict[str, float]:
    """Processor seconds of plan and map after each edit."""
    memory, taken = Memory(), {}
    map_page(plan_through(memory, load_site(desk.path)), memory)
    for what, edit in EDITS.items():
        edited(desk, edit)
        gc.collect()
        gc.freeze()
        start = processor_s()
        map_page(plan_through(memory, load_site(desk.path)), memory)
        taken[what] = processor_s() - start
    return taken


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Open the desk of a folder; give its address."""
    command = [sys.executable, "-m", "siteplanner", "desk", "--port", "0", "--no-browser"]
    process = subprocess.Popen([*command, str(folder)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()


def in_the_browser(folder: Path) -> dict[str, tuple[float, float]]:
    """Seconds from sending each edit to its trees and to its map; none without a browser."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        print("no playwright: the page is not timed", file=sys.stderr)
        return {}
    chromium = os.environ.get("SITEPLANNER_CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        print("no Chromium: the page is not timed", file=sys.stderr)
        return {}
    taken = {}
    with served(folder) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(300_000)
        page.goto(address)
        page.wait_for_selector("html[data-ready]", state="attached")
        site = page.evaluate("fetch('/api/site').then((answer) => answer.json())")
        [zones] = [one["id"] for one in site["drawn"] if one["part"] == "zones"]
        shown(page, "document.getElementById('plan').click()", None)
        for what, edit in EDITS.items():
            body = None
            if edit is None:
                keep_clear(folder / "site.toml")
            else:
                layer = page.evaluate(f"fetch('/api/drawn/{zones}').then((a) => a.json())")
                edit(layer["features"])
                body = {"version": layer["version"], "features": layer["features"]}
            taken[what] = shown(page, _SAVE_AND_PLAN, [f"/api/drawn/{zones}", body])
        browser.close()
    return taken


_SAVE_AND_PLAN = """async ([address, body]) => {
  const how = { method: "PUT", headers: { "Content-Type": "application/json" } };
  if (body !== null) {
    const answer = await fetch(address, { ...how, body: JSON.stringify(body) });
    if (!answer.ok) throw new Error(await answer.text());
  }
  document.getElementById("plan").click();
}"""


def wait(page: Any, until: Callable[[], Any]) -> Any:
    """Wait until there is something, and give it; raise what the page says is wrong."""
    while not (found := until()):
        page.wait_for_timeout(10)  # which also lets the list of frames be brought up to date
        if wrong := page.locator("#wrong").text_content():
            raise RuntimeError(wrong)
    return found


def shown(page: Any, act: str, given: Any) -> tuple[float, float]:
    """Seconds from an act until the trees that follow from it are drawn, and until their map is."""
    frame, drawn = page.locator("#plan-map"), page.locator("#map")
    address, trees = frame.get_attribute("src"), drawn.get_attribute("data-trees")
    start = time.perf_counter()
    page.evaluate(act, given)
    wait(page, lambda: drawn.get_attribute("data-trees") != trees)
    to_trees = time.perf_counter() - start
    wait(page, lambda: frame.get_attribute("src") != address)
    address = frame.get_attribute("src")
    found = wait(page, lambda: [one for one in page.frames if address in one.url])
    found[0].wait_for_selector("html[data-ready]", state="attached")
    return to_trees, time.perf_counter() - start


def rows() -> Iterator[Row]:
    """Each edit's share of a whole plan, and its time in the browser."""
    with tempfile.TemporaryDirectory() as place:
        whole, desk = planned(Path(place) / "one")
        shutil.copytree(desk.folder, Path(place) / "other", ignore=shutil.ignore_patterns("maps"))
        for what, seconds in warm(desk).items():
            yield Row(f"{what}, to plan and map", seconds, whole, SHARE, "s", "(whole plan)")
        reference = reference_job()
        for what, taken in in_the_browser(Path(place) / "other").items():
            for to, seconds, asked in zip(("trees", "map"), taken, (SECONDS, MAP_S), strict=True):
                yield Row(f"{what}, to its {to}", seconds, reference, mark(asked), "s", REFERENCE)
