"""A plan takes its place whole or not at all, whatever stops the run."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import threading
from hashlib import sha256
from pathlib import Path

import pytest

from siteplanner.base.errors import InputError
from siteplanner.handover.folder import publish
from siteplanner.handover.folder.publish import recover, staged

FILES = {"a.txt": "one", "layers/slope.tif": "two"}


def write(folder: Path, run: str, files: dict[str, str] = FILES) -> None:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"{text} of run {run}")
    manifest = {"run": run, "versions": {"siteplanner": "0"}, "files": {n: {} for n in files}}
    (folder / "plan.json").write_text(json.dumps(manifest))


def content(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): p.read_text()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture
def target(tmp_path) -> Path:
    """A plan of run 1, with a note that somebody put beside it."""
    folder = tmp_path / "maps" / "knoll"
    with staged(folder) as staging:
        write(staging, "1")
    (folder / "photos").mkdir()
    (folder / "photos" / "note.txt").write_text("mine")
    return folder


@pytest.fixture(params=["exchange", "two renames"])
def swap(request, monkeypatch) -> str:
    """Run the test with the system's exchange of folders, and with the way round it."""
    if request.param == "two renames":
        monkeypatch.setattr(publish, "_exchange", lambda one, other: False)
    elif not hasattr(os, "fork"):
        pytest.skip("this system cannot exchange two folders")
    return request.param


def holds(target: Path, run: str) -> bool:
    """Tell whether ``target`` is exactly the plan of that run and the note, with no strays."""
    found = content(target)
    return (
        json.loads(found.pop("plan.json"))["run"] == run
        and found.pop("photos/note.txt") == "mine"
        and found == {name: f"{text} of run {run}" for name, text in FILES.items()}
        and [p.name for p in target.parent.iterdir()] == [target.name]
    )


def is_run_1(target: Path) -> bool:
    return json.loads((target / "plan.json").read_text())["run"] == "1"


def test_a_second_run_replaces_the_plan_and_keeps_what_others_put_there(target, swap):
    with staged(target) as staging:
        write(staging, "2")
        assert is_run_1(target)
    assert holds(target, "2")


def test_this_system_exchanges_folders_in_one_step(tmp_path):
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir(), other.mkdir()
    (one / "x").touch()
    if not publish._exchange(one, other):
        pytest.skip("this file system cannot exchange two folders")
    assert (other / "x").exists() and not (one / "x").exists()


@pytest.mark.parametrize("stop", [ValueError, KeyboardInterrupt])
def test_a_failing_run_leaves_the_previous_plan(target, stop):
    with pytest.raises(stop), staged(target) as staging:
        write(staging, "2")
        raise stop
    assert holds(target, "1")


def test_a_failing_second_rename_puts_the_previous_plan_back(target, monkeypatch):
    monkeypatch.setattr(publish, "_exchange", lambda one, other: False)
    rename = Path.rename

    def failing(self: Path, to: Path) -> Path:
        if ".new-" in self.name:
            raise PermissionError("open elsewhere")
        return rename(self, to)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(InputError, match="open elsewhere"), staged(target) as staging:
        write(staging, "2")
    assert holds(target, "1")


# Everything by which a run changes what lies on the disk after its files are written.
STEPS = [(publish, "_carry_over"), (publish, "_sync_tree"), (publish, "_sync_folder"),
         (publish, "_exchange"), (Path, "rename"), (Path, "replace"), (Path, "unlink"),
         (os, "link"), (os, "unlink"), (os, "rmdir"), (shutil, "rmtree")]  # fmt: skip


