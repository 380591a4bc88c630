"""The sample's plan is the one whose figures are kept: tree for tree, figure for figure."""

import json

from sample.figures import KEPT, differences, figures_of


def test_the_plan_has_the_figures_that_are_kept(sample_plan):
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    assert kept["trees"]["number"] > 20_000 and len(kept) > 100
    assert differences(kept, figures_of(sample_plan)) == []


def test_a_figure_that_changed_is_named():
    said = differences({"trees": {"number": 3}, "same": {}}, {"trees": {"number": 4}, "same": {}})
    assert said == ["trees: kept {'number': 3}, found {'number': 4}"]
