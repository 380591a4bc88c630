"""``plan.xlsx``: the plan's numbers for people who count in a spreadsheet.

Sums are formulas that carry their values, so the book reads the same before and after it is
recalculated. Text is only ever written as text.
"""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import Worksheet

from siteplanner.handover.credits import credit_lines
from siteplanner.handover.tables.sheet import (
    Column,
    Formula,
    fit_height,
    for_print,
    formats_of,
    put,
    text_of,
    texts,
    write_table,
)
from siteplanner.plan import Plan
from siteplanner.season.works import Works

_EPOCH = datetime(2000, 1, 1)  # a file says nothing of when it was written


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
        book.set_properties({"title": text_of(f"{plan.name}: planting plan"), "created": _EPOCH})
        book.set_size(2400, 1600)
        formats = formats_of(book)
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
                "Costs",
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
            write_table(sheets[name], columns, formats)
        write_table(sheets["Works"], _works(plan.works), formats)
        write_table(sheets["Costs"], _costs(plan), formats)
        years = plan.works.by_year.assign(year=_years(plan.works.by_year["year"]))
        write_table(sheets["Species by year"], _crossed(plan, years, "year"), formats)
        _front(sheets["Start here"], plan, len(plan.counts), formats)


def _zones(plan: Plan) -> list[Column]:
    zones = plan.zones
    per_ha = [
        Formula(f"=IF(D{row}>0,H{row}/D{row},0)", trees / area if area > 0 else 0.0)
        for row, (trees, area) in enumerate(zip(zones["trees"], zones["area_ha"], strict=True), 2)
    ]
    return [
        Column("Zone", texts(zones["zone"]), width=7),
        Column("What it is", texts(zones["title"]), width=34),
        Column("Ground", texts(zones["ground"]), width=60),
        Column("Area, map ha", zones["area_ha"].tolist(), "area", total=True),
        Column("Pattern", texts(zones["pattern"])),
        Column("Spacing, m on the map", zones["spacing_m"].tolist(), "two"),
        Column("Trees a map ha", per_ha, "whole"),
        Column("Trees", zones["trees"].tolist(), "whole", total=True),
    ]


def _blocks(plan: Plan) -> list[Column]:
    blocks = plan.blocks
    return [
        Column("Block", texts(blocks["block"]), width=8),
        Column("Zone", texts(blocks["zone"]), width=7),
        Column("Paddock", texts(blocks["paddock"]), width=24),
        Column("Area, map ha", blocks["area_ha"].tolist(), "area", total=True),
        Column("Bearing of rows, ° from grid north", blocks["bearing_deg"].tolist(), "one", 16),
        Column("Rows", blocks["rows"].tolist(), "whole", total=True),
        Column("Trees", blocks["trees"].tolist(), "whole", total=True),
    ]


def _by_species(plan: Plan) -> pd.DataFrame:
    """Trees, infill and order of every species, in the order of the plan's table."""
    sums = plan.counts.groupby("species", sort=False)[["trees", "infill", "order"]].sum()
    return sums.reindex(plan.species["botanical_name"], fill_value=0)


def _species(plan: Plan) -> list[Column]:
    sums, facts = _by_species(plan), plan.species
    whole = int(sums["trees"].sum())
    last = len(facts) + 2
    share = [
        Formula(f"=IF(F${last}>0,F{row}/F${last},0)", trees / whole if whole else 0.0)
        for row, trees in enumerate(sums["trees"], 2)
    ]
    return [
        Column("Botanical name", texts(facts["botanical_name"]), width=31),
        Column("Common name", texts(facts["common_name"]), width=27),
        Column("Code", texts(facts["code"])),
        Column("Roles", texts(facts["roles"]), width=31),
        Column("Cautions", texts(facts["cautions"]), width=44),
        Column("Trees", sums["trees"].tolist(), "whole", total=True),
        Column("Share", share, "share", total=True),
        Column("Infill", sums["infill"].tolist(), "whole", total=True),
        Column("To order", sums["order"].tolist(), "whole", total=True),
    ]


def _years(year: pd.Series) -> pd.Series:
    """Years as the heads of columns: year 0 is later than the years planned, and comes last."""
    return year.map(lambda y: f"Year {y}" if y else "later")


