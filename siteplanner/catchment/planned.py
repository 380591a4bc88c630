"""What one site's plan says to the catchment: read back from the files that were published."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siteplanner.base.plan_folder import MANIFEST
from siteplanner.base.units import hectares
from siteplanner.handover.folder.manifest import digest
from siteplanner.reading.published import Published, read_published

_BATCH_DATES = ("collect_from", "collect_to", "pretreat_from", "sow_on", "prick_out_on",
                "harden_from", "resow_by")  # fmt: skip
_BATCH_TEXTS = ("species", "common_name", "permit", "cautions", *_BATCH_DATES)
_BATCH_NUMBERS = ("plants", "seed_g", "tubes", "trays")
_JOB_TEXTS = ("place", "job", "unit", "note")


@dataclass(frozen=True)
class Planned:
    """One site's plan, as far as the catchment needs it; no mother tree's position or name.

    Attributes
    ----------
    name, plan_sha256:
        The site's name; the SHA-256 of its plan's manifest.
    boundary:
        The property in EPSG:4326.
    figures:
        ``area_ha, planted_ha, trees, infill, order, order_least, order_most, crew_days, cost,
        cost_least, cost_most`` (trees in the ground; with what is ordered, at least and at
        most), ``frost_error_c`` (NaN where unknown), ``warnings`` (how many).
    species:
        One row a species: ``species, common_name, trees, infill, order, on_hand, worst,
        expected, best`` (plants that come through), ``must``.
    batches:
        One row a batch of the nursery: species, permit, plants, seed and dates (ISO text, empty
        where unknown).
    jobs:
        ``year, month, place, job, quantity, unit, note, crew_days`` (NaN but for planting).
    substitutes:
        ``zone, species, substitute, suitability``.
    """

    name: str
    plan_sha256: str
    boundary: shapely.Geometry
    figures: dict[str, float]
    species: pd.DataFrame
    batches: pd.DataFrame
    jobs: pd.DataFrame
    substitutes: pd.DataFrame


def read_planned(folder: Path) -> Planned:
    """Read a published plan's folder.

    Raises :class:`~siteplanner.InputError` for a table that cannot be read.
    """
    plan = read_published(folder)
    blocks = plan.table("blocks.csv", ["block", "trees"])
    species = _species(plan)
    boundary = plan.features("boundary")
    return Planned(
        name=plan.manifest["site"],
        plan_sha256=digest(folder / MANIFEST),
        boundary=_in_degrees(boundary),
        figures=_figures(plan.manifest, species, blocks, boundary.union_all().area),
        species=species,
        batches=_batches(plan.table("nursery.csv", ["batch"])),
        jobs=_jobs(plan.table("works.csv", ["year", "month", *_JOB_TEXTS]), blocks),
        substitutes=_substitutes(
            plan.table("nursery_substitutes.csv", ["zone", "species", "substitute", "suitability"])
        ),
    )


def _numbers(frame: pd.DataFrame, column: str) -> pd.Series[float]:
    if column not in frame:
        return pd.Series(np.nan, index=frame.index, dtype=np.float64)
    return pd.to_numeric(frame[column], errors="coerce").astype(np.float64)


def _texts(frame: pd.DataFrame, column: str) -> pd.Series[str]:
    if column not in frame:
        return pd.Series("", index=frame.index, dtype=object)
    return frame[column].astype(object)


def _in_degrees(boundary: gpd.GeoDataFrame) -> shapely.Geometry:
    shape = boundary.to_crs(4326).union_all()
    return shapely.MultiPolygon([shape]) if shape.geom_type == "Polygon" else shape


def _species(plan: Published) -> pd.DataFrame:
    counts = plan.table("counts.csv", ["species", "common_name", "trees", "infill", "order"])
    counts = pd.DataFrame(
        {
            **{name: _texts(counts, name) for name in ("species", "common_name")},
            **{n: _numbers(counts, n).astype(np.int64) for n in ("trees", "infill", "order")},
        }
    )
    found = counts.groupby("species", sort=True).agg(
        {"common_name": "first", "trees": "sum", "infill": "sum", "order": "sum"}
    )
    supply = plan.table("nursery_species.csv", ["species"])
    names = _texts(supply, "species")
    for column in ("on_hand", "worst", "expected", "best"):
        by_name = pd.Series(_numbers(supply, column).to_numpy(), index=names)
        found[column] = by_name.reindex(found.index).fillna(0).astype(np.int64)
    must = set(plan.manifest["settings"].get("mix", {}).get("must", ()))
    found["must"] = found.index.isin(must)
    return found.reset_index()


def _figures(
    manifest: dict[str, Any], species: pd.DataFrame, blocks: pd.DataFrame, area_m2: float
) -> dict[str, float]:
    """Sum the plan up. The range of the order is that of ``blocks.csv``.

    There every block is rounded up by itself, so the range is brought to the whole order.
    """
    order = int(species["order"].sum())
    by_block = {n: _numbers(blocks, n).sum() for n in ("order", "order_least", "order_most")}
    scale = order / by_block["order"] if by_block["order"] else math.nan
    trees = _numbers(blocks, "trees")
    a_tree = _numbers(blocks, "cost") / trees
    # Trees in the ground are in no order: what they cost is not in doubt.
    paid = _numbers(blocks, "order") == 0
    least, most = (trees.where(paid, _numbers(blocks, n)) for n in ("order_least", "order_most"))
    error = manifest["frost_error_c"]
    return {
        "area_ha": round(hectares(area_m2), 2),
        "planted_ha": manifest["area_planted_ha"],
        "trees": manifest["trees_total"],
        "infill": int(species["infill"].sum()),
        "order": order,
        "order_least": math.floor(by_block["order_least"] * scale) if order else 0,
        "order_most": math.ceil(by_block["order_most"] * scale) if order else 0,
        "crew_days": round(float(_numbers(blocks, "crew_days").sum()), 2),
        "cost": round(float(_numbers(blocks, "cost").sum()), 2),
        "cost_least": round(float((a_tree * least).sum()), 2),
        "cost_most": round(float((a_tree * most).sum()), 2),
        "frost_error_c": math.nan if error is None else round(float(error), 2),
        "warnings": len(manifest["warnings"]),
    }


def _batches(frame: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            **{name: _texts(frame, name) for name in _BATCH_TEXTS},
            **{name: _numbers(frame, name) for name in _BATCH_NUMBERS},
        }
    ).reset_index(drop=True)


def _jobs(frame: pd.DataFrame, blocks: pd.DataFrame) -> pd.DataFrame:
    jobs = pd.DataFrame(
        {
            **{name: _numbers(frame, name).astype(np.int64) for name in ("year", "month")},
            **{name: _texts(frame, name) for name in _JOB_TEXTS},
            "quantity": _numbers(frame, "quantity"),
        }
    ).reset_index(drop=True)
    a_tree = _numbers(blocks, "crew_days") / _numbers(blocks, "trees")
    a_tree.index = pd.Index(_texts(blocks, "block"))
    days = jobs["place"].map(a_tree).astype(np.float64) * jobs["quantity"]
    return jobs.assign(crew_days=days.where(jobs["job"] == "plant"))


def _substitutes(frame: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            **{name: _texts(frame, name) for name in ("zone", "species", "substitute")},
            "suitability": _numbers(frame, "suitability"),
        }
    ).reset_index(drop=True)
