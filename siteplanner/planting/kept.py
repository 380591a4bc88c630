"""Trees that do not move: those of blocks that were printed, pegged or planted before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, near
from siteplanner.planting.mix.allocation import Allocation
from siteplanner.planting.mix.mix import Mixed
from siteplanner.planting.parts import part_letters, parted
from siteplanner.planting.rows._apart import apart
from siteplanner.planting.rows.layout import Places, number_rows
from siteplanner.planting.rows.patterns import pattern_infos
from siteplanner.planting.zones.kept import in_order, names_kept, parts_before
from siteplanner.reading.kept_blocks import IN_THE_GROUND, KeptBlocks


@dataclass(frozen=True)
class SetOut:
    """Blocks with their planting places: all blocks, the ``planted`` ones, the places of these.

    ``fixed`` (places,) is the index of the species of a tree that does not move, -1 where a
    species is to be chosen.
    """

    blocks: gpd.GeoDataFrame
    planted: gpd.GeoDataFrame
    places: Places
    fixed: NDArray[np.int64]

    @property
    def open(self) -> NDArray[np.bool_]:
        """Places whose species is to be chosen."""
        return self.fixed < 0

    def numbered(self, keep: NDArray[np.bool_]) -> Places:
        """Give the places to keep, rows numbered anew but for trees that do not move."""
        places = self.places.only(keep)
        rows = np.where(self.fixed[keep] >= 0, places.row, number_rows(places, self.planted).row)
        return replace(places, row=rows)

    def within(self, paddocks: Sequence[str]) -> SetOut:
        """Give the blocks of some paddocks alone, each with the name and rows it has here."""
        blocks = self.blocks[self.blocks["paddock"].isin(paddocks)].reset_index(drop=True)
        mine = self.planted["paddock"].isin(paddocks).to_numpy(dtype=bool)
        here = mine[self.places.block]
        places = self.places.only(here)
        places = replace(places, block=(np.cumsum(mine) - 1)[places.block])
        planted = self.planted[mine].reset_index(drop=True)
        return SetOut(blocks, planted, places, self.fixed[here])


def check_patterns(standing: gpd.GeoDataFrame, path: Path) -> None:
    """Raise :class:`~siteplanner.InputError` where rows that stay have a pattern nobody offers."""
    known = pattern_infos()
    errors = Errors()
    for block in standing[standing["spacing_m"] > 0].itertuples():
        if block.pattern not in known:
            what = f"there is no pattern {block.pattern!r}"
            errors.add(path, f"block {block.block}, pattern", what, near(block.pattern, known))
    errors.raise_any()


def cut_as_before(
    blocks: gpd.GeoDataFrame, places: Places, kept: KeptBlocks
) -> tuple[gpd.GeoDataFrame, Places]:
    """Cut new blocks along the lines of earlier ones that together are the same ground.

    A cut depends on where trees are; without this, a few trees more or less would move it, and with
    it a block's name. ``places.block`` counts the blocks that have a ``spacing_m``.
    """
    if kept.blocks.empty:
        return blocks, places
    shapes, parent, names = [], [], []
    earlier = kept.open
    for index, block in enumerate(blocks.itertuples()):
        before = parts_before(block.geometry, block.zone, earlier)
        shapes += list(before.geometry) if len(before) else [block.geometry]
        names += [block.block + letter for letter in part_letters(len(before))] or [block.block]
        parent += [index] * max(len(before), 1)
    if len(parent) == len(blocks):
        return blocks, places
    of_all = np.flatnonzero(blocks["spacing_m"] > 0)[places.block]
    blocks, places = parted(blocks, replace(places, block=of_all), shapes, parent, names)
    of_planted = np.cumsum((blocks["spacing_m"] > 0).to_numpy(dtype=bool)) - 1
    return blocks, replace(places, block=of_planted[places.block])


def beside_kept(
    new: gpd.GeoDataFrame,
    places: Places,
    standing: gpd.GeoDataFrame,
    kept: KeptBlocks,
    species: Sequence[str],
) -> SetOut:
    """Put new blocks and places beside the blocks and trees that stay.

    ``places.block`` counts the blocks of ``new`` that have a ``spacing_m``. New places keep the
    spacing to trees that stay, which never give way.
    """
    new = new.assign(block=names_kept(new, kept)) if len(kept.blocks) else new
    frames = [frame for frame in (standing, new) if len(frame)]
    blocks = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs=new.crs)
    old, fixed = _trees(standing, kept, species)
    of_new = np.flatnonzero(new["spacing_m"] > 0)[places.block] + len(standing)
    both = Places(
        np.concatenate([old.x, places.x]),
        np.concatenate([old.y, places.y]),
        np.concatenate([old.block, of_new]),
        np.concatenate([old.row, places.row]),
    )
    fixed = np.concatenate([fixed, np.full(len(places.x), -1, dtype=np.int64)])
    if len(old.x):
        spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[both.block]
        keep = apart(both.x, both.y, spacing, both.block) | (fixed >= 0)
        both, fixed = both.only(keep), fixed[keep]
    if len(kept.blocks):
        order = np.array(in_order(blocks), dtype=np.int64)
        blocks, rank = blocks.iloc[order].reset_index(drop=True), np.argsort(order)
        turn = np.argsort(rank[both.block], kind="stable")
        both = Places(both.x[turn], both.y[turn], rank[both.block[turn]], both.row[turn])
        fixed = fixed[turn]
    with_trees = (blocks["spacing_m"] > 0).to_numpy(dtype=bool)
    of_planted = np.cumsum(with_trees) - 1
    return SetOut(
        blocks,
        blocks[with_trees].reset_index(drop=True),
        replace(both, block=of_planted[both.block]),
        fixed,
    )


def _trees(
    standing: gpd.GeoDataFrame, kept: KeptBlocks, species: Sequence[str]
) -> tuple[Places, NDArray[np.int64]]:
    """Trees of the blocks that stay, as places of ``standing``, and their species' indices."""
    trees = kept.trees[kept.trees["block"].isin(standing["block"])]
    number = pd.Series(np.arange(len(standing)), index=standing["block"].to_numpy())
    kind = pd.Series(np.arange(len(species)), index=list(species))
    places = Places(
        trees.geometry.x.to_numpy(dtype=np.float64),
        trees.geometry.y.to_numpy(dtype=np.float64),
        trees["block"].map(number).to_numpy(dtype=np.int64),
        trees["row"].to_numpy(dtype=np.int64),
    )
    return places, trees["species"].map(kind).to_numpy(dtype=np.int64)


