"""What a page keeps from people who hear it, tap it or see it badly, by axe-core."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest


@cache
def _axe() -> str:
    carrier = pytest.importorskip("axe_playwright_python")
    return next(Path(carrier.__file__).parent.rglob("axe.min.js")).read_text("utf-8")


def serious(page, **options: object) -> list[str]:
    """Rules of axe-core that the page breaks seriously, each with the first element that does.

    ``options`` are those of its ``run``, such as ``iframes=False``.
    """
    if not page.evaluate("'axe' in window"):
        page.evaluate(_axe())
    told = {"resultTypes": ["violations"], **options}
    found = page.evaluate("(told) => axe.run(document, told)", told)["violations"]
    return [
        f"{one['id']}: {one['nodes'][0]['target']} {one['nodes'][0]['failureSummary']}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
