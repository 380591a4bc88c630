"""The map page: what it shows is the plan's, nothing is fetched, no name ever runs."""

from __future__ import annotations

import base64
import dataclasses
import json
import re

import numpy as np
import pytest
from handover.browser import DESK, PHONE, opened
from hypothesis import given
from hypothesis import strategies as st
from made_plan import made_plan
from pyproj import Transformer

from siteplanner.base.symbology import colours
from siteplanner.handover.map.data import page_data
from siteplanner.handover.map.ground import MapFrame
from siteplanner.handover.map.page import _json, map_page, write_map

HOSTILE = "\n".join(
    (
        "<script>window.pwned=1</script>",
        "</script><script>window.pwned=2</script>",
        "<img src=x onerror=window.pwned=3>",
        "\"'`\\ ${7*191} `${window.pwned=4}`",
        "{{7*191}} {{ cycler.__init__.__globals__ }} {% raise %} {#",
        "<!-- ]]> &lt; &#60; \u2028 \u2029",
    )
)


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def page_file(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(plan, path)
    return path


@pytest.fixture(
    params=[pytest.param(DESK, marks=pytest.mark.long, id="desk"), pytest.param(PHONE, id="phone")]
)
def shown(browser, page_file, request):
    with opened(browser, page_file, **request.param) as it:
        yield it


def open_tab(page, title: str) -> None:
    if page.get_attribute(f"#tab-{title}", "aria-expanded") != "true":
        page.click(f"#tab-{title}")


def zone_popup(page, zone: str) -> str:
    """Ask for a zone's popup from the list of zones; its heading and table as text."""
    open_tab(page, "Zones")
    page.locator(".zones button").filter(has=page.locator(".chip", has_text=zone)).click()
    return page.locator("#card .about")


# ---- the data ------------------------------------------------------------------------


def test_page_holds_the_plans_numbers(plan):
    data = page_data(plan)
    assert data["trees_total"] == plan.trees_total == sum(z["trees"] for z in data["zones"])
    assert [
        [c[k] for k in ("zone", "paddock", "species", "trees", "order")] for c in data["counts"]
    ] == plan.counts[["zone", "paddock", "species", "trees", "order"]].to_numpy().tolist()
    for zone in data["zones"]:
        mine = plan.counts[plan.counts["zone"] == zone["zone"]].groupby("species").sum()
        told = {
            plan.species["botanical_name"][c["species"]]: (c["trees"], c["order"])
            for c in zone["counts"]
        }
        assert told == dict(
            zip(mine.index, zip(mine["trees"], mine["order"], strict=True), strict=True)
        )


def test_packed_trees_unpack_to_where_they_stand(plan):
    data = page_data(plan)
    west, south, width, height = data["frame"]
    x, y = (
        np.frombuffer(base64.b64decode(data["trees"][axis]), "<u2") / 65535 for axis in ("x", "y")
    )
    back = Transformer.from_crs("EPSG:3857", plan.grid.crs, always_xy=True)
    east, north = back.transform(west + x * width, south + y * height)
    runs = data["trees"]["rows"]
    block = np.repeat([plan.blocks["block"][b] for b, _, _ in runs], [n for *_, n in runs])
    row = np.repeat([r for _, r, _ in runs], [n for *_, n in runs])
    kind = np.frombuffer(base64.b64decode(data["trees"]["species"]), "u1")

    order = np.lexsort((plan.trees["row"], plan.trees["block"]))
    trees = plan.trees.iloc[order]
    assert np.hypot(east - trees.geometry.x, north - trees.geometry.y).max() < 0.02
    assert (block == trees["block"]).all() and (row == trees["row"]).all()
    assert (kind == plan.tree_species[order]).all()


def test_same_plan_same_bytes(page_file, tmp_path):
    write_map(made_plan(), tmp_path / "again.html")
    assert (tmp_path / "again.html").read_bytes() == page_file.read_bytes()


def test_pictures_have_no_more_pixels_than_help(plan):
    frame = MapFrame.around(plan.boundary.geometry)
    cell = plan.grid.cell / np.cos(np.radians(plan.grid.centre_lonlat[1]))
    shape, step = frame.pixels(10_000, plan.grid)
    assert step.a == pytest.approx(cell / 8, rel=0.01) and max(shape) < 2000
    assert frame.pixels(50, plan.grid)[0] == (50, 50)


def test_page_of_many_trees_is_small():
    plan = made_plan(trees_per_ha=13_500)
    assert plan.trees_total > 30_000
    assert len(map_page(plan).encode()) < 5_000_000


def test_frost_error_and_values_that_are_unknown():
    plan = made_plan()
    unknown = dataclasses.replace(
        plan,
        frost_error_c=float("nan"),
        layers=plan.layers | {"slope": np.full(plan.grid.shape, np.nan, np.float32)},
        frost_obs=plan.frost_obs.assign(estimated_c=np.nan),
    )
    data = page_data(unknown)
    assert data["frost_error_c"] is None and data["frost"][0]["estimated_c"] is None
    assert next(layer for layer in data["layers"] if layer["name"] == "slope")["low"] is None
    assert "do not show how far" in map_page(unknown)


@given(st.recursive(st.text(), lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)))
def test_embedded_json_comes_back_and_holds_no_markup(value):
    text = _json({"value": value})
    assert json.loads(text)["value"] == value
    assert text.isascii() and not set("<>&'`$") & set(text)