def killed_at(step: int, target: Path) -> bool:
    """Run in a child that is killed (SIGKILL) before its n-th step; tell if it came that far."""
    child = os.fork()
    if child == 0:
        left = iter(range(step, -1, -1))

        def deadly(function):
            def call(*args, **kwargs):
                if next(left, 1) == 0:
                    os.kill(os.getpid(), signal.SIGKILL)
                return function(*args, **kwargs)

            return call

        for owner, name in STEPS:
            setattr(owner, name, deadly(getattr(owner, name)))
        with staged(target) as staging:
            write(staging, "2")
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        assert status == 0
    return os.WIFSIGNALED(status)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a run half-way")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_killed_at_any_step_the_plan_is_the_old_or_the_new_one(target, swap):
    first = target.parent.parent / "first"
    target.rename(first)
    outcomes, missing = [], False
    for step in range(200):
        shutil.copytree(first, target)
        if not killed_at(step, target):
            break
        missing |= not target.exists()
        recover(target)
        run = json.loads((target / "plan.json").read_text())["run"]
        assert holds(target, run), step
        outcomes.append(run)
        shutil.rmtree(target)
    assert outcomes == sorted(outcomes) and set(outcomes) == {"1", "2"}
    assert len(outcomes) > 10
    # Only the way round the exchange ever leaves the target without a folder.
    assert missing == (swap == "two renames")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a run half-way")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_killed_while_writing_the_next_run_clears_up(target):
    child = os.fork()
    if child == 0:
        with staged(target) as staging:
            (staging / "a.txt").write_text("half")
            os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    assert len(list(target.parent.iterdir())) == 3  # the plan, its lock and the half-written one
    with staged(target) as staging:
        write(staging, "2")
    assert holds(target, "2")


def test_a_folder_that_is_no_plan_is_refused_and_untouched(tmp_path):
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter.txt").write_text("years of work")
    with pytest.raises(InputError, match=r"no plan\.json of siteplanner"):  # noqa: SIM117
        with staged(tmp_path / "thesis"):
            pytest.fail("must not get here")
    assert content(tmp_path) == {"thesis/chapter.txt": "years of work"}


@pytest.mark.parametrize("text", ["{}", "not json", '{"files": []}', '{"versions": 3}', "[1]"])
def test_a_plan_json_of_another_kind_does_not_make_it_a_plan(tmp_path, text):
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(InputError), staged(tmp_path):
        pytest.fail("must not get here")
    assert content(tmp_path) == {"plan.json": text}


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "knoll").write_text("a file")
    with pytest.raises(InputError, match="this is a file"), staged(tmp_path / "knoll"):
        pytest.fail("must not get here")
    assert content(tmp_path) == {"knoll": "a file"}


def test_an_empty_folder_is_filled(tmp_path):
    (tmp_path / "knoll").mkdir()
    with staged(tmp_path / "knoll") as staging:
        write(staging, "1")
    assert is_run_1(tmp_path / "knoll")


def test_two_runs_on_one_target_do_not_mix(target):
    with staged(target) as staging:
        write(staging, "2")
        with pytest.raises(InputError, match="another run is writing this plan; wait"):  # noqa: SIM117
            with staged(target):
                pytest.fail("must not get here")
        recover(target)  # finds the other run at work and lets it be
        assert staging.exists()
    assert holds(target, "2")


def test_a_new_file_never_overwrites_somebody_elses(target):
    (target / "counts.csv").write_text("my own counts")
    with pytest.raises(InputError, match=r"counts\.csv: the new plan has a file of the same name"):  # noqa: SIM117
        with staged(target) as staging:
            write(staging, "2", {**FILES, "counts.csv": "new"})
    (target / "counts.csv").unlink()
    assert holds(target, "1")


def with_features(folder: Path, run: str) -> None:
    """Write a plan with features and their digest, as a run would."""
    write(folder, run, {**FILES, "plan.gpkg": "features"})
    manifest = json.loads((folder / "plan.json").read_text())
    digest = sha256((folder / "plan.gpkg").read_bytes()).hexdigest()
    manifest["files"]["plan.gpkg"] = {"sha256": digest}
    (folder / "plan.json").write_text(json.dumps(manifest))


