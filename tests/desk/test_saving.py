"""A save is whole or not at all, and the site's own readers decide whether it may be."""

import itertools
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from desk.desk_site import MIDDLE
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.desk.drawing import before, held, saving
from siteplanner.desk.drawing.features import WrongError
from siteplanner.desk.drawing.held import HeldError
from siteplanner.desk.drawing.saving import StaleError
from siteplanner.desk.drawing.shared_edges import (
    cut_to_fit,
    newly_wrong,
    overlaps,
    with_shared_corners,
)
from siteplanner.site.site_file import load_site


@pytest.fixture
def hasty(monkeypatch):
    """Do not wait for who only reads."""
    monkeypatch.setattr(held, "PATIENCE_S", 0.0)


def moved(features, corner, to):
    """Features with one corner moved wherever it is, as the page moves it."""

    def change(rings):
        if isinstance(rings[0], float):
            return to if tuple(rings) == tuple(corner) else rings
        return [change(inner) for inner in rings]

    def geometry(one):
        return {**one["geometry"], "coordinates": change(one["geometry"]["coordinates"])}

    return [{**one, "geometry": geometry(one)} for one in features]


def files(desk):
    return {p.name: p.read_bytes() for p in desk.path.parent.iterdir() if p.is_file()}


def test_a_shared_corner_moves_in_all_and_all_else_stays(desk):
    file = desk.path.parent / "land.gpkg"
    before = file.read_bytes()
    found = desk.layer("paddocks")
    to = (MIDDLE[0] + 7.25, MIDDLE[1] - 3.5)
    desk.save("paddocks", found["version"], moved(found["features"], MIDDLE, to))
    saved = pyogrio.read_dataframe(file, layer="paddocks")
    assert list(saved["note"])[:3] == ["a", "b", "c"] and list(saved["plant"]) == [1, 1, 1, 0]
    assert saved["plant"].dtype == np.int64
    shapes = saved.geometry.to_numpy()
    assert shapely.coverage_is_valid(shapes)
    assert all(to in {tuple(xy) for xy in shapely.get_coordinates(one)} for one in shapes)
    assert pyogrio.read_dataframe(file, layer="mine")["what"][0] == "a gate"
    with closing(sqlite3.connect(file)) as opened:
        styles = set(opened.execute("SELECT f_table_name, styleQML FROM layer_styles"))
    assert styles == {("paddocks", "s"), ("mine", "m")}
    assert (file.parent / ".before" / "land.00001.gpkg").read_bytes() == before
    assert not list(file.parent.glob(".land*"))


def test_a_stale_save_is_refused_and_changes_nothing(desk):
    found = desk.layer("paddocks")
    one, other = ((MIDDLE[0] + d, MIDDLE[1]) for d in (2.0, 4.0))
    desk.save("paddocks", found["version"], moved(found["features"], MIDDLE, one))
    now = files(desk)
    with pytest.raises(StaleError):
        desk.save("paddocks", found["version"], moved(found["features"], MIDDLE, other))
    assert files(desk) == now


def test_what_the_readers_refuse_stands_beside_its_field(desk):
    found, now = desk.layer("paddocks"), files(desk)
    features = [{**one, "properties": dict(one["properties"])} for one in found["features"]]
    features[2]["properties"]["name"] = " "
    with pytest.raises(WrongError) as refused:
        desk.save("paddocks", found["version"], features)
    [(number, column, sentence)] = refused.value.errors
    assert (number, column) == (2, "name")
    assert "land.gpkg" in sentence and "it has no name" in sentence and ".new" not in sentence
    assert files(desk) == now


def test_an_overlap_that_an_edit_makes_is_refused(desk):
    found, now = desk.layer("paddocks"), files(desk)
    features = moved(found["features"][:1], MIDDLE, (MIDDLE[0] + 9, MIDDLE[1] - 9))
    with pytest.raises(WrongError, match="features 1, 2, 3, 4 of Paddocks would overlap"):
        desk.save("paddocks", found["version"], features + found["features"][1:])
    assert files(desk) == now


