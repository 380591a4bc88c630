"""The command line for other programs: every line as the schema says, whichever way it ends."""

import json
import shutil
import tomllib

import geopandas as gpd
import jsonschema
import pytest
import rasterio
import shapely
from conftest import here
from handover.small_site import small_site

from siteplanner import __version__
from siteplanner.base.errors import input_error
from siteplanner.cli.events import SCHEMA, events
from siteplanner.handover.folder.results import GROUPS

VALID = jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text("utf-8")))
COMMANDS = ("plan", "check", "new", "set", "explain", "compare", "verify", "survival")


def lines_of(done, command, code=0):
    """All lines that a command printed, each held to the schema."""
    assert done.returncode == code, (done.stdout, done.stderr)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    for line in lines:
        VALID.validate(line)
    assert lines[0] == {"event": "start", "command": command, "version": __version__}
    assert [n for n, line in enumerate(lines) if line["event"] in ("start", "end")] == [
        0,
        len(lines) - 1,
    ]
    assert lines[-1]["code"] == code
    return lines


def of_kind(lines, event):
    return [line for line in lines if line["event"] == event]


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return small_site(tmp_path_factory.mktemp("programs") / "site")


def test_the_schema_is_one_and_refuses_what_is_not_in_it():
    jsonschema.Draft202012Validator.check_schema(VALID.schema)
    assert tuple(VALID.schema["$defs"]["start"]["properties"]["command"]["enum"]) == COMMANDS
    for wrong in (
        {"event": "step", "step": 0, "of": 3, "seconds": 0, "title": "x"},
        {"event": "fault", "file": "a", "where": "", "what": "b"},
        {"event": "warning", "text": "x", "more": 1},
        {"event": "other"},
    ):
        assert not VALID.is_valid(wrong), wrong


@pytest.mark.parametrize("command", COMMANDS)
def test_every_such_command_offers_it(command):
    assert "--json" in here(command, "--help").stdout


def test_version_and_help_agree():
    assert here("--version").stdout == f"siteplanner {__version__}\n"
    assert "--version" in here("--help").stdout


def test_check_says_what_it_understood(site):
    lines = lines_of(here("check", site, "--json"), "check")
    [answer] = of_kind(lines, "answer")
    assert any(line.startswith("boundary: 1.0 ha") for line in answer["content"]["understood"])
    assert any("keep clear of" in line["text"] for line in of_kind(lines, "warning"))


def test_faults_say_file_place_what_and_remedy(site, tmp_path):
    folder = tmp_path / "wrong"
    shutil.copytree(site.parent, folder)
    path = folder / "site.toml"
    path.write_text(path.read_text("utf-8").replace("spacing_m = 4.0", "spacing_m = 400"), "utf-8")
    for command in ("check", "plan"):
        done = here(command, path, "--json")
        [fault] = of_kind(lines_of(done, command, code=1), "fault")
        assert fault["file"] == str(path) and fault["where"] == "planting.spacing_m"
        assert "400" in fault["what"] and "50" in fault["remedy"]
        assert fault["what"] in done.stderr, "people are told on the other stream"


@pytest.mark.parametrize("command", ["explain", "compare", "verify", "survival"])
def test_what_cannot_be_read_is_a_fault(command, site, tmp_path):
    none = tmp_path / "none"
    words = {
        "explain": (site, "--at", "somewhere"),
        "compare": (none, none),
        "verify": (none,),
        "survival": (site, "--draw", "--plan", none, "--out", none),
    }[command]
    lines = lines_of(here(command, *words, "--json"), command, code=1)
    assert len(of_kind(lines, "fault")) == 1 and not of_kind(lines, "result")


def test_wrong_usage_ends_with_2(site):
    lines = lines_of(here("explain", site, "--json"), "explain", code=2)
    assert "--at" in lines[-1]["why"]