def _crossed(plan: Plan, counts: pd.DataFrame, by: str) -> list[Column]:
    """Trees of each planted species (rows) in each zone, paddock or year (columns)."""
    table = counts.pivot_table(
        index="species", columns=by, values="trees", aggfunc="sum", fill_value=0, sort=False
    )
    table = table.reindex([s for s in plan.species["botanical_name"] if s in table.index])
    table = table[sorted(table.columns)]
    common = plan.species.set_index("botanical_name")["common_name"]
    end = xl_col_to_name(1 + len(table.columns))
    across = [
        Formula(f"=SUM(C{row}:{end}{row})", int(total))
        for row, total in enumerate(table.sum(axis=1), 2)
    ]
    return [
        Column("Botanical name", texts(table.index.to_series()), width=31),
        Column("Common name", texts(common.reindex(table.index)), width=27),
        *(
            Column(str(name), [int(n) for n in table[name]], "whole", total=True)
            for name in table.columns
        ),
        Column("All", across, "whole", total=True),
    ]


def _counts(plan: Plan) -> list[Column]:
    counts = plan.counts
    return [
        Column("Zone", texts(counts["zone"]), width=7),
        Column("Paddock", texts(counts["paddock"]), width=24),
        Column("Botanical name", texts(counts["species"]), width=31),
        Column("Common name", texts(counts["common_name"]), width=27),
        Column("Trees", counts["trees"].tolist(), "whole", total=True),
        Column("Infill", counts["infill"].tolist(), "whole", total=True),
        Column("To order", counts["order"].tolist(), "whole", total=True),
    ]


def _works(works: Works) -> list[Column]:
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
        "mounds": ("Mounds", "whole"),
        "cost": ("Cost", "whole"),
    }
    worded = ("access_class", "window")
    return [
        Column("Block", texts(blocks["block"]), width=8),
        Column("Zone", texts(blocks["zone"]), width=7),
        *(
            Column(head, texts(blocks[name]) if name in worded else blocks[name].tolist(),
                    "text" if name in worded else "year", width)
            for name, (head, width) in wide.items()
        ),
        *(
            Column(head, blocks[name].tolist(), kind, total=True)
            for name, (head, kind) in sums.items()
        ),
    ]  # fmt: skip


def _costs(plan: Plan) -> list[Column]:
    """Costs by year and line: a price that is not known is an empty cell to fill in."""
    costs = plan.works.costs
    area = math.fsum(plan.zones["area_ha"][plan.zones["trees"] > 0])
    trees = int(plan.zones["trees"].sum())
    rows = range(2, len(costs) + 2)

    def made(text: str, values: pd.Series) -> list[Formula]:
        known = values.fillna(0.0).tolist()
        return [Formula(text.format(row=row), v) for row, v in zip(rows, known, strict=True)]

    return [
        Column("Year", costs["year"].tolist(), "year", 7),
        Column("Line", texts(costs["line"]), width=30),
        Column("Quantity", costs["quantity"].tolist(), "one"),
        Column("Unit", texts(costs["unit"]), width=9),
        Column("Price of one", costs["unit_price"].tolist(), "two"),
        Column("Cost", made("=C{row}*E{row}", costs["cost"]), "two", total=True),
        Column("A planted hectare", made(f"=F{{row}}/{area!r}", costs["cost_per_ha"]), "two",
                total=True),
        Column("A tree", made(f"=F{{row}}/{trees}", costs["cost_per_tree"]), "two", total=True),
        Column("Note", texts(costs["note"]), width=50),
    ]  # fmt: skip


# --- the front sheet -----------------------------------------------------------------------


def _front(sheet: Worksheet, plan: Plan, counts: int, formats: dict[str, Any]) -> None:
    """Write the front sheet: headline figures, what is where, and what to be careful of."""
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 1, 90)
    sheet.hide_gridlines(2)
    sheet.write_string(0, 0, text_of(f"{plan.name}: planting plan"), formats["title"])
    sheet.set_row(0, 24)
    sums = plan.counts[["trees", "infill", "order"]].sum()
    last = counts + 2
    area = math.fsum(plan.zones["area_ha"][plan.zones["trees"] > 0])
    zones = len(plan.zones) + 1
    figures = [
        ("Trees to plant", Formula(f"=Counts!E{last}", int(sums["trees"])), "whole"),
        ("Infill held back", Formula(f"=Counts!F{last}", int(sums["infill"])), "whole"),
        ("Plants to order", Formula(f"=Counts!G{last}", int(sums["order"])), "whole"),
        (
            "Area planted, map ha",
            Formula(f'=SUMIF(Zones!H2:H{zones},">0",Zones!D2:D{zones})', area),
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
        "Costs": "what each year takes and costs, line by line: write prices that are not known",
        "Counts": "trees, infill and order by zone, paddock and species: the full list",
    }
    row = 2
    for name, value, kind in figures:
        sheet.write_string(row, 0, name, formats["bold"])
        put(sheet, row, 1, value, formats[f"{kind} left"])
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
            sheet.write_string(row, 1, text_of(text), formats["text"])
            fit_height(sheet, row, [(text, 90)])
        row += 2
    for_print(sheet, 0)
    sheet.set_portrait()
