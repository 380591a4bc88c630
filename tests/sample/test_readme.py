"""README's commands: they are what they say, and the plan command runs as printed."""

import re
import shlex
import shutil
import subprocess
import sys

from conftest import ROOT


def block(heading):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [found] = re.findall(rf"^## {heading}\n+```sh\n(.*?)\n```$", text, re.M | re.S)
    assert "\n" not in found
    return found.split(" && ")


def test_both_lines_set_up_by_themselves():
    for heading, extra in (("Plan the sample", ""), ("Run the tests", "[test]")):
        make, install, _ = block(heading)
        assert make == "python3 -m venv .venv"
        assert shlex.split(install) == [".venv/bin/pip", "install", "--quiet", "-e", f".{extra}"]
    assert block("Run the tests")[2] == ".venv/bin/python -m pytest"


def test_the_plan_line_plans_the_sample(tmp_path):
    words = shlex.split(block("Plan the sample")[2])
    assert words[0] == ".venv/bin/siteplanner"
    shutil.copytree(ROOT / "sample_site", tmp_path / "sample_site")
    # As in a fresh clone: the kept map and manifest, nothing else of a plan.
    kept = tmp_path / "maps" / "wether-knoll"
    kept.mkdir(parents=True)
    for name in ("map.html", "plan.json"):
        shutil.copy(ROOT / "maps" / "wether-knoll" / name, kept)
    done = subprocess.run(
        [sys.executable, "-m", "siteplanner", *words[1:]],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stderr
    [page] = (tmp_path / "maps").glob("*/map.html")
    assert (kept / "counts.csv").exists()
    assert str(page.relative_to(tmp_path)) in done.stdout
    assert page.stat().st_size < 5_000_000


def test_the_picture_and_the_kept_map_are_there():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for path in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / path).exists(), path
    assert (ROOT / "maps" / "wether-knoll" / "map.html").stat().st_size < 5_000_000
