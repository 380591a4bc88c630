"""Batches of a plan, stock taken off, counts read back, substitutes."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from made_plan import made_plan
from season.nursery_plan import SPECIES, hand, with_its_nursery

from siteplanner.base.errors import InputError
from siteplanner.season.nursery.orders import seeds_needed
from siteplanner.season.nursery.tasks import losses, sowing
from siteplanner.site.nursery import Nursery

GUM, TEA_TREE = SPECIES[0][0], SPECIES[1][0]


def raised(plan):
    totals: dict[str, int] = {}
    for batch in plan.nursery.batches:
        totals[batch.species] = totals.get(batch.species, 0) + batch.raise_
    return totals


def test_batches_raise_what_the_plan_orders_infill_and_all():
    plan = with_its_nursery()
    assert raised(plan) == plan.counts.groupby("species")["order"].sum().to_dict()


def test_stock_on_hand_is_taken_off():
    plain = raised(with_its_nursery())
    plan = with_its_nursery(hand=hand({GUM: 30, TEA_TREE: 10_000}))
    assert raised(plan)[GUM] == plain[GUM] - 30
    assert TEA_TREE not in raised(plan)
    supply = plan.nursery.supply.set_index("species")
    assert supply["on_hand"][TEA_TREE] == supply["expected"][TEA_TREE] == 10_000


def test_a_batch_for_each_mother_tree_and_the_rest_bulked():
    batches = [
        b
        for b in with_its_nursery(made_plan(trees_per_ha=2000), sources=5, lots=3).nursery.batches
        if b.species == GUM
    ]
    assert [b.lot.place for b in batches] == [
        "old tree 1",
        "old tree 2",
        "old tree 3; old tree 4; old tree 5",
    ]
    assert [b.lot.parents for b in batches] == [1, 1, 3]
    assert {b.lot.permit for b in batches} == {"P 17"}
    assert [b.batch for b in batches] == ["EUCROD-A1-1", "EUCROD-A1-2", "EUCROD-A1-3"]


def test_seed_is_sown_for_the_infill_up_front():
    batch = with_its_nursery(sources=1, spare=0).nursery.batches[0]
    ordered = with_its_nursery().counts.groupby("species")["order"].sum()[GUM]
    assert batch.order.seeds == seeds_needed(ordered, 0.6, 0.9, 0.85, 0.9)


def test_losses_come_with_their_range():
    batch = with_its_nursery(germination_spread=0.3).nursery.batches[0]
    assert batch.germination == pytest.approx((0.42, 0.6, 0.78))
    said = losses(batch, Nursery())
    assert "germination 60% (42% to 78%)" in said and "pricking out 90% (75% to 97%)" in said
    assert batch.expected[0] == pytest.approx(batch.order.seeds * 0.42 * 0.75 * 0.7 * 0.8)


def test_counts_take_the_place_of_what_was_expected():
    plan = with_its_nursery(
        sources=1,
        hand=hand(
            None,
            ("EUCROD-A1-1", "germinated", 90, date(2027, 12, 1)),
            ("EUCROD-A1-1", "pricked out", 60, date(2028, 1, 10)),
            ("EUCROD-A1-1", "germinated", 95, date(2027, 12, 20)),
        ),
    )
    batch = plan.nursery.batches[0]
    assert (batch.stage, batch.counted) == ("pricked out", 60)
    assert batch.expected[1] == pytest.approx(60 * 0.85 * 0.9)
    supply = plan.nursery.supply.set_index("species").loc[GUM]
    # What dies is replaced later: the plants for it are not short now.
    assert supply["to_plant"] == plan.counts.groupby("species")["trees"].sum()[GUM]
    assert supply["short"] == supply["to_plant"] - 45 < supply["ordered"] - 45
    assert any("45 plants are expected" in w and "resown until" in w for w in plan.warnings)
    late = with_its_nursery(
        sources=1, hand=hand(None, ("EUCROD-A1-1", "plantable", 45, date(2028, 9, 30)))
    )
    assert any("too late to resow" in warning for warning in late.warnings)


def test_a_batch_that_the_plan_no_longer_has_is_named_and_its_plants_count():
    plan = with_its_nursery(hand=hand(None, ("EUCROD-B1-1", "plantable", 7, None)))
    before = with_its_nursery().nursery.supply.set_index("species")
    after = plan.nursery.supply.set_index("species")
    assert after["expected"][GUM] == before["expected"][GUM] + 7
    assert after.drop(index=GUM).equals(before.drop(index=GUM))
    [said] = [w for w in plan.warnings if "EUCROD-B1-1" in w]
    assert "7 plantable" in said and GUM in said


def test_moving_the_first_day_of_planting_stops_no_counts():
    count = hand(None, ("EUCROD-A1-1", "germinated", 90, None))
    moved = with_its_nursery(hand=count, plant_on=date(2029, 9, 3))
    assert moved.nursery.supply["expected"].sum() > 0


def test_a_count_of_what_can_be_no_batch_names_the_nearest():
    with pytest.raises(InputError, match="EUCROD-A1-1"):
        with_its_nursery(hand=hand(None, ("EUCRUD-A1-1", "germinated", 5, None)))


def on_hand_of(batch, plants, *counts, stock=None):
    rows = pd.DataFrame([(batch, GUM, plants)], columns=["batch", "species", "plants"])
    return replace(hand(stock, *counts), of_batches=rows)


def test_plants_on_hand_that_name_their_batch_count_once():
    count = ("EUCROD-A1-1", "pricked out", 60, None)
    plan = with_its_nursery(sources=1, hand=on_hand_of("EUCROD-A1-1", 40, count))
    supply = plan.nursery.supply.set_index("species").loc[GUM]
    assert (supply["expected"], supply["on_hand"]) == (40, 0)
    assert raised(plan) == raised(with_its_nursery(sources=1))
    assert any("60 pricked out" in w and "those on hand are taken" in w for w in plan.warnings)
    count = ("EUCROD-A1-1", "plantable", 45, None)
    plan = with_its_nursery(sources=1, hand=on_hand_of("EUCROD-A1-1", 40, count))
    assert plan.nursery.supply.set_index("species")["expected"][GUM] == 45
    assert any("the count is taken" in w for w in plan.warnings)


def test_plants_from_elsewhere_count_beside_a_counted_batch_and_it_is_said():
    count = ("EUCROD-A1-1", "plantable", 45, None)
    plan = with_its_nursery(sources=1, hand=hand({GUM: 30}, count))
    assert plan.nursery.supply.set_index("species")["expected"][GUM] == 75
    assert any("30 plants on hand count beside" in w for w in plan.warnings)


def test_a_spare_plant_is_offered_to_one_species_only():
    # Three species fail, two have plants to spare.
    rows = [(f"{code}-A1-{n}", "plantable", 0, None)
            for code in ("EUCROD", "LEPLAN", "ACAMEL") for n in (1, 2)]  # fmt: skip
    known = {b.batch for b in with_its_nursery().nursery.batches}
    stock = {SPECIES[3][0]: 90, SPECIES[4][0]: 90}
    plan = with_its_nursery(hand=hand(stock, *(r for r in rows if r[0] in known)))
    frame, supply = plan.nursery.substitutes, plan.nursery.supply.set_index("species")
    assert (supply["short"] > 0).sum() == 3
    given = frame.groupby("substitute")["offered"].sum()
    spare = frame.groupby("substitute")["spare"].first()
    assert given.sum() > 0 and (given <= spare).all()
    taken = frame.groupby("species")["offered"].sum()
    assert (taken <= supply["short"].reindex(taken.index)).all()
    # Offered to each that is short, it would be offered more than once.
    assert (
        frame[frame["species"].isin(supply.index[supply["short"] > 0])]
        .groupby("substitute")["spare"]
        .sum()
        .gt(spare)
        .any()
    )


def test_what_is_short_itself_is_no_substitute():
    banksia = SPECIES[5][0]
    short = with_its_nursery(hand=hand(None, ("BANMAR-A1-1", "plantable", 1, date(2028, 9, 1))))
    frame = short.nursery.substitutes
    assert len(frame) and (frame["suitability"] >= 40).all()
    assert not (frame["species"] == frame["substitute"]).any()
    assert banksia not in set(frame["substitute"])
    assert banksia in set(with_its_nursery().nursery.substitutes["substitute"])


def test_substitutes_are_the_best_by_the_suitability_under_the_trees():
    plan = made_plan()
    plan.suitability[:] = 255
    rows, cols = plan.grid.rows_cols(
        plan.trees.geometry.x.to_numpy(), plan.trees.geometry.y.to_numpy()
    )
    plan.suitability[:, rows, cols] = np.array([90, 20, 80, 39, 70, 60])[:, None]
    frame = with_its_nursery(plan).nursery.substitutes
    mine = frame[frame["species"] == GUM]
    assert mine.groupby("zone")["substitute"].agg(list).iloc[0] == [
        SPECIES[2][0],
        SPECIES[4][0],
        SPECIES[5][0],
    ]
    assert list(mine["suitability"][:3]) == [80, 70, 60]


def test_without_a_planting_date_there_are_sums_but_no_dates():
    plan = with_its_nursery(plant_on=None)
    assert all(batch.dates is None for batch in plan.nursery.batches)
    assert raised(plan) == raised(with_its_nursery())
    assert any("plant_on" in warning for warning in plan.warnings)
    assert plan.nursery.bench.empty


def test_unknown_facts_are_named_not_hidden():
    last = with_its_nursery().nursery.batches[-1]
    assert "fruiting months not known: ask" in last.assumed
    assert last.dates.collect_from is None


def test_bench_area_is_that_of_the_tubes():
    plan = with_its_nursery()
    tubes = sum(batch.order.tubes for batch in plan.nursery.batches)
    assert plan.nursery.bench["open_m2"].max() == pytest.approx(tubes * 0.0025, abs=0.006)


def test_what_moves_out_within_a_month_takes_bench_once():
    plan = with_its_nursery()
    bench = plan.nursery.bench.set_index("month")
    tubes = sum(batch.order.tubes for batch in plan.nursery.batches)
    moving = bench.loc[next(m for m in bench.index if bench["open_m2"][m] > 0)]
    assert moving["shade_house_m2"] > 0
    assert moving["bench_m2"] == pytest.approx(tubes * 0.0025, abs=0.006)
    assert moving["bench_m2"] < moving["shade_house_m2"] + moving["open_m2"] - 0.1
    assert (bench["bench_m2"] >= bench[["shade_house_m2", "open_m2"]].max(axis=1) - 0.01).all()


def test_a_batch_that_cannot_be_sown_again_says_so_at_sowing():
    late = [b for b in with_its_nursery(hurry=1.0, planting_weeks=2).nursery.batches]
    early = [b for b in with_its_nursery().nursery.batches]
    for batch in (*late, *early):
        assert ("too late to resow" in sowing(batch)) == (batch.dates.resow_by is None)
    assert any(b.dates.resow_by is None for b in late)
    assert any(b.dates.resow_by is not None for b in early)
