"""Says what has become of blocks, and writes it into the site's folder, where the user asks."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from siteplanner.base.errors import Errors, input_error, near
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.handover.gis.geopackage import fixed_gdal_options
from siteplanner.reading.kept_blocks import (
    SET_ASIDE,
    STANDING,
    STATUSES,
    KeptBlocks,
    blocks_of_plan,
    no_blocks,
    no_trees,
    read_kept_blocks,
)
from siteplanner.reading.published import read_published
from siteplanner.site.site_file import Site

#: Blocks that share no more ground (m²) lie beside each other.
_BESIDE_M2 = 1.0


@dataclass(frozen=True)
class Marked:
    """What the file of blocks holds now: names by status, and names that are given no more."""

    path: Path
    by_status: dict[str, list[str]]
    retired: list[str]


def known_blocks(site: Site, plan: Path) -> KeptBlocks:
    """Give the blocks of the site's file together with those of a plan (a folder).

    What the file holds of a block that is no longer just planned counts more than the plan.
    Raises :class:`~siteplanner.InputError` where there is neither.
    """
    held = KeptBlocks(no_blocks(None), no_trees(None))
    if site.blocks_file.is_file():
        held = read_kept_blocks(site.model_copy(update={"blocks": _whole(site)}), None)
    if not (plan / MANIFEST).exists():
        if held.blocks.empty:
            raise input_error(
                plan, "", f"holds no {MANIFEST}, so it is no plan",
                "make the plan first, or give its folder with --plan",
            )  # fmt: skip
        return held
    return _together(held, blocks_of_plan(read_published(plan)))


def _whole(site: Site) -> object:
    return site.blocks.model_copy(update={"only": (), "plan": None})


def _together(held: KeptBlocks, plan: KeptBlocks) -> KeptBlocks:
    """Put the blocks of a plan beside those that stay; blocks that it replaces are retired."""
    staying = held.blocks["status"] != "planned"
    fresh = plan.blocks[~plan.blocks["block"].isin(held.blocks["block"][staying])]
    fresh = fresh.assign(status="planned", until=0)
    in_both = held.blocks["block"].isin(fresh["block"])
    covered = shapely.area(shapely.intersection(held.blocks.geometry.to_numpy(), fresh.union_all()))
    old = held.blocks[staying | (~in_both & (covered <= _BESIDE_M2))]
    crs = plan.blocks.crs
    frames = [frame for frame in (old, fresh) if len(frame)]
    trees = [
        held.trees[held.trees["block"].isin(old["block"])],
        plan.trees[plan.trees["block"].isin(fresh["block"])],
    ]
    trees = [frame for frame in trees if len(frame)] or [no_trees(crs)]
    return KeptBlocks(
        gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs=crs),
        gpd.GeoDataFrame(pd.concat(trees, ignore_index=True), crs=crs),
        held.names | plan.names,
    )


def mark_blocks(
    site: Site, plan: Path, status: str, names: Sequence[str], until: int | None = None
) -> Marked:
    """Write the status of blocks into the site's file of blocks, with their rows and trees.

    ``until`` is the year from which a block that is set aside may be planted. The file then holds
    all blocks of the plan, and every name that was ever given. Raises
    :class:`~siteplanner.InputError` for a status or block that is not known, or a year too few.
    """
    known = known_blocks(site, plan)
    _check(site, known, status, names, until)
    mine = known.blocks["block"].isin(names)
    blocks = known.blocks.assign(
        status=known.blocks["status"].where(~mine, status),
        until=np.where(mine, until or 0, known.blocks["until"]).astype(np.int64),
    )
    marked = replace(known, blocks=blocks)
    save_blocks(marked, site.blocks_file)
    return marked_in(marked, site.blocks_file)


def marked_in(kept: KeptBlocks, path: Path) -> Marked:
    """Sum up what a file of blocks holds."""
    by_status = {
        status: list(kept.blocks["block"][kept.blocks["status"] == status]) for status in STATUSES
    }
    return Marked(
        path,
        {status: names for status, names in by_status.items() if names},
        sorted(kept.names - set(kept.blocks["block"])),
    )


def _check(
    site: Site, known: KeptBlocks, status: str, names: Sequence[str], until: int | None
) -> None:
    errors = Errors()
    place = site.blocks_file
    if status not in STATUSES:
        errors.add(place, "--mark", f"{status!r} is not a status", near(status, STATUSES))
    if (status == SET_ASIDE) != (until is not None):
        errors.add(
            place, "--until", "a block is set aside until a year, and only then has one",
            'write --mark "set aside" --until YEAR',
        )  # fmt: skip
    with_trees = set(known.trees["block"])
    for name in names:
        if name not in set(known.blocks["block"]):
            errors.add(
                place,
                f"block {name}",
                "this block does not exist",
                near(name, known.blocks["block"]),
            )
        elif status in STANDING and name not in with_trees:
            errors.add(place, f"block {name}", "it has no trees", f"it cannot be {status}")
    errors.raise_any()


def save_blocks(kept: KeptBlocks, path: Path) -> None:
    """Write the file of blocks, whole or not at all; the same blocks give the same bytes."""
    part = path.with_name(f".{path.stem}-{os.getpid()}.gpkg")
    names = pd.DataFrame({"block": sorted(kept.names | set(kept.blocks["block"]))})
    layers = (
        ("blocks", kept.blocks, "Polygon"), ("trees", kept.trees, "Point"), ("names", names, None),
    )  # fmt: skip
    try:
        with fixed_gdal_options():
            for layer, frame, geometry in layers:
                pyogrio.write_dataframe(
                    frame,
                    part,
                    layer=layer,
                    driver="GPKG",
                    append=part.exists(),
                    dataset_options={"VERSION": "1.2"},
                    layer_options={"FID": "fid"},
                    **({} if geometry is None else {"geometry_type": geometry}),
                )
        part.replace(path)
    except OSError as error:
        raise input_error(
            path, "", f"it cannot be written ({error.strerror or error})",
            "free some space there, or get permission to write there",
        ) from error  # fmt: skip
    finally:
        part.unlink(missing_ok=True)
