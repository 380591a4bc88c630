"""The plan's trees as the map page has them: thousands in a few letters each. Pure."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from siteplanner.handover.map.ground import MapFrame, as_base64
from siteplanner.plan import Plan


def trees_of(plan: Plan, frame: MapFrame) -> dict[str, Any]:
    """Give all trees as base64 of small integers, row by row.

    ``x`` and ``y`` are uint16, little-endian, from 0 at the frame's west and south edge to
    65535 at its east and north edge; ``species`` is one byte a tree, and so are, where the plan
    knows them, ``year`` and ``mother`` (an index into ``mothers``); ``rows`` lists [index of
    block, row, trees], in the trees' order, with the row's name behind where it is not its number.
    """
    index = {block: i for i, block in enumerate(plan.blocks["block"])}
    block = plan.trees["block"].map(index).to_numpy(np.int64)
    row = plan.trees["row"].to_numpy(np.int64)
    order = np.lexsort((row, block))
    points = shapely.get_coordinates(plan.trees.geometry.to_crs(frame.crs))[order]
    share = (points - (frame.west, frame.south)) / (frame.width, frame.height)
    whole = np.rint(np.clip(share, 0, 1) * 65535).astype("<u2")
    runs, lengths = np.unique(np.column_stack((block, row)), axis=0, return_counts=True)
    more: dict[str, Any] = {}
    if "year" in plan.trees:
        more["year"] = as_base64(plan.trees["year"].to_numpy("u1")[order].tobytes())
    if "mother" in plan.trees:
        mothers, which = np.unique(plan.trees["mother"].to_numpy(str)[order], return_inverse=True)
        if len(mothers) <= 256:
            more |= {"mothers": mothers.tolist(), "mother": as_base64(which.astype("u1").tobytes())}
    return more | {
        "x": as_base64(whole[:, 0].tobytes()),
        "y": as_base64(whole[:, 1].tobytes()),
        "species": as_base64(plan.tree_species[order].astype("u1").tobytes()),
        "rows": _named(plan, np.column_stack((runs, lengths)).tolist()),
    }


def _named(plan: Plan, runs: list[list[int]]) -> list[list[Any]]:
    """Put behind each of [index of block, row, trees] the row's name, if that is not its number."""
    names = plan.rows.set_index(["block", "row"])["name"].astype(str).to_dict()
    blocks = plan.blocks["block"].tolist()
    own = [names[blocks[block], row] for block, row, _ in runs]
    pairs = zip(runs, own, strict=True)
    return [[*run, name] if name != str(run[1]) else run for run, name in pairs]
