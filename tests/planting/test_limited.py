"""The mix made for what is there: stock and what was counted, each plant once."""

import math
from types import SimpleNamespace

import icalendar
import numpy as np
import pandas as pd
import pytest
from handover.small_site import small_site

from siteplanner.planting.mix.limited import left_for_mix, stock_of_mix
from siteplanner.reading.nursery_counts import Hand
from siteplanner.run import write_plan
from siteplanner.site.nursery import Nursery
from siteplanner.site.planting import Mix
from siteplanner.site.site_file import load_site

GUM, WATTLE, BANKSIA = "Eucalyptus ovata", "Acacia dealbata", "Banksia marginata"
FACTS = pd.DataFrame(
    {
        "botanical_name": [GUM, WATTLE, BANKSIA],
        "code": ["EUCOVA", "ACADEA", "BANMAR"],
        "weeks_to_germinate": [3.0, 2.0, math.nan],
        "weeks_to_prick_out": [9.0, math.nan, math.nan],
    }
)


def site(**mix):
    return SimpleNamespace(mix=Mix(**mix), nursery=Nursery())


def hand(stock, counts=(), of_batches=()):
    return Hand(
        stock,
        pd.DataFrame(list(of_batches), columns=["batch", "species", "plants"]),
        pd.DataFrame(
            [(batch, "", "", stage, count, None) for batch, stage, count in counts],
            columns=Hand().counts.columns,
        ),
    )


def test_without_being_asked_the_mix_is_free():
    held = hand({GUM: 5}, [("EUCOVA-1", "plantable", 7)])
    assert stock_of_mix(held, FACTS, site()) == (None, [])


def test_stock_and_counted_batches_add_up_each_once():
    counts = [("EUCOVA-A1-1", "germinated", 100), ("EUCOVA-A1-1", "pricked out", 80),
              ("EUCOVA-A1-2", "plantable", 30), ("ACADEA-A1-1", "germinated", 50)]  # fmt: skip
    held = hand({GUM: 10}, counts, [("EUCOVA-A1-2", GUM, 28)])
    stock, said = stock_of_mix(held, FACTS, site(from_counts=True))
    # 80 in tubes, of which 0.85 live and 0.9 are fit to plant; wattle is sown into its tubes.
    assert stock == {GUM: 10 + 30 + int(80 * 0.85 * 0.9), WATTLE: int(50 * 0.85 * 0.9)}
    assert any(BANKSIA in line and "not planted" in line for line in said)


def test_before_anything_is_counted_the_mix_is_free_and_it_is_said():
    stock, said = stock_of_mix(Hand(), FACTS, site(from_counts=True))
    assert stock is None and "changes nothing" in said[0]


def test_stock_alone_holds_all_that_is_on_hand_and_no_counts():
    held = hand({GUM: 10}, [("ACADEA-1", "plantable", 7)], [("EUCOVA-1", GUM, 4)])
    assert stock_of_mix(held, FACTS, site(stock_only=True)) == ({GUM: 14}, [])


def test_what_stays_is_taken_from_stock_and_budget_first():
    names, cost = [GUM, WATTLE, BANKSIA], np.array([6.0, 6.0, 10.0])
    waiting = np.array([4, 0, 3])
    stock = {GUM: 10, BANKSIA: 2}
    left, budget, said = left_for_mix(stock, 100.0, waiting, names, cost)
    assert left == {GUM: 6, BANKSIA: 0} and budget == 100 - 24 - 30
    assert "take 7 plants first, which cost 54 of the budget of 100." in said[0]
    assert f"{BANKSIA} 1." in said[1] and GUM not in said[1]
    assert stock == {GUM: 10, BANKSIA: 2}
    _, budget, said = left_for_mix(None, 50.0, waiting, names, cost)
    assert budget == 0 and "4 too much" in said[0] and len(said) == 1


@pytest.mark.parametrize("limits", [({GUM: 1}, 5.0), (None, None)])
def test_without_waiting_trees_or_limits_nothing_is_taken_or_said(limits):
    waiting = np.zeros(1, int) if limits[0] else np.ones(1, int)
    assert left_for_mix(*limits, waiting, [GUM], np.array([6.0])) == (*limits, [])


@pytest.mark.long
def test_what_came_up_makes_the_mix_and_moves_the_calendar(tmp_path):
    path, target = small_site(tmp_path / "site"), tmp_path / "plan"
    text = path.read_text("utf-8") + "\n[nursery]\nplant_on = 2028-09-04\n"
    path.write_text(text, "utf-8")
    first = write_plan(load_site(path), target)
    before = first.counts.groupby("species")["trees"].sum().sort_values()
    sown = {b.species: b.batch for b in first.nursery.batches if not b.infill}
    # The commonest species all but failed; of every other there is more than enough.
    lines = [
        f"{sown[name]},plantable,{9 if name == before.index[-1] else 4 * trees}"
        for name, trees in before.items()
    ]
    (path.parent / "counts.csv").write_text("\n".join(["batch,stage,count", *lines, ""]), "utf-8")
    text = text.replace("[nursery]", '[nursery]\ncounts = "counts.csv"')
    path.write_text(text.replace("[mix]", "[mix]\nfrom_counts = true"), "utf-8")
    second = write_plan(load_site(path), target)
    after = second.counts.groupby("species")["trees"].sum()
    assert after.get(before.index[-1], 0) <= 9 < before.iloc[-1]
    assert after.sum() > 0.9 * before.sum()
    assert not second.nursery.supply["short"].any()
    book = icalendar.Calendar.from_ical((target / "nursery.ics").read_bytes())
    assert max(event["sequence"] for event in book.walk("VEVENT")) == 1
