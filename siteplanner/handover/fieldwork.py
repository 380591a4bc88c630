"""What a crew needs to know to find its rows and fill its buckets. Pure; writes nothing.

Rows are numbered as ``siteplanner.planting`` made them: trees along the bearing, rows from the
one that lies furthest to the left of it. What is said here about starts follows from that.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from unicodedata import normalize

import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.grid import Grid
from siteplanner.plan import Plan

BUCKET = 40
"""Plants in a bucket or planting bag (common practice, no source)."""
TRAY = 40
"""Tubes in a tray (common practice, no source; nurseries differ)."""
TREES_A_DROP = 400
"""About how many trees are carried from one drop point (common practice, no source)."""
PACE_M = 0.75
"""Length of a step of an adult on level ground (from memory; people differ)."""

_WINDS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)


# --- rows ----------------------------------------------------------------------------------


def trees_by_row(plan: Plan) -> NDArray[np.int64]:
    """Count the trees (rows, species) of every row of ``plan.rows``, in its order.

    Raises ``ValueError`` when a tree stands in a row that the plan does not list.
    """
    rows, species = len(plan.rows), len(plan.species)
    at = pd.MultiIndex.from_frame(plan.rows[["block", "row"]]).get_indexer(
        pd.MultiIndex.from_frame(plan.trees[["block", "row"]])
    )
    if (at < 0).any():
        raise ValueError(f"{(at < 0).sum()} trees stand in no row of the plan")
    found = np.bincount(at * species + plan.tree_species, minlength=rows * species)
    return found.reshape(rows, species)


def wind(bearing_deg: float) -> str:
    """Name the nearest of eight winds to a bearing."""
    return _WINDS[round(bearing_deg / 45) % 8]


@dataclass(frozen=True)
class Start:
    """Where a block's numbering starts, in winds: told to somebody with a compass."""

    side: str
    """Side of the block, seen from its middle, where the first tree of row 1 stands."""
    end: str
    """End of every row at which its trees are counted from."""
    rises: str
    """Wind towards which the row numbers rise."""


def start_of(shape: shapely.Polygon, first: NDArray[np.float64], bearing_deg: float) -> Start:
    """Describe where a block's rows along a bearing start; ``first`` (2,) is their first tree."""
    west, south, east, north = shape.bounds
    away = first - np.array([west + east, south + north]) / 2
    side = float(np.degrees(np.arctan2(away[0], away[1])))
    return Start(wind(side), wind(bearing_deg + 180), wind(bearing_deg + 90))


def to_true_north(grid: Grid) -> float:
    """Degrees to add to a bearing from grid north for one from true north (mid-site).

    Found by walking 0.01 degrees of latitude along the meridian and looking at the grid.
    """
    lon, lat = grid.centre_lonlat
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    (x0, x1), (y0, y1) = to_grid.transform([lon, lon], [lat - 0.005, lat + 0.005])
    return -float(np.degrees(np.arctan2(x1 - x0, y1 - y0)))


def paces(metres: float) -> float:
    """Steps of ``PACE_M`` in a distance, to the half step."""
    return round(2 * metres / PACE_M) / 2


# --- plants --------------------------------------------------------------------------------


def codes(names: Sequence[str]) -> list[str]:
    """Give each botanical name a short code: ``Busp`` for Bursaria spinosa.

    Two letters of the genus and two of the species (common practice, no source); a number
    tells apart names that come out alike.
    """
    taken: dict[str, int] = {}
    chosen = []
    for name in names:
        plain = normalize("NFKD", name).encode("ascii", "ignore").decode()
        words = re.findall(r"[A-Za-z]+", plain) or ["Sp"]
        code = (words[0][:2] + (words[1][:2] if len(words) > 1 else "")).capitalize()
        turn = taken[code] = taken.get(code, 0) + 1
        chosen.append(code if turn == 1 else f"{code}{turn}")
    return chosen


def bucket(trees: NDArray[np.int64], size: int = BUCKET) -> NDArray[np.int64]:
    """Plants (species,) of a full bucket in the proportions of ``trees`` (species,).

    By largest remainders, so that they add up to ``size``; all zero where there are no trees.
    A species too rare for a place comes out as 0 and is handed out by itself.
    """
    total = int(trees.sum())
    if total == 0:
        return np.zeros_like(trees)
    exact = trees * size
    whole, rest = exact // total, exact % total
    short = size - int(whole.sum())
    whole[np.argsort(-rest, kind="stable")[:short]] += 1
    return whole


