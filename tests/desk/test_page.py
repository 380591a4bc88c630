"""The desk in a real browser, the network blocked: draw, plan, stop, and look."""

import base64
import json
import re
import shutil
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from axe import serious
from conftest import SITE
from desk.desk_site import MIDDLE, desk_of, desk_site
from desk.plan_by_hand import plan_by_hand
from handover.browser import DESK, PHONE

from siteplanner.desk.drawing.drawn import drawn_of
from siteplanner.desk.library import openlayers
from siteplanner.desk.site_desk import SiteDesk
from siteplanner.site.site_file import load_site

pytestmark = pytest.mark.skipif(openlayers() is None, reason="MapProxy is not installed")


TABLET = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}


@contextmanager
def page_of(browser, address, **context):
    """Open the page; a request beyond the desk, and any complaint of the browser, fails."""
    complaints, home = [], address.partition("/?")[0]
    with browser.new_context(**(context or DESK)) as world:

        def guard(route):
            if route.request.url.startswith(f"{home}/") or route.request.url.startswith("blob:"):
                route.continue_()
            else:
                complaints.append(route.request.url)
                route.abort()

        def complain(words):
            if " status of 4" not in words:  # a save refused: what the page says of it is tested
                complaints.append(words)

        world.route("**/*", guard)
        page = world.new_page()
        page.set_default_timeout(30_000)
        page.on("console", lambda m: m.type == "error" and complain(m.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        page.wait_for_selector("html[data-ready]")
        yield page
    assert complaints == []


def on_screen(page, x, y):
    """Where a place of the site is on the screen: the map was fitted to the boundary, a square."""
    box = page.locator("#map").bounding_box()
    side = min(box["width"], box["height"]) - 48
    middle = (MIDDLE[0], MIDDLE[1])
    scale = side / 100
    return (
        box["x"] + box["width"] / 2 + (x - middle[0]) * scale,
        box["y"] + box["height"] / 2 - (y - middle[1]) * scale,
    )


def drag(page, here, there):
    page.mouse.move(*on_screen(page, *here))
    page.mouse.down()
    page.mouse.move(*on_screen(page, *((a + b) / 2 for a, b in zip(here, there, strict=True))))
    page.mouse.move(*on_screen(page, *there), steps=4)
    page.mouse.up()


def paddocks(site):
    return pyogrio.read_dataframe(site.parent / "land.gpkg", layer="paddocks")


@pytest.mark.long
def test_from_a_drag_to_the_map_of_the_plan(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)

    site = desk_site(tmp_path / "site")
    with desk_of(site.parent) as address, page_of(browser, address) as page:
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?key=[\w-]{40,}", address)
        assert "key" not in page.url
        page.get_by_role("list", name="What you draw").get_by_role(
            "button", name="Paddocks"
        ).click()
        to = (MIDDLE[0] + 12, MIDDLE[1] + 8)
        drag(page, MIDDLE, to)
        expect(page.locator("#saved")).to_contain_text("Saved.")
        shapes = paddocks(site).geometry.to_numpy()
        assert shapely.coverage_is_valid(shapes)
        ends = np.array([shapely.distance(one, shapely.Point(to)) for one in shapes])
        assert (ends < 1.5).all() and shapely.area(shapes).sum() == pytest.approx(10_000)

        page.get_by_role("button", name="Undo").click()
        expect(page.get_by_role("button", name="Undo")).to_be_disabled()
        expect(page.locator("#saved")).to_contain_text("Saved.")
        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.get_by_role("button", name="Stop")).to_be_enabled()
        page.get_by_role("button", name="Stop").click()
        expect(page.locator("#step")).to_have_text("Stopped. The previous plan has not changed.")
        assert not list(site.parent.glob("maps/*"))

        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.locator("#step")).to_have_text("The plan is ready.", timeout=90_000)
        frame = page.frame_locator('iframe[title="Map of the plan"]')
        expect(frame.locator("html[data-ready]")).to_have_count(1)
        assert (site.parent / "maps" / "a-square" / "plan.gpkg").is_file()
        expect(page.locator("#map")).to_have_attribute("data-trees", re.compile("[0-9a-f]{16}"))
        trees = pyogrio.read_dataframe(site.parent / "maps/a-square/plan.gpkg", layer="trees")
        at = on_screen(page, *shapely.get_coordinates(trees.geometry.iloc[0])[0])
        box = {"x": at[0] - 3, "y": at[1] - 3, "width": 6, "height": 6}
        with_trees = page.screenshot(clip=box)
        page.get_by_text("Under the drawing").click()
        page.get_by_label("Trees of the plan").uncheck()
        page.wait_for_timeout(500)
        assert page.screenshot(clip=box) != with_trees
        page.get_by_text("Sheets and files").click()
        with page.expect_download() as download:
            page.get_by_role("link", name="Planting sheets").click()
        assert download.value.path().read_bytes().startswith(b"%PDF")


