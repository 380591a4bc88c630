"""The nursery's tables as CSV: batches, species, bench area, substitutes, a form for counts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from siteplanner.base.tables import write_table
from siteplanner.reading.nursery_counts import STAGES
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.handling import gathered
from siteplanner.season.nursery.schedule import season
from siteplanner.season.nursery.tasks import collecting, losses, sowing
from siteplanner.season.nursery.year import NurseryYear


def batch_columns(batch: Batch, year: NurseryYear) -> dict[str, Any]:
    """Give a batch's row of ``nursery.csv``, in the order of the work; None is left empty."""
    rules, order, lot, seed = year.rules, batch.order, batch.lot, batch.handling
    dates = vars(batch.dates) if batch.dates else {}
    sow = dates.get("sow")
    return {
        "batch": batch.batch,
        "species": batch.species,
        "common_name": batch.common_name,
        "plants": batch.raise_,
        "infill": "yes" if batch.infill else "no",
        "place": lot.place,
        "permit": lot.permit,
        "mother_trees_known": lot.parents,
        "mother_trees_wanted": rules.parents,
        "metres_apart": rules.parents_apart_m,
        "most_of_a_trees_crop": rules.crop_share,
        "collect_from": dates.get("collect_from"),
        "collect_to": dates.get("collect_to"),
        "seed_g": _short(order.grams),
        "seed_g_a_mother_tree": _short(order.grams / rules.parents),
        "to_gather": gathered(seed.units, seed.gather_unit) if seed.units == seed.units else None,
        "mother_trees_can_give": _short(seed.can_give(lot.parents, rules.crop_share)),
        "collecting": collecting(batch, rules),
        "storage": seed.storage,
        "keeps_years": _short(seed.storage_years),
        "seeds": order.seeds,
        "pretreatment": seed.pretreatment,
        "pretreat_from": dates.get("pretreat"),
        "sow_on": sow,
        "season": season(sow, year.latitude) if sow else None,
        "sowing": sowing(batch),
        "sowing_depth_mm": _short(seed.sowing_depth_mm),
        "mix_at_c": _short(seed.germination_c),
        "trays": order.trays,
        "seeds_in_a_tube": order.seeds_in_a_tube or None,
        "seedlings_show_by": dates.get("show"),
        "prick_out_on": dates.get("prick_out"),
        "tubes": order.tubes,
        "racks": order.racks,
        "sand_l": round(order.sand_l, 1),
        "compost_l": round(order.compost_l, 1),
        "harden_from": dates.get("harden"),
        "plantable_on": dates.get("plantable"),
        "plant_from": dates.get("plant"),
        "plant_until": dates.get("plant_until"),
        "resow_by": dates.get("resow_by"),
        "doubtful_on": dates.get("doubtful"),
        "give_up_on": dates.get("give_up"),
        "pot_bound_by": dates.get("pot_bound"),
        "come_through": losses(batch, rules),
        "plants_at_worst": int(batch.expected[0]),
        "plants_expected": int(batch.expected[1] + 1e-6),
        "plants_at_best": int(batch.expected[2]),
        "spare": round(order.spare, 3),
        "chance_enough": round(order.enough, 2),
        "counted_stage": batch.stage,
        "counted": batch.counted,
        "cautions": batch.cautions,
        "assumed": "; ".join(batch.assumed),
    }


def write_tables(year: NurseryYear, folder: Path) -> None:
    """Write ``nursery.csv`` and its side tables into ``folder``."""
    rows = [batch_columns(batch, year) for batch in year.batches]
    table = pd.DataFrame(rows, columns=None if rows else ["batch"], dtype=object)
    write_table(folder / "nursery.csv", table)
    for name, frame in (
        ("nursery_species.csv", year.supply),
        ("nursery_bench.csv", year.bench),
        ("nursery_substitutes.csv", year.substitutes),
    ):
        write_table(folder / name, frame)
    form = [
        [batch.batch, batch.species, batch.lot.place, stage, None, None]
        for batch in year.batches
        for stage in STAGES
    ]
    header = ["batch", "species", "place", "stage", "count", "date"]
    write_table(folder / "nursery_counts.csv", pd.DataFrame(form, columns=header))


def _short(number: float) -> float | None:
    """Round to three figures; None for NaN."""
    return None if number != number else float(f"{number:.3g}")
