"""Planting sheets: true to scale on paper, with the plan's numbers, readable in black."""

from __future__ import annotations

import ctypes
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pypdfium2 as pdfium
import pypdfium2.raw as raw
import pytest
import shapely
import shapely.affinity
from handover.made_works import with_works
from hypothesis import given
from hypothesis import strategies as st
from made_plan import made_plan
from pages import page_texts
from pypdf import PdfReader

from siteplanner.base.symbology.signs import SIGNS, signs
from siteplanner.handover.block_work import block_works, row_spacing_slope_distance
from siteplanner.handover.book.write import write_book, write_sheets
from siteplanner.handover.cautions import STEEP_DEG, cautions_of
from siteplanner.handover.paper.frame import SCALES, bar_of, frame_for
from siteplanner.handover.paper.thermometers import thermometer_lines
from siteplanner.reading.species.codes import species_codes

HOSTILE = '<b>&amp;</b> {{7*7}} \x00\x1b\ud800 (paren) \\n <para> "q" '
DPI = 300
MM = DPI / 25.4


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def file(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
    write_sheets(plan, path)
    return path


@pytest.fixture(scope="module")
def texts(file):
    return page_texts(file)


def pages_of(texts: list[str], words: str) -> list[int]:
    return [number for number, text in enumerate(texts) if words in text]


def raster(file, page: int) -> np.ndarray:
    """Grey values (rows, columns) of a page at 300 dpi, 0 black."""
    return pdfium.PdfDocument(file)[page].render(scale=DPI / 72, grayscale=True).to_numpy()


def longest_run(row: np.ndarray) -> int:
    """Length of the longest run of ink in a line of pixels."""
    edges = np.flatnonzero(np.diff(np.r_[0, row, 0].astype(int)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def outlines(file, page: int) -> list[tuple[float, float, float, float]]:
    """Left, bottom, right and top (mm) of every path of a page, as the PDF itself has it."""
    found = []
    for thing in pdfium.PdfDocument(file)[page].get_objects([raw.FPDF_PAGEOBJ_PATH]):
        sides = [ctypes.c_float() for _ in range(4)]
        raw.FPDFPageObj_GetBounds(thing, *map(ctypes.byref, sides))
        found.append(tuple(side.value * 25.4 / 72 for side in sides))
    return found


# --- scale ---------------------------------------------------------------------------------


def scale_bars(file, page: int) -> list[tuple[float, float]]:
    """Where the black quarters of scale bars are on a page, mm from the left, and their length."""
    found = []
    for left, bottom, right, top in outlines(file, page):
        if abs(top - bottom - 1.68) < 0.1 and right - left > 4:
            found.append((round(left, 1), right - left))
    return found


def test_the_scale_bar_measures_what_it_says_on_every_map(file, texts):
    maps = [n for n, text in enumerate(texts) if "Printed at 100 %" in text]
    assert len(maps) >= 3  # five blocks, some of which share a leaf, and the overview
    bars = 0
    for page in maps:
        said = re.findall(r"1 : (\d+)\. Printed at 100 %, the bar is ([\d.]+) mm", texts[page])
        quarters = [long for _, long in scale_bars(file, page)]
        for scale, bar in said:
            metres = round(float(bar) * int(scale) / 1000, 1)
            assert f"{metres:g} m" in texts[page]
            assert f"{metres:g}".strip("0") in {"1", "2", "5"}
            # A quarter's box has its line on either side.
            assert sum(abs(long - 0.28 - float(bar) / 4) < 0.05 for long in quarters) >= 4
            bars += 1
    assert bars == 6


def test_trees_stand_where_the_scale_puts_them(plan, tmp_path):
    write_book(plan, tmp_path)
    for work in block_works(plan):
        path = tmp_path / "sheets" / f"{work.block.lower()}.pdf"
        text = page_texts(path)[0]
        scale = int(re.search(r"1 : (\d+)\.", text)[1])
        # The commonest species' trees are one path: it is as long across as they are, whatever the
        # turn of the map, give or take a sign.
        trees = work.xy[work.species == work.trees.argmax()]
        across = shapely.minimum_bounding_circle(shapely.MultiPoint(trees))
        want = 2 * shapely.minimum_bounding_radius(across) * 1000 / scale
        near = [
            (right - left, top - bottom)
            for left, bottom, right, top in outlines(path, 0)
            if want / 2**0.5 - 1 <= max(right - left, top - bottom) <= want + 3.5
        ]
        assert near, work.block


@given(st.floats(5, 20_000), st.floats(5, 20_000), st.floats(60, 320), st.floats(60, 260))
def test_a_frame_holds_its_ground_at_the_largest_round_scale(east, north, wide, high):
    frame = frame_for((0, 0, east, north), 0, 0, wide, high, room=9)
    for ground, paper in ((east, wide), (north, high)):
        assert ground * 1000 / frame.scale <= paper - 18 + 1e-6
    smaller = [s for s in SCALES if s < frame.scale]
    if smaller:
        larger = max(smaller)
        assert east * 1000 / larger > wide - 18 or north * 1000 / larger > high - 18


@given(st.sampled_from(SCALES))
def test_scale_bars_are_round_and_fit(scale):
    metres = bar_of(scale)
    assert 20 <= metres * 1000 / scale <= 80
    assert str(metres).replace(".", "").strip("0") in {"1", "2", "5"}


# --- what is said --------------------------------------------------------------------------


def test_every_page_is_numbered_and_every_block_has_its_pages(plan, texts):
    for number, text in enumerate(texts, 1):
        assert f"page {number} of {len(texts)}" in text
    (listed,) = pages_of(texts, "Where the blocks are")
    for block in plan.blocks["block"]:
        front, back = pages_of(texts, f"Block {block}, ")
        assert (front % 2, back) == (0, front + 1)  # both sides of one leaf
        assert f"Block {block}, " in texts[_listed_page(texts[listed], block) - 1]


def _listed_page(text: str, block: str) -> int:
    (line,) = re.findall(rf"^{block} .* (\d+)$", text, re.MULTILINE)
    return int(line)


def test_no_warning_is_left_out_however_many(plan, tmp_path):
    warnings = tuple(f"Warning number {n}: look at this. " + "More words. " * 30 for n in range(90))
    write_sheets(replace(plan, warnings=warnings), tmp_path / "sheets.pdf")
    texts = page_texts(tmp_path / "sheets.pdf")
    said = " ".join(" ".join(texts).split())
    assert all(f"Warning number {n}:" in said for n in range(90))
    (listed,) = pages_of(texts, "Where the blocks are")
    assert "Block A1, " in texts[_listed_page(texts[listed], "A1") - 1]


def test_front_page_says_where_one_more_thermometer_helps_and_what_it_is_worth(plan, tmp_path):
    places = [row.geometry.representative_point() for row in plan.paddocks.iloc[:2].itertuples()]
    lon, lat = plan.grid.lonlat([p.x for p in places], [p.y for p in places])
    spots = pd.DataFrame(
        {
            "spot": ["1", "2"],
            "easting": [p.x for p in places],
            "northing": [p.y for p in places],
            "longitude": lon,
            "latitude": lat,
            "error_there_c": [1.9, 1.8],
            "mean_error_before_c": [1.14, 1.1],
            "mean_error_after_c": [1.1, 1.07],
        }
    )
    write_sheets(replace(plan, thermometers=spots), tmp_path / "sheets.pdf")
    texts = [page.extract_text() for page in PdfReader(tmp_path / "sheets.pdf").pages]
    overview = next(n for n, text in enumerate(texts) if "Where the blocks are" in text)
    said = " ".join(" ".join(texts[:overview]).split())
    for k, (worth, more) in enumerate(
        [("1.14 to 1.10", "."), ("1.10 to 1.07", ", once the spots above are read too.")]
    ):
        zone = plan.zones["zone"][plan.zones.distance(places[k]).to_numpy().argmin()]
        assert (
            f"T{k + 1}: latitude {lat[k]:.5f}, longitude {lon[k]:.5f} (WGS 84), zone {zone}, "
            f"paddock {plan.paddocks['name'].iloc[k]}. One winter's reading brings the mean error "
            f"of the coldest night on the planted ground from {worth} °C{more}"
        ) in said
    assert plan.zones["zone"].nunique() > 1
    away = spots.assign(easting=spots["easting"] + 5000)
    lines = thermometer_lines(replace(plan, thermometers=away))
    assert all("zone" in line and "paddock" not in line for line in lines[:2])


def test_sheets_without_spots_speak_of_no_thermometer(texts):
    assert not any("thermometer" in text for text in texts)


def test_no_caution_is_left_out_however_many(plan, tmp_path):
    long = [f"Caution of {name}: " + "gingerly " * 600 for name in plan.species["botanical_name"]]
    write_sheets(replace(plan, species=plan.species.assign(cautions=long)), tmp_path / "sheets.pdf")
    said = " ".join(" ".join(page_texts(tmp_path / "sheets.pdf")).split())
    here = plan.species["botanical_name"][np.unique(plan.tree_species)]
    assert all(f"aution of {name}: " in said for name in here)
    assert said.count("gingerly") == 600 * len(here)


def test_counts_on_the_sheets_are_the_plans(plan, texts, tmp_path):
    assert f"{plan.trees_total:,} trees" in texts[0]
    write_book(plan, tmp_path)
    days = page_texts(tmp_path / "run_sheets.pdf")
    for work in block_works(plan):
        back = texts[pages_of(texts, f"Block {work.block}, ")[1]]
        own = back[back.index(f"Block {work.block}, ") :]
        # Row and trees begin a line of the table, wherever its columns are.
        for name, counts in zip(work.name, work.by_row, strict=True):
            assert re.search(rf"\b{name}\s+{counts.sum()}\s", own), (work.block, name)
        found = re.findall(rf"\b{work.block}, (?:all )?rows? ?[^:]*: (\d+) trees", " ".join(days))
        assert sum(map(int, found)) == work.trees.sum()


def test_sheets_say_what_must_be_said(texts):
    front = " ".join(" ".join(texts[:2]).split())
    for words in (
        "Only the buried services that were supplied are shown",
        "Who to call",
        "Meeting point",
        "Access for an ambulance",
        "Weather that stops work",
    ):
        assert words in front
    sheet, back = (" ".join(texts[n].split()) for n in pages_of(texts, "Block A1, "))
    for words in ("START", "by compass", "paces", "Be careful (see behind)", "N true", "N magn."):
        assert words in sheet
    for words in ("Drop A, at the start of row", "Be careful: ", "Species, "):
        assert words in back


def test_sheets_say_who_plants_when_and_what_waits(plan, tmp_path):
    write_book(with_works(plan, wait=4), tmp_path)
    texts = page_texts(tmp_path / "sheets.pdf")
    waiting = (plan.tree_species == 4) & (plan.trees["block"] == "B2").to_numpy()
    said = " ".join(texts[pages_of(texts, "Block B2, ")[0]].split())
    assert "Access: volunteers. Plant in winter, year 2028." in said
    assert f"{waiting.sum()} of the trees wait for nurse trees until year 2030 (EUCPAU" in said
    runs = page_texts(tmp_path / "run_sheets.pdf")
    (run,) = [text for text in runs if "year 2030, in winter" in text]
    assert re.search(rf"B2, [^:]*: {waiting.sum()} trees", run)


# --- rows of any pattern -------------------------------------------------------------------


def test_straight_even_rows_are_told_by_one_bearing_and_spacing(plan):
    for work, block in zip(block_works(plan), plan.blocks.itertuples(), strict=True):
        assert work.straight and work.even
        assert work.mean_bearing == pytest.approx(block.bearing_deg, abs=0.1)
        spacing = plan.zones.set_index("zone")["spacing_m"][block.zone]
        assert (work.spacing_m, work.row_spacing_m) == pytest.approx((spacing, spacing), abs=0.01)


def test_rows_that_bend_or_ramble_are_not_told_by_one(plan, tmp_path):
    def moved(move):
        shift = lambda xy: xy + move(xy - xy.min(axis=0))  # noqa: E731
        rows = plan.rows.set_geometry(shapely.transform(plan.rows.geometry.to_numpy(), shift))
        trees = plan.trees.set_geometry(shapely.transform(plan.trees.geometry.to_numpy(), shift))
        return replace(plan, rows=rows.set_crs(plan.grid.crs), trees=trees.set_crs(plan.grid.crs))

    # A fan: the further north a place lies, the more its row turns with the place's easting.
    fanned = moved(lambda xy: np.column_stack([0 * xy[:, 0], xy[:, 0] * xy[:, 1] / 300]))
    assert not all(work.straight for work in block_works(fanned))
    write_sheets(fanned, tmp_path / "sheets.pdf")
    texts = page_texts(tmp_path / "sheets.pdf")
    assert "they follow the contour" in " ".join(" ".join(texts).split())
    random = np.random.default_rng(1)
    rambling = moved(lambda xy: random.uniform(-2, 2, xy.shape))
    assert not any(work.even for work in block_works(rambling))


def test_rows_each_with_its_own_step_are_set_out_by_the_tape(plan):
    # Every second row of a block is drawn out by a third, as contour rows may be.
    longer = [shapely.affinity.scale(row, *2 * [4 / 3 if n % 2 else 1], origin=row.coords[0])
              for n, row in enumerate(plan.rows.geometry)]  # fmt: skip
    rows = plan.rows.set_geometry(longer, crs=plan.grid.crs)
    assert all(work.even for work in block_works(replace(plan, rows=rows)))


# --- cautions ------------------------------------------------------------------------------


def test_cautions_name_what_is_near_steep_and_toxic(plan):
    work = next(w for w in block_works(plan) if w.block == "A2")
    said = " ".join(cautions_of(plan, work))
    line = plan.no_plant.geometry[list(plan.no_plant["kind"]).index("power_line")]
    away = shapely.distance(line, shapely.MultiPoint(work.xy))
    assert f"Power line (North feeder) {away:.0f} m" in said
    assert "give or take 0.8" in said and "names nothing here as toxic" in said
    assert "Building" not in said  # 170 m away
    steep = replace(plan, layers={**plan.layers, "slope": plan.layers["slope"] * 0 + STEEP_DEG})
    assert "Steep" in cautions_of(steep, work)[0]
    flat = replace(plan, layers={**plan.layers, "slope": plan.layers["slope"] * 0})
    assert "Steep" not in " ".join(cautions_of(flat, work))
    toxic = plan.species.assign(cautions="reported to be poisonous to stock")
    assert "keep stock out" in " ".join(cautions_of(replace(plan, species=toxic), work))


@pytest.mark.parametrize(
    ("slope", "slope_distance", "spacing"), [(30, 1, 2 / 3**0.5), (30, 2 / 3**0.5, 1)]
)
def test_slope_distance_between_rows_takes_the_slope_that_the_row_does_not(
    plan, slope, slope_distance, spacing
):
    # 1 m taped up 30 degrees covers cos 30 = 0.866 m of map; a row may run across or up it.
    work = block_works(plan)[0]
    tilted = replace(plan, layers={**plan.layers, "slope": plan.layers["slope"] * 0 + slope})
    sloping = replace(
        work, slope_distance_m=np.full(len(work.number), slope_distance * work.spacing_m)
    )
    assert row_spacing_slope_distance(tilted, sloping) == pytest.approx(
        spacing * work.row_spacing_m, rel=1e-6
    )


def test_unknown_ground_is_not_called_safe_or_warm(plan):
    work = block_works(plan)[0]
    blind = replace(plan, layers={n: a * np.nan for n, a in plan.layers.items()})
    assert "Frost: not estimated here." in cautions_of(blind, work)
    assert "Slope: not known here" in cautions_of(blind, work)[0]


# --- signs, names, bytes -------------------------------------------------------------------


def test_a_property_with_nothing_to_keep_clear_of_has_its_sheets(plan):
    bare = replace(plan, no_plant=plan.no_plant.iloc[:0])
    said = cautions_of(bare, block_works(bare)[0])
    assert said and not any("nearest tree" in words for words in said)


def test_signs_differ_and_the_commonest_species_has_the_plainest():
    assert len(set(SIGNS)) == len(SIGNS)
    assert signs(np.array([3, 900, 40])) == [2, 0, 1]
    assert len(set(signs(np.arange(len(SIGNS))))) == len(SIGNS)


def test_hostile_names_print_as_text(tmp_path):
    plan = made_plan(hostile=HOSTILE)
    write_sheets(plan, tmp_path / "sheets.pdf")
    text = "\n".join(page_texts(tmp_path / "sheets.pdf"))
    assert "Wether Knoll <b>&amp;</b> {{7*7}}" in text
    assert "\x1b" not in text


def test_same_plan_same_bytes(plan, file, tmp_path):
    write_sheets(plan, tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == file.read_bytes()


def crowded(plan):
    many = pd.concat([plan.species] * 7, ignore_index=True).iloc[:40]
    many["botanical_name"] = [f"Genus{n} species{n}" for n in range(40)]
    many["code"] = species_codes(many["botanical_name"])
    rng = np.random.default_rng(3)
    which = rng.integers(0, 40, len(plan.trees)).astype(np.uint8)
    trees = plan.trees.assign(species=many["botanical_name"].to_numpy()[which])
    return replace(plan, species=many, trees=trees, tree_species=which)


def test_blocks_of_many_species_name_all_of_them_in_front_and_behind(plan, tmp_path):
    path = tmp_path / "sheets.pdf"
    write_sheets(made := crowded(plan), path)
    texts = page_texts(path)
    (work, *_) = block_works(made)
    front, back = (texts[n] for n in pages_of(texts, "Block A1, ")[:2])
    codes = made.species["code"][work.trees > 0]
    assert all(code in front and code in back for code in codes)


def test_a_plan_without_trees_has_a_front_page_that_says_so(plan, tmp_path):
    bare = replace(
        plan,
        trees=plan.trees[:0],
        rows=plan.rows[:0],
        tree_species=plan.tree_species[:0],
        counts=plan.counts[:0],
        blocks=plan.blocks.assign(trees=0, rows=0),
    )
    write_sheets(bare, tmp_path / "sheets.pdf")
    pages = PdfReader(tmp_path / "sheets.pdf").pages
    assert len(pages) == 2 and "no trees" in pages[1].extract_text()
