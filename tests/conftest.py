"""Shared by all tests: the sample's plan made once by the real command, and strict runs."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SITE = ROOT / "sample_site" / "site.toml"
collect_ignore = ["handover/picture.py"]  # a script, without examples to run


def command(*words: object, **options: object) -> subprocess.CompletedProcess[str]:
    """Run the siteplanner command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "siteplanner", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        **options,
    )


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder, by relative path."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="session")
def sample_plan(tmp_path_factory):
    """Folder of the sample's plan, made by the command."""
    folder = tmp_path_factory.mktemp("sample") / "plan"
    done = command("plan", SITE, "--out", folder)
    assert done.returncode == 0, done.stderr
    folder.with_suffix(".out").write_text(done.stdout, encoding="utf-8")
    return folder


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
