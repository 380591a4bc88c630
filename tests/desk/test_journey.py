"""From "I own a farm" to a printed leaf, in a real browser with the network blocked.

By mouse, by finger and by keyboard alone: whatever is pressed, chosen or written goes through one
of the three pairs of hands below.
"""

import shutil
from pathlib import Path

import geopandas as gpd
import pytest
from conftest import SITE
from desk.desk_site import desk_of, desk_site
from desk.test_page import TABLET, page_of
from handover.browser import DESK
from pages import page_texts

from siteplanner.desk.library import openlayers
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import load_site

pytestmark = pytest.mark.skipif(openlayers() is None, reason="MapProxy is not installed")


class Mouse:
    """A person at a desk."""

    context = DESK

    def __init__(self, page):
        self.page = page

    def press(self, thing):
        thing.click()

    def choose(self, select, value):
        select.select_option(value)

    def write(self, field, text):
        field.fill(text)
        self.page.keyboard.press("Tab")

    def files(self, field, paths):
        field.set_input_files(paths)

    def area(self):
        """Draw an area in the middle of the map."""
        self.press(self.page.get_by_role("button", name="Add an area"))
        self.page.locator("#map").scroll_into_view_if_needed()
        box = self.page.locator("#map").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        for a, b in ((-30, -30), (30, -30), (30, 30), (-30, 30)):
            self.tap(x + a, y + b)
            self.page.wait_for_timeout(400)  # two quick taps are a double tap
        self.press(self.page.get_by_role("button", name="Done"))

    def tap(self, x, y):
        self.page.mouse.click(x, y)


class Finger(Mouse):
    """A person with a tablet."""

    context = TABLET

    def press(self, thing):
        thing.tap()

    def tap(self, x, y):
        self.page.touchscreen.tap(x, y)


class Keys(Mouse):
    """A person who can use the keyboard alone: everything is reached by the Tab key."""

    def __init__(self, page):
        super().__init__(page)
        page.on("filechooser", lambda _: None)  # from now on the browser hands such dialogs over

    def reach(self, thing):
        thing.wait_for()
        for _ in range(500):
            if thing.evaluate("one => one === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{thing} is not reached by the keyboard")

    def press(self, thing):
        self.reach(thing)
        box = thing.evaluate("one => one.type === 'checkbox'")
        self.page.keyboard.press("Space" if box else "Enter")

    def choose(self, select, value):
        self.reach(select)
        words = select.evaluate(
            "(one, value) => [...one.options].find((each) => each.value === value).text", value
        )
        self.page.keyboard.type(words)  # a list goes to what is typed

    def write(self, field, text):
        self.reach(field)
        self.page.keyboard.press("Control+a")
        self.page.keyboard.type(text)
        self.page.keyboard.press("Tab")

    def files(self, field, paths):
        self.reach(field)
        with self.page.expect_file_chooser() as chooser:
            self.page.keyboard.press("Enter")
        chooser.value.set_files(paths)

    def area(self):
        self.press(self.page.get_by_role("button", name="Put an area in the middle"))


