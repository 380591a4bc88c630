"""Using the map page: species, blocks, ticks, place, print; every control, no network."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pandas as pd
import pypdfium2
import pytest
from handover.browser import DESK, PHONE, opened
from made_plan import made_plan
from pyproj import Transformer

from siteplanner.after.planted import read_planted
from siteplanner.after.ticked import only_ticked, read_ticks, told
from siteplanner.base.errors import InputError
from siteplanner.base.symbology import colours
from siteplanner.handover.block_work import block_works
from siteplanner.handover.book.block_map import book_of
from siteplanner.handover.book.facts import facts_of
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.handover.gis.geopackage import write_geopackage
from siteplanner.handover.map.page import write_map
from siteplanner.handover.tables.counts import write_counts
from siteplanner.season.frost_odds import cell_words

long = pytest.mark.long


@pytest.fixture(scope="module")
def plan():
    """A plan whose scores differ from cell to cell."""
    made = made_plan()
    suitability = np.random.default_rng(3).integers(0, 101, made.suitability.shape).astype(np.uint8)
    suitability[made.suitability == 255] = 255
    return dataclasses.replace(made, suitability=suitability, colder_c=1.5)


@pytest.fixture(scope="module")
def page_file(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(plan, path)
    return path


def lonlat(plan, x, y):
    return Transformer.from_crs(plan.grid.crs, "EPSG:4326", always_xy=True).transform(x, y)


@pytest.fixture(scope="module")
def planted(plan, tmp_path_factory):
    """The plan's trees as `siteplanner survival` reads them from the plan's folder."""
    folder = tmp_path_factory.mktemp("plan")
    write_geopackage(plan, folder / "plan.gpkg")
    write_counts(plan, folder / "counts.csv")
    write_manifest(plan, folder / "plan.json", ["plan.gpkg", "counts.csv"])
    return read_planted(folder)


# ---- a species on the ground --------------------------------------------------------------


def test_page_reads_the_plans_own_cells(browser, page_file, plan):
    rows, cols = np.nonzero(plan.suitability[0] != 255)
    some = np.random.default_rng(5).choice(len(rows), 300, replace=False)
    rows, cols = rows[some], cols[some]
    x, y = plan.grid.transform * (cols + 0.5, rows + 0.5)
    lon, lat = lonlat(plan, x, y)
    with opened(browser, page_file, **DESK) as it:
        told = it.page.evaluate(
            """async (places) => Promise.all(
              ["suitability", "limiting", "odds"].map(async (view) => {
              const book = await codesOf(plan.species_ground.species[2][view]);
              return places.map(([lat, lng]) => codeAt(book, L.latLng(lat, lng)));
            }))""",
            np.column_stack([lat, lon]).tolist(),
        )
        assert it.complaints == []
    for codes, values in zip(told, (plan.suitability, plan.limiting, plan.frost_odds), strict=True):
        assert codes == values[2, rows, cols].tolist()


def test_a_tap_says_which_figure_of_the_odds_it_shows(browser, page_file, plan):
    spot = plan.blocks.geometry[0].representative_point()
    lon, lat = lonlat(plan, spot.x, spot.y)
    (row,), (col,) = plan.grid.rows_cols(np.array([spot.x]), np.array([spot.y]))
    with opened(browser, page_file, **DESK) as it:
        for species, range_only in ((0, False), (1, True)):
            words = it.page.evaluate(
                """async ([place, lat, lng]) => {
                  showing.species = place;
                  const parts = await saidOf(L.latLng(lat, lng));
                  return parts.map((part) => part.innerText || part.textContent).join(" ");
                }""",
                [species, lat, lon],
            )
            percent = int(plan.frost_odds[species, row, col])
            assert cell_words(percent, range_only) in words
        assert it.complaints == []


def test_a_picked_species_colours_the_ground_and_says_why(browser, page_file, plan):
    with opened(browser, page_file, **DESK) as it:
        page = it.page
        page.click("#tab-Layers")
        page.select_option("#species", label="blackwood (Acacia melanoxylon)")
        page.locator(".leaflet-ground-pane img").wait_for()
        assert "suits well (S1)" in page.inner_text("#legend")
        shares = np.histogram(
            plan.suitability[2][plan.suitability[2] != 255], [0, 40, 60, 85, 101]
        )[0][::-1]
        percents = page.locator("#legend small").all_inner_texts()
        assert [int(text.strip(" \xa0%")) for text in percents] == [
            round(100 * share / shares.sum()) for share in shares
        ]
        page.get_by_label("What limits it").check()
        page.get_by_text("Coldest night of an average winter").last.wait_for()
        assert page.locator("#legend li").all_inner_texts() == [
            "Coldest night of an average winter", "Drainage class", "nothing",
        ]  # fmt: skip
        page.evaluate("treeLayer.remove(); restyle()")  # a tap between the trees
        spot = plan.blocks.geometry[0].representative_point()  # A1, in the cold west
        lon, lat = lonlat(plan, spot.x, spot.y)
        page.evaluate("([lat, lng]) => tapped({ latlng: L.latLng(lat, lng) })", [lat, lon])
        page.get_by_text("Trees in zone A").wait_for()
        words = page.inner_text("#card .about")
        assert "thrives at −6 °C or more; dies below −9 °C" in words
        (row,), (col,) = plan.grid.rows_cols(np.array([spot.x]), np.array([spot.y]))
        assert f"({plan.suitability[2, row, col]} of 100)" in words
        here = float(plan.layers["winter_minimum"][row, col])
        shown = words.split("about −")[1].split(" °C")[0]
        assert abs(-float(shown) - here) < 0.3
        worse = words.split("1 winter in 5")[1].split("about −")[1].split(" °C")[0]
        assert float(worse) - float(shown) == pytest.approx(1.5, abs=0.11)
        page.get_by_label("Odds that frost kills").check()
        page.get_by_text("not a forecast. Where the species").wait_for()
        page.get_by_label("Hillshade only").check()
        assert page.locator(".leaflet-ground-pane img").count() == 0
        assert page.input_value("#species") == "" and it.complaints == []


def test_strength_of_colours_can_be_chosen(browser, page_file):
    with opened(browser, page_file, **DESK) as it:
        it.page.click("#tab-Layers")
        it.page.get_by_label("Slope").first.check()
        it.page.locator("input[type=range]").fill("35")
        style = it.page.locator(".leaflet-ground-pane img").get_attribute("style")
        assert "opacity: 0.35" in style


def test_zone_sheet_tells_odds_of_frost(browser, page_file):
    with opened(browser, page_file, **DESK) as it:
        it.page.evaluate("openAt(map.getCenter(), aboutZone(plan.zones[0]))")
        planted, others = it.page.locator("table.odds").all()
        assert "where the species is planted" in planted.inner_text()
        rows = planted.locator("tbody tr").all_inner_texts()
        assert rows == ["swamp peppermint\t1 winter in 8\nworst tenth: 1 winter in 4"]
        # What is not planted is folded away, and said to be of the whole zone.
        assert not others.is_visible()
        it.page.get_by_text("Odds for species not planted here").click()
        assert "over all of the zone's ground" in others.inner_text()
        rows = others.locator("tbody tr").all_inner_texts()
        assert rows == ["woolly tea-tree\tup to 1 winter in 2"]
        it.page.evaluate("openAt(map.getCenter(), aboutZone(plan.zones[1]))")
        assert it.page.locator("table.odds").count() == 0


def test_sheets_tell_year_crew_seed_and_where_to_dig(browser, plan, tmp_path):
    spot = plan.blocks.geometry[1].representative_point()
    works = pd.DataFrame(
        [("A1", 2, 3, 40, "volunteers", "in spring", 1.25)],
        columns=["block", "year", "later", "trees_later", "access_class", "window", "crew_days"],
    )
    dig = {"spot": "7", "easting": str(spot.x), "northing": str(spot.y), "map_says": "loam"}
    known = plan.works.blocks.set_index("block")
    known.loc["A1", works.columns[1:]] = works.iloc[0, 1:]
    made = dataclasses.replace(
        plan,
        works=dataclasses.replace(plan.works, blocks=known.reset_index()),
        dig=pd.DataFrame([dig | {"why": "soil line <8 m", "if_not": "no gums"}]),
        trees=plan.trees.assign(year=2, mother=np.where(plan.trees["block"] == "A1", "yards", "")),
    )
    write_map(made, tmp_path / "works.html")
    with opened(browser, tmp_path / "works.html", **PHONE) as it:
        page = it.page
        page.evaluate("openAt(map.getCenter(), aboutBlock(plan.blocks[0]))")
        sheet = page.inner_text("#card .about")
        assert "in spring, year 2" in sheet and "40 trees, year 3" in sheet
        assert "volunteers" in sheet and "about 1.2" in sheet
        page.evaluate("openAt(map.getCenter(), aboutTree(0))")
        sheet = page.inner_text("#card .about")
        assert "year 2" in sheet and "yards" in sheet
        page.evaluate("closeCard()")
        page.click("#tab-Key")
        page.get_by_label("Where to dig").check()
        page.click("#tab-Key")
        page.locator(".dig").click()
        words = page.inner_text("#card .about")
        assert "spot 7" in words and "soil line <8 m" in words and "services located" in words
        at = page.evaluate("GROUPS.dig.getLayers()[0].getLatLng()")
        assert np.allclose([at["lng"], at["lat"]], lonlat(plan, spot.x, spot.y), atol=2e-6)
        assert it.complaints == []


# ---- blocks and ticks ---------------------------------------------------------------------


def test_a_block_is_found_and_its_sheet_holds_the_plans_counts(browser, page_file, plan):
    with opened(browser, page_file, **PHONE) as it:
        page = it.page
        page.click("#tab-Blocks")
        page.fill("#find", "creek")
        found = page.locator(".blocks li:visible").all_inner_texts()
        assert [text[:2].strip() for text in found] == ["A", "A", "B"] and len(found) == 3
        page.fill("#find", "nowhere")
        assert page.locator(".blocks li:visible").count() == 0
        page.get_by_text("No block matches.").wait_for()
        page.fill("#find", "b2")
        page.press("#find", "Enter")
        sheet = page.locator("#card .about")
        sheet.get_by_text("Trees in block B2").wait_for()
        rows = sheet.locator("tbody tr").all()
        shown = {r.locator("i").inner_text(): int(r.locator("td").inner_text()) for r in rows}
        mine = plan.trees[plan.trees["block"] == "B2"]
        assert shown == mine["species"].value_counts().to_dict()
        (work,) = [work for work in block_works(plan) if work.block == "B2"]
        said = facts_of(book_of(plan, [work]), work)
        assert len(said) == 5 and "START" in said[2]  # as on paper
        for words in ("Top bench", *said[2:]):
            assert words in sheet.inner_text()
        hectares = plan.blocks.set_index("block")["area_ha"]["B2"]
        assert f"{hectares:.2f} ha" in sheet.inner_text()


def test_ticks_last_and_come_back_through_survival(browser, page_file, plan, planted, tmp_path):
    with opened(browser, page_file, **DESK) as it:
        page = it.page
        page.click("#tab-Blocks")
        page.get_by_label("Block C1 is planted").check()
        page.locator(".blocks button").nth(1).click()
        sheet = page.locator("#card .about")
        sheet.get_by_label("Planted").check()
        sheet.get_by_label("On").fill("2027-08-03")
        sheet.get_by_label("Trees").fill("17")
        sheet.get_by_label("Note").fill('=1+1, "wet" corner')
        sheet.get_by_label("Note").press("Tab")
        page.reload()
        page.click("#tab-Blocks")
        assert page.get_by_label("Block A2 is planted").is_checked()
        assert page.locator(".label.ticked").count() == 2
        with page.expect_download() as caught:
            page.click("#ticks-save")
        caught.value.save_as(tmp_path / "planted.csv")
        assert it.complaints == [] and set(it.requests) == {page_file.as_uri()}
    assert "'=1+1" in (tmp_path / "planted.csv").read_text(encoding="utf-8-sig")
    ticks = read_ticks([tmp_path / "planted.csv"], planted)
    assert ticks["block"].tolist() == ["A2", "C1"]
    assert ticks["trees"].tolist() == [17, (plan.trees["block"] == "C1").sum()]
    assert ticks["planted_on"][0].isoformat() == "2027-08-03"
    assert ticks["note"][0] == '=1+1, "wet" corner'
    assert set(only_ticked(planted, ticks).trees["block"]) == {"A2", "C1"}
    assert "Block A2: 17 of" in told(ticks, planted)[1]


def test_errors_in_ticks_are_named_together(planted, tmp_path):
    one, other = tmp_path / "one.csv", tmp_path / "other.csv"
    one.write_text("block,planted_on,trees\nA9,,\nA1,3 August,\nA2,,many\n")
    other.write_text("block\nA2\nB1\n")
    with pytest.raises(InputError) as caught:
        read_ticks([one, other], planted)
    said = str(caught.value)
    assert all(word in said for word in ("A9", "'3 August' is not a date", "'many'", "named twice"))


def test_a_browser_that_keeps_nothing_is_told_of(browser, page_file):
    refuse = "Object.defineProperty(window, 'localStorage', { get() { throw Error('no'); } })"
    with opened(browser, page_file, **DESK) as it:
        it.page.add_init_script(refuse)
        it.page.reload()
        it.page.click("#tab-Blocks")
        it.page.get_by_label("Block A1 is planted").check()
        assert "does not store ticks" in it.page.inner_text("#ticks-sum")
        assert it.complaints == []


# ---- where am I ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "said"),
    [
        (None, "Location is blocked"),
        ("B2", "block B2, Top bench"),
        ("far", "km from this property"),
    ],
)
def test_where_am_i_in_clear_words(browser, page_file, plan, where, said):
    options = dict(PHONE)
    if where:
        spot = plan.blocks.set_index("block").geometry["B2"].representative_point()
        lon, lat = lonlat(plan, spot.x, spot.y + (90_000 if where == "far" else 0))
        place = {"longitude": lon, "latitude": lat, "accuracy": 6}
        options |= {"permissions": ["geolocation"], "geolocation": place}
    with opened(browser, page_file, **options) as it:
        it.page.get_by_role("button", name="My position").click()
        it.page.locator("#said-words", has_text=said).wait_for()
        assert it.page.locator(".leaflet-place-pane path").count() == (2 if where == "B2" else 0)
        it.page.get_by_label("Close this message").click()
        assert not it.page.locator("#said").is_visible() and it.complaints == []


# ---- zones, paddocks, print ---------------------------------------------------------------


def test_zones_do_not_look_alike_past_seven():
    tints = colours.zone_colours([1] * 26)
    assert len(set(zip(tints, colours.zone_patterns(tints), strict=True))) == 26


def test_a_second_zone_of_a_colour_is_marked_on_map_chip_and_print(browser, plan, tmp_path):
    zones = plan.zones.iloc[[0, 1, 2] * 3].reset_index(drop=True)
    zones = zones.assign(zone=list("ABCDEFGHI"))
    write_map(dataclasses.replace(plan, zones=zones), tmp_path / "many.html")
    with opened(browser, tmp_path / "many.html", **DESK) as it:
        fills = it.page.evaluate("zoneAreas.map((g) => g.getLayers()[0].options.fillColor)")
        assert fills[:7] == colours.zone_colours([1] * 7)
        assert fills[7:] == ["url(#map-zone-7)", "url(#map-zone-8)"]
        assert it.page.locator("#map-zone-7 > *").count() == 2
        assert it.page.locator("#panel-Zones .chip.dots").all_inner_texts() == ["H", "I"]
        it.page.emulate_media(media="print")
        assert it.page.locator("#still path[fill='url(#still-zone-7)']").count() == 1


def test_ground_without_trees_says_why(browser, plan, tmp_path):
    empty = plan.zones.assign(
        trees=[0, 0, plan.zones["trees"][2]],
        title=["not for trees: too steep (x)", "not for trees: nothing fits (y)", "Dry knoll"],
    )
    rules = {"planting": {"steepest_deg": 38.0}, "mix": {"lowest_suitability": 40}}
    made = dataclasses.replace(plan, zones=empty, settings=rules)
    write_map(made, tmp_path / "empty.html")
    with opened(browser, tmp_path / "empty.html", **DESK) as it:
        for about, said in (
            ("aboutZone(plan.zones[0])", "steeper than 38°"),
            ("aboutZone(plan.zones[1])", "no species reaches a suitability of 40 of 100"),
            ("aboutPaddock(plan.paddocks[2])", "the paddocks file leaves it out"),
        ):
            it.page.evaluate(f"openAt(map.getCenter(), {about})")
            assert said in it.page.inner_text("#card .why-not")
        assert it.page.get_by_text("House paddock (no trees)").count() == 1


def test_print_without_scripts_has_each_sum_once(browser, page_file, plan):
    with opened(browser, page_file, java_script_enabled=False, **DESK) as it:
        data = it.page.pdf(format="A4")
    pages = pypdfium2.PdfDocument(io.BytesIO(data))
    words = " ".join(page.get_textpage().get_text_bounded() for page in pages).split()
    assert words.count("All") == 1
    assert words[words.index("All") + 4] == f"{plan.trees_total:,}"
    assert [words.count(block) for block in plan.blocks["block"]] == [1] * len(plan.blocks)


# ---- every control, and the network ---------------------------------------------------------


@long
@pytest.mark.parametrize("world", [DESK, PHONE], ids=["desk", "phone"])
def test_every_control_works_without_network_or_complaint(browser, page_file, world):
    with opened(browser, page_file, **world) as it:
        page = it.page
        used = 0
        for tab in page.locator("#tabs button").all_inner_texts():
            kinds = f"#panel-{tab} :is(button, input, select, summary, textarea)"
            for i in range(page.locator(kinds).count()):
                if page.get_attribute(f"#tab-{tab}", "aria-expanded") != "true":
                    page.click(f"#tab-{tab}")
                control = page.locator(kinds).nth(i)
                if not control.is_visible() or control.is_disabled():
                    continue
                used += 1
                tag = control.evaluate("(one) => one.type || one.tagName")
                if tag == "select-one":
                    for option in range(control.locator("option").count()):
                        control.select_option(index=option)
                elif tag == "range":
                    control.fill("50")
                elif tag == "search":
                    control.fill("a")
                    control.fill("")
                else:
                    control.click()
                page.evaluate("closeCard()")
        for about in ("aboutBlock(plan.blocks[0])", "aboutZone(plan.zones[0])", "aboutTree(3)"):
            page.evaluate(f"ticks.clear(); openAt(map.getCenter(), {about})")
            for i in range(page.locator(".about :is(button, input)").count()):
                page.evaluate(f"openAt(map.getCenter(), {about})")
                page.locator(".about :is(button, input)").nth(i).click()
                used += 1
                page.evaluate("ticks.clear()")
        page.evaluate("closeCard()")
        for i in range(page.locator(".leaflet-control :is(a, button)").count()):
            page.locator(".leaflet-control :is(a, button)").nth(i).click()
            used += 1
        page.wait_for_timeout(300)
        assert used > 40
        assert page.locator(".leaflet-trees-pane canvas").count() == 0  # the key switched it off
        assert it.complaints == [] and it.requests == [page_file.as_uri()]


def test_online_imagery_only_when_asked_for_and_switched_on(browser, page_file, plan, tmp_path):
    assert "img-src data:;" in page_file.read_text(encoding="utf-8")
    asked = {"imagery_url": "https://pictures.invalid/{z}/{x}/{y}.jpg", "imagery_credit": "Us"}
    file = tmp_path / "online.html"
    write_map(dataclasses.replace(plan, settings={"map": asked}), file)
    assert "img-src data: https://pictures.invalid;" in file.read_text(encoding="utf-8")
    with opened(browser, file, **DESK) as it:
        it.page.click("#tab-Layers")
        assert it.requests == [file.as_uri()]
        with it.page.expect_request("https://pictures.invalid/**"):
            it.page.check("#imagery")
        assert it.page.inner_text("#said-words") == "Imagery: Us"
        assert all(r.startswith("https://pictures.invalid/") for r in it.requests[1:])


def test_an_unknown_scheme_names_layer_and_package(plan):
    good, bad = plan.infos["slope"], dataclasses.replace(plan.infos["slope"], colours="virids")
    colours.check_schemes([("siteplanner", good)])
    with pytest.raises(InputError, match=r"package salty, layer slope, colours: .*'virids'"):
        colours.check_schemes([("siteplanner", good), ("salty", bad)])
