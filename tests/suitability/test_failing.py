"""Why most species fail on some ground, by count."""

import numpy as np
import pytest

from siteplanner.base.layer_info import LayerInfo
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.failing import counted, most_fail, why_species_fail
from siteplanner.suitability.score import score_species

INF = np.inf
INFOS = {
    "annual_rainfall": LayerInfo("Rain of a year", "mm", "", "", (0, 9000)),
    "winter_minimum": LayerInfo("Coldest night", "°C", "", "", (-60, 30)),
    "drainage_class": LayerInfo("Drainage class", "class", "", "", (0, 1), classes=("dry", "wet")),
    "moonlight": LayerInfo("Moonlight", "lx", "", "", (0, 1)),
}


def factors():
    rain = [[600, 800, INF, INF], [600, 800, INF, INF], [-INF, -INF, INF, INF]]
    cold = [[-INF, -INF, INF, INF], [-INF, -INF, INF, INF], [-9, -7, INF, INF]]
    return [
        Factor("annual_rainfall", np.array(rain + rain[2:] * 2, float), None),
        Factor("winter_minimum", np.array(cold + cold[:2], float), None),
        Factor("drainage_class", None, np.array([[100, 100]] * 3 + [[0, 100], [100, 100]], "f4")),
    ]


def layers(rows=10):
    shape = (rows, 10)
    rain = np.full(shape, 450.0)
    rain[0] = 900
    flat = np.zeros(shape)
    return {"annual_rainfall": rain, "winter_minimum": flat - 12, "drainage_class": flat}


def why(cells=None, least_share=0.03, found=None):
    ground = {name: values.astype(np.float32) for name, values in layers().items()}
    mask = np.ones((10, 10), bool)
    suitability = score_species(found or factors(), ground, mask)
    every = np.ones(100, bool) if cells is None else cells
    return why_species_fail(suitability, ground, INFOS, every, 40, least_share)


def test_each_species_fails_by_what_limits_it_where_it_fails():
    dry = np.arange(100) >= 10
    assert why(dry) == ["too dry", "too dry", "too cold", "drainage class does not suit", ""]
    assert counted(why(dry), "the site") == (
        "4 of 5 species do not suit the site: too dry (2), too cold (1), drainage class does not "
        "suit (1)."
    )
    assert most_fail(why(dry)) and not most_fail(why(~dry))


@pytest.mark.parametrize(("share", "reason"), [(0.05, ""), (0.2, "too dry")])
def test_a_species_that_suits_hardly_any_ground_fails_too(share, reason):
    # A tenth of the ground has rain enough.
    assert why(least_share=share)[0] == reason


def test_too_much_and_a_layer_without_words_of_its_own():
    wants_dry = Factor("annual_rainfall", np.array([[-INF, -INF, 300, 400]], float), None)
    assert why(found=[wants_dry]) == ["too wet"]


def test_a_layer_of_a_plugin_is_named_by_its_title():
    ground = {"moonlight": np.full((2, 2), 0.1, np.float32)}
    mask = np.ones((2, 2), bool)
    bright = Factor("moonlight", np.array([[0.4, 0.5, INF, INF]], float), None)
    suitability = score_species([bright], ground, mask)
    got = why_species_fail(suitability, ground, INFOS, np.ones(4, bool), 40, 0.03)
    assert got == ["moonlight too low"]