def test_an_outline_that_crosses_itself_is_refused(desk):
    found = desk.layer("boundary")
    ring = [(0, 0), (9, 9), (9, 0), (0, 9), (0, 0)]
    found["features"][0]["geometry"] = {"type": "Polygon", "coordinates": [ring]}
    with pytest.raises(WrongError, match="its outline crosses itself"):
        desk.save("boundary", found["version"], found["features"])


def test_a_new_polygon_takes_its_neighbours_edges(desk):
    found = desk.layer("paddocks")
    x, y = MIDDLE
    new = shapely.box(x + 20, y - 30, x + 90, y + 30)
    feature = {"id": None, "geometry": shapely.geometry.mapping(new),
               "properties": {"name": "Beyond", "plant": 0}}  # fmt: skip
    saved = desk.save("paddocks", found["version"], [*found["features"], feature])
    shapes = np.array([shapely.geometry.shape(one["geometry"]) for one in saved["features"]])
    assert shapely.area(shapes[4]) == pytest.approx(40 * 60)
    assert shapely.coverage_is_valid(shapes) and not overlaps(shapes)
    assert len(shapely.get_coordinates(shapes[1])) == 6  # the new neighbour's corner is its own too


@pytest.mark.parametrize("name", ["hollows", "thermometers", "seed_sources", "keep_clear_lines"])
def test_what_a_site_has_not_yet_gets_a_file_and_a_line_in_the_site_file(desk, name):
    found = desk.layer(name)
    drawn = found["drawn"]
    assert not drawn["there"] and found["features"] == []
    x, y = MIDDLE
    shape = {
        "polygon": shapely.box(x, y, x + 9, y + 9),
        "line": shapely.LineString([(x, y), (x + 9, y)]),
        "point": shapely.Point(x, y),
    }[drawn["shape"]]
    values = {"kind": "fence", "name": "Mine", "winter_min_c": "-4,5", "height_m": 1.2,
              "winter": 2000}  # fmt: skip
    if name == "seed_sources":
        values["species"] = drawn["fields"][0]["choices"][1][0]
    values = {f["column"]: values.get(f["column"]) for f in drawn["fields"]}
    feature = {"id": None, "geometry": shapely.geometry.mapping(shape), "properties": values}
    saved = desk.save(name, found["version"], [feature])
    assert saved["drawn"]["there"] and saved["features"][0]["properties"]["name"] == "Mine"
    site = load_site(desk.path)
    assert site.site.name == "A square" and (desk.path.parent / drawn["file"]).is_file()
    assert len(desk.layer(saved["drawn"]["id"])["features"]) == 1


def test_a_file_that_cannot_be_read_is_said(desk):
    (desk.path.parent / "soils.gpkg").write_bytes(b"no geodata")
    with pytest.raises(InputError, match=r"soils\.gpkg"):
        desk.layer("soils")
    (desk.path.parent / "soils.gpkg").unlink()
    with pytest.raises(InputError, match="does not exist"):
        desk.layer("soils")
    assert [one["id"] for one in desk.about()["drawn"]][:2] == ["boundary", "paddocks"]


def test_one_of_several_is_deleted_and_the_last_is_not(desk):
    found = desk.layer("paddocks")
    saved = desk.save("paddocks", found["version"], found["features"][:1])
    assert [one["properties"]["name"] for one in saved["features"]] == ["North west"]
    with pytest.raises(WrongError, match=r"take land\.gpkg out of site\.toml"):
        desk.save("paddocks", saved["version"], [])


def test_zones_cannot_be_taken_from_no_plan(desk):
    with pytest.raises(InputError, match="there is no plan yet; plan first"):
        desk.take_zones({})