def drops(trees: NDArray[np.int64], each: int = TREES_A_DROP) -> list[slice]:
    """Part the rows of a block, with so many ``trees`` (rows,), among drop points.

    Each drop point serves rows that follow each other, about ``each`` trees and never none.
    """
    if not len(trees):
        return []
    middle = np.cumsum(trees) - trees / 2
    number = max(1, round(float(trees.sum()) / each))
    of_row = np.minimum((middle * number / max(trees.sum(), 1)).astype(int), number - 1)
    cuts = np.flatnonzero(np.diff(of_row)) + 1
    return [slice(int(a), int(b)) for a, b in zip([0, *cuts], [*cuts, len(trees)], strict=True)]


def letters(count: int) -> list[str]:
    """Name so many drop points: A to Z, then AA, AB and so on."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return [*alphabet, *(a + b for a in alphabet for b in alphabet)][:count]


def trays(plants: int) -> int:
    """Trays that hold so many plants."""
    return -(-plants // TRAY)


# --- a block's work ------------------------------------------------------------------------


@dataclass(frozen=True)
class Work:
    """All that a sheet says of one block with trees; lengths in metres, places in the grid.

    ``by_row`` is (rows, species); ``starts`` and ``ends`` are (rows, 2), the first and last
    tree of each row; ``xy`` (trees, 2) and ``species`` (trees,) are the block's trees;
    ``gap_m`` is the map distance between rows, NaN where there is but one line of them.
    """

    block: str
    zone: str
    title: str
    paddock: str
    area_ha: float
    spacing_m: float
    bearing_deg: float
    shape: shapely.Polygon
    number: NDArray[np.int64]
    tape_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    by_row: NDArray[np.int64]
    starts: NDArray[np.float64]
    ends: NDArray[np.float64]
    xy: NDArray[np.float64]
    species: NDArray[np.uint8]
    gap_m: float
    drops: list[slice]

    @property
    def trees(self) -> NDArray[np.int64]:
        """Trees (species,) of the block."""
        return self.by_row.sum(axis=0)

    def drop_row(self, drop: slice) -> int:
        """Index of the row at whose start a drop point lies: the longest that it serves."""
        return drop.start + int(self.by_row[drop].sum(axis=1).argmax())


def works(plan: Plan) -> list[Work]:
    """Give the work of every block that has trees, in the order of the plan."""
    counts = trees_by_row(plan)
    xy, of_row = shapely.get_coordinates(plan.rows.geometry.to_numpy(), return_index=True)
    first = np.searchsorted(of_row, np.arange(len(plan.rows)))
    last = np.searchsorted(of_row, np.arange(len(plan.rows)), side="right") - 1
    tree_xy = shapely.get_coordinates(plan.trees.geometry.to_numpy())
    zones = plan.zones.set_index("zone")
    row_block, tree_block = plan.rows["block"].to_numpy(), plan.trees["block"].to_numpy()
    found = []
    for block in plan.blocks[plan.blocks["trees"] > 0].itertuples():
        mine = np.flatnonzero(row_block == block.block)
        mine = mine[np.argsort(plan.rows["row"].to_numpy()[mine], kind="stable")]
        here = tree_block == block.block
        found.append(
            Work(
                block=str(block.block),
                zone=str(block.zone),
                title=str(zones["title"][block.zone]),
                paddock=str(block.paddock),
                area_ha=float(block.area_ha),
                spacing_m=float(zones["spacing_m"][block.zone]),
                bearing_deg=float(block.bearing_deg),
                shape=block.geometry,
                number=plan.rows["row"].to_numpy(dtype=np.int64)[mine],
                tape_m=plan.rows["ground_spacing_m"].to_numpy(dtype=np.float64)[mine],
                length_m=plan.rows["length_m"].to_numpy(dtype=np.float64)[mine],
                by_row=counts[mine],
                starts=xy[first[mine]],
                ends=xy[last[mine]],
                xy=tree_xy[here],
                species=plan.tree_species[here],
                gap_m=_gap(xy[first[mine]], float(block.bearing_deg)),
                drops=drops(counts[mine].sum(axis=1)),
            )
        )
    return found


def _gap(starts: NDArray[np.float64], bearing_deg: float) -> float:
    """Map distance between neighbouring lines of rows; NaN where there is only one."""
    turn = np.radians(bearing_deg)
    across = np.sort(starts @ np.array([np.cos(turn), -np.sin(turn)]))
    steps = np.diff(across)
    steps = steps[steps > 0.05]
    return float(steps.min()) if len(steps) else float("nan")
