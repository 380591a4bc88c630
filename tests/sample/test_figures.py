"""The sample's plan is the one whose figures are saved: tree for tree, figure for figure."""

import json

from sample.figures import SAVED, differences, figures_of


def test_the_plan_has_the_figures_that_are_saved(sample_plan):
    saved = json.loads(SAVED.read_text(encoding="utf-8"))
    assert saved["trees"]["number"] > 20_000 and len(saved) > 100
    assert differences(saved, figures_of(sample_plan)) == []


def test_a_figure_that_changed_is_named():
    said = differences({"trees": {"number": 3}, "same": {}}, {"trees": {"number": 4}, "same": {}})
    assert said == ["trees: saved {'number': 3}, found {'number': 4}"]
