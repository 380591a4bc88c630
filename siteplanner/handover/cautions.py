"""What to be careful of in one block, worked out from the plan. Pure; writes nothing."""

from __future__ import annotations

import numpy as np
import shapely

from siteplanner.handover.block_work import BlockWork
from siteplanner.plan import Plan
from siteplanner.reading.heights.coarse import coarseness

STEEP_DEG = 20.0
"""Steeper ground is named on the sheet (from memory, judgement)."""
NEAR_M = 60.0
"""A thing so near to the nearest tree is named on the sheet (judgement)."""
NOT_TOXIC = (
    "Stock: the species table names nothing here as toxic to stock, but it may be incomplete. Ask."
)
"""Said of a block whose species are not named as harmful."""
#: Words by which a species table says that stock may come to harm.
_TOXIC = ("toxic", "poison", "harm", "stock loss", "abort")

#: Kinds of feature worth a caution, the most urgent first, and what is said beside the distance.
_FEATURES = {
    "power_line": "the network operator's clearances decide; only licensed people may work near it",
    "buried_cable": "have it located and marked before any digging; its owner decides",
    "buried_pipe": "have it located and marked before any digging; its owner decides",
    "septic_field": "do not dig or put heavy loads on it; its owner decides",
    "slip": "the ground may move; someone who knows the site must judge what is safe",
    "dam_wall": "roots and holes weaken it; do not plant or dig on it",
    "dam": "deep water and soft edges",
    "waterway": "banks may be undercut or flood; works near water may need a consent",
    "building": "local rules on fire clearance decide",
    "heritage": "do not disturb the ground; works near it may need a consent",
    "native_grassland": "keep feet, loads and planting off it",
    "track": "vehicles; keep it open for an ambulance",
}


def cautions_of(plan: Plan, work: BlockWork) -> list[str]:
    """Sentences on steep ground, features, hollows, frost and species of a block, by urgency.

    Slope and frost are read at the block's trees. A distance is from the nearest tree, on the
    map. Nothing is said of what was not supplied.
    """
    return [
        *_steep(plan, work),
        *_near(plan, work),
        *_hollows(plan, work),
        *_toxic(plan, work),
        *_frost(plan, work),
    ]


def species_cautions(plan: Plan, work: BlockWork) -> list[str]:
    """What the species table says to be careful of, once, with all species it is said of."""
    facts = plan.species[(work.trees > 0) & plan.species["cautions"].map(bool).to_numpy()]
    said = facts.groupby("cautions", sort=False)["common_name"].agg(", ".join)
    return [f"{names}: {caution}" for caution, names in said.items()]


def _steep(plan: Plan, work: BlockWork) -> list[str]:
    slope = plan.grid.sample(plan.layers["slope"], *work.xy.T)
    slope = slope[np.isfinite(slope)]
    if not len(slope):
        return ["Slope: not known here. Look at the ground before anyone carries a load."]
    unsure = ""
    if coarseness(plan.dem_cell_m):
        wide = f"{plan.dem_cell_m:.0f} m wide"
        unsure = f" The cells of the heights are {wide}, so the ground can be much steeper."
    if slope.max() < STEEP_DEG:
        said = f"Slope: up to {slope.max():.0f}° on the map.{unsure} Look before machines go there."
        return [said] if unsure else []
    share = 100 * np.mean(slope >= STEEP_DEG)
    amount = f"{share:.0f} %" if share >= 1 else "less than 1 %"
    return [
        f"Steep: up to {slope.max():.0f}°; {amount} of the trees are on slopes of "
        f"{STEEP_DEG:.0f}° or more. Someone who knows the site must judge what is safe on foot. "
        f"No machines there.{unsure}"
    ]


def _near(plan: Plan, work: BlockWork) -> list[str]:
    trees = shapely.MultiPoint(work.xy)
    west, south, east, north = trees.bounds
    around = shapely.box(west - NEAR_M, south - NEAR_M, east + NEAR_M, north + NEAR_M)
    features = plan.no_plant.iloc[np.sort(plan.no_plant.sindex.query(around))]
    away = shapely.distance(features.geometry.to_numpy(), trees)
    nearest: dict[str, int] = {}
    for at in np.argsort(away, kind="stable").tolist():
        if away[at] <= NEAR_M:
            nearest.setdefault(features["kind"].iat[at], at)
    said = []
    for kind, words in _FEATURES.items():
        if (at := nearest.get(kind)) is None:
            continue
        name = features["name"].iat[at]
        named = isinstance(name, str) and name.strip()
        what = kind.replace("_", " ")
        said.append(
            f"{what[0].upper()}{what[1:]}{f' ({named})' if named else ''} {away[at]:.0f} m "
            f"from the nearest tree; {features['setback_m'].iat[at]:g} m are kept clear: {words}."
        )
    return said


def _hollows(plan: Plan, work: BlockWork) -> list[str]:
    """Trees in hollows without an outlet; the plan has the layer only where there is one."""
    if "closed_hollows" not in plan.layers:
        return []
    depth = np.asarray(plan.grid.sample(plan.layers["closed_hollows"], *work.xy.T), np.float32)
    wet = depth > 0
    if not wet.any():
        return []
    count, all_of = int(wet.sum()), len(depth)
    return [
        f"Hollow without an outlet: {count:,} of the {all_of:,} trees stand in one, up to "
        f"{depth[wet].max():.1f} m under its rim. Water may stand there and machines may bog."
    ]


def _toxic(plan: Plan, work: BlockWork) -> list[str]:
    here = np.flatnonzero(work.trees).tolist()
    names, said = plan.species["common_name"].tolist(), plan.species["cautions"].tolist()
    toxic = [f"{names[k]} ({said[k]})" for k in here if any(w in said[k].lower() for w in _TOXIC)]
    if not toxic:
        return [NOT_TOXIC]
    return [f"Stock: keep stock out. The species table names as harmful: {'; '.join(toxic)}."]


def _frost(plan: Plan, work: BlockWork) -> list[str]:
    night = plan.grid.sample(plan.layers["winter_minimum"], *work.xy.T)
    night = night[np.isfinite(night)]
    if not len(night):
        return ["Frost: not estimated here."]
    error = f", give or take {plan.frost_error_c:.1f}" if np.isfinite(plan.frost_error_c) else ""
    return [
        f"Frost: coldest night of an average winter about {night.mean():.1f} °C{error}; "
        f"the coldest spot about {night.min():.1f} °C. An estimate, not a forecast."
    ]
