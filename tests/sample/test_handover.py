"""The sample's sheets, workbook and handheld files: the same numbers in every one of them."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree as ET

import geopandas as gpd
import pandas as pd
import pytest
from handover.printed import covered, texts_of
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
        assert f"{common[species]}\n{species}\n{number:,}" in front


def test_the_book_is_80_a4_sides_at_most_on_which_nothing_covers_anything(sample_plan):
    book = PdfReader(sample_plan / "sheets.pdf").pages
    assert len(book) <= 80
    assert {tuple(map(round, page.mediabox[2:])) for page in book} == {(595, 842)}
    texts = texts_of(sample_plan / "sheets.pdf")
    assert covered(texts) == []
    assert min(text.size for text in texts) > 6.99


def test_rows_on_the_sheets_are_the_rows_of_the_gis_file(sample_plan):
    rows = gpd.read_file(sample_plan / "plan.gpkg", layer="rows", ignore_geometry=True)
    for block, mine in rows.groupby("block"):
        texts = page_texts(sample_plan / "sheets" / f"{block.lower()}.pdf")
        back = "\n".join(text for text in texts if re.match(rf"Block {block}, .*: rows", text))
        for name, trees in zip(mine["name"], mine["trees"], strict=True):
            assert re.search(rf"\b{name}\s+{trees}\s", back), (block, name)


def test_rows_keep_their_number_behind_a_gap(sample_plan):
    rows = gpd.read_file(sample_plan / "plan.gpkg", layer="rows", ignore_geometry=True)
    for _, mine in rows.groupby("block"):
        assert mine["name"].is_unique
        numbers = mine["name"].str.extract(r"^(\d+)")[0].astype(int)
        assert (numbers.diff().dropna().isin([0, 1])).all() and numbers.iloc[0] == 1
    assert rows["name"].str.contains("b").any()


def test_handhelds_have_both_ends_of_every_row(sample_plan):
    rows = gpd.read_file(sample_plan / "plan.gpkg", layer="rows", ignore_geometry=True)
    starts = {f"{r.block}-{r.name} start" for r in rows.itertuples()}
    names = starts | {f"{r.block}-{r.name} end" for r in rows.itertuples() if r.trees > 1}
    tops = [sample_plan / "trees.gpx", *sorted((sample_plan / "handheld").glob("*.gpx"))]
    kinds = [
        {
            w.find(f"{GPX}name").text: w.find(f"{GPX}type").text
            for w in ET.parse(top).findall(f"{GPX}wpt")
        }
        for top in tops
    ]
    found = [{name for name, kind in one.items() if kind.startswith("row")} for one in kinds]
    assert found[0] == names
    # A block's own file stays small: of the largest blocks it has the rows' starts alone.
    assert starts <= set().union(*found[1:]) <= names
    for top in tops[1:]:
        root = ET.parse(top)
        assert len([*root.iter(f"{GPX}wpt"), *root.iter(f"{GPX}trkpt")]) < 500
