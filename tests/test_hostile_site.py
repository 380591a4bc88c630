"""A site whose every text is hostile, planned once: every file that comes out is only text."""

import csv
import io
import json
import re
import sqlite3
import sys
import xml.etree.ElementTree as ET
import zipfile
from types import SimpleNamespace

import geopandas as gpd
import icalendar
import pypdf
import pytest
import rasterio
from handover.browser import DESK, PHONE, opened
from handover.test_handheld import schema
from hostile_site import BODY, hostile_site

from siteplanner.base.errors import InputError
from siteplanner.cli import app as cli

# Each writer has hostile names in its own tests too; this is all of them at once.
pytestmark = pytest.mark.long

#: What may command a terminal or turn the order of reading; a line feed ends our own lines.
COMMANDS = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
FORMULA = re.compile(r"\s*[=+\-@＝＋－＠]")
NUMBER = re.compile(r"-?\d+(\.\d+)?")
#: The controls of a name as a question mark each, as formats do that cannot hold them.
MARKED = re.sub("[\x00-\x1f\x7f-\x9f]", "?", BODY)


def run(capsys, monkeypatch, *words):
    """Run a command in this process; give its exit code and all that it printed."""
    monkeypatch.setattr(sys, "argv", ["siteplanner", *map(str, words)])
    code = 0
    try:
        cli.main()
    except SystemExit as stop:
        code = stop.code or 0
    said = capsys.readouterr()
    return code, said.out + said.err


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The site, its names, and the folder of its plan, made by the command."""
    root = tmp_path_factory.mktemp("hostile")
    path, names = hostile_site(root / "site")
    out = root / "out" / "plan"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdout", io.StringIO())
        patch.setattr(sys, "stderr", io.StringIO())
        patch.setattr(sys, "argv", ["siteplanner", "plan", str(path), "--out", str(out)])
        with pytest.raises(SystemExit) as stop:
            cli.main()
        said = sys.stdout.getvalue() + sys.stderr.getvalue()
    assert not stop.value.code, said
    names = list(dict.fromkeys(name.strip() for name in names.made))
    return SimpleNamespace(root=root, site=path, names=names, out=out, said=said)


def botanical(made):
    with (made.site.parent / "species.csv").open(encoding="utf-8", newline="") as file:
        return [row["botanical_name"] for row in csv.DictReader(file)]


# ---- files and terminal -------------------------------------------------------------------


def test_no_file_lands_elsewhere_or_is_named_by_a_text(made):
    assert sorted(p.name for p in made.root.iterdir()) == ["out", "site"]
    assert [p.name for p in made.out.parent.iterdir()] == ["plan"]
    files = [p for p in made.out.rglob("*") if p.is_file()]
    assert len(files) > 100
    for path in files:
        parts = path.relative_to(made.out).parts
        assert len(parts) <= 2 and all(re.fullmatch(r"[a-z0-9_.]{1,80}", part) for part in parts)


def test_commands_print_nothing_that_commands_the_screen(made, capsys, monkeypatch, tmp_path):
    species = botanical(made)
    runs = [
        (0, run(capsys, monkeypatch, "check", made.site)),
        (0, run(capsys, monkeypatch, "explain", made.site, "--species", species[1])),
        (0, run(capsys, monkeypatch, "explain", made.site, "--at", "620150,5350150")),
        (0, run(capsys, monkeypatch, "verify", made.out)),
        (0, run(capsys, monkeypatch, "compare", made.out, made.out)),
        (1, run(capsys, monkeypatch, "explain", made.site, "--species", f"no {BODY}")),
        (1, run(capsys, monkeypatch, "plan", made.site, "--paddock", f"no {BODY}")),
        (1, run(capsys, monkeypatch, "check", tmp_path / "\x1b[2J\u202e.toml")),
    ]
    assert [code for _, (code, _) in runs] == [wanted for wanted, _ in runs]
    for said in [made.said, *(said for _, (_, said) in runs)]:
        assert not COMMANDS.search(said), repr(COMMANDS.search(said))
    # The words are still there, and neither markup nor the names of pictures were taken for such.
    assert r"\x1b[31m" in runs[1][1][1] and "[bold red]:warning:[/]" in runs[1][1][1]


def test_a_name_writes_no_line_of_its_own(capsys, monkeypatch):
    def fail():
        raise InputError("one\nNothing is wrong.", "two\r\x1b[1A")

    monkeypatch.setattr(cli, "app", fail)
    code, said = run(capsys, monkeypatch)
    assert code == 1 and said == "one Nothing is wrong.\ntwo \\x1b[1A\n"


# ---- tables -------------------------------------------------------------------------------


def cells_are_text(path):
    """Check a table, and give its cells."""
    text = path.read_text(encoding="utf-8")
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert len({len(row) for row in rows}) == 1, path.name
    cells = [cell for row in rows for cell in row]
    for cell in cells:
        assert not FORMULA.match(cell) or NUMBER.fullmatch(cell), (path.name, cell[:40])
    return cells


def test_csv_cells_are_no_formulas_and_no_row_breaks(made):
    seen = set()
    for path in made.out.rglob("*.csv"):
        seen |= {cell.removeprefix("'") for cell in cells_are_text(path)}
    assert set(botanical(made)[:2]) <= seen  # whole, as they were given


def test_workbook_holds_text_and_no_formula_link_or_picture_of_its_own(made):
    with zipfile.ZipFile(made.out / "plan.xlsx") as book:
        names = book.namelist()
        assert not [n for n in names if re.search("external|vba|activeX|embed|drawing", n)]
        elements = [e for n in names for e in ET.fromstring(book.read(n)).iter()]
        tags = {e.tag.split("}")[-1] for e in elements}
        assert not tags & {"ddeLink", "oleLink", "script", "img"}
        # Links lead to our own sheets: one that leads out has its address in a file of its own.
        assert not [n for n in names if n.startswith("xl/worksheets/_rels")]
        formulas = [e.text for e in elements if e.tag.endswith("}f")]
        ours = (
            r"(SUM|SUMIF|IF)\([A-Za-z0-9$:!,/>\"]+\)|Counts![A-Z]+\d+"
            r"|C\d+\*E\d+|F\d+/[\d.]+"  # costs: amount x price; a hectare, a tree
        )
        assert all(re.fullmatch(ours, text) for text in formulas)
        strings = ET.fromstring(book.read("xl/sharedStrings.xml"))
        texts = {"".join(e.itertext()) for e in strings}
    assert any(MARKED[:40] in text for text in texts)


# ---- places -------------------------------------------------------------------------------


def test_gpx_and_kml_are_valid_and_hold_only_text(made):
    gpx, kml = schema("gpx", "gpx.xsd"), schema("fastkml", "schema/ogckml22.xsd")
    for path in [made.out / "trees.gpx", *(made.out / "handheld").glob("*.gpx")]:
        gpx.validate(path)
    kml.validate(made.out / "trees.kml")
    root = ET.parse(made.out / "trees.kml").getroot()
    assert not {e.tag.split("}")[1] for e in root.iter()} & {"script", "img", "a", "NetworkLink"}
    for text in root.iter("{http://www.opengis.net/kml/2.2}description"):
        assert not re.search(r"<(?!/?(b|br|p|i|table|tr|td|th)\b)", text.text or "")


def test_geojson_and_manifest_hold_the_texts_as_they_were(made):
    features = json.loads((made.out / "trees.geojson").read_text(encoding="utf-8"))["features"]
    assert {f["properties"]["species"] for f in features} <= set(botanical(made))
    manifest = json.loads((made.out / "plan.json").read_text(encoding="utf-8"))
    assert "\x00" in manifest["site"] or BODY[:60] in manifest["site"]
    assert manifest["settings"]["mix"]["must"] == botanical(made)[:1]
    assert all(not name.startswith(("/", "..")) for name in manifest["files"])


def test_geopackage_holds_the_texts_and_styles_of_known_elements(made):
    path = made.out / "plan.gpkg"
    with sqlite3.connect(path) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        tables = {name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}
        styles = base.execute("SELECT styleQML, styleSLD FROM layer_styles").fetchall()
    assert all(re.fullmatch("[a-z_]+", table) for table in tables)
    for text in (text for pair in styles for text in pair):
        tags = {element.tag.split("}")[-1].lower() for element in ET.fromstring(text).iter()}
        assert not tags & {"script", "img", "x", "externalgraphic", "action", "expression"}
    paddocks = gpd.read_file(path, layer="paddocks")
    assert all(name in made.names for name in paddocks["name"])
    assert set(gpd.read_file(path, layer="trees")["species"]) <= set(botanical(made))


def test_geotiff_tags_hold_no_controls_and_no_tag_of_a_text(made):
    fits = sorted((made.out / "layers").glob("suitability_*.tif"))
    assert len(fits) == 6
    keys = set()
    for path in [*fits, made.out / "layers" / "limited_by.tif"]:
        with rasterio.open(path) as file:
            texts = [*file.tags().values(), *file.tags(1).values(), *file.descriptions]
            keys |= set(file.tags()) | set(file.tags(1))
        assert not any(COMMANDS.search(text) for text in texts if text)
    assert all(re.fullmatch(r"[A-Za-z]+(_[A-Za-z0-9]+)*", key) for key in keys), keys


# ---- paper and calendar -------------------------------------------------------------------


def paper_is_still(path):
    """Check that a PDF holds no action, link or file, and no commands in its words."""
    book = pypdf.PdfReader(path)
    acts = {"/JS", "/JavaScript", "/AA", "/OpenAction", "/Launch", "/URI", "/EmbeddedFile"}
    for number in range(1, len(book.xref[0]) + 1):
        thing = book.get_object(pypdf.generic.IndirectObject(number, 0, book))
        if isinstance(thing, dict):
            assert not acts & {*thing, str(thing.get("/S")), str(thing.get("/Type"))}
    text = "".join(page.extract_text() for page in book.pages)
    assert "cmd|" in text and not COMMANDS.search(text)


@pytest.mark.parametrize("name", ["sheets.pdf", "nursery.pdf", "labels.pdf"])
def test_pdf_has_no_action_link_or_file_in_it(made, name):
    paper_is_still(made.out / name)


def calendar_is_ours(data):
    """Check that a calendar reads back, and has the properties that we write and no others."""
    book = icalendar.Calendar.from_ical(data)
    assert book.to_ical() == data
    assert set(book) == {"VERSION", "PRODID", "X-WR-CALNAME"}
    events = book.walk("VEVENT")
    own = {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "TRANSP", "SEQUENCE"}
    assert events and all(set(event) == own and not event.subcomponents for event in events)
    assert not re.search(b"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", data)


def test_calendar_reads_back_with_our_own_properties_only(made):
    calendar_is_ours((made.out / "nursery.ics").read_bytes())


# ---- a catchment of it ------------------------------------------------------------------


@pytest.mark.long
def test_a_catchment_of_hostile_sites_passes_on_text_alone(made, capsys, monkeypatch, tmp_path):
    name = json.dumps(f"=Tern {BODY[-60:]}{BODY[:120]}", ensure_ascii=False).replace(
        "\x7f", "\\u007f"
    )
    site = json.dumps(str(made.site))
    path = tmp_path / "catchment.toml"
    path.write_text(f"[catchment]\nname = {name}\nsites = [{site}]\n", encoding="utf-8")
    code, said = run(capsys, monkeypatch, "catchment", path, "--out", tmp_path / "out")
    assert code == 0 and not COMMANDS.search(said), said[-500:]
    assert {p.name for p in tmp_path.iterdir()} == {"catchment.toml", "out"}
    shared = tmp_path / "out" / "shared"
    assert all(re.fullmatch(r"[a-z0-9_.]+", p.name) for p in shared.iterdir())
    for table in shared.glob("*.csv"):
        cells_are_text(table)
    calendar_is_ours((shared / "calendar.ics").read_bytes())
    paper_is_still(shared / "report.pdf")


# ---- the map in a browser -----------------------------------------------------------------


@pytest.mark.parametrize("screen", [DESK, PHONE], ids=["desk", "phone"])
def test_map_runs_nothing_of_the_texts(made, browser, screen):
    page_file = made.out / "map.html"
    with opened(browser, page_file, **screen) as it:
        page = it.page
        scripts = page.evaluate("document.scripts.length")
        for tab in page.locator("#tabs button").all():
            tab.click()
            page.wait_for_timeout(30)
        page.evaluate(
            """() => { for (const [all, about] of [
                 [plan.zones, aboutZone], [plan.blocks, aboutBlock], [plan.paddocks, aboutPaddock],
                 [plan.frost, aboutFrost], [plan.no_plant, aboutFeature]])
               for (const one of all) openAt(map.getCenter(), about(one));
               openAt(map.getCenter(), aboutTree(0)); }"""
        )
        assert "cmd|" in page.text_content("#card .about")
        page.evaluate("closeCard()")
        if page.get_attribute("#tab-Blocks", "aria-expanded") != "true":
            page.click("#tab-Blocks")
        page.fill("#find", "<img src=x onerror=window")
        assert page.locator(".blocks li:visible").count() > 0
        page.press("#find", "Enter")
        for choice in page.locator("#species option").all()[1:3]:
            page.evaluate(
                """value => { const pick = document.getElementById('species');
                     pick.value = value; pick.dispatchEvent(new Event('change')); }""",
                choice.get_attribute("value"),
            )
            page.wait_for_timeout(50)
        page.emulate_media(media="print")
        page.wait_for_timeout(200)
        assert page.evaluate("window.pwned") is None
        assert page.evaluate("document.scripts.length") == scripts
        assert page.locator("img[src='x'], [onerror]").count() == 0
        shown = page.evaluate(
            "document.title + document.body.textContent.replace("
            "document.getElementById('siteplan-data').textContent, '')"
        )
        assert "1337" not in shown and "{{7*191}}" in shown
        assert not re.search("[\u202a-\u202e\u2066-\u2069]", shown)
        assert it.requests == [page_file.as_uri()]
        assert it.complaints == []