def test_a_file_that_another_program_writes_is_left_alone(desk, hasty):
    found = desk.layer("paddocks")
    file = desk.path.parent / "land.gpkg"
    with closing(sqlite3.connect(file)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(HeldError, match=r"land\.gpkg"):
            desk.save("paddocks", found["version"], found["features"])


@pytest.mark.parametrize("mode", ["delete", "wal"])
def test_a_file_that_a_gis_has_open_to_edit_is_left_alone(desk, hasty, mode):
    found, file = desk.layer("paddocks"), desk.folder / "land.gpkg"
    with closing(sqlite3.connect(file)) as other:
        other.execute(f"PRAGMA journal_mode = {mode}")
        if mode == "delete":
            other.execute("BEGIN")
        other.execute("SELECT count(*) FROM paddocks").fetchone()
        with pytest.raises(HeldError, match=r"land\.gpkg"):
            desk.save("paddocks", found["version"], found["features"])
    desk.save("paddocks", found["version"], found["features"])


def test_who_only_reads_the_file_is_waited_for(desk):
    # The process that plans reads the same file, and one draws on meanwhile.
    found, file = desk.layer("paddocks"), desk.folder / "land.gpkg"
    with closing(sqlite3.connect(file, check_same_thread=False)) as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM paddocks").fetchone()
        done = threading.Timer(0.3, other.rollback)
        done.start()
        desk.save("paddocks", found["version"], found["features"])
        done.join()


def test_what_a_gis_that_died_had_committed_is_not_lost(desk):
    file = desk.folder / "land.gpkg"
    program = (
        "import os, sqlite3, sys; f = sqlite3.connect(sys.argv[1]);"
        "f.execute('PRAGMA journal_mode = wal'); f.execute('PRAGMA wal_autocheckpoint = 0');"
        "f.execute(\"UPDATE layer_styles SET styleQML = 'new' WHERE id = 2\"); f.commit();"
        "os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", program, file], check=False).returncode == 9
    assert file.with_name("land.gpkg-wal").stat().st_size > 0
    found = desk.layer("paddocks")
    desk.save("paddocks", found["version"], found["features"])
    with closing(sqlite3.connect(file)) as opened:
        assert opened.execute("SELECT styleQML FROM layer_styles WHERE id = 2").fetchone() == (
            "new",
        )
    assert not list(desk.folder.glob("land.gpkg-*"))


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux says who has a file open")
def test_a_program_that_shows_the_file_as_it_was_is_named(desk):
    found = desk.layer("paddocks")
    with (desk.folder / "land.gpkg").open("rb") as shown:
        # The shell ends at once: what it leaves is no process of the desk's own.
        program = "exec 3<&0; sleep 20 <&3 >/dev/null 2>&1 & echo $!"
        viewer = subprocess.run(
            ["sh", "-c", program], stdin=shown, capture_output=True, text=True, check=True
        )
    try:
        saved = desk.save("paddocks", found["version"], found["features"])
    finally:
        os.kill(int(viewer.stdout), signal.SIGKILL)
    [note] = [one for one in saved["notes"] if "open in" in one]
    assert note.startswith("land.gpkg is open in sleep too, which shows it as it was")


def test_where_an_open_file_cannot_be_replaced_nothing_changes_and_it_is_said(desk, monkeypatch):
    found, now = desk.layer("paddocks"), files(desk)

    def refused(*_):
        raise PermissionError(13, "it is open")

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(HeldError, match=r"land\.gpkg"):
        desk.save("paddocks", found["version"], found["features"])
    assert files(desk) == now


def test_the_way_back_to_an_earlier_version_and_forth_again(desk):
    found, first = desk.layer("paddocks"), files(desk)["land.gpkg"]
    to = (MIDDLE[0] + 6, MIDDLE[1])
    moved_ = desk.save("paddocks", found["version"], moved(found["features"], MIDDLE, to))
    assert [number for number, _ in desk.earlier("paddocks")["versions"]] == [1]
    desk.put_back("paddocks", 1)
    assert files(desk)["land.gpkg"] == first
    assert desk.layer("paddocks")["version"] == found["version"]
    assert [number for number, _ in desk.earlier("paddocks")["versions"]] == [2, 1]
    desk.put_back("paddocks", 2)
    assert desk.layer("paddocks")["version"] == moved_["version"]
    with pytest.raises(InputError, match="this earlier version is gone"):
        desk.put_back("paddocks", 9)
    assert desk.earlier("land") is None and desk.put_back("..", 1) is None


