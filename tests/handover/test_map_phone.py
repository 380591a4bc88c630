"""The map in the paddock: on a phone, with one page of each width for many looks."""

from __future__ import annotations

import dataclasses
import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from axe import serious
from handover.browser import DESK, PHONE, opened
from made_plan import SOUTH, WEST, made_plan
from pyproj import Transformer

from siteplanner.base.symbology.signs import CORNERS, SIGNS, STROKES, shades, signs
from siteplanner.handover.block_work import block_works
from siteplanner.handover.book.block_map import book_of
from siteplanner.handover.fieldwork import letters
from siteplanner.handover.map.crew import jobs
from siteplanner.handover.map.page import PANELS, write_map
from siteplanner.handover.map.signs import species_records

SCREENS = {
    "phone": PHONE["viewport"],
    "small phone": {"width": 320, "height": 568},
    "phone across": {"width": 844, "height": 390},
    "desk": DESK["viewport"],
}
JOBS = [
    (2028, 5, "Top bench", "access and fence", 412.0, "m", "1 gate; before any tree is planted"),
    (2028, 6, "B2", "weed control", 121.4, "m²", "spots: by hand"),
    (2028, 7, "C1", "plant", 1.0, "trees", "in winter; volunteers"),
    (2028, 7, "A1", "plant", 140.0, "trees", "in winter; volunteers"),
    (2028, 7, "B2", "plant", 121.0, "trees", "in winter; volunteers"),
    (2028, 7, "B2", "guard", 121.0, "guards", "the same day"),
]


@pytest.fixture(scope="module")
def plan():
    """The plan made by hand, with dated jobs, and readings that lie close together."""
    made = made_plan()
    columns = ["year", "month", "place", "job", "quantity", "unit", "note"]
    works = dataclasses.replace(made.works, jobs=pd.DataFrame(JOBS, columns=columns))
    spots = [(60, 60), (66, 64), (72, 60), (58, 70), (64, 74), (70, 68), (180, 190), (255, 185)]
    readings = gpd.GeoDataFrame(
        {
            "name": [f"Logger {n}" for n in range(len(spots))],
            "winter_min_c": np.linspace(-8.9, -3, len(spots)),
            "height_m": 1.2,
            "at_reference_c": np.linspace(-8.9, -3, len(spots)),
            "estimated_c": np.linspace(-8.5, -3, len(spots)),
        },
        geometry=gpd.points_from_xy(*np.add(spots, (WEST, SOUTH)).T),
        crs=made.grid.crs,
    )
    return dataclasses.replace(made, works=works, frost_obs=readings)


