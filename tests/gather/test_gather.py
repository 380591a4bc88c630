"""From a boundary alone: what is fetched, kept, missing, said and written."""

import json
import shutil
import tomllib

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from conftest import here
from gather.fake_services import (
    Clock,
    Fake,
    Said,
    boundary_file,
    glo30_path,
    outline,
    path_of,
    put_all,
    services_file,
    services_of,
)

from siteplanner.base.errors import InputError
from siteplanner.gather import gather as whole
from siteplanner.gather.area import Area, read_area, rounded
from siteplanner.gather.gather import PARTS, UNTRIED, gather, would_fetch
from siteplanner.gather.net import door as doors
from siteplanner.gather.services import SHIPPED, load_services
from siteplanner.reading.files.sources import read_sources
from siteplanner.site.site_file import load_site

FILES = {part.file for part in PARTS}


@pytest.fixture(scope="module")
def well():
    """A server whose services are all well, and the folder that one run made of them."""
    with Fake() as fake:
        services = services_of(fake)
        put_all(fake, services)
        yield fake, services


@pytest.fixture(scope="module")
def once(well, tmp_path_factory):
    """The first run of all: its folder, its report, and what was asked."""
    fake, services = well
    place = tmp_path_factory.mktemp("once")
    boundary = boundary_file(place / "boundary.gpkg")
    done = gather(place / "holm", boundary, services, clock=Clock(), answers=place / "answers")
    return place, done, list(fake.asked)


@pytest.fixture
def fake(well):
    yield well[0]
    well[0].always.clear()
    well[0].faults.clear()


@pytest.fixture
def services(well):
    return well[1]


@pytest.fixture
def ready(well, once, fake, services, tmp_path):
    """A copy of what the first run made; gives what calls ``gather``, with no answers kept."""
    shutil.copytree(once[0] / "holm", tmp_path / "holm")
    shutil.copy(once[0] / "boundary.gpkg", tmp_path)
    fake.asked.clear()

    def run(**changed):
        given = {"services": services, "clock": Clock(), "answers": tmp_path / "answers"} | changed
        return gather(run.folder, run.boundary, **given)

    run.boundary, run.folder = tmp_path / "boundary.gpkg", tmp_path / "holm"
    return run


def test_a_boundary_alone_becomes_a_folder_of_files_and_a_site(once):
    place, done, _ = once
    folder = place / "holm"
    assert done.gaps == {} and done.kept == []
    there = {path.name for path in folder.iterdir()}
    assert there >= FILES | {"sources.csv", "site.toml", "paddocks.gpkg", "species.csv"}
    assert not [name for name in there if name.startswith(".")]
    site = load_site(folder / "site.toml")
    assert site.dem.file == "heights.tif" and site.site.sources == "sources.csv"
    assert site.soils.columns.known_by == "known_by"
    assert site.climate.station_elevation_m == 320.0 and site.climate.wind_height_m == 2.0
    rows = {row.what: row for row in read_sources(folder / "sources.csv")}
    assert list(rows) == [*(part.what for part in PARTS), "site file"]
    for part in PARTS:
        row = rows[part.what]
        assert row.file == part.file and row.date == "2026-11-28" and row.how_sure, part
        assert row.service and row.address and row.licence, part
    assert rows["what to keep clear of"].credit == "© OpenStreetMap contributors, ODbL"
    assert rows["soils"].cell == "250 m" and rows["heights"].cell == "30 m"


def test_what_went_where_is_told_and_is_no_more_than_a_box(once, well):
    _, done, asked = once
    assert sum(int(line.rsplit("(", 1)[1].split()[0]) for line in done.sent) == len(asked)
    told = " ".join(done.sent)
    assert "a box, 160.3 to 160.31 east, -42.06 to -42.04 north" in told
    corners = [f"{value:.4f}" for point in outline().exterior.coords for value in point]
    for one in asked:
        text = one.path + one.body.decode() + json.dumps(one.headers)
        assert not [corner for corner in corners if corner in text]
    assert well[0].most_at_once == 1


