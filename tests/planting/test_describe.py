"""Words for the ground: what a crew reads of a zone."""

import dataclasses

import pytest

from siteplanner.planting.zones.describe import (
    GroundSummary,
    distinct_titles,
    sentence,
    tags,
    title,
)

FLAT = GroundSummary(
    slope=1, slope_from=0, slope_to=3, facing="", winter_minimum=-7, water_deficit=200,
    soil_depth=1.1, stoniness=0, height_above_nearest_drainage=1, sun_exposure=99,
    drainage="poorly drained", texture="clay", unknown=(),
)  # fmt: skip
WHOLE = dataclasses.replace(FLAT, winter_minimum=-5, water_deficit=210, drainage="well drained")


def ground(**changes):
    return dataclasses.replace(FLAT, **changes)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "frosty wet creek flat, heavy clay"),
        (
            {"height_above_nearest_drainage": 9, "winter_minimum": -5},
            "wet level ground, heavy clay",
        ),
        (
            {"slope": 26, "facing": "north", "stoniness": 60, "soil_depth": 0.3,
             "winter_minimum": -3, "drainage": "well drained", "texture": "sandy loam",
             "water_deficit": 260},
            "dry steep rocky north face, shallow sandy loam",
        ),
        ({"slope": 14, "facing": "south", "sun_exposure": 80, "winter_minimum": -5, "stoniness": 20,
          "drainage": "very poorly drained", "soil_depth": 1.6},
         "boggy south slope, deep stony heavy clay"),
        ({"texture": "", "winter_minimum": -5, "drainage": ""}, "creek flat, soil not checked"),
        ({"texture": "loam", "unknown": ("soil_depth",), "winter_minimum": -5, "drainage": ""},
         "creek flat, loam, depth not checked"),
    ],
)  # fmt: skip
def test_title(changes, words):
    one = ground(**changes)
    assert title(one, tags(one, WHOLE)) == words


def test_titles_that_are_the_same_are_told_apart_by_what_differs_most():
    grounds = [ground(winter_minimum=-7.04), ground(winter_minimum=-4.0), ground()]
    told = distinct_titles(["flat", "flat", "slope"], grounds)
    assert told == ["flat (-7.0 °C)", "flat (-4.0 °C)", "slope"]


def test_the_sentence_gives_doubts_and_what_was_not_checked():
    text = sentence(ground(unknown=("soil_depth",), soil_depth=float("nan")), 1.24)
    assert "about -7.0 °C (give or take 1.2)" in text
    assert "soil depth NOT CHECKED: dig before ordering" in text
    assert "nan" not in text
