"""The words that licences ask for are on the map, on every sheet, and in the tables."""

import contextlib
import sqlite3
from dataclasses import replace

import pytest
from handover.made_works import with_works
from made_plan import made_plan
from pages import page_texts
from python_calamine import CalamineWorkbook

from siteplanner.handover.book.write import write_sheets
from siteplanner.handover.gis.geopackage import write_geopackage
from siteplanner.handover.map.data import page_data
from siteplanner.handover.map.page import map_page
from siteplanner.handover.tables.workbook import write_workbook
from siteplanner.reading.files.sources import Source

MAPPED = "© Some mappers <b>, ODbL"
ROWS = (
    Source("heights", "h.tif", credit="A long survey" + 20 * " and its licensors"),
    Source("what to keep clear of", "f.gpkg", credit=MAPPED, licence="ODbL (share alike)"),
)


@pytest.fixture(scope="module")
def plan():
    return replace(with_works(made_plan()), sources=ROWS)


def test_the_map_shows_them_beside_what_is_drawn_and_lists_them_all(plan):
    page = map_page(plan)
    shown = "© Some mappers &lt;b&gt;, ODbL"
    assert f'<p id="credit">{shown}</p>' in page and "Some mappers <b>" not in page
    assert page.count("Where the data are from") == 2  # in the panel, and on paper
    assert page.count(f"What to keep clear of: {shown}. Licence: ODbL (share alike).") == 2
    without = page_data(replace(plan, sources=()))
    assert without["map_credit"] == "" and without["credits"] == []


def test_every_sheet_has_them_and_the_front_lists_them(plan, tmp_path):
    write_sheets(plan, tmp_path / "s.pdf")
    pages = page_texts(tmp_path / "s.pdf")
    assert len(pages) > 5 and all(MAPPED in page for page in pages)
    whole = " ".join(" ".join(pages).split())
    assert "Where the data are from" in whole and "under the same licence" in whole
    assert whole.count("and its licensors and its licensors") >= 1


def test_the_workbook_lists_them(plan, tmp_path):
    write_workbook(plan, tmp_path / "p.xlsx")
    book = CalamineWorkbook.from_path(str(tmp_path / "p.xlsx"))
    cells = [str(c) for row in book.get_sheet_by_index(0).to_python() for c in row]
    assert "Where the data are from" in cells
    assert any(MAPPED in cell and "share alike" in cell for cell in cells)


def test_the_layer_that_is_passed_on_says_whose_it_is(plan, tmp_path):
    write_geopackage(plan, tmp_path / "p.gpkg")
    asked = "SELECT table_name, description FROM gpkg_contents"
    with contextlib.closing(sqlite3.connect(tmp_path / "p.gpkg")) as file:
        words = dict(file.execute(asked).fetchall())
    assert f"What to keep clear of: {MAPPED}." in words["no_plant"]
    assert "same licence" in words["no_plant"] and "A long survey" not in words["no_plant"]
    others = " ".join(text for layer, text in words.items() if layer != "no_plant")
    assert MAPPED not in others
