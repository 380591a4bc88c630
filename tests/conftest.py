"""Shared by all tests: the sample's plan and a browser made once, and strict runs."""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import io
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from examples import examples
from filelock import FileLock
from handover.browser import chromium
from hypothesis import settings

from siteplanner.cli.app import main

ROOT = Path(__file__).parent.parent
SITE = ROOT / "sample_site" / "site.toml"
collect_ignore = ["handover/picture.py"]  # a script, without examples to run

gc.disable()  # what is imported stays: see pytest_collection_finish

settings.register_profile("ours", deadline=None, max_examples=examples(100))
settings.load_profile("ours")

#: Files whose tests take longest.
EARLY = (
    "sample/test_readme.py",
    "handover/test_in_the_way.py",
    "catchment/test_run.py",
    "tiled/test_ground_in_tiles.py",
)


def command(*words: object, **options: object) -> subprocess.CompletedProcess[str]:
    """Run the siteplanner command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "siteplanner", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        **options,
    )


#: All commands as one, made once: it takes as long as a small check.
command_once = functools.cache(typer.main.get_command)


def here(*words: object) -> subprocess.CompletedProcess[str]:
    """Run the siteplanner command in this process, which spares a start; else as ``command``."""
    told = ["siteplanner", *map(str, words)]
    out, err, code = io.StringIO(), io.StringIO(), 0
    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        patch.setattr(sys, "argv", told)
        patch.setattr(typer.main, "get_command", command_once)
        try:
            main()
        except SystemExit as end:
            code = int(end.code or 0)
    return subprocess.CompletedProcess(told, code, out.getvalue(), err.getvalue())


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder, by relative path."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def readme_block(heading: str) -> list[str]:
    """The commands of README's only line under a heading."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [found] = re.findall(rf"^## {heading}\n+```sh\n(.*?)\n```$", text, re.M | re.S)
    assert "\n" not in found
    return found.split(" && ")


def readme_run(place: Path) -> subprocess.CompletedProcess[str]:
    """Run README's command that plans the sample, in a new folder that is as a fresh clone."""
    words = shlex.split(readme_block("Plan the sample")[2])
    assert words[0] == ".venv/bin/siteplanner"
    shutil.copytree(
        SITE.parent, place / "sample_site", ignore=shutil.ignore_patterns("__pycache__")
    )
    # Of a plan a clone has the kept map and manifest, and nothing else.
    kept = place / "maps" / "wether-knoll"
    kept.mkdir(parents=True)
    for name in ("map.html", "plan.json"):
        shutil.copy(ROOT / "maps" / "wether-knoll" / name, kept)
    return command(*words[1:], cwd=place)


@pytest.fixture(scope="session")
def sample_plan(tmp_path_factory):
    """Folder of the sample's plan, made by README's command; ``.out`` beside it is what it said.

    All workers share one: the first that needs it makes it while the others wait.
    """
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    place = shared / "sample"
    folder = place / "maps" / "wether-knoll"
    said = folder.with_suffix(".out")
    with FileLock(shared / "sample.lock"):
        if not place.exists():
            done = readme_run(place)
            assert done.returncode == 0, done.stderr
            said.write_text(done.stdout, encoding="utf-8")
    assert said.exists(), "the sample's plan failed in another worker"
    return folder


@pytest.fixture
def quick_plans(monkeypatch):
    """Plans made in this process are without what takes long to write, the map and the sheets.

    For tests that look at nothing that ``SLOW`` names.
    """
    from handover.small_site import SLOW, leave_out  # which needs this module

    leave_out(SLOW, monkeypatch)


@pytest.fixture(scope="session")
def browser():
    """A browser that all pages are opened in, each in a context of its own."""
    with chromium() as started:
        yield started


def pytest_configure(config):
    """Compile the kernels once, before several workers would each do so."""
    # What is compiled once is kept, or each of the many processes would compile all of it again.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    # One worker a core: more threads in each would only wait for one another.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    workers = getattr(config.option, "numprocesses", None)
    if workers and not hasattr(config, "workerinput") and not config.option.collectonly:
        words = [sys.executable, ROOT / "tests" / "compile_kernels.py"]
        halves = [subprocess.Popen([*words, half, "2"]) for half in "12"]
        for half in halves:
            half.wait()


def pytest_xdist_auto_num_workers():
    """One worker more than cores: some always wait for a browser or a process."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items):
    """Begin with the files that take longest, so that the workers end together."""
    items.sort(key=lambda item: not item.location[0].endswith(EARLY))


def pytest_terminal_summary(terminalreporter, exitstatus, config):
    """Where SITEPLANNER_REQUIRE_ALL is 1 nothing may be skipped that the machine could do.

    What it may lack are the shared data and the right to mount a disk.
    """
    skipped = [
        report
        for report in terminalreporter.stats.get("skipped", ())
        if not any(why in str(report.longrepr) for why in ("shared data", "cannot be mounted"))
    ]
    if os.environ.get("SITEPLANNER_REQUIRE_ALL") == "1" and skipped:
        terminalreporter.write_line(f"{len(skipped)} tests were skipped, none may be", red=True)
        terminalreporter._session.exitstatus = 1


def pytest_collection_finish():
    """What is imported by now stays: no need to search it for garbage again and again."""
    gc.freeze()
    gc.enable()
