"""``plan.xlsx``: the plan's numbers for people who count in a spreadsheet.

Sums are formulas that carry their values, so the book reads the same before and after it is
recalculated. Text is only ever written as text.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name, xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from siteplanner.base.text import xml_text
from siteplanner.handover.credits import credit_lines
from siteplanner.plan import Plan
from siteplanner.season.works import Works

_EPOCH = datetime(2000, 1, 1)  # a file says nothing of when it was written
_LONGEST = 32_767


@dataclass(frozen=True)
class _Formula:
    """A formula and the value that it has now."""

    text: str
    value: float


@dataclass(frozen=True)
class _Column:
    """A column of a table: its head, cells, format, width, and whether it is summed."""

    head: str
    cells: Sequence[Any]
    format: str = "text"
    width: float = 12
    total: bool = False


def write_workbook(plan: Plan, path: Path) -> None:
    """Write the plan's counts, zones, blocks, species and works as a workbook.

    The first sheet says what the others hold. The same plan gives the same bytes.
    """
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with xlsxwriter.Workbook(path, options) as book:
        book.set_properties({"title": _text(f"{plan.name}: planting plan"), "created": _EPOCH})
        book.set_size(2400, 1600)
        formats = _formats(book)
        sheets = {
            name: book.add_worksheet(name)
            for name in (
                "Start here",
                "Zones",
                "Blocks",
                "Species",
                "Species by zone",
                "Species by paddock",
                "Species by year",
                "Works",
                "Counts",
            )
        }
        tables = {
            "Zones": _zones(plan),
            "Blocks": _blocks(plan),
            "Species": _species(plan),
            "Species by zone": _crossed(plan, plan.counts, "zone"),
            "Species by paddock": _crossed(plan, plan.counts, "paddock"),
            "Counts": _counts(plan),
        }
        for name, columns in tables.items():
            _table(sheets[name], columns, formats)
        _table(sheets["Works"], _works(plan.works), formats)
        years = plan.works.by_year.assign(year=_years(plan.works.by_year["year"]))
        _table(sheets["Species by year"], _crossed(plan, years, "year"), formats)
        _front(sheets["Start here"], plan, len(plan.counts), formats)


def _text(value: object) -> str:
    return xml_text(str(value))[:_LONGEST]


def _formats(book: Workbook) -> dict[str, Any]:
    plain: dict[str, Any] = {"valign": "top", "font_name": "Arial", "font_size": 10}
    kinds: dict[str, dict[str, Any]] = {
        "text": {"text_wrap": True},
        "whole": {"num_format": "#,##0"},
        "one": {"num_format": "#,##0.0"},
        "two": {"num_format": "#,##0.00"},
        # Hectares; an area under 100 m2 has digits enough to be seen.
        "area": {"num_format": "[=0]0.00;[<0.01]0.0000;#,##0.00"},
        "share": {"num_format": "0.0%"},
        "year": {"num_format": "0"},
    }
    total: dict[str, Any]
    total, left = {"bold": True, "top": 1}, {"align": "left"}
    head = plain | {"bold": True, "text_wrap": True, "bottom": 2}
    return {
        **{name: book.add_format(plain | kind) for name, kind in kinds.items()},
        **{f"{name} total": book.add_format(plain | k | total) for name, k in kinds.items()},
        **{f"{name} left": book.add_format(plain | k | left) for name, k in kinds.items()},
        "head": book.add_format(head),
        "number head": book.add_format(head | {"align": "right"}),
        "title": book.add_format(plain | {"bold": True, "font_size": 16}),
        "bold": book.add_format(plain | {"bold": True}),
    }


# --- tables --------------------------------------------------------------------------------


def _put(sheet: Worksheet, row: int, column: int, value: Any, kind: Any) -> None:
    """Write a value as what it is; text never becomes a formula, NaN stays empty."""
    if isinstance(value, _Formula):
        sheet.write_formula(row, column, value.text, kind, value.value)
    elif isinstance(value, str):
        sheet.write_string(row, column, _text(value), kind)
    elif value is None or (isinstance(value, float) and not math.isfinite(value)):
        sheet.write_blank(row, column, None, kind)
    else:
        sheet.write_number(row, column, value, kind)


def _now(value: Any) -> float:
    return value.value if isinstance(value, _Formula) else value


def _table(sheet: Worksheet, columns: list[_Column], formats: dict[str, Any]) -> None:
    """Write a table with a frozen header and, where columns ask, their sums."""
    top = 0
    length = len(columns[0].cells)
    last = top + length
    _fit_height(sheet, top, [(column.head, 0.8 * column.width) for column in columns])
    for row in range(length):
        _fit_height(sheet, top + 1 + row, [(c.cells[row], c.width) for c in columns])
    for at, column in enumerate(columns):
        sheet.set_column(at, at, column.width)
        side = "head" if column.format == "text" else "number head"
        sheet.write_string(top, at, _text(column.head), formats[side])
        for row, value in enumerate(column.cells, top + 1):
            _put(sheet, row, at, value, formats[column.format])
        if column.total:
            cells = f"{xl_rowcol_to_cell(top + 1, at)}:{xl_rowcol_to_cell(last, at)}"
            now = math.fsum(_now(v) for v in column.cells)
            total = _Formula(f"=SUM({cells})", now) if length else 0
            _put(sheet, last + 1, at, total, formats[f"{column.format} total"])
        elif any(c.total for c in columns):
            word = "All" if at == 0 else ""
            sheet.write_string(last + 1, at, word, formats["text total"])
    sheet.freeze_panes(top + 1, 1)
    if length:
        sheet.autofilter(top, 0, last, len(columns) - 1)
    _for_print(sheet, top)


def _fit_height(sheet: Worksheet, row: int, cells: Sequence[tuple[Any, float]]) -> None:
    """Make a row as high as its longest wrapped text: not every program does so by itself."""
    lines = [
        sum(math.ceil((len(part) + 1) / width) for part in value.splitlines()[:20])
        for value, width in cells
        if isinstance(value, str)
    ]
    sheet.set_row(row, 13.5 * max(1, *lines, 1))


def _for_print(sheet: Worksheet, top: int) -> None:
    sheet.set_paper(9)  # A4
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(top)
    sheet.set_footer("&L&A&RPage &P of &N")


def _texts(values: pd.Series) -> list[str]:
    return [str(value) for value in values]


def _zones(plan: Plan) -> list[_Column]:
    zones = plan.zones
    per_ha = [
        _Formula(f"=IF(D{row}>0,H{row}/D{row},0)", trees / area if area > 0 else 0.0)
        for row, (trees, area) in enumerate(zip(zones["trees"], zones["area_ha"], strict=True), 2)
    ]
    return [
        _Column("Zone", _texts(zones["zone"]), width=7),
        _Column("What it is", _texts(zones["title"]), width=34),
        _Column("Ground", _texts(zones["ground"]), width=60),
        _Column("Area, map ha", zones["area_ha"].tolist(), "area", total=True),
        _Column("Pattern", _texts(zones["pattern"])),
        _Column("Spacing, m on the map", zones["spacing_m"].tolist(), "two"),
        _Column("Trees a map ha", per_ha, "whole"),
        _Column("Trees", zones["trees"].tolist(), "whole", total=True),
    ]


def _blocks(plan: Plan) -> list[_Column]:
    blocks = plan.blocks
    return [
        _Column("Block", _texts(blocks["block"]), width=8),
        _Column("Zone", _texts(blocks["zone"]), width=7),
        _Column("Paddock", _texts(blocks["paddock"]), width=24),
        _Column("Area, map ha", blocks["area_ha"].tolist(), "area", total=True),
        _Column("Bearing of rows, ° from grid north", blocks["bearing_deg"].tolist(), "one", 16),
        _Column("Rows", blocks["rows"].tolist(), "whole", total=True),
        _Column("Trees", blocks["trees"].tolist(), "whole", total=True),
    ]


def _by_species(plan: Plan) -> pd.DataFrame:
    """Trees, infill and order of every species, in the order of the plan's table."""
    sums = plan.counts.groupby("species", sort=False)[["trees", "infill", "order"]].sum()
    return sums.reindex(plan.species["botanical_name"], fill_value=0)


