"""Print of the map: what is on the screen, on paper of either way."""

from __future__ import annotations

import io

import numpy as np
import pypdfium2
import pytest
from handover.browser import DESK, PHONE, opened
from made_plan import made_plan

from siteplanner.handover.block_work import block_works
from siteplanner.handover.map.page import write_map

SIZES = {False: [210, 297], True: [297, 210]}


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def page_file(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(plan, path)
    return path


def printed(page, landscape: bool) -> tuple[str, list]:
    """Words of what the page prints on A4, and its sides as pictures of 50 dots an inch."""
    data = page.pdf(format="A4", landscape=landscape, print_background=True)
    sides = list(pypdfium2.PdfDocument(io.BytesIO(data)))
    for side in sides:
        assert [round(one / 72 * 25.4) for one in side.get_size()] == SIZES[landscape]
    words = " ".join(side.get_textpage().get_text_bounded() for side in sides)
    pictures = [np.asarray(side.render(scale=50 / 72).to_pil()) for side in sides]
    return " ".join(words.split()), pictures


def state(page) -> list:
    return page.evaluate(
        "[map.getZoom(), map.getCenter(), map.getSize(), document.documentElement.className,"
        " document.getElementById('paper').children.length]"
    )


long = pytest.mark.long


@pytest.mark.parametrize(
    ("context", "landscape"),
    [
        pytest.param(DESK, False, id="desk, portrait"),
        pytest.param(PHONE, True, id="phone, landscape"),
        pytest.param(DESK, True, id="desk, landscape", marks=long),
        pytest.param(PHONE, False, id="phone, portrait", marks=long),
    ],
)
def test_the_view_is_printed_with_a_key_to_it(browser, page_file, plan, context, landscape):
    with opened(browser, page_file, **context) as it:
        page = it.page
        middle = "zoneAreas[1].getLayers()[0].getBounds().getCenter()"
        page.evaluate(f"map.setView({middle}, 17.5, {{ animate: false }})")
        before, view = state(page), page.evaluate("map.getBounds().toBBoxString()")
        page.evaluate(
            "window.addEventListener('afterprint', () => { window.done = true; });"
            "window.addEventListener('beforeprint', () => {"
            "  window.onPage = map.getBounds().toBBoxString();"
            "  window.kinds = treeLayer.kindsIn(map.getBounds()); })"
        )
        words, pictures = printed(page, landscape)
        assert page.evaluate("window.done") and state(page) == before
        # All that was on the screen is on the page, and not half as much again.
        west, south, east, north = map(float, view.split(","))
        left, low, right, top = map(float, page.evaluate("window.onPage").split(","))
        rim = 1e-5  # a pixel
        assert left <= west + rim and right >= east - rim
        assert low <= south + rim and top >= north - rim
        share = min((east - west) / (right - left), (north - south) / (top - low))
        assert max((east - west) / (right - left), (north - south) / (top - low)) > 0.95
        assert share > 0.4
        # The key names what is in view: zone and species, and the lines.
        assert "Sheltered slope" in words and "Power line" in words
        kinds = page.evaluate("window.kinds")
        assert kinds == sorted(kinds)
        for k, name in enumerate(plan.species["botanical_name"]):
            assert (name in words) == (k in kinds), name
        assert "Have all services located before you dig" in words
        assert "Planted" not in words and "Whole property" not in words
        assert len(pictures) == 1
        # The trees' canvas lets the ground beneath be seen: little of the map is white.
        high, wide = pictures[0].shape[:2]
        middle = pictures[0][high // 4 : high // 2, wide // 8 : wide // 2, :3]
        assert (middle.min(axis=2) > 250).mean() < 0.3
        assert it.complaints == []


@pytest.mark.parametrize(
    "landscape", [False, pytest.param(True, marks=long)], ids=["portrait", "landscape"]
)
def test_the_picked_block_is_printed_as_its_leaf(browser, page_file, plan, landscape):
    work = next(work for work in block_works(plan) if work.block == "B2")
    with opened(browser, page_file, **PHONE) as it:
        it.page.evaluate("goToBlock(plan.blocks.find((one) => one.block === 'B2'))")
        before = state(it.page)
        words, pictures = printed(it.page, landscape)
        assert state(it.page) == before
        assert "Block B2" in words and "START, the first peg" in words and "Drop A" in words
        assert "About this zone" not in words  # buttons stay on the screen
        rows = words.partition("Row Trees Species ")[2]
        for row, name in enumerate(work.name):
            trees = int(work.by_row[row].sum())
            codes = plan.species["code"]
            counts = {int(k): int(n) for k, n in enumerate(work.by_row[row]) if n}
            kinds = work.runs[row] if work.in_order else counts.items()
            assert f"{name} {trees} " in rows
            assert all(f"{number} {codes[k]}" in rows for k, number in kinds)
        assert len(pictures) <= 3 and it.complaints == []
