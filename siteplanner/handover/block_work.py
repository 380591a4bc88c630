"""A block's work: all that a planting sheet says of one block. Pure; writes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.base.bearings import bearing_of
from siteplanner.base.results.memory import Call, afresh
from siteplanner.handover.fieldwork import Ends, ends_of_rows, mean_bearing, trees_by_row
from siteplanner.handover.finding import VEHICLE_DEG, Drop, drop_points
from siteplanner.plan import Plan

STRAIGHT_DEG = 3.0
"""Rows whose bearings differ by no more are walked on one bearing (judgement)."""
EVEN_SHARE = 0.1
"""A step between trees is a usual one within so much of its row's usual step (judgement)."""


IN_RUNS = 0.6
"""From this share of trees that stand beside their like on, rows are given in order (judgement)."""


@dataclass(frozen=True)
class BlockWork:
    """One block with trees; lengths in metres, places in the plan's grid, ordered by row.

    ``lines`` (rows,) are the rows as they are walked, a line or a single point each;
    ``by_row`` is (rows, species); ``ends`` (rows, 2, 2) the first and last tree of each row;
    ``name`` (rows,) is what a row is called on paper: parts of a broken row keep its number, 38 and
    38b; ``bearing`` (rows,) degrees from grid north, NaN for a single tree; ``xy`` (trees, 2),
    ``species``, ``row`` (index of the row) and ``year`` (trees,) the block's trees, row by row
    as they are walked; ``spacing_m`` the map distance in the row and
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
    name: list[str]
    by_row: NDArray[np.int64]
    ends: Ends
    bearing: NDArray[np.float64]
    slope_distance_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    xy: NDArray[np.float64]
    species: NDArray[np.uint8]
    row: NDArray[np.int64]
    year: NDArray[np.int64]
    spacing_m: float
    row_spacing_m: float
    even: bool
    drops: list[Drop]

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

    @cached_property
    def in_order(self) -> bool:
        """Whether most trees stand beside their like, so that a row's order can be said."""
        found = [n for row in self.runs for _, n in row]
        return sum(n for n in found if n >= 2) >= IN_RUNS * len(self.species)

    @cached_property
    def drop_of(self) -> NDArray[np.int64]:
        """Which of the drops (rows,) serves each row."""
        found = np.zeros(len(self.name), dtype=np.int64)
        for number, drop in enumerate(self.drops):
            found[drop.rows] = number
        return found

    @property
    def closest_m(self) -> float:
        """The shorter of the distances in the row and between rows."""
        across = self.row_spacing_m
        return min(self.spacing_m, across) if np.isfinite(across) else self.spacing_m

    @cached_property
    def runs(self) -> list[list[tuple[int, int]]]:
        """For each row species and how many of it stand in a row, from its first tree on."""
        starts = np.flatnonzero(np.diff(self.row, prepend=-1) | np.diff(self.species, prepend=0))
        long = np.diff(starts, append=len(self.species))
        found: list[list[tuple[int, int]]] = [[] for _ in self.name]
        for row, kind, trees in zip(
            self.row[starts].tolist(), self.species[starts].tolist(), long.tolist(), strict=True
        ):
            found[row].append((kind, trees))
        return found


def block_works(plan: Plan, call: Call = afresh) -> list[BlockWork]:
    """Give the work of every block that has trees, in the order of the plan.

    What is dear goes through ``call``.
    """
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
        of_row = np.searchsorted(rows["row"].to_numpy(), tree_row[here])
        order = np.argsort(of_row, kind="stable")
        here, of_row = here[order], of_row[order]
        spacing = float(zones["spacing_m"][block.zone])
        lines, trees_of_row = rows.geometry.to_numpy(), rows["trees"].to_numpy(dtype=np.int64)
        chord = ends[mine, 1] - ends[mine, 0]
        bearing = np.where(chord.any(axis=1), bearing_of(*chord.T), np.nan)
        measured = call(
            _measured, lines, ends[mine, 0], trees_of_row, _reached(plan, ends[mine, 0]),
            tree_xy[here], of_row, bearing, spacing,
        )  # fmt: skip
        found.append(
            BlockWork(
                block=str(block.block),
                zone=str(block.zone),
                title=str(zones["title"][block.zone]),
                pattern=str(zones["pattern"][block.zone]),
                paddock=str(block.paddock),
                area_ha=float(block.area_ha),
                shape=block.geometry,
                lines=lines,
                number=rows["row"].to_numpy(dtype=np.int64),
                name=list(rows["name"]),
                by_row=counts[mine],
                ends=ends[mine],
                bearing=bearing,
                slope_distance_m=rows["ground_spacing_m"].to_numpy(dtype=np.float64),
                length_m=rows["length_m"].to_numpy(dtype=np.float64),
                xy=tree_xy[here],
                species=plan.tree_species[here],
                row=of_row,
                year=plan.trees["year"].to_numpy(dtype=np.int64)[here],
                spacing_m=measured.spacing_m,
                row_spacing_m=measured.row_spacing_m,
                even=measured.even,
                drops=measured.drops,
            )
        )
    return found


@dataclass(frozen=True)
class _Measured:
    """What is measured of a block's rows: see :class:`BlockWork`."""

    spacing_m: float
    row_spacing_m: float
    even: bool
    drops: list[Drop]


def _measured(
    lines: NDArray[np.object_],
    starts: NDArray[np.float64],
    trees: NDArray[np.int64],
    reached: NDArray[np.bool_],
    xy: NDArray[np.float64],
    row: NDArray[np.int64],
    bearing: NDArray[np.float64],
    spacing_m: float,
) -> _Measured:
    """Measure a block's rows; ``spacing_m`` is that of its zone, for rows of single trees."""
    steps, row_of_step = _steps(lines)
    in_row = float(np.median(steps)) if len(steps) else spacing_m
    return _Measured(
        in_row,
        _row_spacing(xy, row, bearing, in_row),
        _even(steps, row_of_step),
        drop_points(lines, starts, trees, reached),
    )


def drops_of(plan: Plan, rows: gpd.GeoDataFrame) -> list[Drop]:
    """Give the drop points of a block from its ``rows``, in the order of their numbers."""
    starts = ends_of_rows(rows)[:, 0]
    trees = rows["trees"].to_numpy(dtype=np.int64)
    return drop_points(rows.geometry.to_numpy(), starts, trees, _reached(plan, starts))


def _reached(plan: Plan, places: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a vehicle can come to each place (n, 2): not known to be steep."""
    slope = np.asarray(plan.grid.sample(plan.layers["slope"], *places.T), np.float64)
    return ~(slope > VEHICLE_DEG)


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
    bearing: NDArray[np.float64],
    spacing: float,
) -> float:
    """Usual distance from a tree to the next line of trees, square to its own row.

    ``row`` (trees,) is the place of each tree's row, ``bearing`` (rows,) that of the rows.
    Looks at each tree's nearest neighbours; those of a broken row's other piece lie on the same
    line and do not count.
    """
    near = min(9, len(xy))
    if near < 2:
        return float("nan")
    which = cKDTree(xy).query(xy, k=near)[1][:, 1:]
    turn = np.radians(bearing[row])
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