def journey(browser, hands_of, folder, files, uses):
    """Start a property from files, draw, choose species, plan, mark a block, and get its leaf."""
    from playwright.sync_api import expect

    expect.set_options(timeout=120_000)
    with (
        desk_of(folder) as address,
        page_of(browser, address, **hands_of.context) as page,
    ):
        hands = hands_of(page)

        def button(name, **more):
            return page.get_by_role("button", name=name, **more)

        hands.files(page.get_by_label("Choose files"), files)
        expect(page.locator("#found li")).to_have_count(len(files))
        hands.write(page.get_by_label("The property's name"), "Home farm")
        for label, name in uses.items():
            hands.choose(page.get_by_label(label, exact=True), name)
            expect(page.get_by_label(label, exact=True)).to_have_value(name)
        hands.press(button("one to two knuckles"))
        expect(page.locator("#how-far")).to_have_text("Question 2 of 6")
        for left in range(3, 8):
            hands.press(button("I don't know"))
            done = "That is all." if left == 7 else f"Question {left} of 6"
            expect(page.locator("#how-far")).to_contain_text(done)
        hands.press(button("Start the site"))
        expect(page.locator("#missing-list")).to_contain_text("climate")
        hands.press(button("Draw and plan"))
        expect(page.get_by_role("heading", name="Home farm")).to_be_visible()

        drawn = page.get_by_role("list", name="What you draw")
        hands.press(drawn.get_by_role("button", name="Frost hollows"))
        hands.area()
        expect(page.locator("#saved")).to_contain_text("Saved.")
        hands.press(button("Species"))
        names = page.locator("#species-table tbody i")
        expect(names.first).to_be_visible()
        barred, held = names.nth(0).text_content(), names.nth(1).text_content()
        hands.press(page.get_by_label(f"{barred}: may be planted"))
        expect(page.locator("#species-said")).to_have_text("Saved in site.toml.")
        hands.press(page.get_by_label(f"{held}: I have seed of this"))
        expect(page.locator("#species-said")).to_contain_text("Saved in species.csv.")

        hands.press(button("Plan", exact=True))
        expect(page.locator("#bar")).to_be_visible()
        expect(page.locator("#step")).to_have_text("The plan is ready.", timeout=600_000)
        hands.press(button("Look", exact=True))
        frame = page.frame_locator('iframe[title="Map of the plan"]')
        expect(frame.locator("html[data-ready]")).to_have_count(1)
        hands.press(page.get_by_text("Blocks, and what has become of them"))
        first = page.locator("#blocks-table input").first
        expect(first).to_be_visible()
        block = first.get_attribute("aria-label").removeprefix("Block ")
        hands.press(first)
        hands.press(button("Printed"))
        expect(page.locator("#blocks-said")).to_contain_text(f"{block}: printed")
        hands.press(page.get_by_text("Sheets and files"))
        with page.expect_download() as download:
            hands.press(page.get_by_role("link", name="Planting sheets"))
        leaf = folder / "leaf.pdf"
        download.value.save_as(leaf)

    site = load_site(folder / "site.toml")
    assert site.site.name == "Home farm" and site.mix.never == (barred,)
    facts = read_species(folder / "species.csv").facts.set_index("botanical_name")
    assert facts["have_seed"][held] == "yes"
    assert len(gpd.read_file(folder / site.frost.hollows.file)) == 1
    blocks = gpd.read_file(folder / "blocks.gpkg", layer="blocks").set_index("block")
    assert blocks["status"][block] == "printed"
    trees = gpd.read_file(folder / "maps" / "home-farm" / "plan.gpkg", layer="trees")
    assert len(trees) > 100 and barred not in set(trees["species"])
    assert any(f"Block {block}" in text for text in page_texts(leaf))


def small_farm(folder: Path) -> tuple[list[Path], dict[str, str]]:
    made = desk_site(folder / "made").parent
    files = [made / "dem.tif", made / "land.gpkg"]
    return files, {"The boundary": "land.gpkg"}


@pytest.mark.long
def test_a_small_farm_by_mouse(browser, tmp_path):
    journey(browser, Mouse, tmp_path / "farm", *small_farm(tmp_path))


@pytest.mark.long
@pytest.mark.parametrize("hands", [Finger, Keys])
def test_a_small_farm_by_finger_and_by_keyboard_alone(browser, tmp_path, hands):
    journey(browser, hands, tmp_path / "farm", *small_farm(tmp_path))


SAMPLES = {
    "Wether Knoll": (
        ("dem.tif", "property.gpkg", "soils.gpkg", "no_plant.gpkg"),
        {"The boundary": "property.gpkg", "Soils": "soils.gpkg",
         "Things to keep clear of": "no_plant.gpkg"},
    ),
    "Sallow Fell": (
        ("sallow-fell/dem.tif", "sallow-fell/farm.gpkg"), {"The boundary": "farm.gpkg"},
    ),
}  # fmt: skip


@pytest.mark.long
@pytest.mark.parametrize("hands", [Mouse, Finger, Keys])
@pytest.mark.parametrize("sample", SAMPLES)
def test_both_samples_by_mouse_by_finger_and_by_keyboard_alone(browser, tmp_path, sample, hands):
    names, uses = SAMPLES[sample]
    mine = tmp_path / "mine"
    mine.mkdir()
    files = [Path(shutil.copy(SITE.parent / name, mine)) for name in names]
    journey(browser, hands, tmp_path / "farm", files, uses)