@pytest.mark.long
def test_the_keyboard_alone_draws_and_a_wrong_field_says_so(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)

    site = desk_site(tmp_path / "site")
    with desk_of(site.parent) as address, page_of(browser, address) as page:
        page.get_by_role("button", name="Thermometers").press("Enter")
        page.get_by_role("button", name="Put a point in the middle").press("Enter")
        expect(page.locator("#saved")).to_contain_text("winter_min_c")
        for label, value in (("Name", "Creek"), ("Coldest of", "-6.5"), ("Height", "1.2")):
            page.get_by_label(label).fill(value)
            page.keyboard.press("Tab")
        expect(page.locator("#field-winter-wrong")).to_contain_text("give the year of the winter")
        page.get_by_label("Year of the winter").fill("2010")
        page.keyboard.press("Tab")
        expect(page.locator("#saved")).to_contain_text("Saved.")
        page.get_by_label("Corner 1, east").fill(str(MIDDLE[0] + 1.5))
        page.keyboard.press("Tab")
        expect(page.locator("#saved")).to_contain_text("Saved.")
    [point] = pyogrio.read_dataframe(site.parent / "thermometers.gpkg").geometry
    assert point.x == MIDDLE[0] + 1.5
    assert "readings = { file" in site.read_text("utf-8")