def test_colours_are_known_and_told_apart():
    assert colours.ramp("viridis", 2) == ["#440154", "#fde725"]
    assert colours.ramp("YlGnBu_09_r", 9) == colours.ramp("YlGnBu_09", 9)[::-1]
    with pytest.raises(ValueError, match="did you mean 'viridis'"):
        colours.ramp("viridsi", 3)
    with pytest.raises(ValueError, match="no colour-blind-safe scheme 'RdYlGn_11'"):
        colours.ramp("RdYlGn_11", 3)
    tints = colours.species_colours(24)
    assert len(set(zip(tints, colours.shapes(tints), strict=True))) == 24


# ---- the page in a browser ---------------------------------------------------------------


def test_nothing_is_fetched_and_nothing_complains(shown, page_file):
    for tab in shown.page.locator("#tabs button").all_inner_texts():
        open_tab(shown.page, tab)
    shown.page.wait_for_timeout(200)
    assert shown.requests == [page_file.as_uri()]
    assert shown.complaints == []


def test_zone_popups_show_the_plans_counts(shown, plan):
    assert f"{plan.trees_total} trees" in shown.page.inner_text("#total")
    for _, zone in plan.zones.iterrows():
        popup = zone_popup(shown.page, zone["zone"])
        popup.get_by_text(f"Trees in zone {zone['zone']}").wait_for()
        assert zone["title"] in popup.inner_text()
        assert zone["ground"].replace("about -", "about −") in popup.inner_text()
        rows = popup.locator("table:not(.odds) tbody tr").all()
        told = {row.locator("i").inner_text(): row.locator("td").all_inner_texts() for row in rows}
        mine = plan.counts[plan.counts["zone"] == zone["zone"]].groupby("species").sum()
        assert told == {
            species: [str(row["trees"]), str(row["order"])] for species, row in mine.iterrows()
        }
        assert popup.locator("tfoot td").first.inner_text() == str(zone["trees"])
        shown.page.keyboard.press("Escape")
        shown.page.locator("#card").wait_for(state="hidden")


