"""What a crew needs to know to find its rows and fill its buckets. Pure; writes nothing.

Rows are numbered, and bearing, as ``siteplanner.planting`` made them. What is said here of
where they start and how they run is read from the rows themselves, whatever their pattern.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.bearings import bearing_of, wind
from siteplanner.plan import Plan

BUCKET = 40
"""Plants in a bucket or planting bag (common practice, no source)."""
TRAY = 40
"""Tubes in a tray (common practice, no source; nurseries differ)."""
PACE_M = 0.75
"""Length of a step of an adult on level ground (from memory; people differ)."""

#: First and last tree of every row of a block, in the order of their numbers: (rows, 2, 2).
Ends = NDArray[np.float64]


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
        raise ValueError(f"{(at < 0).sum()} trees are in no row of the plan")
    found = np.bincount(at * species + plan.tree_species, minlength=rows * species)
    return found.reshape(rows, species)


def ends_of_rows(rows: gpd.GeoDataFrame) -> Ends:
    """First and last tree of every row of ``rows``; the same twice where it has one tree."""
    xy, of_row = shapely.get_coordinates(rows.geometry.to_numpy(), return_index=True)
    number = np.arange(len(rows))
    last = np.searchsorted(of_row, number, side="right") - 1
    return np.stack([xy[np.searchsorted(of_row, number)], xy[last]], axis=1)


@dataclass(frozen=True)
class Start:
    """Where a block's numbering starts, in winds: told to somebody with a compass."""

    side: str
    """Side of the block, seen from its middle, where the first tree of row 1 stands."""
    end: str
    """End of every row at which its trees are counted from."""
    rises: str
    """Wind towards which the row numbers rise."""


def start_of(shape: shapely.Polygon, ends: Ends) -> Start:
    """Describe where a block's rows start, from where they truly run."""
    west, south, east, north = shape.bounds
    middle = np.array([west + east, south + north]) / 2
    bearing = mean_bearing(ends)
    turn = np.radians(bearing)
    right = np.array([np.cos(turn), -np.sin(turn)])
    rise = (ends[-1].mean(axis=0) - ends[0].mean(axis=0)) @ right
    return Start(
        wind(float(bearing_of(*(ends[0, 0] - middle)))),
        wind(bearing + 180),
        wind(bearing + (90 if rise >= 0 else 270)),
    )


def mean_bearing(ends: Ends) -> float:
    """Bearing on which most of a block's rows are bearing, the long rows counting most."""
    step = (ends[:, 1] - ends[:, 0]).sum(axis=0)
    return float(bearing_of(*step)) if step.any() else 0.0


def paces(metres: float) -> float:
    """Steps of ``PACE_M`` in a distance, to the half step."""
    return round(2 * metres / PACE_M) / 2


# --- plants --------------------------------------------------------------------------------


def bucket(trees: NDArray[np.int64], size: int = BUCKET) -> NDArray[np.int64]:
    """Plants (species,) of a full bucket in the proportions of ``trees`` (species,).

    By largest remainders, so that they add up to ``size``; all zero where there are no trees.
    A species too rare for a place comes out as 0 and is handed out by itself.

    >>> bucket(np.array([700, 200, 100, 1]), size=50).tolist()
    [35, 10, 5, 0]
    """
    total = int(trees.sum())
    if total == 0:
        return np.zeros_like(trees)
    exact = trees * size
    whole, rest = exact // total, exact % total
    short = size - int(whole.sum())
    whole[np.argsort(-rest, kind="stable")[:short]] += 1
    return whole


def letters(count: int) -> list[str]:
    """Name so many drop points: A to Z, then AA, AB and so on.

    >>> letters(28)[-3:]
    ['Z', 'AA', 'AB']
    """
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    doubled = (a + b for a in alphabet for b in alphabet)
    return list(itertools.islice(itertools.chain(alphabet, doubled), count))


def trays(plants: int) -> int:
    """Trays that hold so many plants."""
    return -(-plants // TRAY)
