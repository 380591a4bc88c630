"""The layout: planting places of every block, and the rows that a crew walks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.bearings import bearing_of
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.results.memory import Call, afresh
from siteplanner.planting.rows._apart import apart
from siteplanner.planting.rows.patterns import (
    Pattern,
    PatternPlaces,
    Relief,
    lay,
    pattern_infos,
)
from siteplanner.planting.rows.slope_distance import stretch_along
from siteplanner.planting.zones.setbacks import clear_of


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
    *,
    relief: Relief | None = None,
    along_ground: bool = False,
    lane_every: int = 0,
    call: Call = afresh,
) -> Places:
    """Set out the grid of every block (``pattern, spacing_m, bearing_deg, geometry``).

    Blocks may also have ``row_spacing_m`` (NaN: the pattern's own), ``fall_deg`` and ``slope_deg``.
    Setbacks are honoured by exact distance to every feature. Where two blocks touch, a place
    nearer to one of an earlier block than the closer of their spacings is left out.
    ``along_ground`` measures spacing along the slope; with ``lane_every`` n every n-th row is
    left out for machines. ``row`` is the pattern's own; see :func:`number_rows`.
    """

    def placed(block: Any) -> PatternPlaces:
        row_spacing = float(getattr(block, "row_spacing_m", np.nan))
        x, y, row = call(
            _clear_places,
            no_plant,
            patterns[block.pattern],
            block.geometry,
            block.spacing_m,
            block.bearing_deg,
            relief=relief,
            row_spacing_m=row_spacing if row_spacing > 0 else None,
            fall_deg=getattr(block, "fall_deg", 0.0),
            slope_deg=getattr(block, "slope_deg", 0.0),
            along_ground=along_ground,
        )
        keep = row % lane_every != lane_every - 1 if lane_every else np.full(len(x), True)
        return x[keep], y[keep], row[keep]

    of_blocks = [placed(block) for block in blocks.itertuples()]
    if not of_blocks:
        none = np.empty(0)
        return Places(none, none, none.astype(np.int64), none.astype(np.int64))
    x, y, row = (np.concatenate(part) for part in zip(*of_blocks, strict=True))
    block = np.repeat(np.arange(len(of_blocks)), [len(one[0]) for one in of_blocks])
    places = Places(x, y, block, row)
    spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[places.block]
    return places.only(apart(places.x, places.y, spacing, places.block))


def _clear_places(
    no_plant: gpd.GeoDataFrame, pattern: Pattern, *block: Any, **asked: Any
) -> PatternPlaces:
    """Places of a block, as ``lay`` sets them out, that keep every setback."""
    x, y, row = lay(pattern, *block, **asked)
    keep = clear_of(x, y, no_plant)
    return x[keep], y[keep], row[keep]


def number_rows(places: Places, blocks: gpd.GeoDataFrame) -> Places:
    """Number the rows of each block 1, 2 … as a crew walks them.

    A row's places follow each other as the pattern gave them. A row that is broken by a lane (a
    setback, a bay in the edge) goes on as a row of its own, so that nobody is sent across the
    gap: a step longer than the pattern's ``stride``, in spacings or, where trees are closer in a
    row, in its own usual steps.
    """
    if not len(places.x):
        return places
    order = np.lexsort((places.row, places.block))
    x, y, block, row = (part[order] for part in (places.x, places.y, places.block, places.row))
    infos = pattern_infos()
    facts = [infos[pattern] for pattern in blocks["pattern"]]
    stride = np.array([one.stride for one in facts])[block]
    spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[block]
    new_block = np.r_[True, block[1:] != block[:-1]]
    new_row = np.r_[True, (block[1:] != block[:-1]) | (row[1:] != row[:-1])]
    step = np.where(new_row, np.nan, np.hypot(np.diff(x, prepend=0.0), np.diff(y, prepend=0.0)))
    of_row = np.cumsum(new_row) - 1
    usual = pd.Series(step).groupby(of_row).quantile(0.5, interpolation="lower").to_numpy()[of_row]
    in_rows = np.array([one.in_rows for one in facts])[block]
    broken = new_row | (step > stride * np.where(in_rows & (usual < spacing), usual, spacing))
    run = np.cumsum(new_block | broken)
    first = np.maximum.accumulate(np.where(new_block, run, 0))
    numbered = np.empty_like(places.row)
    numbered[order] = run - first + 1
    return Places(places.x, places.y, places.block, numbered)


def draw_rows(
    trees: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    dem: FloatGrid,
    grid: Grid,
) -> gpd.GeoDataFrame:
    """Draw the planting rows, with what the tape reads along each.

    ``ground_spacing_m`` is the mean slope distance from tree to tree of the row; where a row has
    a single tree, the spacing asked for.

    ``trees`` has ``zone, block, row``, the trees of a row in the order in which it is walked.
    Returns ``block, zone, row, name, trees, length_m, ground_spacing_m, geometry``: a LineString,
    or a Point where a row has a single tree. ``name`` is what people call a row, see
    :func:`row_names`.
    """
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    place = {block: n for n, block in enumerate(blocks["block"])}
    of_block = trees["block"].map(place).to_numpy(dtype=np.int64)
    keys = np.lexsort((trees["row"].to_numpy(), of_block))
    x, y, block, row = x[keys], y[keys], of_block[keys], trees["row"].to_numpy()[keys]
    start = np.r_[True, (block[1:] != block[:-1]) | (row[1:] != row[:-1])][: len(keys)]
    of_row = np.cumsum(start) - 1
    first = np.flatnonzero(start)
    number = np.bincount(of_row, minlength=len(first))
    single = number == 1
    shapes = np.empty(len(first), dtype=object)
    shapes[single] = shapely.points(x[first[single]], y[first[single]])
    long = ~single[of_row]
    shapes[~single] = shapely.linestrings(
        np.column_stack([x, y])[long], indices=(np.cumsum(~single) - 1)[of_row[long]]
    )
    length = shapely.length(shapes)
    spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[block[first]]
    tape = length * stretch_along(shapes, dem, grid) / np.maximum(number - 1, 1)
    return gpd.GeoDataFrame(
        {
            "block": blocks["block"].to_numpy()[block[first]],
            "zone": trees["zone"].to_numpy()[keys][first],
            "row": row[first].astype(np.int64),
            "name": row_names(
                block[first], np.column_stack([x, y])[first],
                np.column_stack([x, y])[np.r_[first[1:], len(x)][: len(first)] - 1], spacing,
            ),
            "trees": number.astype(np.int64),
            "length_m": length,
            "ground_spacing_m": np.where(single, spacing, tape),
        },
        geometry=shapes,
        crs=trees.crs,
    )  # fmt: skip


def row_names(
    block: NDArray[np.int64],
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    spacing_m: NDArray[np.float64],
) -> list[str]:
    """Name rows as they lie on the ground: what follows on behind a gap keeps its number.

    ``start`` and ``end`` (rows, 2) are each row's first and last tree; rows are in the order of
    their numbers, block by block. A row that begins ahead of where the row before it ended, on its
    line to within 0.4 ``spacing_m`` (rows,), is a part of it: 38, 38b, 38c.
    """
    way = _ways(block, start, end)
    names: list[str] = []
    number, part = 0, 0
    for at in range(len(block)):
        new = at == 0 or block[at] != block[at - 1]
        if not new:
            step = start[at] - end[at - 1]
            ahead = float(step @ way[at])
            aside = float(step[0] * way[at, 1] - step[1] * way[at, 0])
            behind = ahead > 0 and abs(aside) < 0.4 * spacing_m[at]
        number, part = (1, 0) if new else (number, part + 1) if behind else (number + 1, 0)
        names.append(f"{number}{_PARTS[part] if part < len(_PARTS) else f'.{part + 1}'}")
    return names


_PARTS = ("", *"bcdefghijklmnopqrstuvwxyz")


def _ways(
    block: NDArray[np.int64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Unit step along each row (rows, 2); of a single tree that of the rows of its block."""
    step = end - start
    _, of_block = np.unique(block, return_inverse=True)
    mean = np.column_stack([np.bincount(of_block, part) for part in step.T])[of_block]
    # Contour rows bend: a row's own way counts, where it is long enough to have one.
    way = np.where((np.hypot(*step.T) > 0)[:, None], step, mean)
    long = np.hypot(*way.T)
    return way / np.where(long > 0, long, 1.0)[:, None]