def test_a_repeated_run_asks_for_nothing_that_is_there(ready, fake):
    before = {p.name: p.read_bytes() for p in ready.folder.iterdir()}
    done = ready()
    assert fake.asked == [] and done.written == [] and len(done.kept) == len(PARTS)
    assert {p.name: p.read_bytes() for p in ready.folder.iterdir()} == before


FAULTS = {
    "heights": lambda s: [path_of(s.gedtm30.address[0]), path_of(s.gedtm30.address[1]),
                          glo30_path(s, "Copernicus_DSM_COG_10_S43_00_E160_00_DEM")],
    "soils": lambda s: ["/soilgrids/latest/data/clay/clay_5-15cm_mean.vrt",
                        path_of(s.soilgrids_wcs.address)],
    "monthly climate": lambda s: [path_of(s.chelsa.address).replace("{variable}", "tasmin")
                                  .replace("{month}", "01"),
                                  path_of(s.power.address).split("?")[0]],
    "winter minima": lambda s: [path_of(s.ghcn.inventory), path_of(s.power.address).split("?")[0]],
    "what to keep clear of": lambda s: [path_of(s.overpass.address)],
}  # fmt: skip


@pytest.mark.parametrize("what", FAULTS)
def test_a_part_that_fails_is_named_and_the_next_run_fetches_it_alone(ready, fake, services, what):
    for path in FAULTS[what](services):
        fake.always[path] = Said(503, b"<html>down</html>")
    [part] = [part for part in PARTS if part.what == what]
    (ready.folder / part.file).unlink()
    others = {p.name: p.read_bytes() for p in ready.folder.iterdir()}
    done = ready()
    assert list(done.gaps) == [what] and "status 503" in done.gaps[what]
    assert done.improve[0] == f"{what}: missing; run again, or give a file of your own"
    assert {p.name: p.read_bytes() for p in ready.folder.iterdir()} == others
    if what not in ("what to keep clear of", "winter minima"):
        return
    fake.always.clear()
    again = ready()
    assert [row.what for row in again.written] == [what] and again.gaps == {}
    assert again.site == ready.folder / "site.toml"


@pytest.mark.parametrize(
    "told",
    [
        {"elements": [1]},
        {"elements": [{"type": "node", "tags": {"power": "pole"}}]},
        {"elements": [{"type": "way", "tags": {"power": "line"}, "geometry": [{"lat": "x"}]}]},
        {"elements": [{"type": "way", "tags": [], "geometry": {}}]},
    ],
)
def test_an_answer_that_nobody_foresaw_is_a_gap_and_no_end(ready, fake, services, told):
    (ready.folder / "osm_features.gpkg").unlink()
    fake.always[path_of(services.overpass.address)] = Said(200, json.dumps(told).encode())
    done = ready()
    assert list(done.gaps) == ["what to keep clear of"] or (
        "has nothing here" in done.notes[0] and not done.gaps
    )
    assert not (ready.folder / "osm_features.gpkg").exists()


@pytest.mark.long
@pytest.mark.parametrize("what", FAULTS)
def test_each_part_fails_alone_from_the_start_and_comes_later(fake, services, once, tmp_path, what):
    for path in FAULTS[what](services):
        fake.always[path] = Said(503, b"<html>down</html>")
    folder, boundary = tmp_path / "holm", once[0] / "boundary.gpkg"
    [part] = [part for part in PARTS if part.what == what]

    def run():
        return gather(folder, boundary, services, clock=Clock(), answers=tmp_path / "answers")

    done = run()
    lost = {what, "winter minima"} if what == "heights" else {what}  # which wait for the heights
    assert set(done.gaps) == lost and not (folder / part.file).exists()
    assert {row.what for row in done.written} == {p.what for p in PARTS} - lost
    assert (done.site is None) == (what == "heights")
    if done.site is not None:  # a site with a gap is a site
        assert load_site(done.site).site.sources == "sources.csv"
    fake.always.clear()
    fake.asked.clear()
    again = run()
    assert {row.what for row in again.written} == lost and again.gaps == {}
    assert len(fake.asked) < 100
    site = tomllib.loads((folder / "site.toml").read_text("utf-8"))
    if part.table:
        assert site[part.table][part.setting] == part.file


