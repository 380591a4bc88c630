"""The zip: what the GIS asks of a plugin, and nothing that its Python has not."""

import ast
import configparser
import json
import subprocess
import sys
import zipfile

from conftest import here

from siteplanner import __version__
from siteplanner.gis_plugin.package import plugin_files
from siteplanner.site.planting import Setbacks


def test_the_zip_is_one_folder_with_what_the_gis_asks_for(tmp_path):
    done = here("gis-plugin", "--to", tmp_path / "deep" / "plugin.zip")
    assert done.returncode == 0 and "Install from ZIP" in done.stdout
    with zipfile.ZipFile(tmp_path / "deep" / "plugin.zip") as file:
        names = file.namelist()
        assert {name.partition("/")[0] for name in names} == {"siteplanner"}
        words = configparser.ConfigParser()
        words.read_string(file.read("siteplanner/metadata.txt").decode())
    general = words["general"]
    asked = {"name", "qgisMinimumVersion", "description", "about", "version", "author", "email"}
    assert asked <= set(dict(general)) | {"qgisMinimumVersion"}
    assert general["version"] == __version__ and general["hasProcessingProvider"] == "yes"
    assert f"siteplanner/{general['icon']}" in names


def test_it_names_the_python_it_came_from_which_has_siteplanner():
    environment = json.loads(plugin_files()["environment.json"])
    words = [environment["python"], "-P", "-m", "siteplanner", "--version"]
    done = subprocess.run(words, capture_output=True, text=True)
    assert (
        done.stdout.split() == ["siteplanner", __version__]
        and environment["version"] in done.stdout
    )
    assert {*environment["kinds"], "boundary"} == set(Setbacks.model_fields)


def test_it_needs_nothing_but_the_gis_and_the_standard_library():
    modules = {name: text for name, text in plugin_files().items() if name.endswith(".py")}
    assert len(modules) == 6
    for name, text in modules.items():
        for node in ast.walk(ast.parse(text)):
            found = []
            if isinstance(node, ast.Import):
                found = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                found = [node.module]
            for module in found:
                top = module.partition(".")[0]
                assert top == "qgis" or top in sys.stdlib_module_names, (name, module)


def test_the_same_siteplanner_gives_the_same_zip(tmp_path):
    for name in ("a.zip", "b.zip"):
        assert here("gis-plugin", "--to", tmp_path / name).returncode == 0
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_a_place_that_cannot_be_written_is_said_in_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    done = here("gis-plugin", "--to", tmp_path / "file" / "plugin.zip")
    assert done.returncode == 1 and "cannot be written" in done.stderr
