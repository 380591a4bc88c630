"""README's commands: they are what they say, and the plan command runs as printed."""

import re
import shlex

from conftest import ROOT, readme_block


def test_both_lines_set_up_by_themselves():
    for heading, extra in (("Plan the sample", ""), ("Run the tests", "[test]")):
        make, install, _ = readme_block(heading)
        assert make == "python3 -m venv .venv"
        assert shlex.split(install) == [".venv/bin/pip", "install", "--quiet", "-e", f".{extra}"]
    assert readme_block("Run the tests")[2] == ".venv/bin/python -m pytest"


def test_the_plan_line_plans_the_sample(sample_plan):
    place = sample_plan.parents[1]
    [page] = (place / "maps").glob("*/map.html")
    assert (sample_plan / "counts.csv").exists()
    assert str(page.relative_to(place)) in sample_plan.with_suffix(".out").read_text("utf-8")
    assert page.stat().st_size < 5_000_000


def test_the_picture_and_the_kept_map_are_there():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for path in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / path).exists(), path
    assert (ROOT / "maps" / "wether-knoll" / "map.html").stat().st_size < 5_000_000
