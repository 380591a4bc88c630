"""The desktop GIS for tests: looks for it, and has it take steps with the plugin."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from conftest import command

SCRIPT = Path(__file__).with_name("in_the_gis.py")
#: The Python that has the GIS's modules, as Debian installs them.
PYTHON = os.environ.get("SITEPLANNER_GIS_PYTHON", "/usr/bin/python3")
_LONGEST_S = 1800


def needs_the_gis() -> None:
    """Skip where the GIS is not installed; fail where nothing may be skipped."""
    words = [PYTHON, "-c", "import qgis.core, qgis.PyQt.QtXml"]
    there = shutil.which(PYTHON) and subprocess.run(words, capture_output=True).returncode == 0
    if not there:
        reason = f"{PYTHON} has no desktop GIS (Debian: python3-qgis qgis-providers)"
        if os.environ.get("SITEPLANNER_REQUIRE_ALL") == "1":
            pytest.fail(reason)
        pytest.skip(reason)


def steps_in_the_gis(work: Path, steps: list[dict[str, object]]) -> list[dict[str, object]]:
    """Install the plugin into an empty profile and take steps; give what each came to.

    The first answer is of the installation. The exit code says nothing, since this GIS may crash
    while it shuts down; a step that is missing or says ``failed`` fails the test.
    """
    work.mkdir(parents=True)
    made = command("gis-plugin", "--to", work / "plugin.zip")
    assert made.returncode == 0, made.stderr
    job = {
        "zip": str(work / "plugin.zip"),
        "profile": str(work / "profile"),
        "work": str(work),
        "steps": steps,
    }
    (work / "job.json").write_text(json.dumps(job), "utf-8")
    done = subprocess.run(
        [PYTHON, str(SCRIPT), str(work / "job.json")],
        capture_output=True,
        text=True,
        timeout=_LONGEST_S,
        env=os.environ | {"QT_QPA_PLATFORM": "offscreen"},
    )
    lines = (work / "said.jsonl").read_text("utf-8").splitlines()
    said = [json.loads(line) for line in lines]
    for one in said:
        assert "failed" not in one, f"{one['failed']}\n{done.stderr[-2000:]}"
    assert len(said) == 1 + len(steps), done.stderr[-2000:]
    return said