@pytest.fixture(scope="module")
def page_file(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(plan, path)
    return path


@pytest.fixture(scope="module")
def phone(browser, page_file):
    """A page on a phone that may know where it is; what a test opens it closes."""
    context = PHONE | {"permissions": ["geolocation"]}
    with opened(browser, page_file, **context) as it:
        it.page.set_default_timeout(10_000)
        yield it.page
        assert it.complaints == []


@pytest.fixture(autouse=True)
def tidy(request):
    yield
    if "phone" in request.fixturenames:
        page = request.getfixturevalue("phone")
        page.evaluate(
            "stopFollowing(''); closeCard(); pick(null); showPanel(null); chooseLayer(null, null);"
            " document.getElementById('species').value = '';"
        )
        sized(page, "phone")


def sized(page, name: str) -> None:
    """Give the page a screen of another size, and show the whole property there."""
    page.set_viewport_size(SCREENS[name])
    page.evaluate("map.invalidateSize({ animate: false }); map.fitBounds(HOME, free(8))")


def box(page, selector: str) -> dict[str, float]:
    return page.locator(selector).bounding_box()


def apart(one: dict, other: dict) -> bool:
    return (
        one["x"] + one["width"] <= other["x"] + 1
        or other["x"] + other["width"] <= one["x"] + 1
        or one["y"] + one["height"] <= other["y"] + 1
        or other["y"] + other["height"] <= one["y"] + 1
    )


def on_screen(page, block: str) -> dict[str, float]:
    """Where a block's outline lies on the screen."""
    return page.evaluate(
        """(name) => {
          const block = plan.blocks.find((one) => one.block === name);
          const stage = map.getContainer().getBoundingClientRect();
          const at = block.shape.areas.flatMap((area) => line(area[0]))
            .map((place) => map.latLngToContainerPoint(place));
          const xs = at.map((p) => p.x + stage.x), ys = at.map((p) => p.y + stage.y);
          const [x, y] = [Math.min(...xs), Math.min(...ys)];
          return { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
        }""",
        block,
    )


def written(page, action: str) -> list[str]:
    """What is written on the canvas of rows and trees while something is done."""
    return page.evaluate(
        """(action) => {
          const own = CanvasRenderingContext2D.prototype, { fillText } = own, found = [];
          own.fillText = function (...told) { found.push(told[0]); fillText.apply(this, told); };
          try { (0, eval)(action); } finally { own.fillText = fillText; }
          return found;
        }""",
        action,
    )


# ---- the picked block ------------------------------------------------------------------------


def test_a_picked_block_stands_out_and_fills_what_its_card_leaves_free(phone, plan):
    stage = box(phone, "#stage")
    for block in plan.blocks["block"]:
        phone.evaluate(f"goToBlock(plan.blocks.find((one) => one.block === '{block}'))")
        card, shape = box(phone, "#card"), on_screen(phone, block)
        bars = box(phone, ".buttons")
        assert apart(shape, card) and apart(shape, bars), block
        free = (stage["width"], card["y"] - bars["y"] - bars["height"])
        assert max(shape["width"] / free[0], shape["height"] / free[1]) > 0.7
        outline = phone.locator(".leaflet-picked-pane path[stroke='#1a1a1a']")
        assert outline.count() == 1 and outline.get_attribute("stroke-width") == "4"
        assert card["height"] < 0.5 * stage["height"]


@pytest.mark.parametrize("screen", ["desk", "phone across"])
def test_on_wider_screens_too_the_card_covers_no_part_of_the_block(phone, plan, screen):
    sized(phone, screen)
    for block in plan.blocks["block"]:
        phone.evaluate(f"goToBlock(plan.blocks.find((one) => one.block === '{block}'))")
        shape = on_screen(phone, block)
        assert apart(shape, box(phone, "#card")) and apart(shape, box(phone, ".buttons"))


def test_rows_have_numbers_start_and_drops(phone, plan):
    works = {work.block: work for work in block_works(plan)}
    for block, work in works.items():
        go = f"goToBlock(plan.blocks.find((one) => one.block === '{block}'))"
        said = written(phone, go)
        drops = letters(len(work.drops))
        assert said.count("START") >= 1 and set(drops) <= set(said)
        numbers = {words for words in said if words not in ("START", *drops)}
        assert numbers <= set(work.name) and len(numbers) > len(work.name) / 2
    at = "treeLayer.latLng(firstOf(treeLayer.trees, treeLayer.trees.ofBlock[0][4]))"
    said = written(phone, f"pick(plan.blocks[0]); map.setView({at}, 21, {{ animate: false }})")
    assert plan.rows["name"][plan.rows["block"] == "A1"].iloc[4] in said
    # In the middle of a block, out of sight of the rows' ends, each row still has its number.
    middle = "place(...plan.blocks[3].label)"
    said = written(phone, f"pick(null); map.setView({middle}, 20.5, {{ animate: false }})")
    rows, ends = phone.evaluate(
        """() => {
          const { trees } = treeLayer, inner = map.getBounds().pad(-0.15), rows = [], ends = [];
          for (const k of trees.ofBlock[3]) {
            const of = Array.from({ length: trees.rows[k][2] }, (_, n) => firstOf(trees, k) + n);
            const within = (box, all) => all.filter((i) => box.contains(treeLayer.latLng(i)));
            if (within(inner, of).length > 1) rows.push(nameOf(trees.rows[k]));
            ends.push(...within(map.getBounds(), [of[0], of.at(-1)]));
          }
          return [rows, ends];
        }"""
    )
    assert ends == [] and len(rows) > 2 and set(rows) <= set(said)
    # From afar only the picked block has marks.
    phone.evaluate("pick(null); map.fitBounds(HOME, free(8))")
    assert written(phone, "treeLayer._update()") == []
    assert "START" in written(phone, "treeLayer.pick(0)")


def test_signs_of_species_are_those_of_the_sheets(phone, plan):
    book = book_of(plan, block_works(plan))
    data = species_records(plan)
    for one, sign, colour in zip(data, book.signs, book.colours, strict=True):
        dark, pale = shades(colour)
        for mark, (shape, filled, share) in zip(one["marks"], SIGNS[sign], strict=True):
            lines = np.reshape(STROKES.get(shape, CORNERS.get(shape, ())), (-1, 2))
            assert mark["path"].count("a") == (2 if shape == "circle" else 0)
            if shape != "circle":
                points = np.array(re.findall(r"-?[\d.]+", mark["path"]), float).reshape(-1, 2)
                assert points * (1, -1) == pytest.approx(share * lines, abs=0.006)
            assert mark["edge"] == dark
            assert mark["fill"] == ("none" if shape in STROKES else dark if filled else pale)
    assert book.signs == signs(np.bincount(plan.tree_species, minlength=len(plan.species)))
    kinds = [(one["marks"][0]["path"], one["marks"][0]["fill"]) for one in data]
    assert len(set(kinds)) == len(data)
    # The same paths are drawn in lists and stamped on the map.
    phone.evaluate("goToBlock(plan.blocks[0])")
    shown = phone.locator("#card tbody .mark path").evaluate_all(
        "(paths) => paths.map((path) => path.getAttribute('d'))"
    )
    counts = np.bincount(
        plan.tree_species[plan.trees["block"] == "A1"], minlength=len(plan.species)
    )
    wanted = [data[k]["marks"] for k in np.argsort(-counts, kind="stable") if counts[k]]
    assert shown == [mark["path"] for marks in wanted for mark in marks]
    stamps = phone.evaluate("plan.species.map((one) => stampOf(one, 8, 2).toDataURL())")
    assert len(set(stamps)) == len(data)


# ---- where one stands ------------------------------------------------------------------------


def test_one_lands_among_trees_and_hears_row_and_tree(phone, plan):
    work = next(work for work in block_works(plan) if work.block == "B2")
    back = Transformer.from_crs(plan.grid.crs, "EPSG:4326", always_xy=True)

    def stand(row: int, tree: int) -> None:
        lon, lat = back.transform(*work.xy[work.row == row][tree])
        place = {"longitude": lon, "latitude": lat, "accuracy": 3}
        phone.context.set_geolocation(place)

    def hear(words: str) -> str:
        phone.locator("#aloud", has_text=words).wait_for(state="attached")
        return phone.text_content("#aloud")

    stand(6, 3)
    button = phone.get_by_role("button", name="My position")
    assert button.get_attribute("aria-pressed") == "false"
    button.click()
    said = hear("block B2, Top bench")
    kind = plan.species["common_name"][work.species[work.row == 6][3]]
    assert f"Nearest: row {work.name[6]}, tree 4 ({kind}), 0 m away" in said
    assert "give or take 3 m" in phone.inner_text("#said-words")
    assert phone.get_attribute("#aloud", "role") == "status"
    assert phone.locator("#aloud").evaluate("(one) => getComputedStyle(one).display") != "none"
    assert phone.evaluate("treeLayer.pixelsApart()") >= 16
    dot = phone.evaluate("map.latLngToContainerPoint(here.getLayers()[1].getLatLng())")
    size = phone.evaluate("map.getSize()")
    assert abs(dot["x"] - size["x"] / 2) < 2 and abs(dot["y"] - size["y"] / 2) < 2
    assert button.get_attribute("aria-pressed") == "true"
    # Followed: heard again in the next row, but not at each step along it.
    for row, tree, heard in ((6, 4, (6, 4)), (9, 0, (9, 1))):
        lon, lat = back.transform(*work.xy[work.row == row][tree])
        coords = {"latitude": lat, "longitude": lon, "accuracy": 3}
        phone.evaluate("(coords) => found({ coords })", coords)
        assert f"row {work.name[row]}, tree {tree + 1} " in phone.inner_text("#said-words")
        assert f"row {work.name[heard[0]]}, tree {heard[1]} " in phone.text_content("#aloud")
    # A signal that is lost is waited for.
    phone.evaluate("notFound({ code: 2 })")
    assert "no satellite signal" in hear("signal") and position_follows(phone)
    phone.evaluate("(coords) => found({ coords })", coords)
    assert "Nearest" in phone.text_content("#aloud")
    button.click()
    assert not position_follows(phone)
    assert not phone.locator("#said").is_visible()
    assert phone.locator(".leaflet-place-pane path").count() == 0


def position_follows(page) -> bool:
    return page.evaluate("position.watch !== null")


def test_buttons_are_named_as_they_read(phone):
    named = phone.locator(".buttons button").evaluate_all(
        "(all) => all.map((one) => [one.innerText.replace(/\\s+/g, ' ').trim(), "
        "one.getAttribute('aria-label')])"
    )
    assert named == [["Whole property", None], ["My position", None]]
    phone.evaluate("goToBlock(plan.blocks[0])")
    phone.get_by_role("button", name="Whole property").click()
    inside = "HOME.pad(-0.01).isValid() && map.getBounds().contains(HOME)"
    assert phone.evaluate(inside) and not phone.locator("#card").is_visible()


# ---- panels, readings, layers ------------------------------------------------------------------


@pytest.mark.parametrize("screen", ["phone", "small phone"])
def test_every_panel_leaves_the_ground_visible(phone, screen):
    sized(phone, screen)
    stage = box(phone, "#stage")
    for tab in phone.locator("#tabs button").all():
        tab.click()
        assert box(phone, "#panel")["height"] <= 0.5 * stage["height"] + 1
    phone.locator("#tabs button").last.click()
    assert not phone.locator("#panel").is_visible()
    wide = phone.evaluate("document.documentElement.scrollWidth")
    assert wide <= SCREENS[screen]["width"]
    for name in ("Whole property", "My position"):
        one = phone.get_by_role("button", name=name).bounding_box()
        assert one["x"] + one["width"] <= wide and one["height"] >= 44


def readings_on(page) -> tuple[list[str], list[dict]]:
    marks = page.locator(".frost span:visible")
    return marks.all_inner_texts(), [mark.bounding_box() for mark in marks.all()]


def test_every_reading_is_legible_or_counted(phone, plan):
    total, shown = len(plan.frost_obs), []
    bars = [one.bounding_box() for one in phone.locator("#north, .buttons .leaflet-bar").all()]
    assert len(bars) == 4
    first = "GROUPS.frost.getLayers()[2]"
    closer = f"map.setView({first}.getLatLng(), 19, {{ animate: false }})"
    # Moved so that a reading comes to lie beside the arrow to north.
    north = (
        f"map.panBy(map.latLngToContainerPoint({first}.getLatLng()).subtract("
        "[map.getSize().x - 60, 100]), { animate: false })"
    )
    for look in ("map.fitBounds(HOME, free(8))", closer, north):
        phone.evaluate(look)
        texts, boxes = readings_on(phone)
        assert all("°C" in text for text in texts)
        counted = [int(text.partition("+")[2] or 0) for text in texts]
        assert len(texts) + sum(counted) == total
        for n, one in enumerate(boxes):
            assert all(apart(one, other) for other in (*boxes[n + 1 :], *bars))
        shown.append(len(texts))
    assert shown[0] < total and shown[1] > shown[0]  # some are counted, fewer so close up
    # A tap on a count tells of all that it counts.
    phone.evaluate("map.fitBounds(HOME, free(8))")
    mark = phone.locator(".frost", has_text="+").first
    number = int(mark.inner_text().partition("+")[2])
    mark.dispatch_event("click")
    assert phone.locator("#card h2", has_text="Frost reading").count() == 1 + number


def test_a_tapped_layer_gives_its_value_with_or_without_a_species(phone, plan):
    spots = [(60, 60), (180, 190), (255, 185), (100, 30)]
    back = Transformer.from_crs(plan.grid.crs, "EPSG:4326", always_xy=True)
    phone.evaluate("treeLayer.remove()")
    for name in ("slope", "winter_minimum", "drainage_class"):
        info, values = plan.infos[name], plan.layers[name]
        phone.click("#tab-Layers")
        phone.get_by_label(info.title, exact=False).first.check()
        steps = np.ptp(values[plan.grid.cover(plan.boundary.geometry) & np.isfinite(values)]) / 64
        for x, y in spots:
            lon, lat = back.transform(WEST + x, SOUTH + y)
            phone.evaluate("([lat, lng]) => tapped({ latlng: L.latLng(lat, lng) })", [lat, lon])
            card = phone.locator("#card dl").first.inner_text()
            here = float(plan.grid.sample(values, WEST + x, SOUTH + y))
            if info.classes:
                assert card.split("\n")[-1] == info.classes[int(here)]
                continue
            said = card.split("\n")[-1].replace("about ", "").replace("−", "-").split()
            assert said[1] == info.unit
            # A pixel of the map's picture is not a cell: it may lie half a cell aside.
            aside, up = np.array([[-3, 0], [0, 0], [3, 0], [0, 3], [0, -3]]).T
            near = plan.grid.sample(values, WEST + x + aside, SOUTH + y + up)
            assert near.min() - 2 * steps <= float(said[0]) <= near.max() + 2 * steps
    phone.evaluate("closeCard()")
    phone.click("#tab-Layers")
    phone.select_option("#species", label="blackwood (Acacia melanoxylon)")
    phone.get_by_label("Slope", exact=False).first.check()
    lon, lat = back.transform(WEST + 60, SOUTH + 60)
    phone.evaluate("([lat, lng]) => tapped({ latlng: L.latLng(lat, lng) })", [lat, lon])
    card = phone.inner_text("#card")
    assert "Slope" in card and "Suitability" in card and "blackwood" in card
    assert card.index("Slope") < card.index("Suitability")
    phone.evaluate("treeLayer.addTo(map)")


# ---- what do I do today --------------------------------------------------------------------------


def test_today_lists_the_blocks_of_this_month_with_their_jobs(browser, page_file):
    with opened(browser, page_file, **PHONE) as it:
        page = it.page
        page.clock.set_fixed_time("2028-07-12T09:00:00")
        page.reload()
        page.click("#tab-Today")
        assert page.inner_text("#panel-Today h2") == "What do I do today"
        assert page.inner_text("#month") == "July 2028, this month"
        jobs = page.locator("#jobs > li").all_inner_texts()
        lines = [[line for line in job.split("\n") if line.strip()] for job in jobs]
        assert [one[1:] for one in lines] == [
            ["Block A1", "Creek flat", "Plant: 140 trees in winter; volunteers"],
            ["Block B2", "Top bench", "Plant: 121 trees in winter; volunteers",
             "Guard: 121 guards the same day"],
            ["Block C1", "Top bench", "Plant: 1 tree in winter; volunteers"],
        ]  # fmt: skip
        page.get_by_role("button", name="Earlier month").click()
        page.get_by_role("button", name="Earlier month").click()
        assert page.inner_text("#month") == "May 2028"
        assert "Access and fence: 412 m" in page.inner_text("#jobs")
        assert page.get_by_role("button", name="Earlier month").is_disabled()
        page.get_by_role("button", name="Top bench").click()
        assert page.inner_text("#card h2") == "Top bench"
        page.clock.set_fixed_time("2027-12-01T09:00:00")
        page.reload()
        page.click("#tab-Today")
        note = page.inner_text("#month-note")
        assert note == "No jobs are planned for this month. The next are in May 2028."
        assert it.complaints == []


def test_jobs_without_years_are_those_of_this_month_of_the_first(plan):
    undated = plan.works.jobs.assign(year=[1, 1, 1, 1, 2, 2])
    made = dataclasses.replace(plan, works=dataclasses.replace(plan.works, jobs=undated))
    found = jobs(made)
    assert not found["dated"] and [month[:2] for month in found["months"]] == [
        [1, 5], [1, 6], [1, 7], [2, 7],
    ]  # fmt: skip


# ---- access --------------------------------------------------------------------------------------


def test_nothing_serious_keeps_people_from_the_page(phone):
    """All panels at once on a phone; the long test takes them one by one at each width."""
    phone.evaluate("goToBlock(plan.blocks[0]); say('You are here.')")
    phone.locator("#card summary").click()
    show = "for (const one of [...PANELS, document.getElementById('panel')])"
    phone.evaluate(f"{show} one.hidden = false")
    assert serious(phone) == []


@pytest.mark.long
@pytest.mark.parametrize("screen", ["small phone", "phone", "desk"])
def test_nothing_serious_keeps_people_from_any_panel(phone, screen):
    sized(phone, screen)
    found = {}
    for name in PANELS:
        phone.evaluate(f"showPanel(PANELS.find((one) => one.id === 'panel-{name.title()}'))")
        found[name] = serious(phone)
    phone.evaluate("showPanel(null); goToBlock(plan.blocks[0])")
    phone.locator("#card summary").click()
    found["block"] = serious(phone)
    phone.evaluate("say('You are here.')")
    found["said"] = serious(phone)
    assert {name: rules for name, rules in found.items() if rules} == {}
    assert len(found) == len(PANELS) + 2