@pytest.mark.parametrize(
    ("end", "code", "why"),
    [
        (KeyboardInterrupt(), 3, "stopped"),
        (ValueError("ours"), 3, "siteplanner failed (ValueError: ours)"),
        (PermissionError(13, "no", "a file"), 1, "bad input"),
        (input_error("a", "b", "c", "d"), 1, "bad input"),
    ],
)
def test_the_last_line_says_how_it_ended(end, code, why, capsys):
    with pytest.raises(type(end)), events(True, "plan", of=1) as told:
        told.step("One")
        told.step("More than was thought")
        raise end
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    for line in lines:
        VALID.validate(line)
    assert [one["of"] for one in of_kind(lines, "step")] == [1, 2]
    assert (lines[-1]["code"], lines[-1]["why"]) == (code, why)
    assert len(of_kind(lines, "fault")) == (code == 1)


# ---- new and set --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def data(site, tmp_path_factory):
    """Files of every kind that a site may have, some with names of their own."""
    folder = tmp_path_factory.mktemp("data")
    with rasterio.open(site.parent / "dem.tif") as dem:
        box, crs = dem.bounds, dem.crs
    x, y = (box.left + box.right) / 2, (box.bottom + box.top) / 2
    square, spot = shapely.box(x - 40, y - 40, x + 40, y + 40), shapely.Point(x, y)
    line = shapely.LineString([(x - 30, y), (x + 30, y)])

    def write(file, layer, shape, **columns):
        frame = gpd.GeoDataFrame({k: [v] for k, v in columns.items()}, geometry=[shape], crs=crs)
        frame.to_file(folder / file, layer=layer)

    write("land.gpkg", "outline", square, owner="x")
    write("land.gpkg", "fields", square, label="One", plant=1)
    write("frost.gpkg", "loggers", spot, id="a", coldest=-4.5, height_m=1.2, winter=2024)
    write("frost.gpkg", "low ground", square, name="the flat")
    write("hedge.gpkg", "hedge", line, tall=4.0, porosity=0.4)
    write("clear.gpkg", "lines", line, what="power_line", name="Line")
    write("clear.gpkg", "other things", spot, what="dam", name="Dam")
    write("zones.gpkg", "zones", square, zone="A")
    return folder


def new(data, site, folder, *more):
    return here(
        "new", folder, "--boundary", data / "land.gpkg", "--layer", "boundary=outline",
        "--dem", site.parent / "dem.tif", "--species", site.parent / "species.csv", *more,
    )  # fmt: skip


def test_new_takes_every_input(data, site, tmp_path):
    done = new(
        data, site, tmp_path / "new", "--name", "Whole",
        "--paddocks", data / "land.gpkg", "--layer", "paddocks=fields",
        "--column", "paddocks.name=label",
        "--frost", data / "frost.gpkg", "--layer", "readings=loggers",
        "--column", "readings.name=id", "--column", "readings.winter_min_c=coldest",
        "--hollows", data / "frost.gpkg", "--layer", "hollows=low ground",
        "--shelter", data / "hedge.gpkg", "--column", "shelter.height_m=tall",
        "--no-plant", data / "clear.gpkg", "--layer", "no_plant=lines",
        "--column", "no_plant.kind=what",
        "--decisions", data / "zones.gpkg", "--station-elevation", 320,
        "--setback", "power_line=25", "--setback", "dam=12.5", "--plant-on", 2029, "--json",
    )  # fmt: skip
    lines = lines_of(done, "new")
    [result] = of_kind(lines, "result")
    assert result["role"] == "site" and result["path"] == str(tmp_path / "new" / "site.toml")
    told = tomllib.loads((tmp_path / "new" / "site.toml").read_text("utf-8"))
    assert told["boundary"]["layer"] == "outline"
    assert told["paddocks"]["layer"] == "fields"
    assert told["paddocks"]["columns"] == {"name": "label", "plant": "plant"}
    readings = told["frost"]["readings"]
    assert readings["layer"] == "loggers"
    assert readings["columns"]["name"] == "id" and readings["columns"]["winter_min_c"] == "coldest"
    assert told["frost"]["hollows"]["layer"] == "low ground"
    assert told["shelter"]["columns"]["height_m"] == "tall"
    assert told["no_plant"]["layers"] == ["lines"] and told["no_plant"]["columns"]["kind"] == "what"
    assert told["decisions"]["zones"].endswith("zones.gpkg")
    assert told["climate"]["station_elevation_m"] == 320
    assert told["setbacks"] == {"power_line": 25, "dam": 12.5}
    assert told["nursery"]["plant_on"] == 2029
    checked = lines_of(here("check", tmp_path / "new" / "site.toml", "--json"), "check")
    understood = of_kind(checked, "answer")[0]["content"]["understood"]
    assert "frost: 1 readings, 1 hand-drawn hollows" in understood
    assert "to keep clear of: 1 features" in understood


