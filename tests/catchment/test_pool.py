"""Orders put together and shared out, on plans made by hand."""

import numpy as np
import pandas as pd
import pytest
import shapely

from siteplanner.catchment.joint_calendar import by_month, joint_calendar
from siteplanner.catchment.planned import Planned
from siteplanner.catchment.pool import Shared, orders, pooled, seed_lots, shortages

ASKED = ("trees", "infill", "order", "on_hand", "worst", "expected", "best")


def planned(name, species=(), batches=(), substitutes=()):
    """A plan of ``(species, trees, infill, on_hand, must)`` and ``(species, permit, seed_g)``."""
    rows = [
        (s, f"common {s}", trees, infill, trees + infill, hand, 1, 2, 3, must)
        for s, trees, infill, hand, must in species
    ]
    columns = ["species", "common_name", *ASKED, "must"]
    texts = ("common_name", "cautions", "collect_from", "collect_to", "pretreat_from", "sow_on",
             "prick_out_on", "harden_from", "resow_by")  # fmt: skip
    lots = pd.DataFrame(batches, columns=["species", "permit", "seed_g"])
    lots = lots.assign(**dict.fromkeys(texts, ""), plants=1.0, tubes=2.0, trays=1.0)
    jobs = ["year", "month", "place", "job", "quantity", "unit", "note", "crew_days"]
    return Planned(
        name=name,
        plan_sha256="0" * 64,
        boundary=shapely.box(147, -42, 147.01, -41.99),
        figures={},
        species=pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(ASKED, np.int64)),
        batches=lots.astype({"seed_g": np.float64}),
        jobs=pd.DataFrame(columns=jobs),
        substitutes=pd.DataFrame(
            substitutes, columns=["zone", "species", "substitute", "suitability"]
        ),
    )


def test_trees_come_before_infill_and_must_haves_before_both():
    sites = {
        "a": planned("A", [("Oak", 60, 40, 0, False)]),
        "b": planned("B", [("Oak", 30, 10, 0, True)]),
        "c": planned("C", [("Oak", 30, 10, 20, False)]),
    }
    by_site = orders(sites, Shared(tubes={"Oak": 65})).set_index("site")
    # B's 30 trees first; then A's 60 and the 10 that C has not on hand share 35.
    assert by_site["from_tubes"].to_dict() == {"a": 30, "b": 30, "c": 5}
    assert by_site["plants"].to_dict() == {"a": 100, "b": 40, "c": 20}
    alike = orders(sites, Shared(tubes={"Oak": 65}, must_first=False)).set_index("site")
    # B and C have half a plant each to come: of equals the first.
    assert alike["from_tubes"].to_dict() == {"a": 39, "b": 20, "c": 6}
    plenty = orders(sites, Shared(tubes={"Oak": 500}))
    assert (plenty["from_tubes"] == plenty["plants"]).all()
    assert pooled(plenty, Shared(tubes={"Oak": 500}))["tubes_left"].tolist() == [340]


def test_seed_of_unknown_weight_is_never_called_enough():
    sites = {
        "a": planned("A", [("Oak", 10, 0, 0, False)], [("Oak", "p1", 2.0)]),
        "b": planned("B", [("Oak", 10, 0, 0, False)], [("Oak", "p2", np.nan)]),
    }
    shared = Shared(seed_mg={"Oak": 1000})
    by_site = orders(sites, shared).set_index("site")
    assert by_site["from_seed_g"].to_dict() == {"a": 1.0, "b": 0.0}
    assert by_site["lacking"]["a"] == 5 and np.isnan(by_site["lacking"]["b"])
    whole = pooled(by_site.reset_index(), shared).set_index("species").loc["Oak"]
    assert (whole["sites_without_weight"], whole["lacking"], whole["seed_left_g"]) == (1, 5, 0)
    lots = seed_lots(sites).set_index("permit")
    assert lots["seed_g"].to_dict() == {"p1": 2.0, "p2": 0.0}
    assert lots["weight_unknown"].to_dict() == {"p1": 0, "p2": 1}


def test_what_stands_in_is_not_lacking_itself():
    offered = [("A", "Oak", "Ash", 70), ("A", "Oak", "Elm", 90), ("B", "Oak", "Ash", 80)]
    species = [("Oak", 10, 0, 0, False), ("Elm", 5, 0, 0, False)]
    sites = {"a": planned("A", species, substitutes=offered)}
    shared = Shared(tubes={"Oak": 4, "Elm": 0, "Ash": 9})
    by_site = orders(sites, shared)
    short = shortages(sites, by_site, pooled(by_site, shared)).set_index("species")
    assert short["lacking"].to_dict() == {"Oak": 6, "Elm": 5}
    assert short["stand_ins"]["Oak"] == "Ash (suitability 75 of 100, 9 shared plants left)"
    assert short["stand_ins"]["Elm"] == ""


def test_species_that_no_stock_lists_are_the_sites_own_business():
    sites = {"a": planned("A", [("Oak", 10, 2, 0, False)], [("Oak", "", 1.0)])}
    by_site = orders(sites, Shared(tubes={"Ash": 3}))
    assert by_site["lacking"].tolist() == [0]
    whole = pooled(by_site, Shared(tubes={"Ash": 3})).set_index("species")
    assert whole["tubes_left"].to_dict() == {"Ash": 3, "Oak": 0}
    assert whole["to_raise"]["Oak"] == 12


def test_plans_without_trees_make_empty_tables():
    sites = {"a": planned("A"), "b": planned("B")}
    by_site = orders(sites, Shared())
    assert by_site.empty and pooled(by_site, Shared()).empty and seed_lots(sites).empty
    assert shortages(sites, by_site, pooled(by_site, Shared())).empty
    assert by_month(sites).empty and len(joint_calendar(sites)) == 0


def test_the_sums_are_the_same_however_sites_are_grouped():
    rng = np.random.default_rng(3)
    sites = {
        f"s{n}": planned(
            f"S{n}",
            [(s, int(rng.integers(1, 90)), int(rng.integers(9)), int(rng.integers(30)), False)
             for s in ("Oak", "Ash")],
            [(s, "p", float(rng.integers(1, 50)) / 10) for s in ("Oak", "Ash")],
        )
        for n in range(12)
    }  # fmt: skip
    shared = Shared(tubes={"Oak": 150, "Ash": 4000}, seed_mg={"Oak": 9000})
    by_site = orders(sites, shared)
    whole = pooled(by_site, shared).set_index("species")
    for column in ("order", "plants", "from_tubes", "to_raise", "lacking", "from_seed_g"):
        assert by_site.groupby("species")[column].sum().to_dict() == pytest.approx(
            whole[column].to_dict()
        )
    assert whole["from_tubes"]["Oak"] == 150
    assert (by_site["from_tubes"] + by_site["to_raise"] == by_site["plants"]).all()
