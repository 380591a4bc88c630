"""``siteplanner verify``: a plan's folder is as it was made, or it is said what is not."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest
from conftest import ROOT, here
from made_plan import made_plan

from siteplanner.after import verify as module
from siteplanner.after.verify import verify
from siteplanner.base.errors import InputError
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.reading import published

FILES = ("counts.csv", "layers/slope.tif", "map.html")


@pytest.fixture
def folder(tmp_path) -> Path:
    """A plan of three files, below a folder that holds its site's two inputs."""
    place = tmp_path / "site" / "maps" / "knoll"
    for name in FILES:
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text(f"what {name} holds")
    plan = made_plan()
    for name in plan.inputs:
        (tmp_path / "site" / name).write_text(f"what {name} holds")
        plan.inputs[name] = hashlib.sha256(f"what {name} holds".encode()).hexdigest()
    write_manifest(plan, place / "plan.json", FILES)
    return place


def rewrite(folder: Path, **parts: object) -> None:
    manifest = json.loads((folder / "plan.json").read_text("utf-8"))
    (folder / "plan.json").write_text(json.dumps(manifest | parts), "utf-8")


def entry(folder: Path, **parts: object) -> dict[str, object]:
    listed = json.loads((folder / "plan.json").read_text("utf-8"))["files"]["map.html"]
    return listed | parts


def test_a_plan_as_it_was_made_is_whole(folder):
    found = verify(folder)
    assert (found.name, found.files, found.errors) == ("Wether Knoll", 3, ())
    assert found.notes == ("All 2 inputs are unchanged since the plan was made.",)
    assert found.digest == hashlib.sha256((folder / "plan.json").read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (lambda file: file.unlink(), "Missing, 1 of 3 files: layers/slope.tif."),
        (
            lambda file: file.write_text("what layers/slope.tif holdS"),
            "Not the content they were made with, 1 of 3 files: layers/slope.tif.",
        ),
        (
            lambda file: file.write_text(""),
            "Not the size they were made with, 1 of 3 files: layers/slope.tif.",
        ),
        (
            lambda file: (file.rename(file.with_name("x")), file.symlink_to("x")),
            "Links or devices instead of regular files, 1 of 3 files: layers/slope.tif.",
        ),
        (
            lambda file: (file.unlink(), os.mkfifo(file)),
            "Links or devices instead of regular files, 1 of 3 files: layers/slope.tif.",
        ),
        (
            lambda file: (
                file.parent.rename(file.parents[3] / "elsewhere"),
                file.parent.symlink_to(file.parents[3] / "elsewhere"),
            ),
            "Reached through a link to another place, 1 of 3 files: layers/slope.tif.",
        ),
        (
            lambda file: shutil.rmtree(file.parent),
            "Missing, 1 of 3 files: layers/slope.tif.",
        ),
    ],
)
def test_a_file_that_is_not_as_it_was_made_is_named(folder, harm, said):
    harm(folder / "layers" / "slope.tif")
    assert verify(folder).errors == (said,)


def test_files_of_others_are_told_and_side_files_passed_over(folder):
    (folder / "photos").mkdir()
    for name in ("photos/gate.jpg", "layers/slope.tif.aux.xml"):
        (folder / name).touch()
    found = verify(folder)
    assert found.errors == ()
    assert found.notes[0] == "Not in the manifest, so not checked: photos/gate.jpg."


def test_inputs_that_changed_since_make_the_plan_out_of_date(folder):
    site = folder.parents[1]
    (site / "dem.tif").unlink()
    (site / "site.toml").write_text("changed")
    found = verify(folder)
    said = "out of date. These inputs have changed since: dem.tif (missing), site.toml (chang"
    assert found.errors == () and said in found.notes[0]
    moved = folder.rename(folder.parents[2] / "moved")
    assert "Name it with --site" in verify(moved).notes[0]
    assert said in verify(moved, site / "site.toml").notes[0]


def test_other_versions_are_told(folder):
    versions = json.loads((folder / "plan.json").read_text("utf-8"))["versions"]
    rewrite(folder, versions=versions | {"numpy": "0.9", "gone": "1"})
    (said,) = verify(folder).notes[1:]
    assert (
        "The plan was made with other versions" in said
        and "gone 1 (now none), numpy 0.9 (now " in said
    )


CLIMBS = ("../site.toml", "/etc/hostname", "a//b", "./map.html", "a/../../b", "..\\x", "C:x", "",
          "a\0b", "layers/..")  # fmt: skip


