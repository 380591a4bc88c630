"""One table of symbology: map, still picture, sheets and GIS styles draw each kind alike."""

from __future__ import annotations

import ctypes
import dataclasses
import itertools
import math
import re
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as raw
import pytest
import shapely
from handover.browser import DESK, opened
from hypothesis import given, settings
from hypothesis import strategies as st
from made_plan import SOUTH, WEST, made_plan

from siteplanner.base.symbology import colours
from siteplanner.base.symbology.kinds import (
    HATCH_LINE_MM,
    HATCH_STEP_MM,
    HATCHES,
    KINDS,
    MARKER_MM,
    MARKERS,
    SETBACK,
    SOLID,
    SOLID_OPACITY,
)
from siteplanner.base.symbology.qml import qml
from siteplanner.base.symbology.styles import sld
from siteplanner.handover.book.write import write_sheets
from siteplanner.handover.drawn_kinds import in_drawing_order
from siteplanner.handover.gis.plan_styles import style_of
from siteplanner.handover.map.data import page_data
from siteplanner.handover.map.page import write_map
from siteplanner.handover.paper.symbols import hatch, hatch_dots
from siteplanner.site.planting import Setbacks

#: The kinds of things to keep clear of that a user may give.
GIVEN = [kind for kind in Setbacks.model_fields if kind != "boundary"]
SLD = {"s": "http://www.opengis.net/sld", "o": "http://www.opengis.net/ogc"}
MM = 72 / 25.4