@pytest.mark.long
@pytest.mark.parametrize("context", [DESK, TABLET], ids=["mouse", "finger"])
def test_an_area_with_a_hole_and_a_part_is_drawn_by_taps(browser, tmp_path, context):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)
    site = desk_site(tmp_path / "site")
    x, y = MIDDLE
    with desk_of(site.parent) as address, page_of(browser, address, **context) as page:
        touch = page.touchscreen.tap if context is TABLET else page.mouse.click

        def tap(*corners):
            for a, b in corners:
                touch(*on_screen(page, x + a, y + b))
                page.wait_for_timeout(400)  # two quick taps are a double tap

        def hollows():
            expect(page.locator("#saved")).to_contain_text("Saved.")
            return pyogrio.read_dataframe(site.parent / "hollows.gpkg").geometry

        page.get_by_role("button", name="Frost hollows").click()
        page.get_by_role("button", name="Add an area").click()
        tap((-30, -30), (10, -30), (10, 10), (-30, 10))
        page.get_by_role("button", name="Done").click()
        [shape] = hollows()
        assert shape.area == pytest.approx(1600, rel=0.05) and len(shape.exterior.coords) == 5

        page.get_by_role("button", name="Cut a hole").click()
        tap((-10, -25), (0, -25), (0, -15), (-10, -15))
        page.get_by_role("button", name="Done").click()
        expect(page.get_by_label("Corner 8, east")).to_have_count(1)
        [shape] = hollows()
        assert len(shape.interiors) == 1 and shape.area == pytest.approx(1500, rel=0.05)

        page.get_by_role("button", name="Add a part").click()
        tap((25, 25), (45, 25), (45, 45))
        page.get_by_role("button", name="Done").click()
        expect(page.get_by_label("Corner 11, east")).to_have_count(1)
        [shape] = hollows()
        assert shape.geom_type == "MultiPolygon" and len(shape.geoms) == 2
        assert shape.area == pytest.approx(1700, rel=0.05)

        page.get_by_role("button", name="Remove corners").click()
        tap((-30, 10))
        expect(page.get_by_label("Corner 11, east")).to_have_count(0)
        [shape] = hollows()
        assert shape.area == pytest.approx(900, rel=0.05)

        tap((30, -30))
        expect(page.locator("#hint")).to_contain_text("There is no corner")

        # The last three corners of a part take it with them; undone and redone by keys.
        tap((45, 45))
        expect(page.get_by_label("Corner 8, east")).to_have_count(0)
        assert hollows()[0].geom_type == "MultiPolygon" and len(hollows()[0].geoms) == 1
        page.keyboard.press("Control+z")
        expect(page.get_by_label("Corner 10, east")).to_have_count(1)
        assert hollows()[0].area == pytest.approx(900, rel=0.05)
        page.get_by_text("Corners, by numbers").click()
        page.get_by_role("button", name="Remove hole 1 of part 1").click()
        expect(page.get_by_label("Corner 7, east")).to_have_count(0)
        assert hollows()[0].area == pytest.approx(1000, rel=0.05)
        page.keyboard.press("Control+z")
        expect(page.get_by_label("Corner 10, east")).to_have_count(1)
        page.keyboard.press("Control+Shift+z")
        expect(page.get_by_label("Corner 7, east")).to_have_count(0)
        page.get_by_role("button", name="Remove part 2").click()
        expect(page.get_by_label("Corner 4, east")).to_have_count(0)
        page.get_by_role("button", name="Remove corner 1").click()
        expect(page.locator("#corner-said")).to_contain_text("A shape has at least three corners")

        page.get_by_role("button", name="Draw it anew").click()
        tap((-20, -20), (20, -20), (20, 20), (-20, 20))
        page.get_by_role("button", name="Done").click()
        expect(page.get_by_label("Corner 4, east")).to_have_count(1)
        assert hollows()[0].area == pytest.approx(1600, rel=0.05)
        page.get_by_role("button", name="Move", exact=True).click()
        page.get_by_role("button", name="Delete").click()
        expect(page.locator("#saved")).to_contain_text("take hollows.gpkg out of site.toml")
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("#which-line")).to_be_visible()
        assert len(hollows()) == 1


@pytest.mark.long
def test_a_finger_draws_a_line_on_a_phone(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)
    site = desk_site(tmp_path / "site")
    with desk_of(site.parent) as address, page_of(browser, address, **PHONE) as page:
        page.get_by_role("button", name="To keep clear of: lines").tap()
        page.get_by_role("button", name="Add a line").tap()
        for a, b in ((-30, -20), (5, 0), (30, 20)):
            page.locator("#map").scroll_into_view_if_needed()
            page.touchscreen.tap(*on_screen(page, MIDDLE[0] + a, MIDDLE[1] + b))
            page.wait_for_timeout(400)
        page.get_by_role("button", name="Done").tap()
        expect(page.locator("#field-kind-wrong")).to_contain_text("it has no kind; choose from")
        page.get_by_label("What it is").select_option("power_line")
        expect(page.locator("#saved")).to_contain_text("Saved.")
    drawn = pyogrio.read_dataframe(site.parent / "no_plant.gpkg", layer="lines")
    assert list(drawn["kind"]) == ["power_line"]
    assert len(drawn.geometry[0].coords) == 3 and drawn.geometry[0].length == pytest.approx(
        72, rel=0.1
    )


