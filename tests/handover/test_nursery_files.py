"""The nursery's files: read back, the same bytes again, and safe with hostile text."""

import csv
import hashlib
import io
import re
from datetime import date, timedelta

import icalendar
import numpy as np
import pypdf
import pytest
import segno
from handover.printed import read_aloud, texts_of
from made_plan import made_plan
from pages import page_texts
from season.nursery_plan import with_its_nursery

from siteplanner.handover.paper.labels import SHEETS, dark_runs
from siteplanner.handover.paper.pages import LEAST_TEXT
from siteplanner.handover.paper.text import on_paper
from siteplanner.handover.tables.calendar import carry_on, write_calendar
from siteplanner.handover.tables.write_nursery import write_nursery
from siteplanner.season.nursery.tasks import sowing, tasks_of

HOSTILE = (
    "=HYPERLINK(0)",
    '@SUM(1);"x",y',
    "<b>&amp;</para><img src='file:///etc/passwd'/>",
    "END:VEVENT\r\nBEGIN:VEVENT",
    "\x00\x1b\u202e名前 ā {{7*7}} \ufffe",
)
FILES = {
    "labels.pdf",
    "nursery.csv",
    "nursery.ics",
    "nursery.pdf",
    "nursery_bench.csv",
    "nursery_counts.csv",
    "nursery_species.csv",
    "nursery_substitutes.csv",
}


@pytest.fixture(scope="module")
def plan():
    return with_its_nursery()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("nursery")
    write_nursery(plan, path)
    return path


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def text_of(path):
    return "\n".join(page_texts(path))


def test_the_files_are_the_promised_ones_and_repeat_to_the_byte(plan, folder, tmp_path):
    write_nursery(plan, tmp_path)
    assert {path.name for path in folder.iterdir()} == FILES
    digest = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}
    assert digest == {
        p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in tmp_path.iterdir()
    }


def test_the_table_adds_up_to_the_plans_order(plan, folder):
    table = rows(folder / "nursery.csv")
    assert sum(int(row["plants"]) for row in table) == plan.counts["order"].sum()
    assert all(
        int(row["plants_at_worst"]) <= int(row["plants_expected"]) <= int(row["plants_at_best"])
        for row in table
    )
    first = table[0]
    assert first["batch"] == "EUCROD-A1-1" and first["permit"] == "P 17"
    assert first["most_of_a_trees_crop"] == "0.2"  # NSW OEH (2011): at most 20 % of the fruit
    assert first["sow_on"] == "2027-11-02" and first["season"] == "late spring"


def test_the_calendar_holds_every_task_on_its_days(plan, folder):
    book = icalendar.Calendar.from_ical((folder / "nursery.ics").read_bytes())
    events = {
        (e.decoded("dtstart"), e.decoded("dtend"), str(e["summary"]).rsplit(" (", 1)[0])
        for e in book.walk("VEVENT")
    }
    assert events == {
        (task.start, task.end + timedelta(days=1), task.title)
        for task in tasks_of(plan.nursery.batches, plan.nursery.rules)
    }
    uids = [str(event["uid"]) for event in book.walk("VEVENT")]
    assert len(uids) == len(set(uids)) == len(events)
    assert max(map(len, (folder / "nursery.ics").read_bytes().split(b"\r\n"))) <= 75


def test_labels_say_what_and_where_from_and_leave_lines_to_write_on(plan, folder):
    text = text_of(folder / "labels.pdf")
    for batch in plan.nursery.batches:
        assert text.count(batch.batch) == plan.nursery.rules.labels_each
        assert batch.species in text
    assert "from: old tree 1" in text and "permit: P 17" in text
    assert len(re.findall(r"collected", text)) == 3 * len(plan.nursery.batches)


@pytest.mark.parametrize("name", SHEETS)
def test_labels_lie_within_the_paper_with_even_margins(name):
    sheet = SHEETS[name]
    width, height = (side / 72 * 25.4 for side in sheet.paper)
    right = width - (sheet.left + (sheet.across - 1) * sheet.step_x + sheet.width)
    foot = height - (sheet.top + (sheet.down - 1) * sheet.step_y + sheet.height)
    assert right == pytest.approx(sheet.left, abs=0.2) and foot == pytest.approx(sheet.top, abs=0.7)
    assert sheet.step_x >= sheet.width and sheet.step_y >= sheet.height