def test_tap_on_a_tree_names_species_block_and_row(shown, plan):
    at, wanted = shown.page.evaluate(
        """() => {
          const i = 40, [block, row] = rowOf(treeLayer.trees, i);
          map.setView(treeLayer.latLng(i), 20, { animate: false });
          const p = map.latLngToContainerPoint(treeLayer.latLng(i));
          const box = map.getContainer().getBoundingClientRect();
          return [[p.x + box.x, p.y + box.y],
            [plan.species[treeLayer.trees.species[i]].botanical_name,
              plan.blocks[block].block, row]];
        }"""
    )
    shown.page.mouse.click(*at)
    popup = shown.page.locator("#card .about")
    popup.wait_for()
    species, block, row = wanted
    assert popup.locator("i").inner_text() == species
    assert popup.locator("dd").all_inner_texts()[:2] == [block, str(row)]
    there = plan.trees[(plan.trees["block"] == block) & (plan.trees["row"] == row)]
    assert species in set(there["species"])
    popup.get_by_text("About this zone").click()
    shown.page.get_by_text(f"Trees in zone {block[0]}").wait_for()


def test_legend_tells_of_each_layer_on_the_map(shown, plan):
    open_tab(shown.page, "Layers")
    panel = shown.page.locator("#panel-Layers")
    on_map = [info for info in plan.infos.values() if info.on_map]
    assert len(on_map) == 3
    for info in on_map:
        panel.get_by_label(info.title, exact=False).check()
        assert shown.page.inner_text(".legend-title").startswith(info.title)
        made = panel.locator(".layer", has_text=info.title).locator("dd").all_text_contents()
        assert info.method in made and info.source in made
        assert shown.page.locator(".leaflet-ground-pane img").count() == 1
    assert "poorly drained" in shown.page.inner_text("#legend")


def test_cautions_and_how_sure_are_one_tap_away(shown, plan):
    open_tab(shown.page, "Cautions")
    text = shown.page.inner_text("#panel-Cautions")
    for sentence in (*plan.cautions, *plan.warnings):
        assert sentence in text
    assert "±0.8 °C" in text and "not a forecast" in text


def test_things_to_tap_are_large_enough(shown):
    small = shown.page.evaluate(
        """() => {
          document.querySelectorAll("#panel, #panel > section")
            .forEach((one) => { one.hidden = false; });
          return [...document.querySelectorAll("button, summary, .row, a, .frost")]
            .map((one) => [one.className || one.tagName, one.getBoundingClientRect()])
            .filter(([, box]) => box.width && (box.width < 44 || box.height < 44))
            .map(([name, box]) => `${name} ${box.width} x ${box.height}`);
        }"""
    )
    assert small == []


def test_map_works_from_the_keyboard(browser, page_file):
    with opened(browser, page_file, **DESK) as it:
        it.page.locator(".zones button").nth(1).focus()
        it.page.keyboard.press("Enter")
        it.page.get_by_text("Trees in zone B").wait_for()
        it.page.keyboard.press("Escape")
        it.page.locator("#card").wait_for(state="hidden")
        assert it.page.evaluate(
            "document.activeElement === document.querySelectorAll('.zones button')[1]"
        )
        it.page.locator(".frost").first.focus()
        it.page.keyboard.press("Enter")
        it.page.get_by_text("Logger 1").wait_for()


def test_without_scripts_picture_and_counts_are_shown(browser, page_file, plan):
    with opened(browser, page_file, java_script_enabled=False, **DESK) as it:
        it.page.get_by_text("Scripts do not run here").wait_for()
        still = it.page.locator("#still")
        assert still.locator("svg image").is_visible()
        assert still.locator("tfoot").inner_text().split()[-2:] == [
            str(plan.trees_total),
            str(plan.counts["order"].sum()),
        ]
        assert not it.page.locator("#app").is_visible()
        it.page.emulate_media(media="print")
        assert still.locator("svg image").is_visible()
    with opened(browser, page_file, **DESK) as it:
        for media in ("screen", "print"):
            it.page.emulate_media(media=media)
            assert not it.page.locator("#still").is_visible()