class KilledError(BaseException):
    """Somebody stops the program."""


def test_a_run_that_is_killed_while_it_asks_goes_on_where_it_was(ready, fake, monkeypatch):
    """Also in the middle of a driver's reading, which passes no exception on."""
    (ready.folder / "soil_hints.gpkg").unlink()
    usual, left = doors.Door._once, 20

    def dies(self, *words):
        nonlocal left
        left -= 1
        if left < 0:
            raise KilledError
        return usual(self, *words)

    monkeypatch.setattr(doors.Door, "_once", dies)
    for _ in range(3):
        with pytest.raises(KilledError):
            ready()
        left = 7
    monkeypatch.setattr(doors.Door, "_once", usual)
    assert not (ready.folder / "soil_hints.gpkg").exists()
    done = ready()
    assert done.gaps == {} and (ready.folder / "soil_hints.gpkg").exists()
    asked = [(one.method, one.path, one.headers.get("Range")) for one in fake.asked]
    assert len(asked) == len(set(asked)) > 40, "something was asked for twice"


def test_a_run_that_is_killed_between_a_row_and_its_file_leaves_no_false_file(
    ready, fake, monkeypatch
):
    (ready.folder / "osm_features.gpkg").unlink()
    rename = type(ready.folder).rename

    def no_rename(self, to):
        if self.suffix == ".gpkg":
            raise KilledError
        return rename(self, to)

    monkeypatch.setattr(type(ready.folder), "rename", no_rename)
    with pytest.raises(KilledError):
        ready()
    monkeypatch.undo()
    (ready.folder / ".gathering-old").mkdir()
    (ready.folder / ".gathering-old" / "half.gpkg").write_bytes(b"half")
    assert "osm_features.gpkg" in {r.file for r in read_sources(ready.folder / "sources.csv")}
    assert not (ready.folder / "osm_features.gpkg").exists()
    assert [row.what for row in ready().written] == ["what to keep clear of"]
    assert not [p.name for p in ready.folder.iterdir() if p.name.startswith(".")]
    assert len(fake.asked) == 1


def test_files_of_the_user_s_are_never_overwritten(ready, fake):
    table = pd.read_csv(ready.folder / "sources.csv", dtype=str, keep_default_na=False)
    table[table["what"] == "site file"].to_csv(ready.folder / "sources.csv", index=False)
    mine = {name: (ready.folder / name).read_bytes() for name in FILES}
    (ready.folder / "site.toml").unlink()
    done = ready()
    assert fake.asked == [] and all("your own, left as it is" in line for line in done.kept)
    assert {name: (ready.folder / name).read_bytes() for name in FILES} == mine
    (ready.folder / "soil_hints.gpkg").write_bytes(b"mine, and broken")
    (ready.folder / "osm_features.gpkg").unlink()
    site = (ready.folder / "site.toml").read_bytes()
    with pytest.raises(InputError, match=r"soil_hints\.gpkg"):
        ready()
    assert (ready.folder / "soil_hints.gpkg").read_bytes() == b"mine, and broken"
    assert (ready.folder / "site.toml").read_bytes() == site


