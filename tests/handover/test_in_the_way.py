"""A full disk, missing rights, another run, a stop: a sentence, and the previous plan stays."""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import sys
from pathlib import Path

import pytest
from conftest import digests
from handover.small_site import SLOW, Warm, own_mounts, strays

from siteplanner.after.verify import verify

long = pytest.mark.long
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="Linux's disks and rights")


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """A warm process, a site, its plan at ``maps/knoll``, and what that holds.

    What is in a plan's files does not matter here, so those that take longest are left out.
    """
    folder = tmp_path_factory.mktemp("in the way")
    with Warm(folder, own_mounts() if shutil.which("unshare") else (), without=SLOW) as warm:
        site = warm.site
        target = folder / "maps" / "knoll"
        target.parent.mkdir()
        shutil.copytree(warm.plan, folder / "saved")
        warm.plan.rename(target)
        # The title changes, so that a new plan is never the previous one.
        changed = site.with_name("changed.toml")
        changed.write_text(site.read_text("utf-8").replace("A square", "B square"), "utf-8")
        yield warm, site, target, digests(target)


def beside(target: Path) -> list[str]:
    return sorted(p.name for p in target.parent.iterdir() if p != target)


# --- a full disk ---------------------------------------------------------------------------


def blocks(folder: Path) -> int:
    """KiB that a folder takes on a disk of memory, whose pieces are of 4 KiB."""
    return sum(4 * -(-p.stat().st_size // 4096) for p in folder.rglob("*") if p.is_file())


def on_small_disk(warm: Warm, target: Path, kib: int) -> tuple[Path, Path]:
    """The place of the plan on a small disk that holds the previous plan; how to look there."""
    disk = target.parents[1] / "disk"
    disk.mkdir(exist_ok=True)
    seen = warm.small_disk(disk, kib)
    if seen is None:
        pytest.skip("a small disk cannot be mounted here")
    shutil.copytree(target, seen / "knoll")
    return disk / "knoll", seen / "knoll"


@pytest.mark.parametrize(
    "share", [*(pytest.param(share, marks=long) for share in (0.002, 0.3, 0.6)), 0.97]
)
def test_where_the_disk_fills_up_the_previous_plan_stays(world, share):
    warm, site, target, held = world
    size = blocks(target)
    place, seen = on_small_disk(warm, target, int(size * (1 + share)))
    done = warm.run("plan", site.with_name("changed.toml"), "--out", place, "--quiet")
    assert (done["code"], done["said"]) == (
        1,
        f"{place}: the new plan does not fit: the disk is full; free some space, or choose "
        "another folder for the plan; the previous plan has not changed.\n",
    )
    assert digests(seen) == held and beside(seen) == []


@long
def test_with_just_enough_room_the_plan_is_right(world):
    warm, site, target, held = world
    place, seen = on_small_disk(warm, target, int(blocks(target) * 2.2))
    done = warm.run("plan", site, "--out", place, "--quiet")
    assert (done["code"], done["said"]) == (0, "")
    assert digests(seen) == held and beside(seen) == []


@pytest.mark.long
def test_a_full_disk_for_what_is_kept_and_for_passing_files_does_not_matter(world):
    warm, site, target, held = world
    disk = target.parents[1] / "disk"
    disk.mkdir(exist_ok=True)
    seen = warm.small_disk(disk, 8)
    if seen is None:
        pytest.skip("a small disk cannot be mounted here")
    with (seen / "full").open("wb", buffering=0) as full, contextlib.suppress(OSError):
        while full.write(bytes(4096)):
            pass
    names = ("SITEPLANNER_CACHE", "TMPDIR", "CPL_TMPDIR", "SQLITE_TMPDIR")
    done = warm.run("plan", site, "--out", target, "--quiet", env=dict.fromkeys(names, str(disk)))
    assert (done["code"], done["said"]) == (0, "")
    assert digests(target) == held and [p.name for p in seen.iterdir()] == ["full"]


# --- missing rights ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["site.toml", "dem.tif", "species.csv",
     *(pytest.param(n, marks=long) for n in ("land.gpkg", "soils.gpkg", "climate.csv"))],
)  # fmt: skip
def test_an_input_that_may_not_be_read_is_named(world, name):
    warm, site, target, held = world
    file = site.parent / name
    before = file.stat().st_mode
    file.chmod(0)
    try:
        done = warm.run("plan", site, "--out", target, "--quiet", root=False)
    finally:
        file.chmod(before)
    assert done["code"] == 1, done["said"]
    lines = done["said"].splitlines()
    assert lines and all(str(file) in line for line in lines), done["said"]
    assert "ermission" in lines[0], lines
    assert digests(target) == held and beside(target) == []


