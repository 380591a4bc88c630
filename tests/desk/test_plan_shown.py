"""The plan on the page: what changed since the one before, damage, layers under the drawing."""

import csv
import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from desk.desk_site import MIDDLE, desk_site
from desk.plan_by_hand import BUSH, GUM, plan_by_hand
from desk.test_door import Asked
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pyproj import CRS

from siteplanner.base.errors import InputError
from siteplanner.base.grid import Grid
from siteplanner.desk.drawing.features import WrongError
from siteplanner.desk.drawing.under import contours
from siteplanner.desk.planned.shown_plan import ShownPlan
from siteplanner.desk.site_desk import SiteDesk

LINE = {"block": "A1", "rows": "all", "species": GUM, "cause": "frost", "dead": "4",
        "do": "replant same"}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = desk_site(tmp_path_factory.mktemp("made") / "site").parent
    plan_by_hand(folder / "maps" / "a-square")
    return folder


@pytest.fixture
def desk(made, tmp_path):
    return SiteDesk(Path(shutil.copytree(made, tmp_path / "site")))


def test_before_and_now_are_two_plans_and_no_more_are_kept(tmp_path):
    plan = ShownPlan(tmp_path / "maps" / "a-square")
    plan.keep()
    assert plan.changes() is None and plan.map_before() is None
    for number in (1, 2, 3, 4):
        plan_by_hand(plan.folder, number, f"<p>map {number}</p>")
        plan.keep(), plan.keep()
    kept = sorted(one.name for one in (tmp_path / "maps" / ".before" / "a-square").iterdir())
    assert kept == ["00003", "00004"]
    assert plan.map_before().read_text() == "<p>map 3</p>"
    said = plan.changes()
    assert ["trees", "24", "32", "+8"] in said["figures"]
    assert ["planted", "0.50 ha", "0.50 ha", "same"] in said["figures"]
    assert said["species"] == [[GUM, "12", "16", "+4"], [BUSH, "12", "16", "+4"]]
    assert not said["same"] and said["map"]


def test_a_stopped_run_compares_with_the_plan_before_it(tmp_path):
    plan = ShownPlan(tmp_path / "maps" / "a-square")
    for number in (1, 2):
        plan_by_hand(plan.folder, number, f"<p>map {number}</p>")
        plan.keep()
    plan.keep()  # a run is begun and stopped: the plan is the same still
    assert plan.map_before().read_text() == "<p>map 1</p>"
    (plan.folder / "plan.json").write_text('{"files": {}}')
    with pytest.raises(InputError, match="inputs: this table is missing"):
        plan.changes()


def test_a_plan_that_cannot_be_kept_is_no_reason_not_to_plan(tmp_path):
    plan = ShownPlan(plan_by_hand(tmp_path / "maps" / "a-square"))
    (tmp_path / "maps" / ".before").write_text("in the way")
    plan.keep()
    assert plan.changes() is None and plan.about()["trees"] == 24


def test_damage_is_noted_in_the_sites_own_table_and_orders_plants(desk):
    desk.mark({"names": ["A1"], "status": "planted"})
    noted = desk.note_damage({"line": {**LINE, "note": "=1+1", "strange": "x"}})
    assert any("4 dead of frost, to replant there with the same species: 4 plants" in line
               for line in noted["said"])  # fmt: skip
    [line] = noted["lines"]
    assert line["note"] == "=1+1" and "strange" not in line
    file = desk.folder / "damage.csv"
    [row] = csv.DictReader(io.StringIO(file.read_text("utf-8")))
    assert (row["block"], row["dead"], row["note"]) == ("A1", "4", "'=1+1")
    infill = (desk.folder / "survival" / "a-square" / "infill.csv").read_text("utf-8")
    assert f"{GUM}," in infill
    assert desk.note_damage({"out": 0})["lines"] == [] and desk.damage()["lines"] == []
    assert len(list((desk.folder / ".before").glob("damage.*.csv"))) == 1


WRONG = [
    ({"block": "A2"}, "block", "the block has not been planted yet"),
    ({"block": "Z9"}, "block", "the plan has no such block"),
    ({"rows": "first"}, "rows", "are not row numbers"),
    ({"rows": "7"}, "rows", "the block has no row 7"),
    ({"species": "Acacia dealbata"}, "species", "no Acacia dealbata was planted there"),
    ({"cause": "bad luck"}, "cause", "is not one of the words for it"),
    ({"dead": "400"}, "dead", "400 are dead of 6 planted"),
    ({"do": ""}, "do", "it is empty"),
    ({"do": "another species"}, "replace_with", "no other species is named"),
    ({"date": "Friday"}, "date", "is not a date"),
]


def test_what_is_wrong_of_damage_stands_beside_its_field(desk):
    desk.mark({"names": ["A1"], "status": "planted"})
    for wrong, column, said in WRONG:
        with pytest.raises(WrongError) as refused:
            desk.note_damage({"line": {**LINE, **wrong}})
        [(_, place, sentence)] = refused.value.errors
        assert place == column and said in sentence and "damage.csv" in sentence, wrong
        assert ".new" not in sentence and not (desk.folder / "damage.csv").exists()


