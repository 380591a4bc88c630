"""A block's work: all that a planting sheet says of one block. Pure; writes nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.base.bearings import bearing_of
from siteplanner.handover.fieldwork import (
    Ends,
    drops,
    ends_of_rows,
    mean_bearing,
    trees_by_row,
)
from siteplanner.plan import Plan

STRAIGHT_DEG = 3.0
"""Rows whose bearings differ by no more are walked on one bearing (judgement)."""
EVEN_SHARE = 0.1
"""A step between trees is a usual one within so much of its row's usual step (judgement)."""


@dataclass(frozen=True)
class BlockWork:
    """One block with trees; lengths in metres, places in the plan's grid, ordered by row.

    ``lines`` (rows,) are the rows as they are walked, a line or a single point each;
    ``by_row`` is (rows, species); ``ends`` (rows, 2, 2) the first and last tree of each row;
    ``bearing`` (rows,) degrees from grid north, NaN for a single tree; ``tree`` (trees,),
    ``xy`` (trees, 2) and ``species`` (trees,) the block's trees: place in the plan's table, ground
    and kind; ``spacing_m`` the map distance in the row and
    ``row_spacing_m`` that between rows, NaN where there is but one line of them.
    """

    block: str
    zone: str
    title: str
    pattern: str
    paddock: str
    area_ha: float
    shape: shapely.Polygon
    lines: NDArray[np.object_]
    number: NDArray[np.int64]
    by_row: NDArray[np.int64]
    ends: Ends
    bearing: NDArray[np.float64]
    slope_distance_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    tree: NDArray[np.int64]
    xy: NDArray[np.float64]
    species: NDArray[np.uint8]
    spacing_m: float
    row_spacing_m: float
    even: bool
    drops: list[slice]

    @property
    def trees(self) -> NDArray[np.int64]:
        """Trees (species,) of the block."""
        return self.by_row.sum(axis=0)

    @property
    def mean_bearing(self) -> float:
        """Bearing on which most of the rows are walked."""
        return mean_bearing(self.ends)

    @property
    def straight(self) -> bool:
        """Whether one bearing will do for all rows."""
        known = self.bearing[np.isfinite(self.bearing)]
        off = (known - self.mean_bearing + 180) % 360 - 180
        return bool((np.abs(off) <= STRAIGHT_DEG).all())

    def drop_row(self, drop: slice) -> int:
        """Index of the row at whose start a drop point lies: the longest that it serves."""
        return drop.start + int(self.by_row[drop].sum(axis=1).argmax())


def block_works(plan: Plan) -> list[BlockWork]:
    """Give the work of every block that has trees, in the order of the plan."""
    counts, ends = trees_by_row(plan), ends_of_rows(plan.rows)
    tree_xy = shapely.get_coordinates(plan.trees.geometry.to_numpy())
    zones = plan.zones.set_index("zone")
    row_number, tree_row = plan.rows["row"].to_numpy(), plan.trees["row"].to_numpy()
    rows_of, trees_of = (frame.groupby("block").indices for frame in (plan.rows, plan.trees))
    found = []
    for block in plan.blocks[plan.blocks["trees"] > 0].itertuples():
        mine = rows_of[block.block]
        mine = mine[np.argsort(row_number[mine], kind="stable")]
        rows = plan.rows.iloc[mine]
        here = trees_of[block.block]
        spacing = float(zones["spacing_m"][block.zone])
        steps, of_row = _steps(rows.geometry.to_numpy())
        in_row = float(np.median(steps)) if len(steps) else spacing
        chord = ends[mine, 1] - ends[mine, 0]
        bearing = np.where(chord.any(axis=1), bearing_of(*chord.T), np.nan)
        found.append(
            BlockWork(
                block=str(block.block),
                zone=str(block.zone),
                title=str(zones["title"][block.zone]),
                pattern=str(zones["pattern"][block.zone]),
                paddock=str(block.paddock),
                area_ha=float(block.area_ha),
                shape=block.geometry,
                lines=rows.geometry.to_numpy(),
                number=rows["row"].to_numpy(dtype=np.int64),
                by_row=counts[mine],
                ends=ends[mine],
                bearing=bearing,
                slope_distance_m=rows["ground_spacing_m"].to_numpy(dtype=np.float64),
                length_m=rows["length_m"].to_numpy(dtype=np.float64),
                tree=here,
                xy=tree_xy[here],
                species=plan.tree_species[here],
                spacing_m=in_row,
                row_spacing_m=_row_spacing(
                    tree_xy[here], tree_row[here], rows["row"].to_numpy(),
                    bearing, in_row,
                ),
                even=_even(steps, of_row),
                drops=drops(counts[mine].sum(axis=1)),
            )
        )  # fmt: skip
    return found


def _steps(rows: NDArray[np.object_]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Map distances from tree to tree within rows, and the row that each is in."""
    xy, of_row = shapely.get_coordinates(rows, return_index=True)
    steps = np.hypot(*np.diff(xy, axis=0).T)
    within = np.diff(of_row) == 0
    return steps[within], of_row[1:][within]


def _even(steps: NDArray[np.float64], row: NDArray[np.int64]) -> bool:
    """Whether four in five steps are usual ones of their row, so that a tape will set trees out."""
    usual = pd.Series(steps).groupby(row).transform("median").to_numpy()
    return not len(steps) or bool(np.mean(np.abs(steps - usual) <= EVEN_SHARE * usual) >= 0.8)


def _row_spacing(
    xy: NDArray[np.float64],
    row: NDArray[np.int64],
    number: NDArray[np.int64],
    bearing: NDArray[np.float64],
    spacing: float,
) -> float:
    """Usual distance from a tree to the next line of trees, square to its own row.

    ``row`` (trees,) is each tree's row, ``number`` and ``bearing`` (rows,) those of the rows.
    Looks at each tree's nearest neighbours; those of a broken row's other piece lie on the same
    line and do not count.
    """
    near = min(9, len(xy))
    if near < 2:
        return float("nan")
    which = cKDTree(xy).query(xy, k=near)[1][:, 1:]
    turn = np.radians(bearing[np.searchsorted(number, row)])
    step = xy[which] - xy[:, None]
    aside = np.abs(step[..., 0] * np.cos(turn)[:, None] - step[..., 1] * np.sin(turn)[:, None])
    aside[~(aside > 0.3 * spacing)] = np.inf
    nearest = aside.min(axis=1)
    nearest = nearest[np.isfinite(nearest)]
    return float(np.median(nearest)) if len(nearest) else float("nan")


def row_spacing_slope_distance(plan: Plan, work: BlockWork) -> float:
    """Give the distance between rows on a tape laid up the slope, m; NaN where it is unknown.

    The slope across the rows is what the slope at the trees leaves when the slope along the
    rows, known from each row's own slope distance, is taken out: tangents add as squares.
    """
    slope = plan.grid.sample(plan.layers["slope"], *work.xy.T).astype(np.float64)
    slope = slope[np.isfinite(slope)]
    if not len(slope):
        return float("nan")
    slope_distance = float(np.average(work.slope_distance_m, weights=work.by_row.sum(axis=1)))
    along_squared = max(slope_distance / work.spacing_m, 1.0) ** 2 - 1
    across_squared = max(np.tan(np.radians(slope.mean())) ** 2 - along_squared, 0.0)
    return float(work.row_spacing_m * np.sqrt(1 + across_squared))
