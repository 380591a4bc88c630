"""The sample's sheets, workbook and handheld files: the same numbers in every one of them."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree as ET

import geopandas as gpd
import pandas as pd
import pytest
from pages import page_texts
from pypdf import PdfReader
from python_calamine import CalamineWorkbook

GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"


@pytest.fixture(scope="module")
def counts(sample_plan):
    return pd.read_csv(sample_plan / "counts.csv")


def test_trees_by_species_are_the_same_in_every_file(sample_plan, counts):
    want = counts.groupby("species")["trees"].sum().to_dict()
    common = counts.groupby("species")["common_name"].first()
    features = json.loads((sample_plan / "trees.geojson").read_text(encoding="utf-8"))["features"]
    found = pd.Series([f["properties"]["species"] for f in features]).value_counts().to_dict()
    assert found == want
    marks = ET.parse(sample_plan / "trees.kml").findall(f".//{KML}Placemark[{KML}MultiGeometry]")
    kml = pd.Series(
        [len(mark.findall(f"{KML}MultiGeometry/{KML}Point")) for mark in marks],
        index=[mark.find(f"{KML}name").text for mark in marks],
    )
    assert kml.groupby(level=0).sum().to_dict() == {common[s]: n for s, n in want.items()}
    book = CalamineWorkbook.from_path(str(sample_plan / "plan.xlsx"))
    head, *rows, total = book.get_sheet_by_name("Species").to_python()
    trees = head.index("Trees")
    assert {row[0]: row[trees] for row in rows if row[trees]} == want
    assert total[trees] == sum(want.values())
    front = PdfReader(sample_plan / "sheets.pdf").pages[0].extract_text()
    for species, number in want.items():
        assert f"{species}\n{common[species]}\n{number:,}" in front


def test_rows_on_the_sheets_are_the_rows_of_the_gis_file(sample_plan):
    rows = gpd.read_file(sample_plan / "plan.gpkg", layer="rows", ignore_geometry=True)
    texts = page_texts(sample_plan / "sheets.pdf")
    for block, mine in rows.groupby("block"):
        # The head may also say who alone may plant there.
        head = re.compile(rf"Block {re.escape(block)}: rows[ ;]")
        pages = "\n".join(t for t in texts if head.match(t))
        printed = re.findall(r"^(\d+) [A-Z]+ (\d+) ([\d.]+) ", pages, re.MULTILINE)
        wanted = zip(mine["row"], mine["trees"], mine["ground_spacing_m"], strict=True)
        assert printed == [
            (str(r), str(n), f"{slope_distance:.2f}") for r, n, slope_distance in wanted
        ], block


def test_handhelds_have_both_ends_of_every_row(sample_plan):
    rows = gpd.read_file(sample_plan / "plan.gpkg", layer="rows", ignore_geometry=True)
    names = {f"{r.block}-{r.row} start" for r in rows.itertuples()}
    names |= {f"{r.block}-{r.row} end" for r in rows.itertuples() if r.trees > 1}
    tops = [sample_plan / "trees.gpx", *sorted((sample_plan / "handheld").glob("*.gpx"))]
    found = [{w.find(f"{GPX}name").text for w in ET.parse(t).findall(f"{GPX}wpt")} for t in tops]
    assert found[0] == names
    assert set().union(*found[1:]) == names and sum(map(len, found[1:])) == len(names)
