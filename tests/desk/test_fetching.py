"""Open data from the page where a property is started: said first, then fetched, then drawn."""

import json

import pytest
from desk.desk_site import desk_of
from desk.test_door import Asked
from desk.test_page import page_of
from gather.fake_services import Fake, boundary_file, put_all, services_file, services_of

from siteplanner.desk.library import openlayers
from siteplanner.desk.starting import fetching
from siteplanner.gather.gather import PARTS
from siteplanner.site.site_file import load_site


@pytest.fixture(scope="module")
def services(tmp_path_factory):
    """A file of services that are all well, on a server of this machine."""
    with Fake() as fake:
        there = services_of(fake)
        put_all(fake, there)
        yield fake, services_file(tmp_path_factory.mktemp("services") / "services.toml", there)


@pytest.fixture
def farm(tmp_path):
    (tmp_path / "farm").mkdir()
    boundary_file(tmp_path / "farm" / "outline.gpkg")
    return tmp_path / "farm"


def test_what_would_be_fetched_is_said_and_nothing_is_sent(services, farm):
    fake, file = services
    fake.asked.clear()
    said = fetching.would(farm, {"boundary": "outline.gpkg"}, file)
    assert {line.partition(", into")[0] for line in said["would"]} == {p.what for p in PARTS}
    assert said["kept"] == [] and any("OpenStreetMap" in line for line in said["would"])
    assert fake.asked == [] and [p.name for p in farm.iterdir()] == ["outline.gpkg"]


def test_without_an_outline_the_page_says_what_to_do(farm):
    ask = Asked(farm)
    try:
        how = {"Origin": ask.door.origin}
        refused = ask("/api/start/open-data", "POST", body='{"fetch": true}', **how)
        assert refused.status == 422
        assert "no outline is chosen" in json.loads(refused.text)["sentences"][0]
        assert ask("/api/start/open-data").status == 405
        elsewhere = {"Origin": "http://elsewhere.example"}
        assert ask("/api/start/open-data", "POST", body="{}", **elsewhere).status == 403
    finally:
        ask.close()


@pytest.mark.long
@pytest.mark.skipif(openlayers() is None, reason="MapProxy is not installed")
def test_from_an_outline_to_a_site_by_one_button(browser, services, farm):
    from playwright.sync_api import expect

    expect.set_options(timeout=120_000)
    with (
        desk_of(farm, "--services", str(services[1])) as address,
        page_of(browser, address) as page,
    ):
        would = page.get_by_role("button", name="What would be fetched")
        expect(would).to_be_disabled()
        page.get_by_label("The boundary").select_option("outline.gpkg")
        would.click()
        expect(page.locator("#fetching")).to_contain_text("heights, into heights.tif")
        page.get_by_role("button", name="Fetch it").click()
        expect(page.locator("#fetching")).to_contain_text("What went where")
        expect(page.locator("#fetching")).to_contain_text("live services have not been tried")
        page.get_by_role("button", name="Draw and plan").click()
        expect(page.get_by_role("list", name="What you draw")).to_be_visible()
    site = load_site(farm / "site.toml")
    assert list(site.dem.files) == ["heights.tif"]
    assert (farm / "sources.csv").exists()