def with_kept_trees(chosen: Allocation, laid: SetOut, survival: NDArray[np.float64]) -> Allocation:
    """Add the trees that stay to what was chosen for the places that were open.

    ``survival`` (species,) 0-1. In ``mixes`` they count as trees and survivors.
    """
    if laid.open.all():
        return chosen
    kind = laid.fixed.copy()
    kind[laid.open] = chosen.kind
    zone = laid.planted["zone"].to_numpy()[laid.places.block[~laid.open]]
    mixes = dict(chosen.mixes)
    for letter in dict.fromkeys(zone):
        trees = np.bincount(laid.fixed[~laid.open][zone == letter], minlength=len(survival))
        alive = float(trees @ survival)
        mixed = mixes.get(letter, Mixed(np.zeros(len(survival), dtype=np.int64)))
        mixes[letter] = replace(
            mixed,
            trees=mixed.trees + trees,
            survivors=mixed.survivors + alive,
            most_survivors=mixed.most_survivors + alive,
        )
    return replace(chosen, kind=kind, mixes=mixes)


def waiting_trees(kept: KeptBlocks, species: Sequence[str]) -> NDArray[np.int64]:
    """Trees (species,) of blocks that stay and are still to be planted, wherever they are.

    Their plants are promised: printed, pegged, planned in a plan of which only a part is laid out
    anew, or lost and to be planted again. Trees in the ground need no plants.
    """
    blocks = kept.standing
    waits = blocks["block"][blocks["status"] != IN_THE_GROUND]
    trees = kept.trees["species"][kept.trees["block"].isin(waits)]
    return trees.value_counts().reindex(list(species), fill_value=0).to_numpy(dtype=np.int64)


def notes_on_kept(laid: SetOut, kept: KeptBlocks, area: shapely.Geometry) -> list[str]:
    """Say which blocks stay, which are set aside, and what may not be planted any more.

    ``area`` may be planted.
    """
    said = []
    stay = laid.blocks[laid.blocks["stays"]]
    for status, blocks in stay[stay["status"] != "planned"].groupby("status", sort=False):
        named = ", ".join(blocks["block"])
        said.append(f"Kept as they are, {status}: {named}.")
    if kept.only:
        said.append(
            f"Laid out anew: {', '.join(kept.only)} alone. All other blocks are as in the plan "
            "before."
        )
    for block in kept.set_aside.itertuples():
        said.append(f"Block {block.block} is set aside until {block.until}: not planted here.")
    shapely.prepare(area)
    out = ~laid.open & ~shapely.contains_xy(area, laid.places.x, laid.places.y)
    names = laid.planted["block"].to_numpy()[laid.places.block[out]]
    for name in dict.fromkeys(names):
        number = int((names == name).sum())
        said.append(
            f"Block {name} stays as it is, but trees of it ({number}) are on ground that may not "
            "be planted any more (setbacks, paddocks, your decisions): look again before anyone "
            "plants there."
        )
    return said