def test_a_site_file_of_the_user_s_stays_and_is_told_what_to_take(ready):
    site = ready.folder / "site.toml"
    for name in ("climate_winter_minima.csv", "osm_features.gpkg", "sources.csv"):
        (ready.folder / name).unlink()
    own = (
        '[site]\nname = "Mine"\n[boundary]\nfile = "../boundary.gpkg"\n'
        '[dem]\nfile = "heights.tif"\n[soils]\nfile = "soil_hints.gpkg"\n'
        '[species]\nfile = "species.csv"\n'
    )
    site.write_text(own, "utf-8")
    done = ready()
    assert site.read_text("utf-8") == own
    assert any("heights" in line and "site.toml names it" in line for line in done.kept)
    assert any("your own, left as it is" in line for line in done.kept)  # its row is gone
    assert done.to_write == [
        '[site] sources = "sources.csv"',
        '[climate] winter_minima = "climate_winter_minima.csv"',
        "[climate] station_elevation_m = 320.0",
        '[no_plant] file = "osm_features.gpkg"',
    ]


@pytest.mark.long
def test_a_soil_map_that_says_nothing_is_missing(ready):
    """As ``new`` writes it until somebody digs."""
    blank = gpd.read_file(ready.folder / "soil_hints.gpkg")[["unit", "texture", "geometry"]]
    blank.assign(texture=None).to_file(ready.folder / "blank.gpkg")
    site = (ready.folder / "site.toml").read_text("utf-8")
    own = tomllib.loads(site)
    text = site.replace('file = "soil_hints.gpkg"', 'file = "blank.gpkg"')
    for column in ("drainage", "depth_m", "ph", "stones_percent", "known_by"):
        text = text.replace(f'{column} = "{column}"', f'{column} = ""')
    (ready.folder / "site.toml").write_text(text, "utf-8")
    (ready.folder / "soil_hints.gpkg").unlink()
    assert own["soils"]["file"] == "soil_hints.gpkg"
    done = ready()
    assert [row.what for row in done.written] == ["soils"]
    assert '[soils] file = "soil_hints.gpkg"' in done.to_write


@pytest.mark.long
def test_rows_and_columns_that_somebody_added_to_the_sources_stay(ready):
    path = ready.folder / "sources.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False).assign(remark="seen")
    table.loc[len(table)] = dict.fromkeys(table, "") | {"what": "paddocks", "file": "mine.gpkg"}
    table.to_csv(path, index=False)
    (ready.folder / "osm_features.gpkg").unlink()
    ready()
    after = pd.read_csv(path, dtype=str, keep_default_na=False).set_index("what")
    assert after["file"]["paddocks"] == "mine.gpkg" and after["remark"]["heights"] == "seen"
    assert after["remark"]["what to keep clear of"] == ""


def test_offline_says_what_would_be_fetched_and_asks_nobody(ready, fake, services, tmp_path):
    folder = tmp_path / "new"
    told = services_file(tmp_path / "services.toml", services)
    done = here("gather", folder, "--boundary", ready.boundary, "--services", told, "--offline")
    assert done.returncode == 0, done.stderr
    for part in PARTS:
        assert f"- {part.what}, into {part.file}: " in done.stdout
    assert "sent: a box, 160.3 to 160.31 east, -42.06 to -42.04 north" in done.stdout
    assert fake.asked == [] and not folder.exists()
    said, _ = would_fetch(folder, ready.boundary, load_services())
    assert any("overpass-api.de" in line for line in said)
    assert not [line for line in said if "Australia" in line or "USGS" in line]
    said, there = would_fetch(ready.folder, ready.boundary, services)
    assert said == [] and len(there.kept) == len(PARTS)