@pytest.mark.long
@pytest.mark.parametrize("wide", [320, 820, 1440])
def test_nothing_keeps_people_from_using_the_page(browser, tmp_path, wide):
    from playwright.sync_api import expect

    site = desk_site(tmp_path / "site")
    for each in (1, 2):
        plan_by_hand(site.parent / "maps" / "a-square", each, f"<title>Map</title><p>{each}</p>")
        SiteDesk(site.parent).plan.keep()
    context = {"viewport": {"width": wide, "height": 900}}

    def look():
        assert serious(page, iframes=False) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= wide

    with desk_of(site.parent) as address, page_of(browser, address, **context) as page:
        for name in ("Plan", "Stop"):
            expect(page.get_by_role("button", name=name)).to_have_count(1)
        page.get_by_role("list", name="What you draw").get_by_role(
            "button", name="Paddocks"
        ).click()
        page.locator("#which").select_option("1")
        page.get_by_label("Name").fill("")
        page.keyboard.press("Tab")
        page.get_by_text("Corners, by numbers").click()
        page.get_by_text("All of this layer").click()
        page.get_by_text("Earlier versions").click()
        page.get_by_role("button", name="Species").click()
        page.get_by_role("button", name="Eucalyptus viminalis").click()
        page.get_by_text("Under the drawing").click()
        page.get_by_label("A layer of the plan").select_option("slope")
        page.get_by_label("Contours").check()
        page.wait_for_selector("#under-key li")
        look()
        page.get_by_role("button", name="Look", exact=True).click()
        page.get_by_role("button", name="Show the map before").click()
        page.get_by_text("Blocks, and what has become of them").click()
        page.get_by_text("Damage seen").click()
        page.get_by_text("Sheets and files").click()
        page.wait_for_selector("#damage-form select")
        look()
    with desk_of(tmp_path / "farm") as address, page_of(browser, address, **context) as page:
        look()


@pytest.mark.long
def test_a_second_tab_is_refused_in_words(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)

    site = desk_site(tmp_path / "site")
    with desk_of(site.parent) as address, browser.new_context(**DESK) as world:
        one, other = world.new_page(), world.new_page()
        for page in (one, other):
            page.goto(address)
            page.get_by_role("button", name="Paddocks").click()
        for page, words in ((one, "Saved."), (other, "changed in another tab or program")):
            page.locator("#which").select_option("0")
            page.get_by_label("Name").fill(f"New name {words[:5]}")
            page.keyboard.press("Tab")
            expect(page.locator("#saved")).to_contain_text(words)
        assert paddocks(site)["name"][0] == "New name Saved"
        other.get_by_role("button", name="Load it again").click()
        expect(other.get_by_label("Name")).to_have_value("New name Saved")


@pytest.mark.long
def test_a_finger_moves_a_corner_that_four_share(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)
    site = desk_site(tmp_path / "site")
    to = (MIDDLE[0] + 12, MIDDLE[1] + 8)
    with desk_of(site.parent) as address, page_of(browser, address, **TABLET) as page:
        page.get_by_role("button", name="Paddocks").tap()
        page.locator("#map").scroll_into_view_if_needed()
        finger = page.context.new_cdp_session(page)

        def touch(kind, *places):
            points = [{"x": x, "y": y} for x, y in places]
            finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", on_screen(page, *MIDDLE))
        for n in range(1, 6):
            at = [a + (b - a) * n / 5 for a, b in zip(MIDDLE, to, strict=True)]
            touch("touchMove", on_screen(page, *at))
        touch("touchEnd")
        expect(page.locator("#saved")).to_contain_text("Saved.")
    shapes = paddocks(site).geometry.to_numpy()
    assert shapely.coverage_is_valid(shapes)
    assert max(shapely.distance(one, shapely.Point(to)) for one in shapes) < 1.5


def dropped(page, *paths):
    """Drop files on the page, as from another window."""
    files = [[path.name, base64.b64encode(path.read_bytes()).decode()] for path in paths]
    data = page.evaluate_handle(
        """(files) => {
          const held = new DataTransfer();
          for (const [name, text] of files) {
            const bytes = Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
            held.items.add(new File([bytes], name));
          }
          return held;
        }""",
        files,
    )
    page.dispatch_event("#drop", "drop", {"dataTransfer": data})