def _species(plan: Plan) -> list[_Column]:
    sums, facts = _by_species(plan), plan.species
    whole = int(sums["trees"].sum())
    last = len(facts) + 2
    share = [
        _Formula(f"=IF(F${last}>0,F{row}/F${last},0)", trees / whole if whole else 0.0)
        for row, trees in enumerate(sums["trees"], 2)
    ]
    return [
        _Column("Botanical name", _texts(facts["botanical_name"]), width=31),
        _Column("Common name", _texts(facts["common_name"]), width=27),
        _Column("Code", _texts(facts["code"])),
        _Column("Roles", _texts(facts["roles"]), width=31),
        _Column("Cautions", _texts(facts["cautions"]), width=44),
        _Column("Trees", sums["trees"].tolist(), "whole", total=True),
        _Column("Share", share, "share", total=True),
        _Column("Infill", sums["infill"].tolist(), "whole", total=True),
        _Column("To order", sums["order"].tolist(), "whole", total=True),
    ]


def _years(year: pd.Series) -> pd.Series:
    """Years as the heads of columns: year 0 is later than the years planned, and comes last."""
    return year.map(lambda y: f"Year {y}" if y else "later")


def _crossed(plan: Plan, counts: pd.DataFrame, by: str) -> list[_Column]:
    """Trees of each planted species (rows) in each zone, paddock or year (columns)."""
    table = counts.pivot_table(
        index="species", columns=by, values="trees", aggfunc="sum", fill_value=0, sort=False
    )
    table = table.reindex([s for s in plan.species["botanical_name"] if s in table.index])
    table = table[sorted(table.columns)]
    common = plan.species.set_index("botanical_name")["common_name"]
    end = xl_col_to_name(1 + len(table.columns))
    across = [
        _Formula(f"=SUM(C{row}:{end}{row})", int(total))
        for row, total in enumerate(table.sum(axis=1), 2)
    ]
    return [
        _Column("Botanical name", _texts(table.index.to_series()), width=31),
        _Column("Common name", _texts(common.reindex(table.index)), width=27),
        *(
            _Column(str(name), [int(n) for n in table[name]], "whole", total=True)
            for name in table.columns
        ),
        _Column("All", across, "whole", total=True),
    ]


