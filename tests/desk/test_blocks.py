"""Blocks on the page: what has become of them, where plants go, and one laid out again."""

import geopandas as gpd
import pytest
from desk.desk_site import desk_of, desk_site
from desk.test_page import page_of

from siteplanner.desk.library import openlayers
from siteplanner.site.site_file import load_site


def planted_trees(site):
    trees = gpd.read_file(site.parent / "maps" / "a-square" / "plan.gpkg", layer="trees")
    trees["x"], trees["y"] = trees.geometry.x.round(3), trees.geometry.y.round(3)
    return trees[["block", "row", "species", "x", "y"]]


@pytest.mark.long
@pytest.mark.skipif(openlayers() is None, reason="MapProxy is not installed")
def test_a_season_on_the_page(browser, tmp_path):
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)
    site = desk_site(tmp_path / "site")
    with desk_of(site.parent) as address, page_of(browser, address) as page:
        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.locator("#step")).to_have_text("The plan is ready.")
        page.get_by_text("Blocks, and what has become of them").click()
        boxes = page.get_by_role("checkbox", name="Block ")
        expect(boxes.first).to_be_visible()
        names = [box.get_attribute("aria-label").removeprefix("Block ") for box in boxes.all()]
        said = page.locator("#blocks-said")
        page.get_by_role("button", name="Printed").click()
        expect(said).to_contain_text("no block is chosen; tick one or more blocks")

        boxes.nth(0).check()
        page.get_by_role("button", name="Printed").click()
        expect(said).to_contain_text(f"{names[0]}: printed")
        boxes.nth(0).uncheck(), boxes.nth(1).check()
        page.get_by_label("until").fill("2031")
        page.get_by_role("button", name="Too wet").click()
        expect(said).to_contain_text(f"{names[1]}: set aside until 2031")
        held = gpd.read_file(site.parent / "blocks.gpkg", layer="blocks").set_index("block")
        assert held["status"][names[0]] == "printed"
        assert (held["status"][names[1]], held["until"][names[1]]) == ("set aside", 2031)

        page.get_by_role("list", name="What you draw").get_by_role("button", name="Zones").click()
        page.get_by_role("button", name="Take over the plan's zones").click()
        expect(page.locator("#which option")).not_to_have_count(1)
        assert load_site(site).decisions.zones == "zones.gpkg"
        zones = gpd.read_file(site.parent / "zones.gpkg", layer="zones")
        page.locator("#which").select_option("0")
        page.get_by_label("Letter").fill("1")
        page.keyboard.press("Tab")
        expect(page.locator("#field-zone-wrong")).to_contain_text("'1' is not valid")
        page.get_by_role("button", name="Undo").click()
        page.get_by_label("Title").fill("My own slope")
        page.keyboard.press("Tab")
        expect(page.locator("#saved")).to_contain_text("Saved.")
        now = gpd.read_file(site.parent / "zones.gpkg", layer="zones")
        assert now["title"][0] == "My own slope" and list(now["zone"]) == list(zones["zone"])
        assert now.geometry.geom_equals_exact(zones.geometry, 0.01).all()
        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.locator("#bar")).to_be_visible()
        expect(page.locator("#step")).to_have_text("The plan is ready.")
        planned = gpd.read_file(site.parent / "maps" / "a-square" / "plan.gpkg", layer="zones")
        assert "My own slope" in set(planned["title"])

        # Before and now stand beside each other, with the earlier map in a frame of its own.
        page.get_by_role("button", name="Look", exact=True).click()
        changes = page.get_by_role("region", name="What changed")
        expect(changes).to_contain_text("Trees by species")
        page.get_by_role("button", name="Show the map before").click()
        frame = page.frame_locator('iframe[title="Map of the plan before"]')
        expect(frame.locator("html[data-ready]")).to_have_count(1)

        # Only this one again: the others keep every tree where it is.
        boxes.nth(1).uncheck()
        again = [box.get_attribute("aria-label").removeprefix("Block ") for box in boxes.all()][-1]
        page.get_by_label(f"Block {again}", exact=True).check()
        before = planted_trees(site)
        page.get_by_role("button", name="Only this one again").click()
        expect(page.locator("#bar")).to_be_visible()
        expect(page.locator("#step")).to_have_text("The plan is ready.")
        after = planted_trees(site)
        kept = [
            set(map(tuple, trees[trees["block"] != again].to_numpy())) for trees in (before, after)
        ]
        assert kept[0] == kept[1] and len(kept[0]) > 50
        page.get_by_label(f"Block {again}", exact=True).uncheck()

        # Damage: a form, with what is wrong beside its field, and what it orders.
        page.get_by_label(f"Block {names[0]}", exact=True).check()
        page.get_by_role("button", name="Planted").click()
        expect(said).to_contain_text(f"{names[0]}: planted")
        page.get_by_text("Damage seen").click()
        page.get_by_label("Block", exact=True).select_option(names[0])
        page.get_by_label("What happened").select_option("browsing")
        page.get_by_label("What to do").select_option("replant same")
        page.get_by_label("Dead trees").fill("many")
        page.get_by_role("button", name="Note this damage").click()
        expect(page.locator("#damage-dead-wrong")).to_contain_text("is not a number of trees")
        page.get_by_label("Dead trees").fill("3")
        page.get_by_role("button", name="Note this damage").click()
        expect(page.locator("#damage-said")).to_contain_text("3 dead of browsing, to replant there")
        expect(page.locator("#damage-lines li")).to_have_count(1)
        assert "browsing" in (site.parent / "damage.csv").read_text("utf-8")

        page.get_by_label("How many").fill("30")
        page.get_by_role("button", name="Find rows").click()
        expect(page.locator("#rows-found li").first).to_be_visible()
        expect(page.locator("#rows-found")).to_contain_text("The plan is unchanged.")
        page.get_by_label("How many").fill("some")
        page.get_by_role("button", name="Find rows").click()
        expect(page.locator("#rows-found")).to_contain_text("'some' is not valid; write how many")