def with_their_own_bearings(blocks: gpd.GeoDataFrame, rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give blocks set out in strips the bearing that their rows run along, not what was asked.

    The pattern turns its rows along the block. The mean of ``rows`` (see :func:`draw_rows`) as
    lines without a direction, each weighing its length; other blocks keep their ``bearing_deg``.
    """
    lines = rows[rows["block"].isin(blocks["block"][blocks["pattern"] == "strip"])]
    lines = lines[lines["trees"] > 1]
    ends = [shapely.get_coordinates(shapely.get_point(lines.geometry, n)) for n in (0, -1)]
    away = (ends[1] - ends[0]) @ np.array([1j, 1])  # north is the real axis, east the other
    # Twice the angle: there and back are the same.
    doubled = pd.Series(away**2 / np.abs(away), dtype=complex).groupby(lines["block"].array).sum()
    found = pd.Series(np.degrees(np.angle(doubled)) / 2 % 180, doubled.index).round(1) % 180
    own = blocks["block"].map(found)
    return blocks.assign(bearing_deg=own.fillna(blocks["bearing_deg"]).astype(float))


def mean_fall(dem: FloatGrid, grid: Grid, cells: NDArray[np.int64]) -> tuple[float, float]:
    """Direction (clockwise from grid north) and steepness, degrees, of a block's mean slope.

    ``cells`` are the block's, flat indices row by row.
    """
    rows, cols = np.divmod(cells[np.isfinite(dem.ravel()[cells])], grid.shape[1])
    if len(rows) < 3:
        return 0.0, 0.0
    east = (cols - cols.mean()) * grid.cell
    north = -(rows - rows.mean()) * grid.cell
    heights = dem[rows, cols].astype(np.float64)
    plane, *_ = np.linalg.lstsq(
        np.column_stack([east, north]), heights - heights.mean(), rcond=None
    )
    fall = float(bearing_of(-plane[0], -plane[1]))
    return fall, float(np.degrees(np.arctan(np.hypot(*plane))))


def row_bearing(fall_deg: float, slope_deg: float) -> float:
    """Bearing (0-180°, clockwise from grid north) of rows across the block's mean slope.

    Rows that run along the contour hold water and soil; on level ground they run north-south.
    """
    if slope_deg < 0.57:
        return 0.0
    return float(np.round((fall_deg + 90) % 180, 1)) % 180


def bearing_off_fall_line(asked_deg: float, fall_deg: float, *, washes: bool) -> float:
    """Bearing that was asked for, turned where rows would run down ground that may wash.

    There rows stay 45° off the fall line at least (common practice, no source): the nearest such
    bearing is given.
    """
    off = (asked_deg - fall_deg + 90) % 180 - 90
    if not washes or abs(off) >= 45:
        return asked_deg % 180
    return float(np.round((fall_deg + (45 if off >= 0 else -45)) % 180, 1)) % 180