def test_plan_without_trees_readings_or_obstacles_still_opens(browser, plan, tmp_path):
    none = slice(0, 0)
    bare = dataclasses.replace(
        plan,
        zones=plan.zones.assign(trees=0, spacing_m=0.0, density_ha=0.0, pattern="none"),
        blocks=plan.blocks.iloc[none],
        trees=plan.trees.iloc[none],
        tree_species=plan.tree_species[none],
        no_plant=plan.no_plant.iloc[none],
        setbacks=plan.setbacks.iloc[none],
        frost_obs=plan.frost_obs.iloc[none],
        counts=plan.counts.iloc[none],
        frost_error_c=float("nan"),
    )
    write_map(bare, tmp_path / "bare.html")
    with opened(browser, tmp_path / "bare.html", **DESK) as it:
        assert it.page.inner_text("#total").startswith("0 trees")
        open_tab(it.page, "Key")
        zone_popup(it.page, "A").get_by_text("Cold wet flat").wait_for()
        assert it.complaints == []


# ---- names that want to be code -----------------------------------------------------------


@pytest.fixture(scope="module")
def hostile_file(tmp_path_factory):
    plan = made_plan(hostile=HOSTILE)
    infos = {
        name: dataclasses.replace(info, title=f"{info.title} {HOSTILE}", method=HOSTILE)
        for name, info in plan.infos.items()
    }
    path = tmp_path_factory.mktemp("hostile") / "map.html"
    write_map(dataclasses.replace(plan, infos=infos), path)
    return path


def test_hostile_names_do_not_run_in_python(hostile_file):
    text = hostile_file.read_text(encoding="utf-8")
    assert "1337" not in re.sub(r"[\w+/=]{64,}", "", text)  # 7*191, outside embedded pictures
    assert "{{7*191}}" in text and "{#" in text


def test_hostile_names_show_as_they_are_and_do_not_run(browser, hostile_file):
    with opened(browser, hostile_file, **DESK) as it:
        page = it.page
        assert page.title() == re.sub(r"[ \n]+", " ", f"Wether Knoll {HOSTILE}: planting plan")
        assert page.text_content("#head h1") == f"Wether Knoll {HOSTILE}"
        popup = zone_popup(page, "A")
        popup.wait_for()
        assert popup.locator("h2").text_content() == f"A Cold wet flat {HOSTILE}"
        assert popup.locator("tbody i").first.text_content().endswith(f" {HOSTILE}")
        open_tab(page, "Layers")
        page.locator("#panel-Layers input").nth(1).check()
        assert page.text_content(".legend-title") == f"Slope {HOSTILE}, °"
        open_tab(page, "Cautions")
        assert (
            page.locator("#panel-Cautions li", has_text="Unit 4").text_content().endswith(HOSTILE)
        )
        for about in (
            "aboutPaddock(plan.paddocks[0])",
            "aboutFrost(plan.frost[0])",
            "aboutFeature(plan.no_plant[0])",
            "aboutTree(0)",
        ):
            page.evaluate(f"openAt(map.getCenter(), {about})")
            assert HOSTILE in page.text_content("#card .about")
        for name in ("Creek flat", "Top bench"):
            assert (
                page.locator(".label.paddock", has_text=name).text_content() == f"{name} {HOSTILE}"
            )
        page.emulate_media(media="print")
        assert HOSTILE in page.text_content("#still h1")
        page.wait_for_timeout(200)
        assert page.evaluate("window.pwned") is None
        assert page.evaluate("document.querySelectorAll('img[src=x]').length") == 0
        assert it.requests == [hostile_file.as_uri()]
        assert it.complaints == []


def test_a_script_that_got_in_would_be_refused(browser, hostile_file, tmp_path):
    broken = tmp_path / "broken.html"
    text = hostile_file.read_text(encoding="utf-8")
    broken.write_text(
        text.replace("</body>", "<script>window.pwned=1</script><p onclick='window.pwned=2'>in</p>")
    )
    with opened(browser, broken, **DESK) as it:
        it.page.evaluate("document.querySelector('p[onclick]').click()")
        assert it.page.evaluate("window.pwned") is None
        assert any("Content Security Policy" in complaint for complaint in it.complaints)
