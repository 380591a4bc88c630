"""A species has the same code wherever a crew, a planner or a nursery meets it."""

import re
from xml.etree import ElementTree as ET

import pytest
from pages import page_texts
from pypdf import PdfReader
from python_calamine import CalamineWorkbook
from season.nursery_plan import with_its_nursery

from siteplanner.handover.book.write import write_sheets
from siteplanner.handover.gis.handheld import write_handheld
from siteplanner.handover.map.data import page_data
from siteplanner.handover.paper.labels import write_labels
from siteplanner.handover.tables.workbook import write_workbook


@pytest.fixture(scope="module")
def plan():
    return with_its_nursery()


@pytest.fixture(scope="module")
def codes(plan):
    """The plan's own codes by botanical name, of the species that it plants."""
    planted = plan.species[plan.species["botanical_name"].isin(plan.trees["species"])]
    codes = dict(zip(planted["botanical_name"], planted["code"], strict=True))
    assert len(codes) == len(set(codes.values())) > 3
    return codes


def words_of(path):
    return " ".join(page_texts(path)).split()


def test_sheets(plan, codes, tmp_path):
    write_sheets(plan, tmp_path / "sheets.pdf")
    lines = [
        line
        for page in PdfReader(tmp_path / "sheets.pdf").pages
        for line in page.extract_text().split("\n")
    ]
    # On the front page the names follow the code; elsewhere it is alone or behind a number.
    common = dict(zip(plan.species["botanical_name"], plan.species["common_name"], strict=True))
    for name, code in codes.items():
        at = lines.index(name)
        assert lines[at - 2 : at] == [code, common[name]]
        assert sum(bool(re.fullmatch(rf"(\d+ )?{code}", line)) for line in lines) > 2


def test_map(plan, codes):
    shown = {s["botanical_name"]: s["code"] for s in page_data(plan)["species"]}
    assert {name: shown[name] for name in codes} == codes


def test_batches_and_labels(plan, codes, tmp_path):
    write_labels(plan.nursery, plan.name, tmp_path / "labels.pdf")
    printed = words_of(tmp_path / "labels.pdf")
    assert {batch.species for batch in plan.nursery.batches} == set(codes)
    for batch in plan.nursery.batches:
        assert re.fullmatch(rf"{codes[batch.species]}-A1-\d+", batch.batch)
        assert batch.batch in printed


def test_workbook(plan, codes, tmp_path):
    write_workbook(plan, tmp_path / "plan.xlsx")
    book = CalamineWorkbook.from_path(str(tmp_path / "plan.xlsx"))
    heads, *rows = book.get_sheet_by_name("Species").to_python()
    places = [heads.index("Botanical name"), heads.index("Code")]
    listed = {row[places[0]]: row[places[1]] for row in rows}
    assert {name: listed[name] for name in codes} == codes


def test_handhelds(plan, codes, tmp_path):
    write_handheld(plan, tmp_path)
    root = ET.parse(tmp_path / "trees.gpx").getroot()
    said = " ".join(one.text or "" for one in root.findall(".//{*}desc"))
    # A row's trees are told as "CODE number".
    assert set(re.findall(r"([A-Z0-9]+) \d+", said)) >= set(codes.values())