def test_an_earlier_version_that_the_site_cannot_use_is_refused(desk):
    found = desk.layer("paddocks")
    desk.save("paddocks", found["version"], found["features"])
    shutil.copy(desk.folder / "soils.gpkg", desk.folder / ".before" / "land.00002.gpkg")
    now = files(desk)
    with pytest.raises((InputError, WrongError), match=r"land\.gpkg.*layer"):
        desk.put_back("paddocks", 2)
    assert files(desk) == now


@pytest.mark.parametrize("point", ["_written", "_checked", "keep"])
def test_a_save_that_is_broken_off_changes_nothing(desk, monkeypatch, point):
    found, now = desk.layer("paddocks"), files(desk)
    whole = getattr(saving, point)

    def broken(*arguments):
        whole(*arguments)
        raise KeyboardInterrupt

    monkeypatch.setattr(saving, point, broken)
    with pytest.raises(KeyboardInterrupt):
        desk.save(
            "paddocks",
            found["version"],
            moved(found["features"], MIDDLE, (MIDDLE[0] + 5, MIDDLE[1])),
        )
    assert files(desk) == now


#: Ten moments of a save at which the desk may be killed: what is called, and whether just before
#: or just after it; the last is the one after which the gesture is saved.
MOMENTS = [
    (saving, "understood", "before"), (saving, "understood", "after"),
    (saving, "refuse_held", "before"), (saving, "_written", "before"),
    (saving, "_written", "after"), (saving, "_checked", "after"), (saving, "keep", "before"),
    (saving, "keep", "after"), (Path, "replace", "before"), (Path, "replace", "after"),
]  # fmt: skip


def test_a_desk_that_is_killed_loses_at_most_the_last_gesture(desk, monkeypatch):
    places = (MIDDLE, (MIDDLE[0] + 5, MIDDLE[1]))
    found, now = desk.layer("paddocks"), visible(desk)
    for n, (home, name, when) in enumerate(MOMENTS):
        features = moved(found["features"], places[0], places[1])
        whole = getattr(home, name)

        def killed(*arguments, whole=whole, when=when):
            if when == "after":
                whole(*arguments)
            os.kill(os.getpid(), signal.SIGKILL)

        child = os.fork()
        if not child:
            monkeypatch.setattr(home, name, killed)
            desk.save("paddocks", found["version"], features)
            os._exit(0)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        saved = n == len(MOMENTS) - 1
        again = desk.layer("paddocks")
        assert (visible(desk) != now, again["version"] != found["version"]) == (saved, saved)
    desk.save("paddocks", again["version"], moved(again["features"], places[1], places[0]))
    assert not list(desk.folder.glob(".land*"))


def visible(desk):
    """What is in the folder but for halves of files, which begin with a dot."""
    return {name: data for name, data in files(desk).items() if not name.startswith(".")}


