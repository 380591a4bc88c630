"""A browser without a network, for tests of the pages that siteplanner writes."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK = {"viewport": {"width": 1440, "height": 900}}
PHONE = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "has_touch": True,
    "is_mobile": True,
}


@dataclass
class Opened:
    """A page that was opened, with all it complained of and all it asked for."""

    page: object
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


def chromium_path() -> str | None:
    """Path of the installed Chromium, from SITEPLANNER_CHROMIUM or the usual names."""
    # The shell without windows is the same browser and takes half the time.
    names = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
    return os.environ.get("SITEPLANNER_CHROMIUM") or next(
        filter(None, map(shutil.which, names)), None
    )


def _missing(reason: str) -> None:
    if os.environ.get("SITEPLANNER_REQUIRE_ALL") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


@contextmanager
def chromium() -> Iterator[object]:
    """Start Chromium; skip when it is absent, fail when SITEPLANNER_REQUIRE_ALL is 1."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("playwright is not installed (pip install siteplanner[test])")
    path = chromium_path()
    if path is None:
        _missing("no Chromium found: install it or set SITEPLANNER_CHROMIUM to its path")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser, file: Path, **context) -> Iterator[Opened]:
    """Open a file with the network off; every request but the file itself is stopped."""
    with browser.new_context(offline=True, **(context or DESK)) as world:
        page = world.new_page()
        page.set_default_timeout(60_000)
        it = Opened(page)

        def guard(route) -> None:
            it.requests.append(route.request.url)
            if route.request.url == file.as_uri():
                route.continue_()
            else:
                route.abort()

        world.route("**/*", guard)
        page.on("console", lambda message: it.complaints.append(message.text))
        page.on("pageerror", lambda error: it.complaints.append(str(error)))
        page.on("dialog", lambda dialog: (it.complaints.append(dialog.message), dialog.dismiss()))
        page.goto(file.as_uri())
        page.wait_for_load_state("load")  # the page's scripts have run by then
        if page.query_selector("html[data-ready], html:not(.live)") is None:
            pytest.fail(f"the page did not start: {it.complaints}")
        yield it
