"""The door for plugins: one order, clashes named, broken packages named with their line."""

import importlib
import sys
from importlib.metadata import EntryPoints

import pytest
from toy_package import install

from siteplanner.base import plugins
from siteplanner.base.errors import InputError
from siteplanner.base.plugins import GROUPS, LAYERS, PATTERNS, WRITERS, Offer, PluginError


@pytest.fixture
def world(tmp_path, monkeypatch):
    """A function that installs packages into this process until the test ends."""
    before = set(sys.modules)

    def add(name, offers, files, **more):
        monkeypatch.syspath_prepend(install(tmp_path / name, name, offers, files, **more))
        importlib.invalidate_caches()
        return tmp_path / name

    yield add
    for module in set(sys.modules) - before:
        if module.startswith("toy_"):
            del sys.modules[module]


def test_our_own_come_first_then_packages_by_name_and_entries_by_name(world):
    own = [offer.name for offer in plugins.offers(WRITERS)]
    assert own == sorted(own) and len(own) >= 10
    for name in ("b-birds", "a-ants"):
        world(name, {WRITERS: {"2_late": "toy_x:late", "1_soon": "toy_x:soon"}}, {})
    found = plugins.offers(WRITERS)
    assert [offer.name for offer in found[: len(own)]] == own
    assert [(offer.package, offer.name) for offer in found[len(own) :]] == [
        ("a-ants", "1_soon"), ("a-ants", "2_late"), ("b-birds", "1_soon"), ("b-birds", "2_late"),
    ]  # fmt: skip
    assert plugins.packages() == {"a-ants": "1.0", "b-birds": "1.0"}


@pytest.mark.parametrize("group", GROUPS)
def test_everything_of_our_own_loads_through_the_door(group):
    for offer in plugins.offers(group):
        assert offer.load() is not None, offer


@pytest.mark.parametrize("group", [PATTERNS, WRITERS])
def test_a_name_offered_twice_names_both_packages_and_says_what_to_do(world, group):
    for name in ("a-ants", "b-birds"):
        world(name, {group: {"same": "toy_x:same"}}, {})
    with pytest.raises(InputError) as caught:
        plugins.by_name(group)
    words = group.removeprefix("siteplanner.").removesuffix("s")
    assert f"{words} same is offered by a-ants and by b-birds" in str(caught.value)
    assert "uninstall one of them (pip uninstall b-birds)" in str(caught.value)


def test_a_package_cannot_take_the_name_of_a_pattern_of_ours(world):
    world("a-ants", {PATTERNS: {"square": "toy_x:square"}}, {})
    with pytest.raises(InputError, match="pattern square is offered by siteplanner and by a-ants"):
        plugins.by_name(PATTERNS)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = 1\nimport no_such_library\n", "toy_sick.py line 2: ModuleNotFoundError: No module"),
        ("def f(:\n", "toy_sick.py line 1: SyntaxError: "),
        ("raise SystemExit('gone')", "toy_sick.py line 1: SystemExit: gone"),
        ("x = 1", ": AttributeError: "),
    ],
)
def test_a_package_that_does_not_load_is_named_with_its_line(world, text, words):
    world("sick-package", {PATTERNS: {"sick": "toy_sick:sick"}}, {"toy_sick.py": text})
    with pytest.raises(PluginError) as caught:
        plugins.by_name(PATTERNS)["sick"].load()
    said = str(caught.value)
    assert said.startswith("plugin sick-package, entry point sick of siteplanner.patterns: ")
    assert "toy_sick:sick could not be imported" in said and words in said
    assert said.endswith("update sick-package, or uninstall it (pip uninstall sick-package).")
    assert "\n" not in said


FAILING = (
    "import math\n\ndef half(x):\n    return math.sqrt(x) / x\n\ndef root(x):\n    return half(x)\n"
)


def test_the_line_named_is_the_last_of_the_packages_own_code(world):
    files = {"toy_fails/__init__.py": "", "toy_fails/layers.py": FAILING}
    world("my-package", {LAYERS: {"mine": "toy_fails.layers"}}, files)
    [offer] = [o for o in plugins.offers(LAYERS) if not o.ours]
    root = offer.guarded(offer.load().root, "layer root")
    assert root(4.0) == 0.5
    with pytest.raises(PluginError) as caught:
        root(0.0)
    assert (
        "layer root of my-package failed at toy_fails/layers.py line 4: ZeroDivisionError: "
        in str(caught.value)
    )
    with pytest.raises(PluginError, match=r"layers\.py line 4: ValueError: math domain"):
        root(-1.0)


def test_bad_input_that_a_plugin_tells_of_stays_what_it_is():
    def complain():
        raise InputError()

    offer = Offer(LAYERS, "mine", "toy.layers", "my-package")
    with pytest.raises(InputError) as caught:
        offer.guarded(complain, "layer x")()
    assert not isinstance(caught.value, PluginError)


def test_a_mistake_of_our_own_is_no_plugins():
    offer = Offer(LAYERS, "mine", "siteplanner.x", plugins.OWN)

    def divide():
        return 1 / 0

    assert offer.guarded(divide, "layer x") is divide
    assert isinstance(offer.broken("no"), ValueError)


@pytest.mark.parametrize("declared", [None, {"extra": "siteplanner.extra:extra"}])
def test_where_siteplanner_is_not_installed_as_it_is_that_is_said(monkeypatch, declared):
    if declared is None:
        monkeypatch.setattr(plugins, "_installed", lambda folders: EntryPoints())
    else:
        monkeypatch.setattr(plugins, "_declared", lambda root, group, own: own | declared)
    with pytest.raises(InputError, match=r"siteplanner is not installed, .*pip install -e "):
        plugins.offers(LAYERS)


def code(group=LAYERS):
    return plugins.code_of(offer for offer in plugins.offers(group) if not offer.ours)


def test_the_code_of_a_package_is_every_file_of_it_and_its_version(world):
    files = {"toy_two/__init__.py": "", "toy_two/layers.py": "a = 1", "toy_two/deep/more.py": "b"}
    place = world("two-files", {LAYERS: {"two": "toy_two.layers"}}, files)
    first = code()
    assert code() == first
    assert "two-files 1.0" in first
    assert any(line.startswith("toy_two/deep/more.py ") for line in first)
    assert any(line.startswith("siteplanner/ground/resolve.py ") for line in first)
    (place / "toy_two" / "deep" / "more.py").write_text("c")
    second = code()
    assert [a for a, b in zip(first, second, strict=True) if a != b] == [
        line for line in first if line.startswith("toy_two/deep/more.py ")
    ]
    (place / "two_files-1.0.dist-info" / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: two-files\nVersion: 1.1\n"
    )
    assert "two-files 1.1" in code()


def test_the_code_of_single_modules_is_all_that_their_package_lists(world):
    files = {"toy_one.py": "a = 1", "toy_other.py": "b = 2"}
    place = world("flat-files", {LAYERS: {"one": "toy_one"}}, files)
    first = code()
    (place / "toy_other.py").write_text("b = 3")
    assert code() != first


def test_our_own_code_is_the_package_alone(world):
    before = plugins.code_of()
    world("two-files", {LAYERS: {"two": "toy_two"}}, {"toy_two.py": ""})
    assert plugins.code_of() == before
    assert not any(line.startswith("toy_") for line in before)
