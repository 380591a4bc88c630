"""How sure the suitability is: seeded chances, sharp where the ground decides, else open."""

import csv

import numpy as np
import pytest
from conftest import SITE
from handover.small_site import small_site
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from siteplanner.after import how_sure as module
from siteplanner.after.how_sure import (
    SUITS,
    correlated,
    how_sure,
    layers_of,
    safe,
    shifted,
    write_how_sure,
)
from siteplanner.base.results import cache
from siteplanner.site.site_file import HowSure, load_site
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import score_species

FEW = HowSure(cell_m=16, terrains=3, draws=3)


@pytest.fixture(scope="module")
def found():
    return how_sure(load_site(SITE).model_copy(update={"how_sure": FEW}))


def test_chances_agree_with_the_map_where_it_is_far_from_any_limit(found):
    assert found.chance.min() >= 0 and found.chance.max() <= 1
    # A species that suits by the map suits in more draws than one that does not.
    for chance, mapped in zip(found.chance, found.mapped, strict=True):
        if mapped.any() and not mapped.all():
            assert chance[mapped].mean() > chance[~mapped].mean()
    # Some bets are safe, others are neither sure nor hopeless: nothing is told as certain.
    assert safe(found).any() and ((found.chance > 0.2) & (found.chance < 0.8)).any()


def test_the_standard_error_is_that_between_terrains(found):
    """Of three terrains one may suit in all draws and two in none: 1/3, give or take 1/3."""
    assert np.allclose(found.chance * 9, np.round(found.chance * 9), atol=1e-4)
    assert found.error.max() == pytest.approx(1 / 3, abs=1e-4)
    assert (found.error[found.chance == 1] == 0).all()


@pytest.mark.long
def test_the_same_site_gives_the_same_chances(found):
    with cache.bypassed():
        again = how_sure(load_site(SITE).model_copy(update={"how_sure": FEW}))
    assert (again.chance == found.chance).all()


def test_layers_and_table_say_the_same(found, tmp_path):
    layers = {info.name: values for info, values in layers_of(found)}
    write_how_sure(found, tmp_path / "how_sure.csv")
    with (tmp_path / "how_sure.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    hectares = sum(float(row["safe_ha"]) for row in rows)
    cells = np.nansum(layers["safe_bets"]) * found.grid.cell_area / 1e4
    assert hectares == pytest.approx(cells, abs=0.01 * len(rows))
    assert [row["species"] for row in rows] == list(found.names)


@given(st.lists(st.floats(-50, 50), min_size=4, max_size=4).map(sorted), st.integers(0, 999))
def test_drawn_limits_stay_in_order_and_open_ends_stay_open(points, seed):
    given_points = np.array([points, [-np.inf, 1, np.inf, np.inf]])
    drawn = shifted(
        Factor("winter_minimum", given_points, None), HowSure(), np.random.default_rng(seed)
    )
    assert (np.diff(drawn.points[0]) >= 0).all()
    assert np.isinf(drawn.points[1]).tolist() == [True, False, True, True]


@pytest.mark.parametrize(
    ("layer", "points", "limit", "error"),
    [
        ("winter_minimum", [-8, -4, np.inf, np.inf], -5.6, 1.0),
        ("winter_minimum", [-np.inf, -5, np.inf, np.inf], -5.0, 1.0),
        ("soil_depth", [0.2, 0.8, np.inf, np.inf], 0.56, 0.056),
        ("slope", [-np.inf, -np.inf, 20, 30], 24.0, -2.4),
    ],
)
def test_stated_chances_come_true(layer, points, limit, error):
    """A limit known to so much is passed as often as a normal error of that size passes it.

    The true limit of a species is drawn apart from the package's draws; of the places that are
    told a chance of 10 to 90 percent, so many suit.
    """
    rules = HowSure(tolerance_c=1.0, tolerance_share=0.1)
    told = np.arange(0.1, 0.95, 0.1)
    truths = limit + abs(error) * np.random.default_rng(77).standard_normal(20_000)
    places = limit + error * norm.ppf(told)
    suits = truths[:, None] < places if error > 0 else truths[:, None] > places
    assert suits.mean(axis=0) == pytest.approx(told, abs=0.01)
    draw, mask = np.random.default_rng(5), np.ones((1, len(told)), bool)
    ground = {layer: np.float32([places])}
    # The same limits for many species: each has a draw of its own.
    factor = Factor(layer, np.tile(points, (4000, 1)), None)
    drawn = score_species([shifted(factor, rules, draw)], ground, mask)
    stated = (drawn.score >= SUITS).mean(axis=0)
    assert stated == pytest.approx(suits.mean(axis=0), abs=0.03)


def test_the_noise_is_as_wide_and_as_alike_as_asked():
    noise = correlated((200, 200), 10, np.random.default_rng(1))
    assert noise.std() == pytest.approx(1)
    assert np.corrcoef(noise[:, :-2].ravel(), noise[:, 2:].ravel())[0, 1] > 0.95
    assert abs(np.corrcoef(noise[:, :-60].ravel(), noise[:, 60:].ravel())[0, 1]) < 0.3


@pytest.mark.long
def test_a_second_run_takes_the_terrains_it_has_drawn_and_the_drainage_is_not_cached(
    tmp_path, monkeypatch
):
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path / "cache"))
    rules = HowSure(terrains=3, draws=2)
    site = load_site(small_site(tmp_path / "site")).model_copy(update={"how_sure": rules})
    one, drawn = module._one_terrain, []

    def stopped(*given):
        if len(drawn) == 2:
            raise KeyboardInterrupt
        drawn.append(1)
        return one(*given)

    monkeypatch.setattr(module, "_one_terrain", stopped)
    with pytest.raises(KeyboardInterrupt):
        how_sure(site)
    monkeypatch.setattr(module, "_one_terrain", lambda *given: drawn.append(1) or one(*given))
    resumed = how_sure(site)
    assert len(drawn) == 3
    kinds = sorted(p.name.split("-")[0] for p in (tmp_path / "cache").iterdir())
    # The site's own night, and two on wider cells that tell what the DEM's edge does to it.
    assert kinds == ["chances"] * 3 + ["drainage"] * 3
    with cache.bypassed():
        anew = how_sure(site)
    assert len(drawn) == 6
    np.testing.assert_array_equal(resumed.chance, anew.chance)
    np.testing.assert_array_equal(resumed.error, anew.error)
    soils = site.folder / "soils.gpkg"
    soils.write_bytes(soils.read_bytes() + b"\0")
    how_sure(site)
    assert len(drawn) == 9