@pytest.mark.long
def test_killed_fifty_times_at_any_moment_nothing_is_lost_but_the_last_gesture(desk, tmp_path):
    # A process saves one gesture after another and says each that is saved; it is killed while it
    # does. What is then in the file is the last one said, or the one that was being saved.
    random, told = np.random.default_rng(20), 0.0
    found = desk.layer("thermometers")
    x, y = MIDDLE
    point = {"id": None, "geometry": {"type": "Point", "coordinates": [x, y]},
             "properties": {"name": "Creek", "winter_min_c": -5.0, "height_m": 1.2,
                            "winter": 2010}}  # fmt: skip
    found = desk.save("thermometers", found["version"], [point])
    began = time.monotonic()
    found = desk.save("thermometers", found["version"], found["features"])
    took = time.monotonic() - began
    moments = set()
    for _ in range(50):
        ours, theirs = os.pipe()
        child = os.fork()
        if not child:
            while True:
                told += 1
                [one] = found["features"]
                one["geometry"] = {"type": "Point", "coordinates": [x + told, y]}
                found = desk.save("thermometers", found["version"], [one])
                os.write(theirs, b"%d\n" % told)
        os.close(theirs)
        time.sleep(random.uniform(0.0, 3 * took))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(ours) as said:
            lines = said.read().split()
        told = float(lines[-1]) if lines else told
        moments.add(tuple(sorted(p.name for p in desk.folder.glob(".[!b]*"))))
        found = desk.layer("thermometers")
        [one] = found["features"]
        at = one["geometry"]["coordinates"][0] - x
        assert at in (told, told + 1) and one["properties"]["name"] == "Creek"
        with closing(sqlite3.connect(desk.folder / "thermometers.gpkg")) as file:
            assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert load_site(desk.path).frost.readings.file == "thermometers.gpkg"
        told = at
    assert told > 10 and len(moments) > 2, "it was never hit while it wrote"
    desk.save("thermometers", found["version"], found["features"])
    assert not list(desk.folder.glob(".thermo*"))


def test_only_so_many_earlier_versions_are_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(before, "KEPT", 3)
    file = tmp_path / "a.gpkg"
    for n in range(6):
        file.write_text(str(n))
        before.keep(file)
        file.unlink()
    kept = sorted((tmp_path / ".before").iterdir())
    assert [p.read_text() for p in kept] == ["3", "4", "5"]


def test_old_overlaps_stay_and_do_not_stand_in_the_way():
    before = np.array(
        [shapely.box(0, 0, 10, 10), shapely.box(8, 0, 20, 10), shapely.box(30, 0, 40, 10)]
    )
    after = before.copy()
    after[2] = shapely.box(30, 0, 45, 10)
    assert newly_wrong(before, after, [0, 1, 2]) == set()
    after[1] = shapely.box(7, 0, 20, 10)
    assert newly_wrong(before, after, [0, 1, 2]) == {0, 1}


@given(st.lists(st.floats(1, 99), min_size=1, max_size=6, unique=True), st.integers(0, 3))
@settings(max_examples=examples(40), deadline=None)
def test_a_neighbours_corner_on_an_edge_becomes_a_corner_of_it(cuts, turns):
    cuts = sorted(round(c, 3) for c in {0.0, *cuts, 100.0})
    strips = [shapely.box(a, -50, b, 0) for a, b in itertools.pairwise(cuts) if b > a + 0.01]
    shapes = np.array([shapely.box(0, 0, 100, 50), *strips])
    turned = shapely.transform(
        shapes, lambda xy: xy @ np.linalg.matrix_power([[0, 1], [-1, 0]], turns)
    )
    out = with_shared_corners(turned)
    assert shapely.area(out) == pytest.approx(shapely.area(turned), abs=0.2)
    corners = {tuple(xy) for strip in out[1:] for xy in shapely.get_coordinates(strip)}
    on_edge = {xy for xy in corners if shapely.distance(shapely.Point(xy), out[0]) == 0}
    assert on_edge <= {tuple(xy) for xy in shapely.get_coordinates(out[0])}


@given(st.tuples(*[st.floats(-80, 80)] * 4))
@settings(max_examples=examples(40), deadline=None)
def test_what_is_cut_to_fit_overlaps_nothing(box):
    others = np.array(
        [shapely.box(-50, -50, 0, 0), shapely.box(0, -50, 50, 0), shapely.box(-50, 0, 0, 50)]
    )
    a, b, c, d = box
    new = shapely.box(min(a, c), min(b, d), max(a, c) + 1, max(b, d) + 1)
    left = cut_to_fit(new, others)
    assert overlaps(np.array([*others, left])) == {}
    covered = shapely.union_all(others).intersection(new).area
    assert left.area == pytest.approx(new.area - covered, abs=2.0)
