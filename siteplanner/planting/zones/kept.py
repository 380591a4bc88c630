"""Blocks of earlier plans in a new one: they stay, keep their names, and no name comes twice."""

from __future__ import annotations

import re
from collections.abc import Collection

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siteplanner.planting.zones.blocks import FROM_PLAN
from siteplanner.planting.zones.zones import NOTHING_FITS, TOO_STEEP
from siteplanner.reading.kept_blocks import KeptBlocks

#: Outlines that differ by less (m²) are the same.
_SAME_M2 = 1.0
_NAME = re.compile(r"^([A-Z]+)([0-9]+)([a-z]*)$")
_NO_TREES = {"X": TOO_STEEP, "N": NOTHING_FITS}


def letters_kept(
    shapes: gpd.GeoDataFrame, kept: KeptBlocks, taken: Collection[str]
) -> dict[int, str]:
    """Letters of the kinds of ground that were a zone before, by kind.

    ``shapes`` has ``kind``; ``taken`` are letters of zones drawn by hand. Each letter goes to one
    kind: kinds and letters pair up by the ground they share, the largest first.
    """
    zones = kept.blocks[~kept.blocks["zone"].isin([*taken, *_NO_TREES])].dissolve("zone").geometry
    natural = shapes[(shapes["kind"] >= 0) & (shapes["kind"] < FROM_PLAN)]
    shared = [
        (shapely.intersection(shape, zone).area, letter, kind)
        for letter, zone in zones.items()
        for kind, shape in zip(natural["kind"], natural.geometry, strict=True)
    ]
    found: dict[int, str] = {}
    for area, letter, kind in sorted(shared, key=lambda one: (-one[0], one[1:])):
        if area >= _SAME_M2 and kind not in found and letter not in found.values():
            found[kind] = letter
    return found


def letters_ever(kept: KeptBlocks) -> set[str]:
    """Letters of all zones that there ever were."""
    parts = (_NAME.match(name) for name in kept.names)
    return {part[1] for part in parts if part} | set(kept.blocks["zone"])


def with_standing(blocks: gpd.GeoDataFrame, kept: KeptBlocks) -> gpd.GeoDataFrame:
    """Put the blocks that stay beside the new ones, by zone, with ``status`` and ``stays``."""
    blocks = blocks.assign(status="planned", stays=False)
    standing = kept.standing
    if standing.empty:
        return blocks
    standing = standing[["block", "zone", "paddock", "status", "geometry"]].assign(
        stays=True, kind=[_NO_TREES.get(zone, 0) for zone in standing["zone"]]
    )
    parts = [part.to_crs(blocks.crs) for part in (standing, blocks) if len(part)]
    both = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=blocks.crs)
    return both.sort_values("zone", kind="stable", ignore_index=True)


def as_they_were(blocks: gpd.GeoDataFrame, kept: KeptBlocks) -> gpd.GeoDataFrame:
    """Give blocks that stay the pattern, spacing and bearing that their rows were set out with."""
    standing = kept.standing.set_index("block")
    if standing.empty:
        return blocks
    stays = blocks["stays"].to_numpy(dtype=bool)
    for name in ("pattern", "spacing_m", "bearing_deg"):
        before = blocks["block"].map(standing[name])
        blocks = blocks.assign(**{name: np.where(stays, before, blocks[name])})
    return blocks.astype({"spacing_m": float, "bearing_deg": float})


def names_kept(blocks: gpd.GeoDataFrame, kept: KeptBlocks) -> list[str]:
    """Name new blocks (``block, zone, geometry``) so that no name is given twice.

    A block with the zone and outline of an earlier one keeps its name. All others get the numbers
    that follow the greatest ever given in their zone; parts of one block share their number.
    """
    before = kept.open
    greatest: dict[str, int] = {}
    for part in filter(None, map(_NAME.match, {*kept.names, *kept.blocks["block"]})):
        greatest[part[1]] = max(greatest.get(part[1], 0), int(part[2]))
    fresh: dict[str, str] = {}
    names = []
    for block in blocks.itertuples():
        same = _same(block, before)
        own = _NAME.match(block.block)
        base, letter = (own[1] + own[2], own[3]) if own else (block.block, "")
        if same is None and base not in fresh:
            greatest[block.zone] = greatest.get(block.zone, 0) + 1
            fresh[base] = f"{block.zone}{greatest[block.zone]}"
        names.append(same or fresh[base] + letter)
    return names


def _same(block: object, before: gpd.GeoDataFrame) -> str | None:
    """Name of the earlier block of the same zone and outline; None where there is none."""
    shape = block.geometry  # type: ignore[attr-defined]
    like = before[before["zone"] == block.zone]  # type: ignore[attr-defined]
    like = like[np.abs(like.area - shape.area) < _SAME_M2]
    apart = shapely.area(shapely.symmetric_difference(like.geometry.to_numpy(), shape))
    found = like["block"].to_numpy()[apart < _SAME_M2]
    return str(found[0]) if len(found) else None


def parts_before(shape: shapely.Geometry, zone: str, before: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Blocks of ``before`` (``block, zone``) that together are this ground of the same zone."""
    like = before[before["zone"] == zone]
    inside = like[shapely.within(shapely.point_on_surface(like.geometry.to_numpy()), shape)]
    apart = shapely.symmetric_difference(inside.union_all(), shape).area
    return inside if apart < _SAME_M2 else inside.iloc[:0]


def in_order(blocks: gpd.GeoDataFrame) -> list[int]:
    """Places of the blocks in the order of zones, then of their numbers and letters."""

    def key(n: int) -> tuple[str, int, str]:
        name = str(blocks["block"].iloc[n])
        part = _NAME.match(name)
        zone = str(blocks["zone"].iloc[n])
        return (zone, int(part[2]), part[3]) if part else (zone, 10**9, name)

    return sorted(range(len(blocks)), key=key)