def test_the_command_prints_gaps_and_says_that_nothing_live_was_tried(
    ready, fake, services, tmp_path, monkeypatch
):
    for what in ("osm_features.gpkg", "climate_winter_minima.csv"):
        (ready.folder / what).unlink()
    fake.always[path_of(services.overpass.address)] = Said(406, b"Not Acceptable")
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path / "cache"))
    told = services_file(tmp_path / "services.toml", services)
    done = here("gather", ready.folder, "--boundary", ready.boundary, "--services", told)
    assert done.returncode == 4, done.stderr
    assert "- what to keep clear of: it refuses the request (status 406" in done.stdout
    assert f"- {UNTRIED}" in done.stdout and "live services have not been tried" in UNTRIED
    for title in ("Fetched", "Missing", "Please read", "What went where", "What to improve first"):
        assert f"\n{title}\n" in f"\n{done.stdout}"
    assert "siteplanner plan" in done.stdout.splitlines()[-1]
    assert list((tmp_path / "cache" / "gathered").glob("*.answer"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[manners]\ntries = 0", "manners.tries: input should be greater"),
        ("[manners]\nhurry = true", "manners.hurry: extra inputs are not permitted"),
        ("[overpass]\naddress = 'file:///etc/passwd'", "overpass.address: string should match"),
        ("[overpass", "it is not TOML"),
    ],
)
def test_a_services_file_that_cannot_be_is_named_in_one_sentence(tmp_path, text, words):
    path = tmp_path / "services.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError) as caught:
        load_services(path)
    assert words in str(caught.value) and str(path) in str(caught.value)
    with pytest.raises(InputError, match="cannot be read"):
        load_services(tmp_path / "none.toml")


def test_what_a_services_file_leaves_out_is_as_shipped(tmp_path):
    path = tmp_path / "services.toml"
    path.write_text("[overpass]\naddress = 'https://mirror.example/api'\n", "utf-8")
    read, shipped = load_services(path), load_services()
    assert read.overpass.address == "https://mirror.example/api"
    assert read.overpass.credit == shipped.overpass.credit and read.national == shipped.national
    text = SHIPPED.read_text(encoding="utf-8")
    assert "http://" not in text and shipped.manners.plain_hosts == ()


@pytest.mark.parametrize("wide", [0.6, 359.9])
def test_an_outline_that_is_no_single_property_is_refused(tmp_path, wide):
    path = tmp_path / "b.gpkg"
    frame = gpd.GeoDataFrame(geometry=[shapely.box(-wide / 2, -42.0, wide / 2, -41.9)], crs=4326)
    frame.to_file(path)
    with pytest.raises(InputError, match=r"one property|both sides of the 180th"):
        read_area(path)


def test_boxes_hold_the_property_and_are_rounded_outwards():
    area = Area(outline())
    for metres in (0.0, 150.0, 5000.0):
        west, south, east, north = box = area.around(metres)
        assert rounded(box) == box
        assert west <= area.box[0] and south <= area.box[1]
        assert east >= area.box[2] and north >= area.box[3]


def test_two_runs_do_not_ask_at_the_same_time(ready, tmp_path):
    with whole._alone(tmp_path / "answers"), pytest.raises(InputError, match="another gather"):
        ready()


@pytest.mark.long
def test_from_a_boundary_to_a_plan_that_ranks_what_to_improve(ready, fake, tmp_path):
    ready.folder = tmp_path / "new"
    done = ready()
    assert len(fake.asked) > 100 and done.gaps == {}
    planned = here("plan", done.site, "--out", tmp_path / "plan")
    assert planned.returncode == 0, planned.stderr
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text("utf-8"))
    assert plan["trees_total"] > 1000
    [first] = [words for words in plan["warnings"] if words.startswith("What to improve first: 1.")]
    for words in ("dig the spots in dig.csv", "a minimum thermometer", "lidar of this land"):
        assert words in first
    assert first in " ".join(planned.stdout.split())
    assert any("known from a model alone" in words for words in plan["warnings"])
    credit = "© OpenStreetMap contributors, ODbL"
    assert any(credit in words and "same licence" in words for words in plan["credits"])
    page = (tmp_path / "plan" / "map.html").read_text("utf-8")
    assert f'<p id="credit">{credit}</p>' in page and "GEDTM30" in page
    dig = pd.read_csv(tmp_path / "plan" / "dig.csv")
    assert len(dig) > 5 and dig["map_says"].str.contains("drainage unknown").all()
    assert {"sources.csv", "osm_features.gpkg"} <= set(plan["inputs"])