def test_new_over_a_site_keeps_its_settings_when_asked_to(data, site, tmp_path):
    folder = tmp_path / "again"
    assert new(data, site, folder, "--plant-on", 2028, "--setback", "dam=30").returncode == 0
    settings = ("planting.spacing_m=3", 'species.native=["Hakea microcarpa"]', "dem.cell_m=4",
                "frost.late_frost_c=-1.5", 'soils.words.texture={ mud = "clay" }')  # fmt: skip
    assert here("set", folder / "site.toml", *settings).returncode == 0
    before = (folder / "site.toml").read_text("utf-8")
    refused = new(data, site, folder, "--json")
    [fault] = of_kind(lines_of(refused, "new", code=1), "fault")
    assert "--replace" in fault["remedy"] and (folder / "site.toml").read_text("utf-8") == before
    done = new(data, site, folder, "--replace", "--setback", "dam=40", "--name", "Other")
    assert done.returncode == 0, done.stderr
    told = tomllib.loads((folder / "site.toml").read_text("utf-8"))
    assert told["site"]["name"] == "Other" and told["planting"] == {"spacing_m": 3}
    assert told["species"]["native"] == ["Hakea microcarpa"] and told["dem"]["cell_m"] == 4
    assert told["frost"] == {"late_frost_c": -1.5}
    assert "words" not in told["soils"], "these are of the file that was given before"
    assert told["setbacks"] == {"dam": 40} and told["nursery"] == {"plant_on": 2028}


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--layer", "soil=x"), 1, "a site has no such part"),
        (("--setback", "damm=3"), 1, "did you mean 'dam'"),
        (("--setback", "dam=wide"), 2, "write metres"),
        (("--plant-on", "soon"), 2, "write a year"),
        (("--column", "soils=x"), 2, "PART.COLUMN=NAME"),
    ],
)
def test_new_says_what_it_cannot_take(words, code, said, data, site, tmp_path):
    done = new(data, site, tmp_path / "not", *words)
    assert done.returncode == code and said in " ".join(done.stderr.split())
    assert not (tmp_path / "not").exists()


def test_set_changes_what_it_names_and_no_comment(site, tmp_path):
    path = tmp_path / "site.toml"
    before = "# Mine.\n" + site.read_text("utf-8").replace(
        "spacing_m = 4.0", "spacing_m = 4.0  # as agreed"
    )
    path.write_text(before, "utf-8")
    done = here(
        "set", path, "planting.spacing_m=4.5", "mix.budget=1000", "site.name=Low Ground",
        "nursery.plant_on=2028-09-04", "decisions.zones=my zones.gpkg", "--json",
    )  # fmt: skip
    lines = lines_of(done, "set")
    [answer] = of_kind(lines, "answer")
    assert answer["content"]["set"]["planting.spacing_m"] == 4.5
    after = path.read_text("utf-8")
    told = tomllib.loads(after)
    assert told["planting"]["spacing_m"] == 4.5 and told["mix"]["budget"] == 1000
    assert told["site"]["name"] == "Low Ground" and told["decisions"]["zones"] == "my zones.gpkg"
    assert "spacing_m = 4.5  # as agreed" in after and after.startswith("# Mine.\n")
    kept = [line for line in before.splitlines() if "spacing_m" not in line and "name" not in line]
    assert all(line in after.splitlines() for line in kept)
    assert here("set", path, "mix.budget=").returncode == 0
    assert "budget" not in tomllib.loads(path.read_text("utf-8"))["mix"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("planting.spacing_m=400", "less than or equal to 50"),
        ("planting.spacin_m=4", "did you mean"),
        ("planting", "this is not a change"),
        ("spacing=4", "this is not a change"),
        ("site.name.first=x", "no table"),
        ("[[=1", "this is not a change"),
    ],
)
def test_set_writes_nothing_that_could_not_be_read(change, said, site, tmp_path):
    path = tmp_path / "site.toml"
    shutil.copy(site, path)
    done = here("set", path, change, "--json")
    [fault] = of_kind(lines_of(done, "set", code=1), "fault")
    assert said in fault["what"] + fault["remedy"]
    assert path.read_bytes() == site.read_bytes() and len(list(tmp_path.iterdir())) == 1


