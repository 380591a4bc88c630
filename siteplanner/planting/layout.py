"""The layout: planting places of every block, and which species stands where."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.grid import FloatGrid, Grid
from siteplanner.planting.patterns import Pattern
from siteplanner.planting.setbacks import clear_of


@dataclass(frozen=True)
class Places:
    """Planting places: map coordinates, index of the block, number of the row in the block."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    block: NDArray[np.int64]
    row: NDArray[np.int64]

    def only(self, keep: NDArray[np.bool_]) -> Places:
        """Give the places to keep."""
        return Places(self.x[keep], self.y[keep], self.block[keep], self.row[keep])


def set_out(
    blocks: gpd.GeoDataFrame,
    patterns: dict[str, Pattern],
    no_plant: gpd.GeoDataFrame,
) -> Places:
    """Set out the grid of every block (``pattern, spacing_m, bearing_deg, geometry``).

    Setbacks are honoured by exact distance to every feature. Where two blocks touch, a place
    nearer to one of an earlier block than the closer of their spacings is left out.
    ``row`` is the pattern's own; see :func:`number_rows`.
    """
    xs, ys, of_block, rows = [], [], [], []
    for index, block in enumerate(blocks.itertuples()):
        x, y, row = patterns[block.pattern](block.geometry, block.spacing_m, block.bearing_deg)
        keep = clear_of(x, y, no_plant)
        xs.append(x[keep])
        ys.append(y[keep])
        rows.append(row[keep])
        of_block.append(np.full(int(keep.sum()), index))
    if not xs:
        none = np.empty(0)
        return Places(none, none, none.astype(np.int64), none.astype(np.int64))
    places = Places(*(np.concatenate(part) for part in (xs, ys, of_block, rows)))
    return places.only(~_too_close(places, blocks["spacing_m"].to_numpy(dtype=np.float64)))


def number_rows(places: Places, blocks: gpd.GeoDataFrame) -> Places:
    """Number the rows of each block 1, 2 … as a crew walks them.

    A row that is broken by a gap of over one and a half spacings (a setback, a bay in the
    edge) goes on as a row of its own, so that nobody is sent across the gap.
    """
    turn = np.radians(blocks["bearing_deg"].to_numpy(dtype=np.float64)[places.block])
    along = places.x * np.sin(turn) + places.y * np.cos(turn)
    order = np.lexsort((along, places.row, places.block))
    block, row = places.block[order], places.row[order]
    spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[block]
    new_block = np.r_[True, block[1:] != block[:-1]]
    broken = np.r_[True, (row[1:] != row[:-1]) | (np.diff(along[order]) > 1.5 * spacing[1:])]
    run = np.cumsum(new_block | broken)
    first = np.maximum.accumulate(np.where(new_block, run, 0))
    numbered = np.empty_like(places.row)
    numbered[order] = run - first + 1
    return Places(places.x, places.y, places.block, numbered)


def _too_close(places: Places, spacing: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Places that stand too close to a kept place of an earlier block."""
    tree = cKDTree(np.column_stack([places.x, places.y]))
    pairs = tree.query_pairs(float(spacing.max()), output_type="ndarray")
    pairs = pairs[places.block[pairs[:, 0]] != places.block[pairs[:, 1]]]
    pairs = np.sort(pairs, axis=1)
    first, second = pairs[:, 0], pairs[:, 1]
    apart = np.hypot(places.x[first] - places.x[second], places.y[first] - places.y[second])
    limit = np.minimum(spacing[places.block[first]], spacing[places.block[second]])
    pairs = pairs[apart < limit]
    dropped = np.zeros(len(places.x), dtype=bool)
    for earlier, later in pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]:
        if not dropped[earlier]:
            dropped[later] = True
    return dropped


def row_bearing(dem: FloatGrid, grid: Grid, cells: NDArray[np.bool_]) -> float:
    """Bearing (0-180°, clockwise from grid north) of rows across the block's mean slope.

    Rows that run along the contour hold water and soil; on level ground they run north-south.
    """
    rows, cols = np.nonzero(cells & np.isfinite(dem))
    if len(rows) < 3:
        return 0.0
    east = (cols - cols.mean()) * grid.cell
    north = -(rows - rows.mean()) * grid.cell
    plane, *_ = np.linalg.lstsq(
        np.column_stack([east, north]),
        dem[rows, cols].astype(np.float64) - float(dem[rows, cols].astype(np.float64).mean()),
        rcond=None,
    )
    if np.hypot(*plane) < 0.01:
        return 0.0
    downhill = np.degrees(np.arctan2(-plane[0], -plane[1]))
    return float(np.round((downhill + 90) % 180, 1)) % 180


def place_species(
    scores: NDArray[np.float64], trees: NDArray[np.int64], seed: int
) -> NDArray[np.int64]:
    """Give places a species so that the numbers come out exactly; -1 where one stays empty.

    ``scores`` (places, species) is the fit, ``trees`` (species,) the numbers, at most as many
    as places. Each species is given a price that rises until no more places want it than there
    are trees; a seeded spread of a few points mixes species where several fit alike. What is
    then still open goes place by place to the best species left.
    """
    places, species = scores.shape
    empty = places - int(trees.sum())
    if empty < 0:
        raise ValueError(f"{trees.sum()} trees for {places} places")
    random = np.random.Generator(np.random.PCG64(seed))
    wish = np.column_stack([scores, np.zeros(places)])
    wish += random.uniform(-12, 12, size=wish.shape)
    number = np.append(trees, empty)
    wish[:, number == 0] = -np.inf
    price = np.zeros(species + 1)
    step = 40.0
    for _ in range(120):
        choice = (wish - price).argmax(axis=1)
        excess = (np.bincount(choice, minlength=species + 1) - number) / max(places, 1)
        if not excess.any():
            break
        price += step * excess
        step *= 0.97
    choice = (wish - price).argmax(axis=1)
    settled = _settle(wish - price, choice, number)
    return np.where(settled == species, -1, settled)


def _settle(
    value: NDArray[np.float64], choice: NDArray[np.int64], number: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Keep each species' keenest places up to its number; move the rest to what is left."""
    left = number.copy()
    out = np.full(len(choice), -1)
    gain = value[np.arange(len(choice)), choice]
    for kind in range(len(left)):
        wanted = np.flatnonzero(choice == kind)
        keen = wanted[np.argsort(-gain[wanted], kind="stable")][: left[kind]]
        out[keen] = kind
        left[kind] -= len(keen)
    for place in np.flatnonzero(out < 0):
        open_ = np.flatnonzero(left > 0)
        kind = open_[value[place, open_].argmax()]
        out[place] = kind
        left[kind] -= 1
    return out
