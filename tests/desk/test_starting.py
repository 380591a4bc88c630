"""A property started on the page: files of one's own, questions, and a site that can be drawn."""

import zipfile

import geopandas as gpd
import pyogrio
import pytest
import shapely
from desk.desk_site import MIDDLE, desk_of, four_paddocks
from desk.test_door import Asked
from desk.test_page import page_of
from handover.small_site import small_site

from siteplanner.base.errors import InputError
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES
from siteplanner.desk.library import openlayers
from siteplanner.desk.site_desk import SiteDesk
from siteplanner.desk.starting.page import safe_name
from siteplanner.desk.starting.questions import QUESTIONS
from siteplanner.site.edit import value_of
from siteplanner.site.site_file import Site, load_site

X, Y = MIDDLE


@pytest.fixture(scope="module")
def heights(tmp_path_factory):
    return (small_site(tmp_path_factory.mktemp("made") / "site").parent / "dem.tif").read_bytes()


@pytest.fixture
def folder(tmp_path, heights):
    folder = tmp_path / "My farm"
    folder.mkdir()
    (folder / "ground.tif").write_bytes(heights)
    return folder


def outline(folder, name, driver="KML"):
    square = gpd.GeoDataFrame(
        {"Name": ["Home"]}, geometry=[shapely.box(X - 40, Y - 40, X + 40, Y + 40)], crs="EPSG:32756"
    )
    pyogrio.write_dataframe(square.to_crs(4326), folder / name, driver=driver)


def test_a_kml_becomes_a_boundary_that_can_be_drawn(folder):
    outline(folder, "home.kml")
    desk = SiteDesk(folder)
    kinds = {one["name"]: one["kind"] for one in desk.starting()["files"]}
    assert kinds == {"ground.tif": "heights", "home.kml": "shapes"}
    missing = desk.begin(
        {"dem": "ground.tif", "boundary": "home.kml", "name": "Home", "answers": {}}
    )
    assert any("climate" in one for one in missing) and not any(
        "stands in" in one for one in missing
    )
    site = load_site(desk.path)
    assert site.site.name == "Home" and site.boundary.file == "boundary.gpkg"
    found = desk.layer("boundary")
    assert found["drawn"]["editable"]
    area = shapely.geometry.shape(found["features"][0]["geometry"]).area
    assert area == pytest.approx(80 * 80, rel=1e-3)


def closed_track(folder, name):
    """A walk round the fence, as a handheld writes it: a line that ends where it began."""
    square = gpd.GeoDataFrame(
        {"name": ["Fence"]},
        geometry=[shapely.box(X - 40, Y - 40, X + 40, Y + 40).exterior], crs="EPSG:32756",
    )  # fmt: skip
    pyogrio.write_dataframe(square.to_crs(4326), folder / name, driver="GPX", layer="tracks",
                            geometry_type="MultiLineString", promote_to_multi=True)  # fmt: skip


def zipped_shapefile(folder, name):
    outline(folder, "fence.shp", "ESRI Shapefile")
    with zipfile.ZipFile(folder / name, "w") as packed:
        for part in sorted({*folder.glob("fence.*")} - {folder / name}):
            packed.write(part, part.name)
            part.unlink()


@pytest.mark.parametrize(
    ("name", "write"),
    [
        ("home.kml", outline), ("walked.gpx", closed_track), ("fence.zip", zipped_shapefile),
        ("home.geojson", lambda folder, name: outline(folder, name, "GeoJSON")),
    ],
)  # fmt: skip
def test_every_kind_of_outline_that_people_have_becomes_the_boundary(folder, name, write):
    write(folder, name)
    desk = SiteDesk(folder)
    [found] = [one for one in desk.starting()["files"] if one["name"] == name]
    assert (found["kind"], found["wrong"]) == ("shapes", False), found
    desk.begin({"dem": "ground.tif", "boundary": name})
    [feature] = desk.layer("boundary")["features"]
    shape = shapely.geometry.shape(feature["geometry"])
    assert shape.area == pytest.approx(80 * 80, rel=1e-3)
    assert desk.layer("boundary")["drawn"]["editable"]


def test_without_an_outline_a_rectangle_stands_in_and_says_so(folder):
    desk = SiteDesk(folder)
    missing = desk.begin({"dem": "ground.tif"})
    assert missing[0].startswith("the boundary: a rectangle stands in for it")
    assert desk.about()["name"] == "My farm"
    [feature] = desk.layer("boundary")["features"]
    assert shapely.geometry.shape(feature["geometry"]).area == pytest.approx(120 * 120)
    # The one paddock and the one soil are the whole property: they follow it, and back again.
    drawn = shapely.box(X - 30, Y - 50, X + 50, Y + 50)
    found = desk.layer("boundary")
    moved = {**feature, "geometry": shapely.geometry.mapping(drawn)}
    saved = desk.save("boundary", found["version"], [moved])
    assert saved["followed"] == ("paddocks", "soils")
    for name in ("paddocks", "soils"):
        [one] = desk.layer(name)["features"]
        assert shapely.geometry.shape(one["geometry"]).equals(drawn)
    two = [moved, {"id": None, "geometry": feature["geometry"], "properties": {}}]
    home = desk.layer("paddocks")
    smaller = {**home["features"][0], "geometry": shapely.geometry.mapping(drawn.buffer(-9))}
    desk.save("paddocks", home["version"], [smaller])
    assert desk.save("boundary", saved["version"], two)["followed"] == ("soils",)
    west, _, east, _ = desk.relief().shade.extent
    assert east > west


