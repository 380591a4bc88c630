"""The book on paper: nothing covers anything, all can be read, programs can place its maps."""

import itertools
import json
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
import shapely
from affine import Affine
from handover.printed import covered, read_aloud, texts_of
from handover.test_sheets import crowded
from made_plan import made_plan
from pages import page_texts
from pypdf import PdfReader

from siteplanner.base.symbology.signs import SIGNS
from siteplanner.handover.block_work import block_works
from siteplanner.handover.book import front, leaf
from siteplanner.handover.book.block_map import (
    LEAST_SIGN_MM,
    book_of,
    least_scale,
    radius,
    turns_of,
)
from siteplanner.handover.book.days import days_of
from siteplanner.handover.book.write import write_book, write_sheets
from siteplanner.handover.paper.frame import SCALES, extents, turned_frame
from siteplanner.handover.paper.pages import A3, A4, LEAST_TEXT, Pen
from siteplanner.handover.paper.signs import draw_signs
from siteplanner.handover.paper.tagged import TaggedCanvas

MM = 72 / 25.4


@pytest.fixture(scope="module")
def plan():
    return made_plan()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("book")
    write_book(plan, folder)
    return folder


def faults(path):
    """Texts that cover each other, that are small, or that leave the page."""
    texts, sizes = texts_of(path), [page.get_size() for page in pypdfium2.PdfDocument(path)]
    outside = [t.words for t in texts if not shapely.box(0, 0, *sizes[t.page]).contains(t.box)]
    small = [t.words for t in texts if t.size < LEAST_TEXT - 0.01]
    return {"covered": covered(texts), "small": small, "outside": outside}


NO_FAULTS = {"covered": [], "small": [], "outside": []}


def test_no_text_covers_another_is_small_or_leaves_its_page(plan, folder, tmp_path):
    assert len(list((folder / "sheets").iterdir())) == len(plan.blocks) + 1
    for path in (
        folder / "sheets.pdf",
        folder / "run_sheets.pdf",
        folder / "row_tags.pdf",
        folder / "sheets" / "b2.pdf",
    ):
        assert len(texts_of(path)) > 20
        assert faults(path) == NO_FAULTS, path.name
    write_sheets(crowded(plan), tmp_path / "crowded.pdf")
    assert faults(tmp_path / "crowded.pdf") == NO_FAULTS


def test_the_check_sees_what_it_is_for(tmp_path):
    canvas = TaggedCanvas(tmp_path / "bad.pdf", "bad")
    pen = Pen(canvas, *A4)
    pen.text(20, 20, "one", 9)
    pen.text(21, 21, "two", 9)
    pen.text(100, 100, "little", 6.5)
    canvas.setFont("Vera", 9)
    canvas.translate(300, 300)
    canvas.rotate(40)
    canvas.drawString(0, 0, "turned")
    canvas.drawString(3, 3, "over it")
    canvas.save()
    found = faults(tmp_path / "bad.pdf")
    assert [pair[1:3] for pair in found["covered"]] == [("one", "two"), ("turned", "over it")]
    assert found["small"] == ["little"]


def test_no_sign_is_under_two_millimetres(tmp_path):
    canvas = TaggedCanvas(tmp_path / "signs.pdf", "signs")
    for sign in range(len(SIGNS)):
        draw_signs(canvas, sign, [(100, 100)], LEAST_SIGN_MM / 2 * MM, "#0072b2")
        canvas.showPage()
    canvas.save()
    for page in pypdfium2.PdfDocument(tmp_path / "signs.pdf"):
        boxes = np.array([thing.get_bounds() for thing in page.get_objects()])
        (left, bottom), (right, top) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        assert max(right - left, top - bottom) >= 2.0 * MM


def test_maps_show_trees_no_smaller_and_no_closer_than_can_be_read(plan):
    for work in block_works(plan):
        for scale in SCALES:
            frame = replace(turned_frame(work.shape, 0, 0, 100, 100, [0.0]), scale=scale)
            assert radius(frame, work) >= LEAST_SIGN_MM / 2 * MM
        assert work.closest_m * 1000 / least_scale(work) >= LEAST_SIGN_MM