@pytest.mark.long
def test_files_are_dropped_and_a_boundary_is_drawn_on_the_hillshade(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)
    made = desk_site(tmp_path / "made").parent
    x, y = MIDDLE
    (tmp_path / "notes.txt").write_text("not this")
    with desk_of(tmp_path / "farm") as address, page_of(browser, address) as page:
        dropped(page, made / "dem.tif", tmp_path / "notes.txt")
        expect(page.locator("#found li")).to_have_text(["dem.tif: heights, 48 x 48 cells"])
        expect(page.locator("#wrong")).to_contain_text("notes.txt: This kind of file")
        expect(page.get_by_label("The boundary")).to_have_value("")
        page.get_by_role("button", name="Start the site").click()
        expect(page.locator("#missing-list")).to_contain_text("a rectangle stands in for it")
        expect(page.locator("#asking")).to_be_hidden()
        page.get_by_role("button", name="Draw and plan").click()
        expect(page.get_by_role("heading", name="Boundary")).to_be_visible()
        page.get_by_role("button", name="Draw it anew").click()
        scale = 100 / 120  # the rectangle is half as wide as the heights, 120 m
        for a, b in ((-50, -30), (50, -30), (50, 40), (-50, 40)):
            page.mouse.click(*on_screen(page, x + a * scale, y + b * scale))
            page.wait_for_timeout(400)
        page.get_by_role("button", name="Done").click()
        expect(page.locator("#saved")).to_contain_text("Saved.")
        page.get_by_role("list", name="What you draw").get_by_role(
            "button", name="Paddocks"
        ).click()
        expect(page.get_by_label("Name")).to_have_value("whole property")
    for name in ("boundary", "paddocks"):
        [shape] = pyogrio.read_dataframe(tmp_path / "farm" / f"{name}.gpkg").geometry
        assert shape.area == pytest.approx(7000, rel=0.03), name


@pytest.mark.long
def test_every_kind_of_thing_has_its_form_and_its_table(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)
    site = Path(shutil.copytree(SITE.parent / "sallow-fell", tmp_path / "site"))
    listed = drawn_of(load_site(site))
    kinds = {one.part for one in listed.values()}
    assert kinds == {"boundary", "paddocks", "no_plant", "soils", "hollows", "thermometers",
                     "seed_sources", "zones"}  # fmt: skip
    with desk_of(site) as address, page_of(browser, address) as page:
        things = page.get_by_role("list", name="What you draw")
        for drawn in listed.values():
            things.get_by_role("button", name=drawn.title, exact=False).first.click()
            expect(page.locator("#layer-title")).to_have_text(drawn.title)
            rows = page.locator("#table-list tbody tr")
            if not drawn.there:
                expect(rows).to_have_count(0)
                continue
            frame = pyogrio.read_dataframe(drawn.path, layer=drawn.layer)
            expect(rows).to_have_count(len(frame))
            if page.locator("#table").get_attribute("open") is None:
                page.get_by_text("All of this layer").click()
            page.get_by_role("button", name="Choose feature 1", exact=True).click()
            expect(page.locator("#which")).to_have_value("0")
            for field in drawn.fields:
                held = page.locator(f"#field-{field.column}")
                expect(held).to_be_visible()
                value = frame[field.column].iloc[0] if field.column in frame else None
                said = held.input_value()
                if field.kind == "number" and value == value and value is not None:
                    assert float(said) == pytest.approx(value), (drawn.id, field.column)
                elif field.kind in ("text", "choice"):
                    assert said == (value or ""), (drawn.id, field.column)
    assert not (site / ".before").exists(), "looking changes nothing"


@pytest.mark.long
def test_after_each_change_the_map_is_made_anew(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)

    site = desk_site(tmp_path / "site")
    with desk_of(site.parent) as address, page_of(browser, address) as page:
        frame = page.locator("#plan-map")
        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.locator("#step")).to_contain_text("The map is ready; sheets and files follow.")
        first = frame.get_attribute("src")
        page.get_by_label("Plan after each change").check()
        page.get_by_role("list", name="What you draw").get_by_role(
            "button", name="Paddocks"
        ).click()
        drag(page, MIDDLE, (MIDDLE[0] + 12, MIDDLE[1] + 8))
        expect(frame).not_to_have_attribute("src", first)
        second = frame.get_attribute("src")
        expect(page.locator("#step")).to_have_text("The plan is ready.", timeout=90_000)
        assert frame.get_attribute("src") == second  # the whole plan has the map that was shown
        manifest = json.loads((site.parent / "maps" / "a-square" / "plan.json").read_text("utf-8"))
        assert manifest["files"]["map.html"]["sha256"].startswith(second.partition("?")[2])
