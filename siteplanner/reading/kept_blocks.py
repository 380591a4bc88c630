"""Reads what has become of the blocks: the file in the site's folder that holds them still.

The file is a GeoPackage of three layers. ``blocks``: ``block, zone, paddock, status, until,
pattern, spacing_m, bearing_deg`` and an outline. ``trees``: ``block, row, species`` and a point,
the trees of a row in the order in which it is walked. ``names``: every name that was ever given to
a block, so that none is given again. ``siteplanner blocks`` writes it; people may edit it.
"""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.base.crs import crs_words
from siteplanner.base.errors import Errors, InputError, input_error, near
from siteplanner.reading.files.drivers import DRIVER_ERRORS, NO_CRS, listening
from siteplanner.reading.files.features import POINTS, POLYGONS, read_features, texts
from siteplanner.reading.files.opening import own_layer
from siteplanner.reading.files.true_metres import not_true, spots_of
from siteplanner.reading.published import Published, read_published
from siteplanner.site.site_file import Site

#: What may have become of a block, in the order in which it happens.
STATUSES = ("planned", "printed", "pegged", "planted", "lost", "set aside")
#: Blocks of which somebody holds a sheet, or that stand: their rows and trees do not move.
STANDING = ("printed", "pegged", "planted", "lost")
SET_ASIDE = "set aside"
#: The status of a block whose trees need no plants, money or days any more.
IN_THE_GROUND = "planted"
BLOCK_COLUMNS = (
    "block", "zone", "paddock", "status", "until", "pattern", "spacing_m", "bearing_deg",
    "geometry",
)  # fmt: skip
#: No row, year or spacing is a larger number.
_MOST = 1e9
TREE_COLUMNS = ("block", "row", "species", "geometry")


