"""A third-party package with one layer: installed, scored on, and seen in the map's legend."""

import json
import os
import shutil
import subprocess
import sys

import pytest
import rasterio
from conftest import SITE, command, here
from handover.browser import opened
from handover.small_site import small_site
from toy_package import install
from toy_plugin import make


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Environment in which the toy package is installed, and a copy of the sample site."""
    place = tmp_path_factory.mktemp("plugin")
    source = place / "source"
    source.mkdir()
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--no-deps",
            "--no-index",
            "--no-build-isolation",
            "--target",
            place / "lib",
            make(source),
        ],
        check=True,
        capture_output=True,
    )
    return os.environ | {"PYTHONPATH": str(place / "lib")}, copied(place / "site")


def copied(folder):
    """Copy the sample site to a new folder."""
    shutil.copytree(SITE.parent, folder, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    return folder


def with_factor(site):
    """Make the first species of the table hate salt, and hand the plugin a setting."""
    table = site / "species.csv"
    head, first, *others = table.read_text(encoding="utf-8").rstrip("\n").split("\n")
    unit = "salt_spray dies above [index 0-100]"
    lines = [
        f"{head},salt_spray thrives to [index 0-100],{unit}",
        f"{first},1,2",
        *(f"{line},," for line in others),
    ]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    toml = site / "site.toml"
    toml.write_text(
        toml.read_text(encoding="utf-8") + "\n[layers.salt_spray]\nedge = 90.0\n", encoding="utf-8"
    )


def test_without_the_package_the_factor_is_an_error(tmp_path):
    with_factor(copied(tmp_path / "bare"))
    done = here("check", tmp_path / "bare")
    assert done.returncode == 1
    assert "salt_spray: no layer has that name" in done.stderr


@pytest.mark.long
def test_the_layer_takes_part_in_everything(world, browser, tmp_path):
    env, site = world
    with_factor(site)
    listed = command("layers", env=env).stdout
    assert "Salt spray from the east" in listed and "made by: salt-spray" in listed
    done = command("plan", site, "--out", tmp_path / "plan", env=env)
    assert done.returncode == 0, done.stderr
    with rasterio.open(tmp_path / "plan" / "layers" / "salt_spray.tif") as layer:
        assert layer.tags()["unit"] == "index 0-100"
        assert layer.read(1).max() == pytest.approx(90.0)
    name = (site / "species.csv").read_text(encoding="utf-8").split("\n")[1].split(",")[0]
    with rasterio.open(
        next(
            (tmp_path / "plan" / "layers").glob(
                f"suitability_{name.lower().replace(' ', '_')}*.tif"
            )
        )
    ) as fit:
        scores = fit.read(1)
        assert set(scores[scores != 255]) == {0}
    manifest = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert manifest["trees_by_species"].get(name, 0) == 0
    assert manifest["versions"]["plugin salt-spray"] == "1.0"
    with opened(browser, tmp_path / "plan" / "map.html") as it:
        assert "Salt spray from the east" in it.page.content()
        titles = it.page.evaluate("window.siteplan.layers.map(l => l.title)")
        assert "Salt spray from the east" in titles


SICK = {
    "siteplanner.layers": ("layers", "from siteplanner import CELL, LayerInfo, layer\n"
        "INFO = LayerInfo(title='t', unit='m', method='m', source='s', valid=(0, 1))\n"
        "@layer(INFO, reach=CELL)\n"
        "def sick(dem):\n"
        "    return 1 / 0\n"),
    "siteplanner.patterns": ("patterns:sick", "import no_such_library\n"),
    "siteplanner.writers": ("writers:sick", "def sick(plan, folder): pass\n"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("group", "words", "said"),
    [
        ("siteplanner.layers", "plan", "layer sick of sick-package failed at sick_package/layers.py"
         " line 5: ZeroDivisionError: division by zero"),
        ("siteplanner.patterns", "plan", "at sick_package/patterns.py line 1: ModuleNotFoundError"),
        ("siteplanner.patterns", "check", "sick_package.patterns:sick could not be imported"),
        ("siteplanner.patterns", "patterns", "sick_package.patterns:sick could not be imported"),
        ("siteplanner.writers", "check", "writer sick has no title"),
    ],
)  # fmt: skip
def test_a_sick_package_is_named_in_one_sentence(tmp_path, monkeypatch, group, words, said):
    value, text = SICK[group]
    files = {"sick_package/__init__.py": "", f"sick_package/{value.partition(':')[0]}.py": text}
    install(tmp_path, "sick-package", {group: {"sick": f"sick_package.{value}"}}, files)
    site = small_site(tmp_path / "site")
    given = {"plan": [site, "--quiet", "--out", tmp_path / "plan"], "check": [site]}.get(words, [])
    monkeypatch.syspath_prepend(tmp_path)
    try:
        done = here(words, *given)
    finally:
        for name in [name for name in sys.modules if name.startswith("sick_package")]:
            del sys.modules[name]
    assert done.returncode == 1
    [line] = done.stderr.strip().splitlines()
    assert line.startswith(f"plugin sick-package, entry point sick of {group}: ")
    assert said in line
    assert line.endswith("; update sick-package, or uninstall it (pip uninstall sick-package).")
    assert not (tmp_path / "plan").exists()
