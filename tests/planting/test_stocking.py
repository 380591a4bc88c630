"""Stocking: every rule that matches a ground counts, by its weight."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.planting.rows.patterns import density_per_ha
from siteplanner.planting.stocking import check_rules, stocking_of
from siteplanner.site.planting import Planting

FROSTY = {"ground": "frosty", "spacing_m": 4.0, "pattern": "square"}
WET = {"ground": "wet", "spacing_m": 3.5, "pattern": "triangular"}


def density(stocking):
    return density_per_ha(stocking.pattern, stocking.spacing_m, stocking.row_spacing_m)


def test_a_frosty_wet_flat_follows_both_rules_in_whatever_order_they_stand():
    one, other = (
        stocking_of({"any", "frosty", "wet"}, Planting(rules=rules))
        for rules in ((FROSTY, WET), (WET, FROSTY))
    )
    # 625 and 942.6 trees a hectare; the closer planting of equal rules gives the pattern.
    assert density(one) == pytest.approx((625 + 942.6) / 2, rel=0.01)
    assert one.pattern == "triangular" and one.spacing_m == other.spacing_m
    assert "frosty ground 4 m" in one.why and "wet ground 3.5 m" in one.why


def test_a_heavier_rule_counts_more_and_gives_its_pattern():
    got = stocking_of({"frosty", "wet"}, Planting(rules=({**FROSTY, "weight": 3}, WET)))
    assert got.pattern == "square"
    assert density(got) == pytest.approx((3 * 625 + 942.6) / 4, rel=0.01)


def test_a_rule_for_any_ground_counts_where_no_other_does():
    rules = Planting(spacing_m=9.0, rules=({"ground": "any", "spacing_m": 6.0}, WET))
    assert stocking_of({"any", "steep"}, rules).spacing_m == 6.0
    assert stocking_of({"any", "wet"}, rules).spacing_m == 3.5
    assert stocking_of({"any", "steep"}, Planting(spacing_m=9.0, rules=(WET,))).spacing_m == 9.0


def test_rows_keep_their_proportion():
    rule = {"ground": "dry", "spacing_m": 2.0, "row_spacing_m": 5.0, "pattern": "rectangular"}
    got = stocking_of({"dry", "wet"}, Planting(rules=({**rule, "weight": 2}, WET)))
    assert got.row_spacing_m / got.spacing_m == pytest.approx(2.5, rel=0.01)
    assert density(got) == pytest.approx((2 * 1000 + 942.6) / 3, rel=0.01)


@given(st.lists(st.tuples(st.floats(1, 9), st.floats(0.1, 9)), min_size=1, max_size=5))
def test_trees_lie_between_what_the_rules_ask_for(asked):
    grounds = ("frosty", "wet", "steep", "rocky", "dry")
    rules = [
        {"ground": ground, "spacing_m": spacing, "weight": weight}
        for ground, (spacing, weight) in zip(grounds, asked, strict=False)
    ]
    got = stocking_of(set(grounds), Planting(rules=rules))
    spacings = [spacing for spacing, _ in asked]
    assert min(spacings) - 0.01 <= got.spacing_m <= max(spacings) + 0.01


def test_every_pattern_that_is_none_is_named(tmp_path):
    rules = ({**WET, "pattern": "hexagonn"}, {**FROSTY, "pattern": "sqare"})
    with pytest.raises(InputError) as told:
        check_rules(Planting(rules=rules), tmp_path / "site.toml")
    assert [detail.what for detail in told.value.errors] == [
        "there is no pattern 'hexagonn'", "there is no pattern 'sqare'",
    ]  # fmt: skip