@pytest.mark.parametrize("name", ["plan.gpkg", "plan.gpkg-wal"])
def test_features_edited_in_place_are_not_overwritten(target, name):
    with staged(target) as staging:
        with_features(staging, "2")
    with staged(target) as staging:  # as it was made: replaced without a word
        with_features(staging, "3")
    (target / name).write_text("one edge moved")
    with pytest.raises(InputError, match=r"it was edited .* \[decisions\] .*--overwrite"):  # noqa: SIM117
        with staged(target):
            pytest.fail("must not get here")
    assert (target / name).read_text() == "one edge moved"
    with staged(target, overwrite=True) as staging:
        with_features(staging, "4")
    assert (target / "plan.gpkg").read_text() == "features of run 4"


def test_features_edited_while_a_run_is_at_work_are_not_overwritten(target):
    with staged(target) as staging:
        with_features(staging, "2")
    with pytest.raises(InputError, match="it was edited"), staged(target) as staging:
        with_features(staging, "3")
        (target / "plan.gpkg").write_text("one edge moved")
    assert (target / "plan.gpkg").read_text() == "one edge moved"


def test_journals_and_statistics_of_replaced_files_go_with_them(target):
    for name in ("layers/slope.tif.aux.xml", "a.txt-wal"):
        (target / name).write_text("of run 1")
    with staged(target) as staging:
        write(staging, "2")
    assert holds(target, "2")


def test_a_file_saved_into_the_old_plan_at_the_last_moment_is_kept(target, swap, monkeypatch):
    swapping = publish._swap

    def swap_late(staging: Path, to: Path) -> None:
        (to / "late.txt").write_text("saved just now")
        swapping(staging, to)

    monkeypatch.setattr(publish, "_swap", swap_late)
    with staged(target) as staging:
        write(staging, "2")
    assert (target / "late.txt").read_text() == "saved just now"


def test_a_file_the_manifest_does_not_list_is_our_error(target):
    with pytest.raises(RuntimeError, match=r"does not list stray\.txt"), staged(target) as staging:
        write(staging, "2")
        (staging / "stray.txt").touch()
    assert holds(target, "1")


def test_a_link_to_a_plan_stays_a_link(target, tmp_path):
    (tmp_path / "latest").symlink_to(target)
    with staged(tmp_path / "latest") as staging:
        write(staging, "2")
    assert (tmp_path / "latest").is_symlink()
    assert holds(target, "2")


def test_a_lock_on_a_removed_file_is_taken_again(target, monkeypatch):
    fcntl = pytest.importorskip("fcntl")
    lock, flock, taken = target.with_name(".knoll.lock"), fcntl.flock, []

    def after_the_other_run_let_go(handle: int, how: int) -> None:
        if how & fcntl.LOCK_EX:
            if not taken:
                lock.unlink()
            taken.append(handle)
        flock(handle, how)

    monkeypatch.setattr(fcntl, "flock", after_the_other_run_let_go)
    with staged(target) as staging:
        write(staging, "2")
        assert lock.exists() and len(taken) == 2
    assert holds(target, "2")


@pytest.mark.parametrize("number", [errno.ENOSYS, errno.ENOTSUP, errno.ENOLCK])
def test_a_drive_without_locks_takes_a_plan_all_the_same(target, monkeypatch, number):
    fcntl = pytest.importorskip("fcntl")
    calls = []

    def unknown(handle: int, how: int) -> None:
        calls.append(how)
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", unknown)
    with staged(target) as staging:
        write(staging, "2")
    assert calls and holds(target, "2")


def test_a_lock_that_cannot_be_taken_for_another_reason_is_told(target, monkeypatch):
    fcntl = pytest.importorskip("fcntl")

    def broken(handle: int, how: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(fcntl, "flock", broken)
    with pytest.raises(InputError, match="cannot be written"), staged(target):
        pytest.fail("must not get here")


def test_a_run_waits_for_one_that_is_about_to_end(target):
    held, let_go = threading.Event(), threading.Event()

    def other() -> None:
        with publish._only_run(target):
            held.set()
            let_go.wait(10)

    thread = threading.Thread(target=other)
    thread.start()
    assert held.wait(10)
    threading.Timer(0.3, let_go.set).start()
    with staged(target) as staging:
        assert let_go.is_set()
        write(staging, "2")
    thread.join()
    assert holds(target, "2")