@pytest.mark.parametrize("which", ["the plan", "its folder"])
def test_a_folder_that_may_not_be_written_is_named(world, which):
    warm, site, target, held = world
    folder = target if which == "the plan" else target.parent
    folder.chmod(0o555)
    try:
        done = warm.run("plan", site, "--out", target, "--quiet", root=False)
    finally:
        folder.chmod(0o755)
    assert done["code"] == 1
    assert done["said"].startswith(f"{folder}: cannot be written (Permission denied); ")
    assert done["said"].count("\n") == 1 and "choose another folder" in done["said"]
    assert digests(target) == held and beside(target) == []


@pytest.mark.long
def test_a_previous_plan_with_folders_closed_to_writing_is_replaced_without_leavings(world):
    warm, site, target, held = world
    (target / "layers").chmod(0o555)
    done = warm.run("plan", site, "--out", target, "--quiet", root=False)
    assert (done["code"], done["said"]) == (0, "")
    assert digests(target) == held and beside(target) == []


# --- another run ---------------------------------------------------------------------------


def test_of_two_runs_at_once_one_waits_or_is_told(world):
    warm, site, target, held = world
    done = warm.run("plan", site, "--out", target, "--quiet", times=2)
    codes = sorted(one["code"] for one in done)
    assert codes in ([0, 0], [0, 1])
    refused = [one["said"] for one in done if one["code"]]
    said = f"{target}: another run is writing this plan; wait until it ends, then run again.\n"
    assert refused in ([], [said])
    assert digests(target) == held and beside(target) == []


# --- stopped, and going on -----------------------------------------------------------------


#: Where a run is killed: words that it says, and functions of ``publish`` that it comes to.
POINTS = [
    "Reading the site's files",
    "The ground: hillshade",
    "Scoring the species",
    "Drawing zones",
    "Choosing the mix and placing the species",
    "Working out the works and their years",
    "Writing the counts",
    "Writing the hours of work",
    "Finishing the layers",
    "_carry_over",
    "_exchange",
    "_retire",
]


@pytest.fixture
def put_back(world):
    """The plan stands again after a test that may replace it."""
    _, _, target, held = world
    yield
    if digests(target) != held:
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(target.parents[1] / "saved", target)


@pytest.mark.usefixtures("put_back")
@pytest.mark.parametrize("at", POINTS)
def test_killed_at_a_named_point_the_plan_is_the_old_or_the_new_one_without_strays(world, at):
    warm, site, target, held = world
    changed = site.with_name("changed.toml")
    done = warm.run("plan", changed, "--out", target, hit_at=at)
    assert done["code"] == -signal.SIGKILL
    # Nobody runs again: the killed run's helper clears up.
    assert strays(target) == []
    if at != "_retire":
        assert digests(target) == held
        return
    # The folders have changed places by then, and the previous plan goes.
    assert verify(target, changed).errors == ()
    assert json.loads((target / "plan.json").read_text("utf-8"))["site"] == "B square"


@pytest.mark.parametrize(
    "at", ["The ground: hillshade", pytest.param("Setting out the grids", marks=long)]
)
def test_when_the_helper_is_killed_the_run_says_so_and_ends(world, at):
    warm, site, target, held = world
    words = ("plan", site.with_name("changed.toml"), "--out", target)
    done = warm.run(*words, hit_at=at, whom="helper")
    assert done["code"] == 1
    assert done["said"].splitlines()[-1] == (
        f"{target}, layers: the process that writes them was stopped by the system (signal 9); if "
        "memory ran out, close other programs or plan with larger cells ([dem] cell_m), then run "
        "again; the previous plan has not changed."
    )
    assert strays(target, 0) == [] and digests(target) == held


@pytest.mark.parametrize("how", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=long)])
def test_a_run_that_is_told_to_stop_says_so(world, how):
    warm, site, target, held = world
    words = ("plan", site.with_name("changed.toml"), "--out", target)
    done = warm.run(*words, hit_at="Writing the counts", how=how)
    assert done["code"] == 3
    assert done["said"].splitlines()[-1] == "Stopped. The previous plan has not changed."
    assert strays(target, 0) == [] and digests(target) == held


@pytest.mark.long
def test_a_stopped_run_leaves_the_ground_it_worked_out_to_the_next(world, tmp_path):
    warm, site, target, held = world
    env = {"SITEPLANNER_CACHE": str(tmp_path)}
    words = ("plan", site, "--out", target)
    done = warm.run(*words, env=env, hit_at="Scoring the species")
    assert done["code"] == -signal.SIGKILL
    assert {p.name.split("-")[0] for p in tmp_path.iterdir()} == {"layer", "drainage"}
    kept = {p: p.stat() for p in tmp_path.glob("*.cached")}
    assert warm.run(*words, env=env)["code"] == 0
    assert digests(target) == held
    for path, before in kept.items():  # read, not written again
        now = path.stat()
        assert now.st_ino == before.st_ino and now.st_mtime_ns > before.st_mtime_ns
    for path in kept:
        path.write_bytes(path.read_bytes()[:-9])
    assert warm.run(*words, env=env)["code"] == 0
    assert digests(target) == held
    assert {p: p.stat().st_size for p in kept} == {p: s.st_size for p, s in kept.items()}