def test_a_map_is_turned_so_that_the_block_fills_it(plan):
    for work in block_works(plan):
        turns = turns_of(work)
        best = turned_frame(work.shape, 0, 0, 120, 80, turns)
        assert best.scale == min(
            turned_frame(work.shape, 0, 0, 120, 80, [turn]).scale for turn in turns
        )
        assert best.ground.covers(work.shape)
        ((wide, high),) = extents(work.shape, [best.turn])
        assert wide * 1000 / best.scale <= 120 and high * 1000 / best.scale <= 80


def test_a_block_too_large_for_one_map_has_a_strip_of_maps_with_every_row(plan):
    works = [replace(w, spacing_m=1.0, row_spacing_m=1.0) for w in block_works(plan)]
    book = book_of(plan, works)
    strips = []
    for work in works:
        band = leaf.band_of(book, work)
        (made,) = leaf.leaves_of(book, [band], shared=False)
        assert len(made.sides) % 2 == 0
        strips.append(leaf.strip_of(work, band))
        if strips[-1]:
            assert all(frame.scale <= least_scale(work) for frame in strips[-1])
            shown = shapely.union_all([frame.ground for frame in strips[-1]])
            assert shown.buffer(0.01).covers(shapely.MultiPoint(work.xy))
            assert len(made.sides) >= 1 + len(strips[-1])
    assert any(strips)


def test_every_tree_is_planted_on_one_crew_day(plan):
    works = block_works(plan)
    days = days_of(plan, works)
    total = np.sum([day.trees for day in days], axis=0)
    assert total.tolist() == np.bincount(plan.tree_species, minlength=len(plan.species)).tolist()
    rows = [(part.work.block, int(row)) for day in days for part in day.parts for row in part.rows]
    assert len(rows) == len(set(rows)) == len(plan.rows)
    for work in works:  # whole days, the nearest number, in the order of the rows
        mine = [part.rows for day in days for part in day.parts if part.work.block == work.block]
        assert np.concatenate(mine).tolist() == list(range(len(work.name)))


def test_a_tag_a_row_says_its_plants_in_planting_order(plan, folder):
    texts = [" ".join(text.split()) for text in page_texts(folder / "row_tags.pdf")]
    assert len(texts) >= len(plan.rows)
    for work in block_works(plan):
        for row, name in enumerate(work.name):
            heads = (f"{work.block} row {name} drop ", f"{work.block} row {name}, tag ")
            mine = " ".join(text for text in texts if text.startswith(heads))
            assert f"{work.by_row[row].sum()} trees, in " in mine
            if work.in_order:
                said = re.findall(r"(\d+) ([A-Z0-9]{3,6})\b", mine)
                kinds = work.species[work.row == row].tolist()
                order = [
                    (str(len(list(group))), plan.species["code"][kind])
                    for kind, group in itertools.groupby(kinds)
                ]
                assert said == order


def test_where_crews_plant_from_buckets_sheets_say_random_and_give_counts_by_block(plan, tmp_path):
    write_book(replace(plan, settings={"mix": {"order": "mixed"}}), tmp_path)
    assert not (tmp_path / "row_tags.pdf").exists()
    texts = page_texts(tmp_path / "sheets.pdf")
    for work in block_works(plan):
        front, back = [t for t in texts if f"Block {work.block}, " in t]
        assert "Species, at random from mixed buckets" in back
        codes = plan.species["code"][work.trees > 0]
        assert all(code in front for code in codes)
    assert "(in buckets of 40)" in page_texts(tmp_path / "run_sheets.pdf")[0]


# --- for programs --------------------------------------------------------------------------