def test_answers_are_settings_and_i_do_not_know_sets_nothing(folder):
    desk = SiteDesk(folder)
    answers = {"ribbon": "clay", "water": None, "who": "contractors", "people": "7", "tubes": "x",
               "what_for": "{ habitat = 0.4 }", "strange": "1"}  # fmt: skip
    desk.begin({"dem": "ground.tif", "answers": answers})
    site = load_site(desk.path)
    assert (site.work.crew, site.work.people, site.years.tubes) == ("contractors", 7, None)
    assert site.mix.roles == {"habitat": 0.4}
    [soil] = desk.layer("soils")["features"]
    assert soil["properties"]["texture"] == "clay" and soil["properties"]["drainage"] is None


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda q: q.id)
def test_every_answer_is_one_that_the_site_takes(question):
    table, key = question.sets
    for answer in [value for value, _ in question.answers] or ["12"]:
        if table == "soil":
            assert answer in {"texture": TEXTURE_CLASSES, "drainage": DRAINAGE_CLASSES}[key]
        else:
            checked = Site.model_fields[table].annotation(**{key: value_of(answer)})
            assert getattr(checked, key) == value_of(answer)


@pytest.mark.parametrize("asked", [{}, {"dem": "../dem.tif"}, {"dem": "home.kml"}])
def test_only_listed_heights_start_a_site(folder, asked):
    outline(folder, "home.kml")
    desk = SiteDesk(folder)
    with pytest.raises(InputError, match="no heights are chosen"):
        desk.begin(asked)
    assert not desk.started


@pytest.mark.parametrize(
    "name",
    ["../a.tif", "a/b.tif", ".a.tif", "site.toml", "a.py", "", "a\x00.tif", "a..tif", "x.vrt"],
)
def test_odd_names_are_not_taken(name):
    assert safe_name(name) is None


def test_a_dropped_file_is_whole_and_replaces_none(tmp_path, heights):
    ask = Asked(tmp_path / "new")
    try:
        origin = ask.door.origin

        def drop(name, body):
            return ask(f"/api/start/file?name={name}", "PUT", body=body, Origin=origin).status

        assert "Start a property" in ask("/").text
        assert drop("dem.tif", heights) == 200 and drop("dem.tif", b"other") == 409
        assert drop("..%2Fdem.tif", heights) == 422 and drop("run.sh", b"x") == 422
        assert (tmp_path / "new" / "dem.tif").read_bytes() == heights
        assert [p.name for p in (tmp_path / "new").iterdir()] == ["dem.tif"]
        begun = ask("/api/start", "POST", body='{"dem": "dem.tif"}', Origin=origin)
        assert begun.status == 200 and "missing" in begun.text
        assert ask("/api/start", "POST", body='{"dem": "dem.tif"}', Origin=origin).status == 404
        assert drop("more.tif", heights) == 404
        assert "What you draw" in ask("/").text
    finally:
        ask.close()


@pytest.mark.long
@pytest.mark.skipif(openlayers() is None, reason="MapProxy is not installed")
def test_from_i_own_a_farm_to_a_plan(browser, tmp_path, heights):
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "lidar.tif").write_bytes(heights)
    outline(mine, "home.geojson", "GeoJSON")
    four_paddocks().to_file(mine / "paddocks.gpkg", layer="paddocks")
    with desk_of(tmp_path / "farm") as address, page_of(browser, address) as page:
        page.get_by_label("Choose files").set_input_files([*mine.iterdir()])
        expect(page.locator("#found li")).to_have_count(3)
        page.get_by_label("The property's name").fill("Home farm")
        page.get_by_label("The boundary").select_option("home.geojson")
        expect(page.get_by_label("Paddocks")).to_have_value("paddocks.gpkg")
        page.get_by_role("button", name="longer than two knuckles").click()
        while page.get_by_role("button", name="I don't know").count():
            page.get_by_role("button", name="I don't know").click()
        page.get_by_role("button", name="Start the site").click()
        expect(page.locator("#missing-list")).to_contain_text("climate")
        page.get_by_role("button", name="Draw and plan").click()
        expect(page.get_by_role("heading", name="Home farm")).to_be_visible()
        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.locator("#step")).to_have_text("The plan is ready.")
    assert (tmp_path / "farm" / "maps" / "home-farm" / "sheets.pdf").is_file()