# ---- with a plan --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def planned(site, tmp_path_factory):
    plan = tmp_path_factory.mktemp("planned") / "plan"
    return plan, lines_of(here("plan", site, "--out", plan, "--json"), "plan")


@pytest.mark.long
def test_a_plan_tells_its_steps_warnings_and_results(planned):
    plan, lines = planned
    steps = of_kind(lines, "step")
    assert [one["step"] for one in steps] == list(range(1, len(steps) + 1))
    assert {one["of"] for one in steps} == {len(steps)}
    assert [one["seconds"] for one in steps] == sorted(one["seconds"] for one in steps)
    manifest = json.loads((plan / "plan.json").read_text("utf-8"))
    said = [one["text"] for one in of_kind(lines, "warning")]
    assert said == [*manifest["warnings"], *manifest["cautions"]]
    results = of_kind(lines, "result")
    assert [one["order"] for one in results] == list(range(len(results)))
    paths = {one["path"] for one in results}
    assert paths == {str(plan / name) for name in (*manifest["files"], "plan.json")}
    assert not [one["path"] for one in results if one["role"] == "other"]
    drawn = [one for one in results if one["group"]]
    assert [GROUPS.index(one["group"]) for one in drawn] == sorted(
        GROUPS.index(one["group"]) for one in drawn
    )
    assert drawn[-1]["role"] == "hillshade" and drawn[-1]["shown"]
    zones = next(one for one in drawn if one["role"] == "zones")
    assert zones["layer"] == "zones" and zones["path"] == str(plan / "plan.gpkg")


@pytest.mark.long
def test_the_other_commands_answer(planned, site, tmp_path):
    plan, _ = planned
    with rasterio.open(site.parent / "dem.tif") as dem:
        at = (
            f"{(dem.bounds.left + dem.bounds.right) / 2},{(dem.bounds.bottom + dem.bounds.top) / 2}"
        )
    spot = lines_of(here("explain", site, "--at", at, "--json"), "explain")
    assert of_kind(spot, "answer")[0]["content"]["species"]
    assert of_kind(spot, "step")
    name = json.loads((plan / "plan.json").read_text("utf-8"))["trees_by_species"]
    one = lines_of(here("explain", site, "--species", next(iter(name)), "--json"), "explain")
    assert of_kind(one, "answer")[0]["about"] == "species"
    same = lines_of(here("compare", plan, plan, "--json"), "compare")
    assert of_kind(same, "answer")[0]["content"]["same"] is True
    whole = lines_of(here("verify", plan, "--json"), "verify")
    assert of_kind(whole, "answer")[0]["content"]["errors"] == []
    words = ("survival", site, "--plan", plan, "--out", tmp_path / "out", "--json")
    form = of_kind(lines_of(here(*words, "--damage-form"), "survival"), "result")
    assert form[0]["path"] == str(tmp_path / "out" / "damage.csv")
    broken = tmp_path / "broken"
    shutil.copytree(plan, broken)
    (broken / "counts.csv").write_text("x", "utf-8")
    lines = lines_of(here("verify", broken, "--json"), "verify", code=1)
    assert "counts.csv" in of_kind(lines, "fault")[0]["what"]