def test_a_map_program_finds_the_block_where_it_is(plan, folder):
    if not shutil.which("gdalinfo"):
        pytest.skip("gdalinfo is not installed")
    for work in block_works(plan)[::2]:
        path = folder / "sheets" / f"{work.block.lower()}.pdf"
        told = subprocess.run(["gdalinfo", "-json", path], capture_output=True, check=True).stdout
        info = json.loads(told)
        assert 'ID["EPSG",32756]' in info["coordinateSystem"]["wkt"]
        a, b, c, d, e, f = info["geoTransform"]
        pixels = Affine(b, c, a, e, f, d)
        wide, high = info["size"]
        page = shapely.Polygon([pixels @ xy for xy in [(0, 0), (wide, 0), (wide, high), (0, high)]])
        assert page.covers(work.shape)
        scale = int(page_texts(path)[0].partition("1 : ")[2].partition(".")[0])
        assert page.area == pytest.approx(0.210 * 0.297 * scale**2, rel=0.002)
        neat = shapely.from_wkt(info["metadata"][""]["NEATLINE"])
        assert neat.covers(work.shape) and neat.area < page.area


def test_pdfs_have_tags_language_title_and_bookmarks(plan, folder):
    names = ("sheets.pdf", "run_sheets.pdf", "row_tags.pdf", "sheets/a1.pdf", "sheets/overview.pdf")
    for name in names:
        figures = read_aloud(folder / name)
        assert name in ("run_sheets.pdf", "row_tags.pdf") or len(figures) > 0
    tags = PdfReader(folder / "row_tags.pdf")
    assert [mark.title for mark in tags.outline] == [f"Block {b}" for b in plan.blocks["block"]]
    for mark in tags.outline:
        first = tags.pages[tags.get_destination_page_number(mark)].extract_text()
        assert first.startswith(f"{mark.title.removeprefix('Block ')}  row 1")


def test_the_list_of_blocks_gives_the_page_of_each(plan, folder):
    front = "\n".join(page_texts(folder / "sheets.pdf")[:2])
    listed = dict(re.findall(r"^(\w+) .* -?\d+\.\d{4}, \d+\.\d{4} (\d+)$", front, re.M))
    assert list(listed) == list(plan.blocks["block"])
    book = PdfReader(folder / "sheets.pdf")
    for mark in book.outline[1:]:
        blocks = mark.title.removeprefix("Block ").split(", ")
        page = book.get_destination_page_number(mark) + 1
        assert [listed[block] for block in blocks] == [str(page)] * len(blocks)


def test_leaves_are_on_a3_only_where_asked_and_then_their_maps_are_larger(plan, folder, tmp_path):
    def scale(path):
        return int(re.search(r"1 : (\d+)", page_texts(path)[0]).group(1))

    one = replace(plan, blocks=plan.blocks[:1], rows=plan.rows[plan.rows["block"] == "A1"])
    mine = (plan.trees["block"] == "A1").to_numpy()
    one = replace(one, trees=plan.trees[mine], tree_species=plan.tree_species[mine])
    write_book(replace(one, settings=plan.settings | {"sheets": {"leaves": "A3"}}), tmp_path)
    for name, paper in (("sheets.pdf", A4), ("sheets/overview.pdf", A4), ("sheets/a1.pdf", A3)):
        for page in PdfReader(tmp_path / name).pages:
            size = [float(side) / MM for side in page.mediabox[2:]]
            assert size == pytest.approx(paper, abs=0.01), name
    assert scale(tmp_path / "sheets/a1.pdf") < scale(folder / "sheets/a1.pdf")
    texts = texts_of(tmp_path / "sheets/a1.pdf")
    assert covered(texts) == []


def test_no_side_in_front_is_empty_and_no_line_has_one_alone(plan):
    sentence = "A sentence that somebody should read before the planting of this block begins."
    for number in (0, 30, 60):
        said = replace(plan, warnings=tuple(f"{sentence} {n}" for n in range(number)))
        works = block_works(said)
        listed = [1] * len(works)
        pages = front.front_pages(book_of(said, works), works, lambda _, on=listed: on)
        assert len(pages) % 2 == 0, number
    sections = {"Please read": [f"{sentence} {n}" for n in range(44)]}
    least, *larger = (len(front.parted(sections, 100.0, sizes)) for sizes in ((7.0,), (8.0,)))
    assert [least, *larger] == [1, 2]  # a line or two would stand on the second page
    assert len(front.parted(sections, 100.0)) == 1
