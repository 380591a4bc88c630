"""The panels beside the map: each is a file that is listed, and shows the plan's figures."""

from __future__ import annotations

from importlib.resources import files

import pytest
from handover.browser import DESK, opened
from made_plan import made_plan

from siteplanner.base.symbology.kinds import KINDS
from siteplanner.handover.map.data import page_data
from siteplanner.handover.map.page import PANELS, write_map
from siteplanner.handover.map.templates import panel


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def page(browser, plan, tmp_path_factory):
    file = tmp_path_factory.mktemp("map") / "map.html"
    write_map(plan, file)
    with opened(browser, file, **DESK) as it:
        yield it.page
        assert it.complaints == []


def species_rows(table) -> dict[str, list[str]]:
    """Cells of a table's body, by the botanical name of each row."""
    return {
        row.locator("th i").inner_text(): row.locator("td").all_inner_texts()
        for row in table.locator("tbody tr").all()
    }


def test_every_file_of_a_panel_is_listed_and_has_its_three_parts(plan):
    folder = files("siteplanner.handover.map").joinpath("panels")
    assert {one.name for one in folder.iterdir()} == {f"{name}.html" for name in PANELS}
    data = page_data(plan)
    for name in PANELS:
        made = panel(name, plan=data)
        assert made.title and made.body.strip() and "{{" not in made.script


def test_no_value_of_a_plan_gets_into_a_script(plan):
    hostile = page_data(made_plan(hostile="{{7*191}} </script>"))
    data = page_data(plan)
    for name in PANELS:
        assert panel(name, plan=hostile).script == panel(name, plan=data).script


def test_zones_lists_area_and_trees_of_each_zone(page, plan):
    page.click("#tab-Zones")
    shown = page.locator("#panel-Zones .zones li").all_inner_texts()
    assert len(shown) == len(plan.zones)
    for text, zone in zip(shown, plan.zones.itertuples(), strict=True):
        assert zone.title in text and f"{zone.trees} trees" in text
        assert f"{zone.area_ha:.2f} ha" in text
    sums = plan.counts.groupby("species")[["trees", "order"]].sum()
    assert species_rows(page.locator("#panel-Zones table")) == {
        name: [str(n) for n in row] for name, row in sums.T.items()
    }


def test_blocks_lists_trees_and_rows_of_each_block(page, plan):
    page.click("#tab-Blocks")
    shown = page.locator("#panel-Blocks .blocks li").all_inner_texts()
    assert len(shown) == len(plan.blocks)
    for text, block in zip(shown, plan.blocks.itertuples(), strict=True):
        assert block.block in text and block.paddock in text
        assert f"{block.trees} trees, {block.rows} rows" in text


def test_layers_offers_every_species_and_layer(page, plan):
    page.click("#tab-Layers")
    options = page.locator("#species option").all_inner_texts()
    assert len(options) == 1 + len(plan.species)
    for name in plan.species["botanical_name"]:
        assert any(f"({name})" in option for option in options)
    shown = page.locator("#panel-Layers .layer").all_inner_texts()
    assert len(shown) == sum(info.on_map for info in plan.infos.values())


def test_key_names_what_the_plan_draws_and_switches_it(page, plan):
    page.click("#tab-Key")
    shown = {text.lower() for text in page.locator("#panel-Key .key li").all_inner_texts()}
    assert {KINDS[kind].word for kind in plan.no_plant["kind"]} <= shown
    before = page.locator(".leaflet-features-pane path").count()
    page.get_by_label("Things to keep clear of").uncheck()
    assert before and page.locator(".leaflet-features-pane path").count() == 0
    page.get_by_label("Things to keep clear of").check()
    assert page.locator(".leaflet-features-pane path").count() == before


def test_cautions_names_the_species_that_need_care(page, plan):
    page.click("#tab-Cautions")
    text = page.inner_text("#panel-Cautions")
    for one in plan.species.itertuples():
        planted = (plan.trees["species"] == one.botanical_name).any()
        careful = f"{one.common_name}: {one.cautions}"
        assert (careful in text) == bool(one.cautions and planted)