@pytest.mark.parametrize("name", SHEETS)
def test_every_sheet_is_filled_in_order(plan, tmp_path, name):
    write_nursery(with_its_nursery(labels=name), tmp_path)
    pages = pypdf.PdfReader(tmp_path / "labels.pdf").pages
    sheet = SHEETS[name]
    labels = 3 * len(plan.nursery.batches)
    assert len(pages) == -(-labels // (sheet.across * sheet.down))
    assert "EUCROD-A1-1" in pages[0].extract_text()


def test_the_sheets_name_every_batch_month_and_caution(plan, folder):
    text = text_of(folder / "nursery.pdf")
    assert all(batch.batch in text for batch in plan.nursery.batches)
    assert "November 2027 (late spring)" in text
    assert "permit" in text and "not a weed where you plant" in text


def test_chart_and_labels_can_be_read_aloud(plan, folder):
    assert len(read_aloud(folder / "nursery.pdf")) == 2
    assert read_aloud(folder / "labels.pdf") == []
    marks = pypdf.PdfReader(folder / "labels.pdf").outline
    assert [mark.title for mark in marks] == [batch.batch for batch in plan.nursery.batches]
    small = [one for one in texts_of(folder / "nursery.pdf") if one.size < LEAST_TEXT - 0.01]
    assert small == []


def test_a_label_s_code_is_drawn_cell_by_cell():
    code = segno.make("AB1; Acacia dealbata; Long Paddock", error="m", micro=False)
    side = code.symbol_size(border=2)[0]
    drawn = np.zeros((side, side), dtype=int)
    for x, y, wide, high in dark_runs("AB1; Acacia dealbata; Long Paddock"):
        left, low, wide, high = np.rint(np.array([x, y, wide, high]) * side).astype(int)
        drawn[side - low - high : side - low, left : left + wide] += 1
    assert (drawn == np.pad(np.array(code.matrix, dtype=int), 2)).all()


def test_fine_seed_of_woody_capsules(plan):
    # Common practice, no source.
    gum = plan.nursery.batches[0]
    assert gum.handling.fruit == "woody capsule"
    words = sowing(gum)
    for said in ("surface", "do not cover", "mostly river sand", "50 % shade cloth", "not wet"):
        assert said in words
    collect = next(
        t for t in tasks_of([gum], plan.nursery.rules) if t.title == "Collect seed"
    ).lines[0]
    assert "paper bags until they open" in collect


def test_coarse_seed_is_covered(plan):
    wattle = next(b for b in plan.nursery.batches if b.species == "Acacia melanoxylon")
    assert "cover with as much mix as the seed is thick" in sowing(wattle) and wattle.into_tubes


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_stays_text(tmp_path, text):
    plan = with_its_nursery(made_plan(hostile=text)) if text[0] not in "=@" else _leading(text)
    write_nursery(plan, tmp_path)
    for path in tmp_path.glob("*.csv"):
        content = path.read_text(encoding="utf-8")
        for row in csv.reader(io.StringIO(content, newline="")):
            assert not any(cell.startswith(("=", "+", "@", "\t", "\r")) for cell in row)
    book = icalendar.Calendar.from_ical((tmp_path / "nursery.ics").read_bytes())
    assert len(book.walk("VEVENT")) == len(tasks_of(plan.nursery.batches, plan.nursery.rules))
    for name in ("nursery.pdf", "labels.pdf"):
        reader = pypdf.PdfReader(tmp_path / name)
        assert all("/Annots" not in page for page in reader.pages)
        assert "EUC" in text_of(tmp_path / name)


def _leading(text):
    """A plan whose species' common names begin with the hostile text."""
    plan = made_plan()
    plan.species["common_name"] = text
    return with_its_nursery(plan)


def test_letters_that_the_typeface_has_not():
    assert on_paper("mānuka 名 ½ °C") == "manuka ? ½ °C"
    assert on_paper("a\x00\x1b\u202e\ud800b\nc") == "ab c"


def events(path):
    book = icalendar.Calendar.from_ical(path.read_bytes())
    return {str(e["uid"]): e for e in book.walk("VEVENT")}


def calendars(folder, plans):
    """Write the calendars one after another, each as the later state of the one before."""
    before = folder / "none.ics"
    for number, plan in enumerate(plans):
        path = folder / f"{number}.ics"
        write_calendar(plan.nursery, plan.name, path)
        carry_on(path, before)
        before = path
        yield path


def test_events_move_with_the_planting_day_and_are_known_again(plan, tmp_path):
    later = with_its_nursery(plant_on=date(2028, 10, 16))
    first, moved, same, back = (events(p) for p in calendars(tmp_path, [plan, later, later, plan]))
    assert first.keys() == moved.keys() == back.keys()
    assert {e["sequence"] for e in first.values()} == {0}
    for uid, event in moved.items():
        changed = event["dtstart"].dt != first[uid]["dtstart"].dt
        assert event["sequence"] == int(changed)
        assert (event["dtstamp"].dt > first[uid]["dtstamp"].dt) == changed
        assert back[uid]["sequence"] == 2 * int(changed)
        assert (back[uid]["dtstamp"].dt > event["dtstamp"].dt) == changed
    assert any(e["sequence"] for e in moved.values())
    assert same == moved and (tmp_path / "1.ics").read_bytes() == (tmp_path / "2.ics").read_bytes()


@pytest.mark.parametrize("text", HOSTILE)
def test_carrying_on_changes_no_letter_of_what_is_said(tmp_path, text):
    hostile = with_its_nursery(made_plan(hostile=text))
    once, again = calendars(tmp_path, [hostile, hostile])
    assert once.read_bytes() == again.read_bytes()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"SEQUENCE:0", b"SEQUENCE:soon"),
        (b"SEQUENCE:0", b"SEQUENCE:-4"),
        (b"SEQUENCE:0", b"SEQUENCE:1\r\nSEQUENCE:2"),
        (b"DTSTAMP:", b"X-STAMP:"),
        (b"DTSTAMP:", b"DTSTAMP:never"),
        (b"BEGIN:VCALENDAR", b"BEGIN:VCAL"),
        (b"UID:", b"\xff\xfe:"),
    ],
)
def test_a_calendar_that_somebody_broke_is_as_none(plan, tmp_path, old, new):
    path, broken = tmp_path / "nursery.ics", tmp_path / "broken.ics"
    write_calendar(plan.nursery, plan.name, path)
    whole = path.read_bytes()
    broken.write_bytes(whole.replace(old, new))
    carry_on(path, broken)
    assert path.read_bytes() == whole
