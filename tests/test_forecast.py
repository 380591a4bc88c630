"""What a plan is foretold to take, and that what does not fit is refused with the way out."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import psutil
import pytest
import shapely
from conftest import SITE, here
from handover.small_site import small_site
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.forecast import FACTOR, forecast, forecast_of, too_large
from siteplanner.reading.inputs import read_inputs
from siteplanner.run import write_plan
from siteplanner.site.planting import Planting, SpacingRule
from siteplanner.site.site_file import load_site

counts = st.integers(0, 10**8)


@given(counts, counts, st.integers(1, 10**6))
def test_more_cells_and_more_trees_take_more(cells, trees, more):
    one = forecast(cells, trees)
    for larger in (forecast(cells + more, trees), forecast(cells, trees + more)):
        assert larger.seconds > one.seconds and larger.bytes > one.bytes


def peak_bytes(site: Path, out: Path) -> int:
    """Peak memory of the command that plans a site."""
    words = [sys.executable, "-m", "siteplanner", "plan", str(site), "--out", str(out), "--quiet"]
    run = subprocess.Popen(words)
    _, run.returncode, used = os.wait4(run.pid, 0)
    assert run.returncode == 0
    return used.ru_maxrss * 1024


def test_a_run_that_was_not_fitted_to_is_foretold_within_the_factor():
    # An invented farm of 167 ha on cells of 2 m, on the machine of the fitted runs.
    told = forecast(cells=1_098_304, trees=100_322)
    assert 1 / FACTOR < told.seconds / 45.6 < FACTOR
    assert 1 / FACTOR < told.bytes / 0.89e9 < FACTOR


@pytest.mark.long
def test_memory_of_the_sample_is_foretold_within_the_factor(tmp_path):
    site = load_site(SITE)
    told = forecast_of(site, read_inputs(site))
    assert 1 / FACTOR < told.bytes / peak_bytes(SITE, tmp_path / "plan") < FACTOR


def made(planting: Planting, only: str | None = None):
    """A site of two paddocks to plant and one to leave, a hectare each, on 30 by 40 cells."""
    squares = [shapely.box(n * 100, 0, n * 100 + 100, 100) for n in range(3)]
    paddocks = gpd.GeoDataFrame(
        {"name": ["A", "B", "C"], "plant": [True, True, False]}, geometry=squares, crs="EPSG:32756"
    )
    site = SimpleNamespace(path="site.toml", planting=planting, paddocks=SimpleNamespace(only=only))
    return site, SimpleNamespace(dem=np.zeros((30, 40), np.float32), paddocks=paddocks)


def test_trees_come_from_the_ground_to_plant_and_the_spacing():
    told = forecast_of(*made(Planting(spacing_m=4.0)))
    assert (told.cells, told.trees) == (1200, 1250)  # 2 ha at 625 trees a hectare
    assert forecast_of(*made(Planting(spacing_m=4.0), only="B")).trees == 625
    rule = SpacingRule(ground="wet", spacing_m=2.0)
    assert forecast_of(*made(Planting(spacing_m=4.0, rules=(rule,)))).trees == 3125


def test_what_does_not_fit_is_refused_with_the_way_out():
    site, inputs = made(Planting())
    told = forecast_of(site, inputs)
    assert too_large(told, told.bytes, site) is None
    error = too_large(told, told.bytes - 1, site)
    assert error is not None
    (said,) = map(str, error.errors)
    assert said.startswith("site.toml, dem.cell_m: ")
    for way_out in ("larger cell_m", "--paddock", "split the property"):
        assert way_out in said


def with_free_memory(monkeypatch, free: float) -> None:
    monkeypatch.setattr(psutil, "virtual_memory", lambda: SimpleNamespace(available=free))


def test_a_plan_that_does_not_fit_writes_nothing_and_ends_with_1(tmp_path, monkeypatch):
    site = small_site(tmp_path / "site")
    with_free_memory(monkeypatch, 1e6)
    ended = here("plan", site, "--out", tmp_path / "plan", "--quiet")
    assert ended.returncode == 1
    assert "has 0.0 GB free; close other programs" in ended.stderr
    assert len(ended.stderr.splitlines()) == 1
    assert not (tmp_path / "plan").exists()


def test_check_says_what_a_plan_takes(tmp_path):
    said = here("check", small_site(tmp_path / "site")).stdout
    assert re.search(r"to plan it takes: about \d+ seconds and 0\.\d GB of memory, give or", said)


def test_a_plan_says_what_it_takes_before_any_work(tmp_path, monkeypatch):
    class EnoughError(Exception):
        pass

    said = []

    def step(words: str) -> None:
        said.append(words)
        if words.startswith("The ground"):
            raise EnoughError

    site = load_site(small_site(tmp_path / "site"))
    with pytest.raises(EnoughError):
        write_plan(site, tmp_path / "plan", step=step, tell=said.append)
    assert said[1].startswith("This takes about ") and said[2].startswith("The ground")
    with_free_memory(monkeypatch, 1e6)
    with pytest.raises(InputError, match="split the property"):
        write_plan(site, tmp_path / "plan")