@pytest.fixture(scope="module")
def plan():
    """The plan made by hand, with every kind as a line, an area and a point."""
    made = made_plan()
    kinds, shapes = [], []
    for number, kind in enumerate(GIVEN):
        x, y = WEST + 10 + 60 * (number % 5), SOUTH + 20 + 75 * (number // 5)
        shapes += [
            shapely.LineString([(x, y), (x + 40, y + 3)]),
            shapely.box(x, y + 10, x + 40, y + 40),
            shapely.Point(x + 20, y + 50),
        ]
        kinds += [kind] * 3
    things = {"kind": kinds, "name": "", "setback_m": 0.0}
    return dataclasses.replace(
        made, no_plant=gpd.GeoDataFrame(things, geometry=shapes, crs=made.grid.crs)
    )


# ---- the table ----------------------------------------------------------------------------


def test_the_table_has_every_kind_of_the_site_file_and_known_marks():
    assert len(GIVEN) == 15 and set(KINDS) == set(Setbacks.model_fields)
    for look in (*KINDS.values(), SETBACK):
        assert look.fill in ("", SOLID, *HATCHES) and look.marker in MARKERS


@pytest.mark.parametrize(
    "form",
    [
        lambda one: (one.colour, one.dash_mm, one.width_mm),
        lambda one: (one.colour, one.fill),
        lambda one: one.word,
    ],
    ids=["lines", "areas", "words"],
)
def test_no_two_kinds_look_alike(form):
    assert len({form(KINDS[kind]) for kind in GIVEN}) == len(GIVEN)


def lab(colour: str) -> np.ndarray:
    """CIE L*a*b* of an sRGB colour under D65 (formulas and constants from memory)."""
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x, y, z = np.cbrt(np.array(to_xyz) @ linear / (0.9505, 1, 1.089))
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def test_colours_of_zones_are_not_those_of_kinds():
    zones = {*colours.zone_colours([1] * 26), *colours.zone_colours([0])}
    kinds = {one.colour for one in (*KINDS.values(), SETBACK)}
    assert len(zones) == 8
    # Ten is seen at a glance, side by side (common practice, no source).
    nearest = min(
        (float(np.linalg.norm(lab(zone) - lab(kind))), zone, kind)
        for zone, kind in itertools.product(zones, kinds)
    )
    assert nearest[0] > 20, nearest


# ---- map and still picture ----------------------------------------------------------------


def test_the_page_is_given_the_table(plan):
    told = page_data(plan)["symbology"]
    for kind in GIVEN:
        look = KINDS[kind]
        assert told[kind] == {
            "word": look.word,
            "colour": look.colour,
            "width": look.width_mm,
            "dash": list(look.dash_mm),
            "fill": look.fill,
            "marker": look.marker,
            "pale": look.pale,
        }


def test_the_map_draws_by_the_table(browser, plan, tmp_path):
    write_map(plan, tmp_path / "map.html")
    with opened(browser, tmp_path / "map.html", **DESK) as it:
        drawn = it.page.evaluate(
            """() => GROUPS.no_plant.getLayers().map((group) => group.getLayers().map((one) => {
              const path = one.getElement().matches("path") ? one.getElement()
                : one.getElement().querySelector("path");
              return ["stroke", "stroke-width", "stroke-dasharray", "fill", "fill-opacity"]
                .map((name) => path.getAttribute(name));
            }))"""
        )
        tiles = it.page.evaluate(
            """() => Object.fromEntries([...document.querySelectorAll("#patterns > pattern")]
              .map((one) => [one.id, one.innerHTML + one.getAttribute("patternTransform")]))"""
        )
        assert it.complaints == []
    pixels = 96 / 25.4
    assert len(drawn) == 3 * len(GIVEN)
    areas, lines, points = drawn[:15], drawn[15:30], drawn[30:]  # areas lie lowest
    for kind, (area,), (line,), (point,) in zip(GIVEN, areas, lines, points, strict=True):
        look = KINDS[kind]
        for stroke, width, dash, *_ in (line, area):
            assert stroke == look.colour
            assert float(width) == pytest.approx(look.width_mm * pixels)
            assert [float(n) for n in (dash or "").split()] == pytest.approx(
                [n * pixels for n in look.dash_mm]
            )
        assert line[3] == "none" and point[3] == look.colour
        if look.fill == SOLID:
            assert area[3] == look.colour and float(area[4]) == SOLID_OPACITY
        else:
            assert area[3] == f"url(#map-{kind})"
            assert look.colour in tiles[f"map-{kind}"]
            assert f"rotate({-HATCHES[look.fill][1]})" in tiles[f"map-{kind}"]


class Paths(HTMLParser):
    """Attributes of the still picture's paths, by the kind they draw."""

    def __init__(self) -> None:
        super().__init__()
        self.inside, self.found, self.view = False, {}, []

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if tag == "svg":
            self.inside = given.get("class") == "picture"
            self.view = [float(n) for n in given["viewbox"].split()] if self.inside else self.view
        if self.inside and given.get("class", "").startswith("of-"):
            self.found.setdefault(given["class"].removeprefix("of-"), []).append(given)


def test_the_still_picture_draws_by_the_table(plan, tmp_path):
    write_map(plan, tmp_path / "map.html")
    paths = Paths()
    paths.feed((tmp_path / "map.html").read_text(encoding="utf-8"))
    mm = max(paths.view[2:]) / 170
    for kind in GIVEN:
        look = KINDS[kind]
        area, line, point = paths.found[kind]
        for path in (line, area):
            assert path["stroke"] == look.colour
            assert float(path["stroke-width"]) == pytest.approx(look.width_mm * mm, rel=0.01)
            dash = [float(n) for n in path["stroke-dasharray"].split()]
            assert dash == pytest.approx([n * mm for n in look.dash_mm], rel=0.01)
        assert line["fill"] == "none" and point["fill"] == look.colour
        filled = look.colour if look.fill == SOLID else f"url(#still-{kind})"
        assert area["fill"] == filled


# ---- sheets -------------------------------------------------------------------------------


def strokes(file, page: int) -> list[tuple[str, float, list[float], float, bool]]:
    """Colour, width and dashes (mm), direction of the first step (°) of each stroked path."""
    found = []
    for thing in pdfium.PdfDocument(file)[page].get_objects([raw.FPDF_PAGEOBJ_PATH]):
        mode, stroked = ctypes.c_int(), ctypes.c_int()
        raw.FPDFPath_GetDrawMode(thing, mode, stroked)
        if not stroked.value:
            continue
        rgba = [ctypes.c_uint() for _ in range(4)]
        raw.FPDFPageObj_GetStrokeColor(thing, *rgba)
        width = ctypes.c_float()
        raw.FPDFPageObj_GetStrokeWidth(thing, width)
        number = max(0, raw.FPDFPageObj_GetDashCount(thing))
        dash = (ctypes.c_float * number)()
        if number:
            raw.FPDFPageObj_GetDashArray(thing, dash, number)
        ends = []
        for step in (0, 1):
            x, y = ctypes.c_float(), ctypes.c_float()
            raw.FPDFPathSegment_GetPoint(raw.FPDFPath_GetPathSegment(thing, step), x, y)
            ends.append((x.value, y.value))
        turn = math.degrees(math.atan2(ends[1][1] - ends[0][1], ends[1][0] - ends[0][0])) % 180
        colour = "#" + "".join(f"{one.value:02x}" for one in rgba[:3])
        sides = [ctypes.c_float() for _ in range(4)]
        raw.FPDFPageObj_GetBounds(thing, *sides)
        in_map = sides[1].value > 30 * MM
        found.append((colour, width.value / MM, [n / MM for n in dash], turn, in_map))
    return found


def test_the_sheets_draw_by_the_table(plan, tmp_path):
    write_sheets(plan, tmp_path / "sheets.pdf")
    pages = pdfium.PdfDocument(tmp_path / "sheets.pdf")
    texts = [page.get_textpage().get_text_bounded() for page in pages]
    (page,) = [n for n, text in enumerate(texts) if "Where the blocks are" in text]
    drawn = strokes(tmp_path / "sheets.pdf", page)
    for kind in GIVEN:
        look = KINDS[kind]
        assert look.word in texts[page]
        mine = [
            one
            for one in drawn
            if one[0] == look.colour
            and one[1] == pytest.approx(look.width_mm, abs=0.01)
            and one[2] == pytest.approx(list(look.dash_mm), abs=0.01)
        ]
        # Line and area on the map; the key's samples of both lie lower on the page.
        assert len([one for one in mine if one[4]]) >= 2 and len(mine) >= 4, kind
        tile, turn = HATCHES.get(look.fill, ("", 0.0))
        if tile in ("line", "grid"):
            turns = [
                t for c, w, _, t, _ in drawn if c == look.colour and abs(w - HATCH_LINE_MM) < 0.01
            ]
            for want in (turn, turn + 90) if tile == "grid" else (turn,):
                assert any(abs((t - want + 90) % 180 - 90) < 0.5 for t in turns), (kind, want)


@settings(deadline=None)
@given(st.sampled_from([0.0, 45.0, 90.0, 135.0]), st.floats(2, 9), st.floats(20, 200))
def test_hatch_lines_lie_inside_evenly_spaced_and_turned(turn, step, side):
    shape = shapely.Point(300, 200).buffer(side)
    lines = hatch(shape, turn, step)
    assert len(lines) == pytest.approx(2 * side / step, abs=1.1)
    assert shape.buffer(1e-6).covers(shapely.multilinestrings(lines))
    ends = np.array([line.coords for line in lines])
    across = np.array([-math.sin(math.radians(turn)), math.cos(math.radians(turn))])
    assert np.allclose((ends[:, 1] - ends[:, 0]) @ across, 0, atol=1e-6)
    offsets = np.sort(ends[:, 0] @ across) / step
    assert np.allclose(offsets, np.rint(offsets), atol=1e-6) and (np.diff(offsets) > 0.9).all()
    dots = hatch_dots(shape, turn, step)
    assert shapely.contains_xy(shape, dots[:, 0], dots[:, 1]).all()
    assert len(dots) == pytest.approx(shape.area / step**2, rel=0.2, abs=12)


def test_no_area_hides_a_line(plan):
    """A power line through bush stays in sight: on the map, on paper and in a GIS."""
    ordered = in_drawing_order(plan.no_plant)
    assert list(shapely.get_dimensions(ordered.geometry)) == [2] * 15 + [1] * 15 + [0] * 15
    on_page = page_data(plan)["no_plant"]
    forms = [form for record in on_page for form in record["shape"]]
    assert forms == ["areas"] * 15 + ["lines"] * 15 + ["points"] * 15
    assert list(ordered["kind"]) == [record["kind"] for record in on_page] == GIVEN * 3


# ---- GIS ----------------------------------------------------------------------------------


def test_the_gis_styles_draw_by_the_table(plan):
    style = style_of(plan, "no_plant")
    symbols = ET.fromstring(qml(style)).findall("renderer-v2/symbols/symbol")
    rules = ET.fromstring(sld("no_plant", style)).findall(".//s:Rule", SLD)
    assert len(symbols) == len(rules) == 3 * len(GIVEN)
    brushes = {"level": "horizontal", "upright": "vertical", "slash": "b_diagonal",
               "backslash": "f_diagonal", "grid": "cross", "lattice": "diagonal_x",
               "dots": "dense6", SOLID: "solid"}  # fmt: skip
    for rule, symbol, element in zip(style.rules, symbols, rules, strict=True):
        look = KINDS[rule.value]
        assert rule.label == look.word
        top = symbol.findall("layer")[-1]
        said = {prop.get("k"): prop.get("v") for prop in top.findall("prop")}
        red, green, blue = (int(look.colour[i : i + 2], 16) for i in (1, 3, 5))
        text = ET.tostring(element, encoding="unicode")
        assert look.colour in text
        if symbol.get("type") == "line":
            assert said["line_color"] == f"{red},{green},{blue},255"
            assert float(said["line_width"]) == look.width_mm
            if look.dash_mm:
                assert said["customdash"] == ";".join(f"{n:g}" for n in look.dash_mm)
                dash = re.search(r'stroke-dasharray">([\d. ]+)<', text)[1].split()
                assert [float(n) * 0.28 for n in dash] == pytest.approx(look.dash_mm, abs=0.01)
        elif symbol.get("type") == "fill":
            assert said["style"] == brushes[look.fill]
            assert said["color"].startswith(f"{red},{green},{blue},")
            assert said["outline_color"] == f"{red},{green},{blue},255"
            assert ("GraphicFill" in text) == (look.fill != SOLID)
            if look.fill != SOLID:
                assert len(symbol.findall("layer")) == 2  # the pale ground, and the hatch on it
        else:
            assert said["name"] == look.marker and float(said["size"]) == MARKER_MM


def test_setbacks_are_hatched_alike_everywhere(plan, tmp_path):
    write_map(plan, tmp_path / "map.html")
    paths = Paths()
    paths.feed((tmp_path / "map.html").read_text(encoding="utf-8"))
    assert {path["fill"] for path in paths.found["setback"]} == {"url(#still-setback)"}
    layer = ET.fromstring(qml(style_of(plan, "setbacks"))).find(".//symbol/layer")
    said = {prop.get("k"): prop.get("v") for prop in layer.findall("prop")}
    assert said["style"] == "b_diagonal" and said["outline_style"] == "no"
    write_sheets(plan, tmp_path / "sheets.pdf")
    assert any(
        colour == SETBACK.colour and abs(turn - 45) < 0.5 and abs(width - HATCH_LINE_MM) < 0.01
        for page in range(len(pdfium.PdfDocument(tmp_path / "sheets.pdf")))
        for colour, width, _, turn, _ in strokes(tmp_path / "sheets.pdf", page)
    )
    assert HATCH_STEP_MM > 2 * HATCH_LINE_MM
