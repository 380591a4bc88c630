"""The contributor's guide: its package works as written, and the files it names exist."""

import re
import sys
import tomllib
from importlib import import_module

import pytest
from conftest import ROOT, here
from toy_package import install

from siteplanner.ground import resolve
from siteplanner.handover.write import writers
from siteplanner.planting.rows.patterns import density_per_ha, patterns

TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CODE = re.findall(r"```python\n(.*?)```", TEXT, re.S)
TESTS = [code for code in CODE if "def test_" in code]
FILES = dict(
    zip(
        re.findall(r"In\s+`(my_package/\w+\.py)`:", TEXT),
        [code for code in CODE if code not in TESTS],
        strict=True,
    )
)


@pytest.fixture
def guide(tmp_path, monkeypatch):
    """The guide's package, installed; the folder it is in."""
    [project] = re.findall(r"```toml\n(\[project\].*?)```", TEXT, re.S)
    project = tomllib.loads(project)["project"]
    files = {"my_package/__init__.py": "", **FILES}
    install(tmp_path, project["name"], project["entry-points"], files, project["version"])
    monkeypatch.syspath_prepend(tmp_path)
    yield tmp_path
    for module in [name for name in sys.modules if name.partition(".")[0] == "my_package"]:
        del sys.modules[module]


def test_the_guide_has_one_file_and_one_test_for_each_door():
    assert sorted(FILES) == [f"my_package/{name}.py" for name in ("layers", "patterns", "writers")]
    assert len(TESTS) == 3


@pytest.mark.parametrize("code", TESTS)
def test_the_tests_in_the_guide_pass(guide, tmp_path, code):
    names = {}
    exec(code, names)
    [test] = [one for name, one in names.items() if name.startswith("test_")]
    test(**{"tmp_path": tmp_path} if "tmp_path" in test.__code__.co_varnames else {})


def test_what_the_guide_adds_comes_through_the_doors(guide):
    [maker] = [maker for maker in resolve.offered() if maker.origin == "my-package"]
    assert maker.name == "erodible"
    assert maker.needs == ("slope",) and maker.settings == {"steepest": 20.0}
    assert list(patterns())[-1] == "quincunx"
    assert density_per_ha("quincunx", 3.0) == 2 * density_per_ha("square", 3.0)
    assert writers()[-1][0] == "Writing the labels of the nursery's beds"


def test_the_commands_list_what_the_guide_adds(guide):
    for words, title in (
        ("layers", "Ground that erodes when bare"),
        ("patterns", "quincunx  Square grid with a tree in each middle"),
    ):
        done = here(words)
        assert done.returncode == 0, done.stderr
        assert title in done.stdout and "made by: my-package" in done.stdout


def test_every_module_in_the_drawing_of_the_house_exists():
    drawing = TEXT.split("```")[1]
    for name in re.findall(r"\b(\w+\.py)\b", drawing):
        assert list(ROOT.glob(f"siteplanner/**/{name}")) or list(ROOT.glob(f"*/{name}")), name


GLOSSARY = re.findall(
    r"^\| ([^|]+) \| ([^|]+) \| `([a-z_.0-9]+(?:\.\w+)?)` \|$",
    TEXT.split("## Glossary")[1].split("\n## ")[0],
    re.M,
)


def test_the_glossary_is_in_order_and_each_line_of_it_is_read():
    lines = [n for n in TEXT.split("## Glossary")[1].split("\n## ")[0].splitlines() if "|" in n]
    assert len(GLOSSARY) == len(lines) - 2 >= 25
    terms = [term for term, _, _ in GLOSSARY]
    assert terms == sorted(set(terms), key=str.lower)


@pytest.mark.parametrize("place", [place for _, _, place in GLOSSARY])
def test_what_the_glossary_names_exists(place):
    try:
        import_module(f"siteplanner.{place}")
    except ModuleNotFoundError:
        module, name = place.rsplit(".", 1)
        assert hasattr(import_module(f"siteplanner.{module}"), name)
