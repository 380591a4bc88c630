"""What if: what changed between two plans."""

import json

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from conftest import here

from siteplanner.after.compare import compare, read_plan
from siteplanner.base.errors import InputError

COLUMNS = ["zone", "paddock", "species", "common_name", "trees", "infill", "order"]


def a_plan(folder, rows, zones, *, mix, warnings=(), inputs=None):
    folder.mkdir()
    pd.DataFrame(rows, columns=COLUMNS).to_csv(folder / "counts.csv", index=False)
    gpd.GeoDataFrame(
        {"zone": [z for z, _, _ in zones], "trees": [t for _, t, _ in zones]},
        geometry=[shape for _, _, shape in zones],
        crs="EPSG:32756",
    ).to_file(folder / "plan.gpkg", layer="zones")
    manifest = {
        "settings": {"mix": mix, "planting": {"spacing_m": 4.0}},
        "warnings": list(warnings),
        "files": {},
        "versions": {"siteplanner": "0"},
        "inputs": inputs or {"dem.tif": "1" * 64},
        "frost_error_c": 1.0,
    }
    (folder / "plan.json").write_text(json.dumps(manifest), encoding="utf-8")
    return folder


@pytest.fixture
def two(tmp_path):
    west, east = shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100)
    first = a_plan(
        tmp_path / "first",
        [["A", "Top", "Acacia a", "wattle", 80, 20, 100], ["A", "Top", "Banksia b", "", 20, 5, 25]],
        [("A", 100, west), ("X", 0, east)],
        mix={"tree_cost": 6.0, "tree_costs": {"Banksia b": 10.0}},
        warnings=["one", "both"],
    )
    second = a_plan(
        tmp_path / "second",
        [["A", "Top", "Acacia a", "wattle", 50, 0, 50],
         ["B", "Low", "Acacia a", "wattle", 50, 50, 100]],
        [("A", 50, west), ("B", 50, east)],
        mix={"tree_cost": 5.0, "tree_costs": {"Banksia b": 10.0}},
        warnings=["both"],
        inputs={"dem.tif": "2" * 64},
    )  # fmt: skip
    return first, second


def test_every_change_is_found(two):
    got = compare(*map(read_plan, two))
    figures = {one.what: (one.before, one.after) for one in got.figures}
    assert figures["planted"] == pytest.approx((1, 2))
    assert figures["planted in this plan only"] == pytest.approx((0, 1))
    assert figures["trees"] == (100, 100)
    assert figures["trees to order"] == (125, 150)
    assert figures["species"] == (2, 1)
    assert figures["cost of the trees in the ground"] == (80 * 6 + 20 * 10, 500)
    assert figures["risk: share of the commonest species"] == (80, 100)
    assert figures["risk: trees expected to die"] == pytest.approx((20, 25))
    assert figures["risk: the same, at worst"] == pytest.approx((30, 37.5))
    assert figures["risk: warnings"] == (2, 1)
    assert [(c.what, c.change) for c in got.paddocks] == [("Low", 50), ("Top", -50)]
    assert [(c.what, c.change) for c in got.species] == [("Acacia a", 20), ("Banksia b", -20)]
    assert got.settings == (("mix.tree_cost", "6.0", "5.0"),)
    assert got.inputs == ("dem.tif",)
    assert (got.warnings_gone, got.warnings_new) == (("one",), ())
    assert not got.same


def test_a_plan_is_the_same_as_itself(two):
    got = compare(*[read_plan(two[0])] * 2)
    assert got.same and not got.paddocks and not got.warnings_new


def test_the_command_prints_what_changed(two):
    done = here("compare", *two)
    assert done.returncode == 0, done.stderr
    for words in ("planted", "+1.00 ha", "Banksia b", "mix.tree_cost", "dem.tif", "one"):
        assert words in done.stdout, words
    same = here("compare", two[0], two[0])
    assert same.returncode == 0 and "Nothing changed" in same.stdout


def test_a_folder_without_a_plan_is_said(tmp_path):
    with pytest.raises(InputError, match="so this is not a plan"):
        read_plan(tmp_path)
    done = here("compare", tmp_path, tmp_path)
    assert done.returncode == 1 and "so this is not a plan" in done.stderr


def test_a_broken_plan_is_said(two):
    (two[0] / "plan.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="not valid JSON"):
        read_plan(two[0])
