"""``report.pdf``: the whole catchment for people who pay for it or help with it."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    KeepTogether,
    LongTable,
    Paragraph,
    SimpleDocTemplate,
)

from siteplanner.base.text import uncommanded
from siteplanner.base.units import area_number, area_words
from siteplanner.catchment.sketch import Sketch
from siteplanner.handover.paper.text import BOLD, FONT, fonts, for_paragraph
from siteplanner.plan import CAUTIONS
from siteplanner.season.nursery.tasks import CAUTIONS as NURSERY_CAUTIONS
from siteplanner.season.nursery.tasks import amount

_MARGIN = 15 * mm
_PADDING = 6  # points that the page's frame keeps clear
_WIDE = A4[0] - 2 * _MARGIN - 2 * _PADDING
_BODY = ParagraphStyle("body", fontName=FONT, fontSize=8.5, leading=11, spaceAfter=2)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=7.2, leading=9, spaceAfter=0)
_RIGHT = ParagraphStyle("right", parent=_SMALL, alignment=2)
_TITLE = ParagraphStyle("title", parent=_BODY, fontName=BOLD, fontSize=17, leading=22)
_HEAD = ParagraphStyle(
    "head", parent=_BODY, fontName=BOLD, fontSize=11.5, leading=15, spaceBefore=9
)
_COLUMNS = 180
_LONGEST = 400  # letters in a cell
_NAMES = 5  # properties named in a cell
_FOOT = "Estimates: walk the ground first. Local codes and owners of lines and pipes decide."


@dataclass(frozen=True)
class Told:
    """What a report tells.

    ``sites`` as ``summary.site_table`` gives it; ``failed``: the names of sites that could not be
    planned and whether it was their input's fault; ``species`` as ``pool.pooled``, ``lots`` as
    ``pool.seed_lots``, ``short`` as ``pool.shortages``, ``months`` as
    ``joint_calendar.by_month`` give them; ``rule`` is how shared stock was shared out, empty
    where there is none; ``privacy`` what is said of mother trees.
    """

    name: str
    sites: gpd.GeoDataFrame
    failed: Sequence[tuple[str, bool]]
    species: pd.DataFrame
    lots: pd.DataFrame
    short: pd.DataFrame
    months: pd.DataFrame
    rule: str
    privacy: str


def write_report(told: Told, path: Path) -> None:
    """Write the report on A4. The same figures give the same bytes."""
    fonts()
    document = SimpleDocTemplate(
        str(path),
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 3 * mm,
        title=uncommanded(f"Planting in {told.name}"),
        author="siteplanner",
        invariant=1,
    )
    story = [
        *_summary(told),
        *_sites(told),
        *_species(told),
        *_shortages(told),
        *_seed(told),
        *_months(told),
        *_sure(told),
        *_listed("Be careful", [*CAUTIONS, *NURSERY_CAUTIONS]),
        *_listed("Mother trees", [told.privacy]),
    ]
    document.build(story, onFirstPage=_foot, onLaterPages=_foot)


def _summary(told: Told) -> list[Flowable]:
    sites, of = told.sites, len(told.sites) + len(told.failed)
    planted, whole = (area_words(sites[name].sum(), 1) for name in ("planted_ha", "area_ha"))
    ground = sites["order"].sum()
    said = [
        f"{len(sites)} of {of} properties are planned: {planted} to "
        f"plant of {whole}, {sites['trees'].sum():,} trees in the ground, "
        f"of {int((told.species['trees'] > 0).sum())} species.",
        f"Plants to order, with the allowance for those that die: {ground:,} (from "
        f"{sites['order_least'].sum():,} if half as many die as expected, to "
        f"{sites['order_most'].sum():,} if half as many again do).",
        f"Planting takes about {sites['crew_days'].sum():,.0f} crew-days. By the properties' own "
        f"rates the trees in the ground cost {sites['cost'].sum():,.0f}, and with what is ordered "
        f"to replace dead ones {sites['cost_least'].sum():,.0f} to "
        f"{sites['cost_most'].sum():,.0f}, in the money of their site files; fences, weed control "
        "and care are not in this. Rates that nobody changed are from memory: enter your own.",
    ]
    if told.failed:
        why = "; ".join(
            f"{name} ({'something is wrong with its files' if theirs else 'the run failed'})"
            for name, theirs in told.failed
        )
        said.append(f"Not planned, and not in any of the figures: {why}.")
    if told.short["lacking"].sum():
        said.append(
            f"Missing in all: {told.short['lacking'].sum():,} plants of "
            f"{told.short['species'].nunique()} species; what each property is short of is listed "
            "below."
        )
    story: list[Flowable] = [_paragraph(f"{told.name}: the planting plan of a catchment", _TITLE)]
    return [*story, *map(_paragraph, said), Sketch(told.sites, _WIDE / mm, 95.0)]


def _sites(told: Told) -> list[Flowable]:
    sites = told.sites
    rows = [
        [s.name, area_number(s.planted_ha), f"{s.trees:,}", f"{s.order:,}",
         f"{s.order_least:,} to {s.order_most:,}", f"{s.crew_days:,.1f}",
         "unknown" if s.frost_error_c != s.frost_error_c else f"{s.frost_error_c:.1f}",
         f"{s.warnings:,}"]
        for s in sites.itertuples()
    ]  # fmt: skip
    rows.append(
        ["All", area_number(sites["planted_ha"].sum()), f"{sites['trees'].sum():,}",
         f"{sites['order'].sum():,}",
         f"{sites['order_least'].sum():,} to {sites['order_most'].sum():,}",
         f"{sites['crew_days'].sum():,.1f}", "", f"{sites['warnings'].sum()}"]
    )  # fmt: skip
    head = ["Property", "ha to plant", "Trees", "To order", "Range", "Crew-days",
            "Coldest night ± °C", "Warnings"]  # fmt: skip
    wide = (50, 17, 17, 17, 30, 17, 16, 16)
    note = "Each property's own plan has its warnings: read them there before you order."
    return [*_headed("The properties"), _table(head, rows, wide, total=True), _paragraph(note)]


def _species(told: Told) -> list[Flowable]:
    frame = told.species[told.species["order"] + told.species["on_hand"] > 0]
    rows = [
        [f"{s.species} ({s.common_name})" if s.common_name else s.species, f"{s.sites}",
         f"{s.trees:,}", f"{s.order:,}", f"{s.on_hand:,}", f"{s.from_tubes:,}", f"{s.to_raise:,}",
         f"{s.expected:,} ({s.worst:,} to {s.best:,})"]
        for s in frame.itertuples()
    ]  # fmt: skip
    sums = frame[["trees", "order", "on_hand", "from_tubes", "to_raise", "expected", "worst",
                  "best"]].sum()  # fmt: skip
    rows.append(
        ["All", "", f"{sums['trees']:,}", f"{sums['order']:,}", f"{sums['on_hand']:,}",
         f"{sums['from_tubes']:,}", f"{sums['to_raise']:,}",
         f"{sums['expected']:,} ({sums['worst']:,} to {sums['best']:,})"]
    )  # fmt: skip
    head = ["Species", "Sites", "Trees", "To order", "On hand", "Shared plants", "To raise",
            "Expected of what is sown (worst to best)"]  # fmt: skip
    wide = (60, 11, 17, 17, 15, 16, 16, 28)
    return [*_headed("Plants by species"), _table(head, rows, wide, total=True)]


def _shortages(told: Told) -> list[Flowable]:
    if not told.rule:
        return []
    story = [*_headed("What is shared, and what is missing"), _paragraph(told.rule)]
    if told.short.empty:
        return [*story, _paragraph("Nothing is missing: the shared stock is enough for all.")]
    names = dict(zip(told.sites["site"], told.sites["name"], strict=True))
    rows = [
        [names[s.site], s.species, f"{s.lacking:,}", s.stand_ins or "none suits"]
        for s in told.short.itertuples()
    ]
    note = (
        "Possible substitutes suit the places of the missing species by their tolerances. Shared "
        "plants that are left over may be listed for several properties: ask before you count on "
        "them, and let the people of the property decide."
    )
    head, wide = ["Property", "Species", "Plants lacking", "Possible substitutes"], (42, 42, 16, 80)
    return [*story, _table(head, rows, wide), _paragraph(note)]


def _seed(told: Told) -> list[Flowable]:
    if told.lots.empty:
        return []
    names = dict(zip(told.sites["site"], told.sites["name"], strict=True))
    rows = [
        [s.species, s.permit or "not given: ask", _few([names[n] for n in s.sites.split("; ")]),
         f"{s.plants:,}", amount(s.seed_g) + (" and more" if s.weight_unknown else ""),
         f"{s.collect_from} to {s.collect_to}" if s.collect_from else "not known"]
        for s in told.lots.itertuples()
    ]  # fmt: skip
    note = (
        "Weights are what the nurseries need before shared plants are counted. Seed is listed by "
        "its permit, because its origin matters: keep lots separate from collecting to planting, "
        "and ask before seed from one property goes to another."
    )
    head = ["Species", "Permit", "For", "Plants", "Seed", "Collect"]
    wide = (43, 34, 43, 14, 20, 26)
    return [*_headed("Seed to collect"), _table(head, rows, wide, right=(3,)), _paragraph(note)]


def _few(names: Sequence[str]) -> str:
    return "; ".join(names) if len(names) <= _NAMES else f"{len(names)} properties, see seed.csv"


def _months(told: Told) -> list[Flowable]:
    if told.months.empty:
        return []
    rows = [
        [f"{calendar.month_name[m.month]} {m.year}" if m.year >= 1900
         else f"{calendar.month_name[m.month]}, year {m.year}",
         f"{m.sites}", f"{m.trees:,.0f}", f"{m.crew_days:,.1f}"]
        for m in told.months.itertuples()
    ]  # fmt: skip
    head, wide = ["Month", "Properties", "Trees to plant", "Crew-days"], (50, 25, 30, 25)
    note = "Every dated job of every property is in calendar.csv and calendar.ics."
    return [*_headed("Planting by month"), _table(head, rows, wide), _paragraph(note)]


def _sure(told: Told) -> list[Flowable]:
    return _listed(
        "How sure these figures are",
        [
            "Everything is worked out from maps, a few readings and tables of tolerances, "
            "property by property, and added up here. Sums of estimates are estimates.",
            "The range of the order allows for half to one and a half times as many deaths as "
            "the species tables expect (our own range, no source). Worst and best of what is "
            "sown assume that every loss in the nursery is at its worst, or at its best, at once.",
            "The error of the coldest night is a standard error: about one time in three the "
            "true figure is outside it.",
        ],
    )


def _listed(head: str, lines: Sequence[str]) -> list[Flowable]:
    first, *rest = map(_paragraph, lines)
    return [KeepTogether([_paragraph(head, _HEAD), first]), *rest]


def _headed(words: str) -> list[Flowable]:
    """Head a table, which begins on the same page."""
    return [CondPageBreak(40 * mm), _paragraph(words, _HEAD)]


def _paragraph(words: str, style: ParagraphStyle = _BODY) -> Flowable:
    return Paragraph(for_paragraph(words), style)


def _table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    wide: Sequence[float],
    *,
    total: bool = False,
    right: Sequence[int] | None = None,
) -> Flowable:
    """Lay a table out, ``wide`` in parts of ``_COLUMNS``.

    Columns of figures, which the first row tells, stand on the right.
    """
    figures = {n for n, text in enumerate(rows[0]) if text[:1].isdigit()} if rows else set()
    figures = figures if right is None else set(right)
    cells = [
        [_cell(text, _RIGHT if n in figures else _SMALL) for n, text in enumerate(row)]
        for row in [head, *rows]
    ]
    style: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
        ("LINEBELOW", (0, 1), (-1, -1), 0.2, colors.grey),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("BACKGROUND", (0, 0), (-1, 0), colors.HexColor("#eeeeee")),
        *((side, (0, 0), (-1, -1), 1.5) for side in ("TOPPADDING", "BOTTOMPADDING")),
        *((side, (0, 0), (-1, -1), 3) for side in ("LEFTPADDING", "RIGHTPADDING")),
    ]
    if total:
        style.append(("LINEABOVE", (0, -1), (-1, -1), 0.8, colors.black))
    return LongTable(
        cells,
        colWidths=[w * _WIDE / _COLUMNS for w in wide],
        repeatRows=1,
        style=style,
        hAlign="LEFT",
        spaceAfter=4,
    )


def _cell(text: str, style: ParagraphStyle) -> Flowable:
    """Make a cell, cut where it would not find room on one page."""
    return _paragraph(text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…", style)


def _foot(canvas: Canvas, document: SimpleDocTemplate) -> None:
    canvas.setFont(FONT, 6.5)
    canvas.drawString(_MARGIN, 9 * mm, _FOOT)
    canvas.drawRightString(A4[0] - _MARGIN, 9 * mm, f"page {document.page}")