@pytest.mark.parametrize("name", CLIMBS)
def test_a_path_that_climbs_out_is_refused(folder, name):
    rewrite(folder, files={name: entry(folder)})
    with pytest.raises(InputError) as caught:
        verify(folder)
    (detail,) = caught.value.errors
    assert detail.file == str(folder / "plan.json") and detail.where.startswith("files, ")
    assert detail.what == "the path leads out of the plan's folder"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"", "it is not valid JSON"),
        (b"{" * 200_000, "it is not valid JSON"),
        (b"[" * 200_000, "it is not valid JSON"),
        (b'{"files": ' + b"9" * 5000 + b"}", "it is not valid JSON"),
        (b"\xff\xfe{}", "it is not valid JSON"),
        (b"[1]", "it is not the manifest of a plan"),
        (b'{"versions": {}, "inputs": {}}', "files: this table is missing"),
        (b'{"versions": [], "inputs": {}, "files": {}}', "versions: this table is missing"),
        (b'{"versions": {}, "inputs": {}, "files": {}}', "was not made by siteplanner"),
    ],
)
def test_what_is_no_manifest_is_refused_in_a_sentence(folder, text, said):
    (folder / "plan.json").write_bytes(text)
    with pytest.raises(InputError) as caught:
        verify(folder)
    assert said in str(caught.value) and len(caught.value.errors) == 1


@pytest.mark.parametrize(
    "wrong",
    [{"bytes": "3"}, {"bytes": -1}, {"bytes": True}, {"bytes": 1.0}, {"sha256": "0" * 63},
     {"sha256": None}, {"sha256": ["0" * 64]}, {"sha256": "G" * 64}],
)  # fmt: skip
def test_a_size_or_digest_of_the_wrong_kind_is_refused(folder, wrong):
    rewrite(folder, files={"map.html": entry(folder, **wrong)})
    with pytest.raises(
        InputError, match=r"files, map\.html: the size or the SHA-256 checksum is not valid"
    ):
        verify(folder)
    rewrite(folder, files={}, inputs={"dem.tif": wrong.get("sha256", 3)})
    with pytest.raises(InputError, match=r"inputs, dem\.tif: this is not a SHA-256 checksum"):
        verify(folder)


def test_a_manifest_that_is_a_link_or_too_large_is_not_opened(folder, monkeypatch):
    monkeypatch.setattr(published, "_LARGEST", 10)
    with pytest.raises(InputError, match="too large"):
        verify(folder)
    (folder / "plan.json").rename(folder / "x.json")
    (folder / "plan.json").symlink_to("x.json")
    with pytest.raises(InputError, match="not a regular file"):
        verify(folder)


def test_names_that_would_spoil_the_screen_are_tamed(folder):
    rewrite(folder, files={f"{'x' * 5000}": entry(folder), "\x9b2J\u202e[red]": entry(folder)})
    (said,) = [f for f in verify(folder).errors if f.startswith("Missing")]
    assert r"\x9b2J\u202e[red]" in said and len(said) < 300


def test_a_plan_put_in_place_meanwhile_is_looked_at_again(folder, monkeypatch):
    checked = module._checked

    def late(*given):
        found = checked(*given)
        if (folder / "map.html").read_text() != "newer":
            (folder / "map.html").write_text("newer")
            plan = made_plan()
            plan.inputs.clear()
            write_manifest(plan, folder / "plan.json", ["map.html"])
        return found

    monkeypatch.setattr(module, "_checked", late)
    assert (verify(folder).files, verify(folder).errors) == (1, ())


def test_the_command_on_the_sample(sample_plan, tmp_path):
    site = ROOT / "sample_site" / "site.toml"
    done = here("verify", sample_plan, "--site", site)
    count = sum(path.is_file() for path in sample_plan.rglob("*")) - 1
    assert (done.returncode, done.stderr) == (0, "")
    assert f"the plan is complete; all {count} files are unchanged" in done.stdout
    assert "inputs are unchanged since the plan was made" in done.stdout
    (tmp_path / "plan.json").write_bytes((sample_plan / "plan.json").read_bytes())
    done = here("verify", tmp_path)
    assert (done.returncode, done.stderr) == (1, "")
    assert f"Missing, {count} of {count} files: " in done.stdout
    assert "the plan is damaged" in done.stdout and "Traceback" not in done.stdout


def test_the_command_says_so_where_there_is_no_plan(tmp_path):
    done = here("verify", tmp_path)
    assert done.returncode == 1 and done.stdout == ""
    assert done.stderr == (
        f"{tmp_path}: plan.json is missing, so this is not a plan; give the folder of a plan.\n"
    )