def _counts(plan: Plan) -> list[_Column]:
    counts = plan.counts
    return [
        _Column("Zone", _texts(counts["zone"]), width=7),
        _Column("Paddock", _texts(counts["paddock"]), width=24),
        _Column("Botanical name", _texts(counts["species"]), width=31),
        _Column("Common name", _texts(counts["common_name"]), width=27),
        _Column("Trees", counts["trees"].tolist(), "whole", total=True),
        _Column("Infill", counts["infill"].tolist(), "whole", total=True),
        _Column("To order", counts["order"].tolist(), "whole", total=True),
    ]


def _works(works: Works) -> list[_Column]:
    """What is done on each block and what it takes, as the site file's rates make it."""
    blocks = works.blocks
    wide = {
        "access_class": ("Who may plant", 18),
        "window": ("When", 30),
        "year": ("Year (0: later)", 9),
        "later": ("Year of those that wait", 11),
    }
    sums = {
        "trees": ("Trees", "whole"),
        "trees_later": ("Of these wait for nurse trees", "whole"),
        "order": ("To order", "whole"),
        "guards": ("Guards", "whole"),
        "stakes": ("Stakes", "whole"),
        "mulch_m3": ("Mulch, m³", "one"),
        "water_m3": ("Water, m³", "one"),
        "weed_m2": ("Kept free of weeds, m²", "whole"),
        "person_hours": ("Person-hours", "one"),
        "crew_days": ("Crew-days", "one"),
        "rip_m": ("Ripped, m", "whole"),
        "cost": ("Cost", "whole"),
    }
    texts = ("access_class", "window")
    return [
        _Column("Block", _texts(blocks["block"]), width=8),
        _Column("Zone", _texts(blocks["zone"]), width=7),
        *(
            _Column(head, _texts(blocks[name]) if name in texts else blocks[name].tolist(),
                    "text" if name in texts else "year", width)
            for name, (head, width) in wide.items()
        ),
        *(
            _Column(head, blocks[name].tolist(), kind, total=True)
            for name, (head, kind) in sums.items()
        ),
    ]  # fmt: skip


# --- the front sheet -----------------------------------------------------------------------


def _front(sheet: Worksheet, plan: Plan, counts: int, formats: dict[str, Any]) -> None:
    """Write the front sheet: headline figures, what is where, and what to be careful of."""
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 1, 90)
    sheet.hide_gridlines(2)
    sheet.write_string(0, 0, _text(f"{plan.name}: planting plan"), formats["title"])
    sheet.set_row(0, 24)
    sums = plan.counts[["trees", "infill", "order"]].sum()
    last = counts + 2
    area = math.fsum(plan.zones["area_ha"][plan.zones["trees"] > 0])
    zones = len(plan.zones) + 1
    figures = [
        ("Trees to plant", _Formula(f"=Counts!E{last}", int(sums["trees"])), "whole"),
        ("Infill held back", _Formula(f"=Counts!F{last}", int(sums["infill"])), "whole"),
        ("Plants to order", _Formula(f"=Counts!G{last}", int(sums["order"])), "whole"),
        (
            "Area planted, map ha",
            _Formula(f'=SUMIF(Zones!H2:H{zones},">0",Zones!D2:D{zones})', area),
            "area",
        ),
        ("Coldest-night estimate, ± °C", plan.frost_error_c, "one"),
    ]
    words = {
        "Zones": "each kind of ground: what it is like, spacing and trees",
        "Blocks": "each area that a crew plants as one: paddock, rows and trees",
        "Species": "each species: trees, infill and order, with cautions",
        "Species by zone": "trees of each species in each zone",
        "Species by paddock": "trees of each species in each paddock",
        "Species by year": "trees of each species in each year of planting",
        "Works": "who, when and what each block needs, from the rates in the site file",
        "Counts": "trees, infill and order by zone, paddock and species: the full list",
    }
    row = 2
    for name, value, kind in figures:
        sheet.write_string(row, 0, name, formats["bold"])
        _put(sheet, row, 1, value, formats[f"{kind} left"])
        row += 1
    row += 1
    for heading, lines in (
        ("What is where", list(words.items())),
        ("Please read", [("", text) for text in plan.warnings]),
        ("Be careful", [("", text) for text in plan.cautions]),
        ("Where the data are from", [("", text) for text in credit_lines(plan.sources)]),
    ):
        if not lines:
            continue
        sheet.write_string(row, 0, heading, formats["head"])
        sheet.write_blank(row, 1, None, formats["head"])
        for name, text in lines:
            row += 1
            if name:
                sheet.write_url(row, 0, f"internal:'{name}'!A1", formats["text"], name)
            sheet.write_string(row, 1, _text(text), formats["text"])
            _fit_height(sheet, row, [(text, 90)])
        row += 2
    _for_print(sheet, 0)
    sheet.set_portrait()
