"""The workbook: sums that are formulas and right, before and after a spreadsheet opens it."""

from __future__ import annotations

import re
import shutil
import subprocess
import zipfile
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from handover.made_works import with_works
from made_plan import made_plan
from python_calamine import CalamineWorkbook

from siteplanner.handover.tables.workbook import write_workbook

# No half of a character: no reader lets one through, and pandas 2 takes all such texts for one.
HOSTILE = '=HYPERLINK("http://x","y") +1 @A1 & <b> \x1b\ufffe _x0041_'
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
SOFFICE = shutil.which("soffice")


@pytest.fixture(scope="module")
def plan():
    return with_works(made_plan())


@pytest.fixture(scope="module")
def book(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "plan.xlsx"
    write_workbook(plan, path)
    return path


def sheets(path) -> dict[str, list[list]]:
    read = CalamineWorkbook.from_path(str(path))
    return {name: read.get_sheet_by_name(name).to_python() for name in read.sheet_names}


def column(table: list[list], head: str) -> list:
    """Cells below a header, the last of them the sum."""
    top = next(n for n, row in enumerate(table) if head in row)
    return [row[table[top].index(head)] for row in table[top + 1 :]]


def formulas(path) -> list[str]:
    """Every formula of the file."""
    with zipfile.ZipFile(path) as parts:
        return [
            cell.text
            for name in sorted(parts.namelist())
            if re.fullmatch(r"xl/worksheets/sheet\d+\.xml", name)
            for cell in ET.fromstring(parts.read(name)).iter(f"{MAIN}f")
        ]


def test_sums_are_formulas_that_carry_the_plans_numbers(plan, book):
    read = sheets(book)
    front = {row[0]: row[1] for row in read["Start here"] if row[0]}
    assert front["Trees to plant"] == plan.trees_total
    assert front["Plants to order"] == plan.counts["order"].sum()
    assert front["Area planted, map ha"] == pytest.approx(plan.zones["area_ha"].sum())
    for sheet, head in [
        ("Zones", "Trees"),
        ("Blocks", "Trees"),
        ("Species", "Trees"),
        ("Species by zone", "All"),
        ("Species by paddock", "All"),
        ("Works", "Trees"),
        ("Counts", "Trees"),
    ]:
        *cells, total = column(read[sheet], head)
        assert total == sum(cells) == plan.trees_total, sheet
    assert len([f for f in formulas(book) if f.startswith("SUM(")]) > 25


def test_tables_hold_the_plans_rows(plan, book):
    read = sheets(book)
    for head, name in [("Zone", "zone"), ("Trees", "trees"), ("To order", "order")]:
        assert column(read["Counts"], head)[:-1] == list(plan.counts[name])
    wanted = plan.counts.groupby("zone")["trees"].sum()
    assert {z: column(read["Species by zone"], z)[-1] for z in "ABC"} == wanted.to_dict()
    assert column(read["Works"], "Crew-days")[-1] == pytest.approx(plan.trees_total / 100)
    share = column(read["Species"], "Share")
    assert share[-1] == pytest.approx(1) and len(share) == len(plan.species) + 1


def test_costs_are_sums_of_prices_and_an_unknown_price_is_an_empty_cell(plan, book):
    table = sheets(book)["Costs"]
    assert column(table, "Price of one")[:2] == [8.0, ""]
    assert column(table, "Cost") == [800.0, 0.0, 800.0]
    assert column(table, "Note")[:2] == ["", "price not known: ask"]
    found = formulas(book)
    assert {"C2*E2", "C3*E3"} <= {text.lstrip("=") for text in found}
    trees = int(plan.zones["trees"].sum())
    assert f"F3/{trees}" in {text.lstrip("=") for text in found}


def test_headers_are_frozen(book):
    with zipfile.ZipFile(book) as parts:
        for number in range(2, 10):
            view = ET.fromstring(parts.read(f"xl/worksheets/sheet{number}.xml"))
            assert view.find(f".//{MAIN}pane").get("state") == "frozen"


def test_text_from_data_never_becomes_a_formula(plan, book, tmp_path):
    path = tmp_path / "plan.xlsx"
    hostile = with_works(made_plan(hostile=HOSTILE))
    hostile.counts["paddock"] = HOSTILE
    hostile.paddocks["name"] = HOSTILE
    write_workbook(hostile, path)
    # One paddock in place of two: one sum down the sheet of paddocks less.
    assert len(formulas(path)) == len(formulas(book)) - 1
    assert not any("HYPERLINK" in text for text in formulas(path))
    read = sheets(path)
    assert column(read["Counts"], "Paddock")[0] == HOSTILE.replace("\x1b", "?").replace(
        "\ufffe", "?"
    )


def test_same_plan_same_bytes(plan, book, tmp_path):
    write_workbook(plan, tmp_path / "plan.xlsx")
    assert (tmp_path / "plan.xlsx").read_bytes() == book.read_bytes()


def test_a_plan_without_trees_has_a_book_of_zeros(plan, tmp_path):
    bare = replace(
        plan,
        trees=plan.trees[:0],
        rows=plan.rows[:0],
        tree_species=plan.tree_species[:0],
        counts=plan.counts[:0],
        blocks=plan.blocks.assign(trees=0, rows=0),
        zones=plan.zones.assign(trees=0, density_ha=0.0),
    )
    write_workbook(bare, tmp_path / "plan.xlsx")
    front = {row[0]: row[1] for row in sheets(tmp_path / "plan.xlsx")["Start here"] if row[0]}
    assert front["Trees to plant"] == front["Plants to order"] == 0


if SOFFICE:  # a large package, so continuous integration does without; run where it is installed

    def test_a_spreadsheet_recalculates_the_same_numbers(book, tmp_path):
        # Without the values it carries, every formula must be worked out anew.
        bare = tmp_path / "bare.xlsx"
        with zipfile.ZipFile(book) as old, zipfile.ZipFile(bare, "w") as new:
            for name in old.namelist():
                text = old.read(name)
                if name.startswith("xl/worksheets/sheet"):
                    text = re.sub(rb"(</f>)<v>[^<]*</v>", rb"\1", text)
                new.writestr(name, text)
        profile = f"-env:UserInstallation=file://{tmp_path}/profile"
        out = tmp_path / "out"
        subprocess.run(
            [SOFFICE, profile, "--headless", "--convert-to", "xlsx", "--outdir", out, bare],
            check=True,
            capture_output=True,
            timeout=600,
        )
        carried, worked_out = sheets(book), sheets(out / "bare.xlsx")
        assert list(carried) == list(worked_out)
        for name, rows in carried.items():
            for ours, theirs in zip(rows, worked_out[name], strict=True):
                for a, b in zip(ours, theirs, strict=True):
                    assert a == (pytest.approx(b, rel=1e-12) if isinstance(b, float) else b), name
