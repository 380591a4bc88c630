"""An old name, wherever a user may have written it, is answered with the name of today."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from conftest import SITE
from ground.surfaces import grid_of, hills

from siteplanner.base.errors import InputError
from siteplanner.base.renamed import LAYERS, SETTINGS
from siteplanner.ground import resolve
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.site.site_file import load_site
from siteplanner.suitability.factors import factors
from siteplanner.tiled.ground import ground_in_tiles

BOOK = resolve.catalogue("site.toml")
FUNCTIONS = {maker.name for maker in BOOK.makers.values()}


def answers(old):
    return f"it is now called {LAYERS[old]}"


@pytest.fixture(scope="module")
def dem(tmp_path_factory):
    path = tmp_path_factory.mktemp("ground") / "dem.tif"
    grid = grid_of((20, 20), 10.0)
    with rasterio.open(path, "w", "GTiff", 20, 20, 1, grid.crs, grid.transform, "float32") as file:
        file.write(hills((20, 20), 1), 1)
    return path


def test_every_name_of_today_exists_and_no_old_one_does():
    today = {*BOOK.makers, *FUNCTIONS, *resolve.GIVEN}
    assert set(LAYERS.values()) <= today
    assert not set(LAYERS) & today


@pytest.mark.parametrize("old", LAYERS)
def test_old_layer_in_settings_is_answered(old):
    with pytest.raises(InputError) as caught:
        resolve.check(BOOK, [], resolve.GIVEN, {old: {}}, "site.toml")
    assert answers(old) in str(caught.value)


@pytest.mark.parametrize("old", LAYERS)
def test_old_layer_to_be_replaced_is_answered(old):
    with pytest.raises(InputError) as caught:
        resolve.catalogue("site.toml", {old: "a-package"})
    assert answers(old) in str(caught.value)


@pytest.mark.parametrize("old", LAYERS)
def test_old_layer_that_a_plugin_asks_for_is_answered(old):
    with pytest.raises(InputError) as caught:
        resolve.check(BOOK, [old], resolve.GIVEN, {}, "site.toml")
    assert answers(old) in str(caught.value)


@pytest.mark.parametrize("old", LAYERS)
def test_old_layer_in_a_species_table_is_answered(old):
    table = SpeciesTable(Path("species.csv"), pd.DataFrame(), {old: np.zeros((0, 4))}, {}, {})
    with pytest.raises(InputError) as caught:
        factors(table, BOOK.infos())
    assert str(caught.value).startswith(f"species.csv, {old}: ")
    assert answers(old) in str(caught.value)


@pytest.mark.parametrize("old", LAYERS)
def test_old_layer_asked_for_by_the_command_ground_is_answered(old, dem, tmp_path):
    with pytest.raises(InputError) as caught:
        ground_in_tiles(dem, tmp_path / "out", [old])
    assert answers(old) in str(caught.value)


@pytest.mark.parametrize(
    ("table", "old"),
    [
        ("frost", "grown"),
        ("planting", "row_gap_m"),
        ("work", "fence_gap_m"),
        ("mix", "lowest_fit"),
        ("mix", "role_fit"),
    ],
)
def test_old_setting_of_a_site_file_is_answered(table, old, tmp_path):
    lines = SITE.read_text(encoding="utf-8").splitlines()
    if f"[{table}]" not in lines:
        lines.append(f"[{table}]")
    lines.insert(lines.index(f"[{table}]") + 1, f"{old} = 1")
    path = tmp_path / "site.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_site(path)
    said = f"{table}.{old}: this setting does not exist; it is now called {SETTINGS[old]}"
    assert said in str(caught.value)


def test_old_setting_of_a_layer_is_answered():
    settings = {"nocturnal_cold_air_drainage": {"gap_m": 10.0}}
    with pytest.raises(InputError, match="it is now called lane_m"):
        resolve.check(BOOK, [], resolve.GIVEN, settings, "site.toml")