def test_any_layer_of_the_plan_lies_under_the_drawing(desk):
    listed = {one["id"]: one for one in desk.under()}
    assert listed["slope"]["title"] == "Slope" and listed["slope"]["unit"] == "degrees"
    assert listed["blocks"]["kind"] == "lines"
    x, y = MIDDLE
    found = desk.picture_under("slope")
    assert found.extent == (x - 50, y - 25, x + 50, y + 25) and len(found.key) == 9
    assert found.key[0] == ("#ffffe5", "0.0 degrees") and found.key[8][1] == "8.0 degrees"
    picture = np.asarray(Image.open(io.BytesIO(found.png)))
    assert picture.shape == (5, 10, 4)
    assert (picture[:, 0, 3] == 0).all() and (picture[:, 1:, 3] == 255).all()
    assert tuple(picture[0, 8, :3]) == tuple(picture[0, 9, :3]) == (0x66, 0x25, 0x06)
    lines = desk.lines_under("blocks")["features"]
    assert [one["label"] for one in lines] == ["A1", "A2"]
    assert shapely.geometry.shape(lines[0]["geometry"]).area == pytest.approx(2500)


def test_a_layer_whose_look_was_edited_away_is_grey(desk):
    look = desk.plan.folder / "layers" / "slope.qml"
    look.write_text("<qgis><item value='high' color='sort of blue'/></qgis>")
    assert [words for _, words in desk.picture_under("slope").key] == ["1", "9"]
    look.unlink()
    assert len(desk.picture_under("slope").key) == 2


def test_only_what_the_plan_lists_lies_under_the_drawing(desk):
    (desk.plan.folder / "layers" / "mine.tif").write_bytes(b"x")
    assert desk.picture_under("mine") is None and desk.picture_under("plan") is None
    assert desk.lines_under("trees") is None
    manifest = json.loads((desk.plan.folder / "plan.json").read_text())
    manifest["files"]["layers/slope.tif"] = manifest["files"].pop("layers/slope.qml")
    (desk.plan.folder / "layers" / "slope.tif").write_bytes(b"no picture")
    (desk.plan.folder / "plan.json").write_text(json.dumps(manifest))
    assert "slope" not in {one["id"] for one in desk.under()}
    with pytest.raises(InputError, match=r"slope\.tif: it cannot be read .* plan again"):
        desk.picture_under("slope")


def test_addresses_of_what_lies_under_and_of_the_plan_before(desk):
    plan_by_hand(desk.plan.folder, 2, "<p>then</p>")
    desk.plan.keep()
    plan_by_hand(desk.plan.folder, 5, "<p>now</p>")
    ask = Asked(desk.folder)
    try:
        before = ask("/plan-before/map.html")
        assert before.text == "<p>then</p>"
        assert before.headers["Content-Security-Policy"].startswith("sandbox allow-scripts")
        for path in ("/plan-before/plan.json", "/plan-before/../map.html",
                     "/api/under/pictures/..%2fslope/picture", "/api/under/lines/trees",
                     "/api/under/pictures/mine/about", "/api/earlier/land"):  # fmt: skip
            assert ask(path).status == 404, path
        assert ask("/api/under/pictures/slope/picture").headers["Content-Type"] == "image/png"
        changes = json.loads(ask("/api/changes").text)["changes"]
        assert ["trees", "16", "40", "+24"] in changes["figures"]
        how = {"Origin": ask.door.origin}
        refused = ask("/api/damage", "POST", body=json.dumps({"line": LINE | {"dead": "x"}}), **how)
        assert refused.status == 422
        assert json.loads(refused.text)["errors"][0]["column"] == "dead"
        stale = {"version": "old", "name": GUM, "plant": False}
        assert ask("/api/species", "POST", body=json.dumps(stale), **how).status == 409
        assert ask("/api/species", "POST", body=json.dumps(stale)).status == 403
        assert ask("/api/earlier/paddocks", "POST", body='{"number": "1"}', **how).status == 400
        assert ask("/api/earlier/paddocks", "POST", body='{"number": 1}', **how).status == 422
    finally:
        ask.close()


@given(st.floats(0.02, 0.6), st.floats(0, 6.3), st.sampled_from([1.0, 2.0, 5.0]))
def test_contours_of_a_plane_lie_where_its_heights_are(rise, bearing, cell):
    grid = Grid(CRS(32756), Affine(cell, 0, 1000, 0, -cell, 2000), (40, 60))
    x = 1000 + (np.arange(60) + 0.5) * cell
    y = (2000 - (np.arange(40) + 0.5) * cell)[:, np.newaxis]
    along = np.array([np.sin(bearing), np.cos(bearing)]) * rise
    heights = 500 + along[0] * (x - 1000) + along[1] * (y - 2000)
    found = contours(heights.astype(np.float32), grid)
    levels = []
    for one in found["features"]:
        xy = shapely.get_coordinates(shapely.geometry.shape(one["geometry"]))
        level = 500 + (xy - [1000, 2000]) @ along
        levels.append(level.mean())
        assert level == pytest.approx(level.mean(), abs=0.02)
        if one["label"]:
            assert float(one["label"].removesuffix(" m")) == pytest.approx(level.mean(), abs=0.02)
    wanted = np.arange(np.ceil(heights.min() / found["step"]), heights.max() / found["step"])
    assert len(levels) >= len(wanted) - 2
    assert np.diff(levels) == pytest.approx(found["step"], abs=0.05)
