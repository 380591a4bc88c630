"""Spacing by purpose: it follows the crowns of what serves it, within what is usual."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.planting.figures import crown_cover, words_on_cover
from siteplanner.planting.purposes import PURPOSES, spacing_for, weights_of
from siteplanner.planting.stocking import stocking_of
from siteplanner.site.planting import Planting

FACTS = pd.DataFrame(
    {
        "crown_m": [8.0, 12.0, 9.0, 4.0],
        "roles": [
            ("pioneer", "habitat"),
            ("long-term timber",),
            ("food",),
            ("shelter", "riparian"),
        ],
    }
)
ALIKE = np.ones(4)


def test_the_crowns_of_what_serves_the_purpose_count():
    # A quarter of the timber trees' 12 m: 3 x 3 m, 1,111 trees a hectare (Farm Forestline, "High
    # volume production regimes").
    assert spacing_for("timber", FACTS, ALIKE)[0] == 3.0
    # Crowns of 30 ft for apple trees left to grow (Extension Foundation): planted as wide apart.
    assert spacing_for("food", FACTS, ALIKE)[0] == 9.0
    # A third of the mean of 8.25 m: 1,322 trees a hectare, between the 1,100 and 1,600 of upland
    # birch (Scottish Forestry Grant Scheme, 2016).
    habitat, why = spacing_for("habitat", FACTS, ALIKE)
    assert 1100 < 10_000 / habitat**2 < 1600
    assert "1,600 planted and 1,100 in year five" in why
    assert spacing_for("shelter", FACTS, ALIKE)[0] == PURPOSES["shelter"].closest_m
    assert spacing_for("erosion", FACTS, ALIKE)[0] == 1.0


def test_what_suits_the_ground_best_counts_most():
    low = spacing_for("habitat", FACTS, np.array([0.0, 0, 0, 1]))[0]
    tall = spacing_for("habitat", FACTS, np.array([0.0, 1, 0, 0]))[0]
    assert (low, tall) == (2.1, 4.0)


def test_what_is_not_known_is_asked_for():
    spacing, why = spacing_for("habitat", FACTS.assign(crown_m=np.nan), ALIKE)
    assert "crowns are not known: ask" in why and 2.1 < spacing < 4.5
    no_timber = spacing_for("timber", FACTS, np.array([1.0, 0, 1, 1]))
    assert "all (none for long-term timber suits)" in no_timber[1]


def test_a_spacing_that_is_written_and_rules_go_before_the_purpose():
    found = (2.7, "habitat")
    rules = ({"ground": "wet", "spacing_m": 2.0},)
    assert stocking_of({"any"}, Planting(purpose="habitat", rules=rules), found).spacing_m == 2.7
    assert stocking_of({"wet"}, Planting(purpose="habitat", rules=rules), found).spacing_m == 2.0
    both = Planting(purpose="habitat", spacing_m=5.0)
    assert stocking_of({"any"}, both, found).spacing_m == 5.0
    assert not both.by_purpose and not Planting().by_purpose


def test_weights_follow_ground_and_score():
    scores = np.array([[80, 80, 80, 80], [80, 80, 0, 0], [39, 39, 39, 39]], np.uint8)
    assert weights_of(scores, 40).tolist() == [4 * 6400, 2 * 6400, 0]


@given(
    st.sampled_from(sorted(PURPOSES)),
    st.lists(st.floats(0.5, 30), min_size=4, max_size=4),
    st.lists(st.floats(0, 100), min_size=4, max_size=4),
)
def test_no_spacing_is_beyond_what_is_usual(purpose, crowns, weights):
    spacing, _ = spacing_for(purpose, FACTS.assign(crown_m=crowns), np.array(weights))
    asked = PURPOSES[purpose]
    assert asked.closest_m - 0.051 <= spacing <= asked.widest_m + 0.051


def test_crowns_that_will_not_close_are_named():
    zones = pd.DataFrame({"zone": ["A", "B"], "area_ha": [1.0, 1.0], "trees": [100, 400]})
    zone_of = np.repeat(["A", "B"], [100, 400])
    crown = np.where(np.arange(500) < 51, np.nan, 8.0)
    cover = crown_cover(zones, zone_of, crown, np.full(500, 0.8))
    # 80 and 320 trees that live, of 50.3 m² each; most of A's crowns are not known.
    assert np.isnan(cover[0]) and cover[1] == pytest.approx(320 * np.pi * 16 / 100)
    assert words_on_cover(zones, cover) == []
    crown[:10] = 8.0
    cover = crown_cover(zones, zone_of, crown, np.full(500, 0.8))
    assert cover[0] == pytest.approx(80 * np.pi * 16 / 100)
    assert "cover A 40% of the ground" in words_on_cover(zones, cover)[0]