def no_blocks(crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    """Give the table of blocks without any."""
    empty: dict[str, object] = {c: np.zeros(0, dtype=object) for c in BLOCK_COLUMNS[:-1]}
    empty |= {"until": np.zeros(0, np.int64), "spacing_m": np.zeros(0), "bearing_deg": np.zeros(0)}
    return gpd.GeoDataFrame(empty, geometry=[], crs=crs)


def no_trees(crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    """Give the table of trees without any."""
    empty = {"block": np.zeros(0, object), "row": np.zeros(0, np.int64)}
    return gpd.GeoDataFrame(empty | {"species": np.zeros(0, object)}, geometry=[], crs=crs)


@dataclass(frozen=True)
class KeptBlocks:
    """Blocks of earlier plans, with their trees, and every name that was ever given.

    ``blocks`` and ``trees`` have the columns of the file. ``only``: names of the blocks to lay out
    anew where all others stay; empty where the statuses decide. ``year`` is the year of planting,
    None where it is not known.
    """

    blocks: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    names: frozenset[str] = frozenset()
    only: tuple[str, ...] = ()
    year: int | None = None

    def _out(self) -> NDArray[np.bool_]:
        """Blocks that are set aside in the year of planting."""
        waits = self.year is None or (self.blocks["until"] > self.year).to_numpy(dtype=bool)
        return (self.blocks["status"] == SET_ASIDE).to_numpy(dtype=bool) & waits

    @property
    def set_aside(self) -> gpd.GeoDataFrame:
        """Blocks that are not planted in this plan."""
        return self.blocks[self._out()]

    @property
    def standing(self) -> gpd.GeoDataFrame:
        """Blocks that stay as they are, with all their trees."""
        stay = self.blocks["status"].isin([*STANDING, SET_ASIDE])
        if self.only:
            stay |= ~self.blocks["block"].isin(self.only)
        return self.blocks[stay & ~self._out()].reset_index(drop=True)

    @property
    def held(self) -> gpd.GeoDataFrame:
        """Ground that no new block gets: ``zone`` ("" where it is set aside) and ``geometry``."""
        parts = [self.standing[["zone", "geometry"]], self.set_aside[["zone", "geometry"]]]
        parts[1] = parts[1].assign(zone="")
        return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=self.blocks.crs)

    @property
    def open(self) -> gpd.GeoDataFrame:
        """Blocks of earlier plans whose ground is laid out anew."""
        gone = [*self.standing["block"], *self.set_aside["block"]]
        return self.blocks[~self.blocks["block"].isin(gone)].reset_index(drop=True)


def read_kept_blocks(
    site: Site, crs: pyproj.CRS | None, species: Collection[str] | None = None
) -> KeptBlocks:
    """Read the file of blocks, and the plan that ``[blocks] plan`` names where ``only`` is set.

    Raises :class:`~siteplanner.InputError` with every error: a status that is not known, a name
    that is used twice, a tree without a block or of no known ``species``.
    """
    path = site.blocks_file
    year = site.nursery.first_year
    if path.is_file():
        kept = _of_file(path, crs, species)
    elif site.blocks.file:
        raise input_error(
            path, "", "this file does not exist",
            "write it with siteplanner blocks SITE --mark, or take file out of [blocks]",
        )  # fmt: skip
    else:
        kept = KeptBlocks(no_blocks(crs), no_trees(crs))
    if site.blocks.only and site.blocks.plan:
        kept = _with_plan(kept, read_published(site.folder / site.blocks.plan), site)
    return KeptBlocks(kept.blocks, kept.trees, kept.names, site.blocks.only, year)


def _of_file(path: Path, crs: pyproj.CRS | None, species: Collection[str] | None) -> KeptBlocks:
    columns: dict[str, str | None] = {name: name for name in BLOCK_COLUMNS[:-1]}
    blocks = _features(path, "blocks", columns, POLYGONS)
    trees = _features(path, "trees", {n: n for n in TREE_COLUMNS[:-1]}, POINTS)
    errors = Errors()
    for layer, frame in (("blocks", blocks), ("trees", trees)):
        if crs is not None and len(frame) and frame.crs != crs:
            true = not not_true(frame.crs, *spots_of(frame), "the blocks")
            errors.add(
                path, f"layer {layer}",
                f"its CRS is {crs_words(frame.crs)}, the site's is {crs_words(crs)}",
                "a tree must not move: save the layer in the site's CRS"
                + (", or write that CRS in the site file, [site] crs" if true else ""),
            )  # fmt: skip
    _check_blocks(path, blocks, errors)
    _check_trees(path, trees, blocks, species, errors)
    errors.raise_any()
    blocks["geometry"] = [
        part.geoms[0] if part.geom_type == "MultiPolygon" else part for part in blocks.geometry
    ]
    return KeptBlocks(
        blocks[list(BLOCK_COLUMNS)], trees[list(TREE_COLUMNS)], _names(path) | set(blocks["block"])
    )


def _features(
    path: Path, layer: str, columns: dict[str, str | None], kinds: tuple[str, ...]
) -> gpd.GeoDataFrame:
    """Read a layer as it is; one without features is a layer all the same."""
    empty = False
    with listening(), suppress(*DRIVER_ERRORS, *NO_CRS):  # the reader below says what is wrong
        empty = pyogrio.read_info(path, layer=layer, force_feature_count=True)["features"] == 0
    if empty:
        return no_blocks(None) if layer == "blocks" else no_trees(None)
    return read_features(path, layer, columns, None, kinds)


def _check_blocks(path: Path, blocks: gpd.GeoDataFrame, errors: Errors) -> None:
    """Hold the blocks to their form, and bring their columns to it."""
    for name in ("block", "zone", "paddock", "status", "pattern"):
        blocks[name] = texts(blocks[name]).fillna("")
    blocks["status"] = blocks["status"].str.lower().replace("", "planned")
    for name in ("until", "spacing_m", "bearing_deg"):
        blocks[name] = _finite(blocks[name])
    blocks["until"] = blocks["until"].astype(np.int64)
    for row in blocks.itertuples():
        where = f"block {row.block}" if row.block else f"feature {row.Index + 1}"
        if not row.block or not row.zone:
            errors.add(path, where, "it has no name or no zone", "write both")
        if row.status not in STATUSES:
            errors.add(
                path,
                f"{where}, status",
                f"{row.status!r} is not a status",
                near(row.status, STATUSES),
            )
        if row.status == SET_ASIDE and not 1900 <= row.until <= 2300:
            errors.add(
                path, f"{where}, until", "it is set aside without a year",
                "write the year from which it may be planted",
            )  # fmt: skip
        if shapely.get_num_geometries(row.geometry) > 1:
            errors.add(
                path, where, "it is in several pieces", "make each piece a block with its own name"
            )
    for name in sorted(set(blocks["block"][blocks["block"].duplicated()])):
        errors.add(path, f"block {name}", "two blocks have this name", "give one another name")


def _finite(column: pd.Series[float]) -> pd.Series[float]:
    """Numbers of a column, 0 where there is none or one past all that is counted or measured."""
    numbers = pd.to_numeric(column, errors="coerce").astype(np.float64)
    return numbers.where(numbers.abs() < _MOST, 0.0)


def _check_trees(
    path: Path,
    trees: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    species: Collection[str] | None,
    errors: Errors,
) -> None:
    for name in ("block", "species"):
        trees[name] = texts(trees[name]).fillna("")
    trees["row"] = _finite(trees["row"]).astype(np.int64)
    for name in sorted(set(trees["block"]) - set(blocks["block"])):
        errors.add(
            path, "layer trees", f"there are trees of a block {name!r}, which is not in the file",
            "put the block back, or remove its trees",
        )  # fmt: skip
    bare = blocks["block"][~(blocks["spacing_m"] > 0) & blocks["block"].isin(trees["block"])]
    for name in bare:
        errors.add(
            path, f"block {name}, spacing_m", "it has trees but no spacing",
            "write the spacing that they were set out with, in metres",
        )  # fmt: skip
    if species is None:
        return
    for name in sorted(set(trees["species"]) - set(species)):
        errors.add(
            path, "layer trees", f"{name!r} is not in the species table", near(name, species)
        )


def _names(path: Path) -> frozenset[str]:
    """Names that were ever given; a file in which somebody removed their table has none."""
    try:
        table = own_layer(path, "names", (), "", shapes=False)
    except InputError:
        return frozenset()
    return frozenset(str(name) for name in table.get("block", ()) if not pd.isna(name))


def blocks_of_plan(published: Published) -> KeptBlocks:
    """Give all blocks of a published plan, with their trees, as the file would hold them.

    Raises :class:`~siteplanner.InputError` where the plan cannot be read.
    """
    blocks = published.features("blocks", ("block", "zone", "paddock", "bearing_deg"))
    zones = published.features("zones", ("zone",)).set_index("zone")
    for name in ("pattern", "spacing_m"):  # plans of earlier versions say it by zone alone
        if name not in blocks:
            published.features("zones", (name,))
            blocks[name] = blocks["zone"].map(zones[name])
    if "status" not in blocks:
        blocks["status"] = "planned"
    blocks = blocks.assign(until=0)
    trees = published.features("trees", TREE_COLUMNS[:-1])
    return KeptBlocks(
        blocks[list(BLOCK_COLUMNS)], trees[list(TREE_COLUMNS)], frozenset(blocks["block"])
    )


def _with_plan(kept: KeptBlocks, published: Published, site: Site) -> KeptBlocks:
    """Add the blocks of the plan before; what the file holds still counts more."""
    plan = blocks_of_plan(published)
    held = kept.blocks[kept.blocks["status"] != "planned"]
    errors = Errors()
    for name in site.blocks.only:
        if name in set(held["block"]):
            status = held.set_index("block")["status"][name]
            errors.add(
                site.blocks_file, f"block {name}", f"it is {status}, so it stays as it is",
                f"to lay it out anew, run: siteplanner blocks SITE --mark planned {name}",
            )  # fmt: skip
        elif name not in set(plan.blocks["block"]):
            errors.add(
                published.folder, f"block {name}", "the plan has no such block",
                near(name, plan.blocks["block"]),
            )  # fmt: skip
    errors.raise_any()
    more = plan.blocks[~plan.blocks["block"].isin(held["block"])]
    with_trees = kept.trees["block"].isin(held["block"])
    return KeptBlocks(
        _joined(held, more),
        _joined(kept.trees[with_trees], plan.trees[plan.trees["block"].isin(more["block"])]),
        kept.names | plan.names,
    )


def _joined(one: gpd.GeoDataFrame, other: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    frames = [frame for frame in (one, other) if len(frame)] or [other]
    return gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs=frames[0].crs)
