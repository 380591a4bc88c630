"""The cold-air layer on a DEM: cells, sills and screens, and its run through a night.

Air chilled at the ground is one layer of a set coldness. It is driven by the slope of its own
surface (reduced gravity), held by drag, and keeps its momentum from step to step; its advection
is left out (the local inertial form used for floods: Bates, Horritt & Fewtrell 2010). What is
conserved is coldness: what was chilled lies in the layer or has flowed over the edge.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from siteplanner.base.grid import FloatGrid
from siteplanner.ground.cold._air import ROWS_A_STEP, Edges, Screens, advance
from siteplanner.ground.cold.edges import edge_faces

#: Share of the largest step at which a wave crosses a cell; 1/sqrt(2) is the limit of the form.
_COURANT = 0.6
_LONGEST_STEP_S = 30.0
#: Steps that a band of rows takes before it hears of its neighbours again.
_STEPS_APART = 16
_WORTH_A_THREAD = 150_000


@dataclass(frozen=True)
class ColdAir:
    """What the chilled layer is like (all from memory, judgement; the readings correct it).

    ``colder_k`` is the layer's mean coldness against the air above, ``loss_w_m2`` the heat that
    open level ground draws from the air, ``full_m`` the depth at which the pool no longer
    cools and from which on deeper air is mixed away in ten minutes, ``drag`` the coefficient of
    quadratic drag (ground and mixing at the top), ``froude`` the most that the speed may be of
    the speed of a wave.
    """

    colder_k: float = 5.0
    loss_w_m2: float = 10.0
    full_m: float = 30.0
    drag: float = 0.05
    froude: float = 1.0

    @property
    def gravity(self) -> float:
        """Reduced gravity, m/s2, in air of 275 K."""
        return 9.81 * self.colder_k / 275

    @property
    def chilling(self) -> float:
        """Depth of layer that open ground makes in a second, m/s (air of 1250 J m-3 K-1)."""
        return self.loss_w_m2 / (1250 * self.colder_k)


@dataclass(frozen=True)
class Level:
    """Ground at one cell size, with a rim of drains one cell wide: all arrays include it.

    ``bed`` is height less ``datum`` (float32, m). A sill is the highest ground on the straight
    line between two cells' centres, so that a bank narrower than a cell still dams. ``drains``
    are cells beyond the known ground, ``edges`` the faces through which air leaves for them.
    """

    cell: float
    datum: float
    bed: NDArray[np.float32]
    sills: tuple[NDArray[np.float32], NDArray[np.float32]]
    cooling: NDArray[np.float32]
    drains: NDArray[np.int64]
    edges: tuple[Edges, Edges]
    screens: tuple[Screens, Screens]


@dataclass
class State:
    """The layer at a moment: depth (m, float64), flows through faces (m2/s), and the balance.

    ``made`` and ``lost`` are sums of depth over cells, per row, m.
    """

    depth: NDArray[np.float64]
    flows: tuple[NDArray[np.float32], NDArray[np.float32]]
    made: NDArray[np.float64]
    lost: NDArray[np.float64]
    seconds: float = field(default=0.0)


def still(level: Level, depth: NDArray[np.float64] | None = None) -> State:
    """Give a layer at rest, dry or with the given depth (rows, columns; rim included)."""
    rows, cols = level.bed.shape
    start = np.zeros((rows, cols)) if depth is None else np.array(depth, dtype=np.float64)
    flows = (np.zeros((rows, cols - 1), np.float32), np.zeros((rows - 1, cols), np.float32))
    return State(start, flows, np.zeros(rows), np.zeros(rows))


def no_screens() -> tuple[Screens, Screens]:
    """Give the screens of open ground: none."""
    none = np.zeros(0, np.float32)
    return (np.zeros(0, np.int64), none, none), (np.zeros(0, np.int64), none, none)


def level_of(
    dem: FloatGrid,
    cell: float,
    factor: int,
    chilling: FloatGrid | float,
    belts: tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]] | None = None,
    beyond: float = 1.0,
) -> Level:
    """Bring a DEM to cells ``factor`` times as wide.

    ``dem`` is (rows, columns), m, NaN where unknown: an edge, beyond which the ground falls
    ``beyond`` times as steeply as within (infinite: it falls away; see ``edges``).
    ``chilling`` (m/s) is one figure or an array of the DEM's shape. ``belts`` are lines in
    units of the DEM's cells (x to the right, y down, from the top-left corner), their heights
    in m and porosities (0-1).
    """
    rows, cols = (-(-n // factor) for n in dem.shape)
    padded = np.full((rows * factor, cols * factor), np.nan, dtype=np.float32)
    padded[: dem.shape[0], : dem.shape[1]] = dem
    bed = _block_mean(padded, factor)
    known = np.isfinite(bed)
    if not known.any():
        raise ValueError("the DEM has no heights")
    datum = float(bed[known].mean())
    high = np.where(np.isfinite(padded), padded, -np.inf)
    sill_x = _sills(high, factor)
    sill_y = _sills(high.T, factor).T
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    bed = np.pad(bed[tuple(nearest)], 1, mode="reflect", reflect_type="odd").astype(np.float32)
    sill_x = np.maximum(
        np.pad(sill_x, 1, constant_values=-np.inf), np.maximum(bed[:, 1:], bed[:, :-1])
    )
    sill_y = np.maximum(np.pad(sill_y, 1, constant_values=-np.inf), np.maximum(bed[1:], bed[:-1]))
    drains = np.pad(~known, 1, constant_values=True)
    made = np.broadcast_to(np.asarray(chilling, dtype=np.float32), dem.shape)
    full = np.full(padded.shape, np.nan, dtype=np.float32)
    full[: dem.shape[0], : dem.shape[1]] = made
    cooling = np.where(drains, 0, np.pad(np.nan_to_num(_block_mean(full, factor)), 1))
    shift = np.float32(datum)
    return Level(
        cell * factor,
        datum,
        bed - shift,
        (
            np.ascontiguousarray(sill_x - shift, np.float32),
            np.ascontiguousarray(sill_y - shift, np.float32),
        ),
        cooling.astype(np.float32),
        np.flatnonzero(drains),
        edge_faces(bed - shift, drains, cell * factor, beyond),
        _screens(belts, factor, bed.shape) if belts is not None else no_screens(),
    )


def _block_mean(values: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Mean of the known cells of each block, NaN where none is known."""
    if factor == 1:
        return values
    rows, cols = values.shape[0] // factor, values.shape[1] // factor
    known = np.isfinite(values)
    # Sums about the mean keep the precision of float32 heights.
    middle = np.float32(values[known].mean(dtype=np.float64)) if known.any() else np.float32(0)
    blocks = (rows, factor, cols, factor)
    total = np.where(known, values - middle, 0).reshape(blocks).sum(axis=(1, 3), dtype=np.float64)
    count = known.reshape(blocks).sum(axis=(1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / count + middle, dtype=np.float32)


def _sills(high: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Highest ground between the centres of blocks that follow each other along a row."""
    low, up = (factor - 1) // 2, factor // 2
    # With an even factor the centre lies between two lanes: the lower one counts, and lanes
    # start and end short of the centres, so that a slope alone makes no sill.
    lanes = np.minimum(high[low::factor], high[up::factor])
    windows = np.lib.stride_tricks.sliding_window_view(lanes, factor + 1 - up + low, axis=1)
    count = high.shape[1] // factor - 1
    return np.asarray(windows[:, up::factor][:, :count].max(axis=2))


def _screens(
    belts: tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64]],
    factor: int,
    shape: tuple[int, int],
) -> tuple[Screens, Screens]:
    """Find the faces that lines cross; where several do, the most closed one counts."""
    lines, height, porosity = belts
    lines = shapely.transform(lines, lambda at: at / factor + 1)
    tree = shapely.STRtree(lines)
    out = []
    for down, right in ((0, 1), (1, 0)):
        rows, cols = shape[0] - down, shape[1] - right
        near = np.zeros(shape, dtype=bool)
        for west, north, east, south in shapely.bounds(lines):
            near[max(int(north) - 1, 0) : int(south) + 2, max(int(west) - 1, 0) : int(east) + 2] = 1
        faces = np.flatnonzero(near[:rows, :cols])
        r, c = faces // cols, faces % cols
        ends = np.stack(
            [np.stack([c + 0.5, r + 0.5], -1), np.stack([c + 0.5 + right, r + 0.5 + down], -1)], 1
        )
        face, line = tree.query(shapely.linestrings(ends), predicate="intersects")
        keep = np.lexsort((height[line] * (1 - porosity[line]), face))
        last = np.flatnonzero(np.diff(face[keep], append=-1))
        face, line = face[keep][last], line[keep][last]
        out.append(
            (
                faces[face].astype(np.int64),
                height[line].astype(np.float32),
                (1 - porosity[line]).astype(np.float32),
            )
        )
    return out[0], out[1]


def flow_on(
    level: Level,
    state: State,
    seconds: float,
    air: ColdAir,
    look: Callable[[State], None] | None = None,
    every: float = 600.0,
) -> None:
    """Let the layer flow and cool for a time, in place; ``look`` is called ``every`` seconds."""
    end = state.seconds + seconds
    next_look = (state.seconds // every + 1) * every
    bands = _bands(level)
    with ThreadPoolExecutor(len(bands)) as pool:
        # A single band needs no other thread to wait for.
        over_bands = pool.map if len(bands) > 1 else map
        while end - state.seconds > 1e-6:
            deepest = max(float(state.depth.max()), 0.5)
            dt = min(_COURANT * level.cell / np.sqrt(air.gravity * deepest), _LONGEST_STEP_S)
            left = min(end, next_look) - state.seconds
            steps = min(_STEPS_APART, int(np.ceil(left / dt)))
            dt = min(dt, left / steps)
            step = partial(_steps, level=level, state=state, air=air, steps=steps, dt=dt)
            for put in list(over_bands(step, bands)):
                put()
            state.seconds += steps * dt
            if look is not None and state.seconds >= next_look - 1e-6:
                look(state)
            if state.seconds >= next_look - 1e-6:
                next_look += every


@dataclass(frozen=True)
class _Band:
    """Rows ``first`` to ``last`` that one thread owns, and the wider ones that it works on."""

    first: int
    last: int
    above: int
    below: int
    drains: NDArray[np.int64]
    edges: tuple[Edges, Edges]
    screens: tuple[Screens, Screens]


def _bands(level: Level) -> list[_Band]:
    rows, cols = level.bed.shape
    count = max(1, min(os.cpu_count() or 1, rows * cols // _WORTH_A_THREAD))
    reach = ROWS_A_STEP * _STEPS_APART + 1
    out = []
    for n in range(count):
        first, last = rows * n // count, rows * (n + 1) // count
        above, below = max(0, first - reach), min(rows, last + reach)
        mine = (level.drains >= above * cols) & (level.drains < below * cols)
        across = above * (cols - 1), below * (cols - 1)
        down = above * cols, (below - 1) * cols
        out.append(
            _Band(
                first,
                last,
                above,
                below,
                level.drains[mine] - above * cols,
                (_cut(level.edges[0], *across), _cut(level.edges[1], *down)),
                (_cut(level.screens[0], *across), _cut(level.screens[1], *down)),
            )
        )
    return out


def _cut(faces: Any, start: int, stop: int) -> Any:
    """Take the faces from one flat index to another, counted from there, and what they carry."""
    mine = (faces[0] >= start) & (faces[0] < stop)
    return faces[0][mine] - start, *(carried[mine] for carried in faces[1:])


def _steps(
    band: _Band, level: Level, state: State, air: ColdAir, steps: int, dt: float
) -> Callable[[], None]:
    """Take steps on copies of a band's rows; the call returned puts them in place.

    What lies beyond the band's wider rows is not heard of, which spoils only rows that another
    band owns: the result is the same however many bands there are.
    """
    wide, mine = slice(band.above, band.below), slice(band.first, band.last)
    rim = slice(band.first, min(band.last, level.bed.shape[0] - 1))
    alone = band.below - band.above == level.bed.shape[0]
    depth = state.depth if alone else state.depth[wide].copy()
    across = slice(band.above, band.below - 1)
    flows = state.flows if alone else (state.flows[0][wide].copy(), state.flows[1][across].copy())
    made, lost = np.zeros(len(depth)), np.zeros(len(depth))
    advance(
        level.bed[wide],
        (level.sills[0][wide], level.sills[1][across]),
        depth,
        flows,
        level.cooling[wide],
        band.screens,
        band.edges,
        band.drains,
        made,
        lost,
        steps=steps,
        dt=dt,
        cell=level.cell,
        gravity=air.gravity,
        drag=air.drag,
        froude=air.froude,
        full=air.full_m,
    )
    inner = slice(band.first - band.above, band.last - band.above)

    def put() -> None:
        state.made[mine] += made[inner]
        state.lost[mine] += lost[inner]
        if not alone:
            state.depth[mine] = depth[inner]
            state.flows[0][mine] = flows[0][inner]
            state.flows[1][rim] = flows[1][inner][: rim.stop - rim.start]

    return put


def finer(state: State, coarse: Level, fine: Level) -> State:
    """Carry a layer over to a finer level, at rest; coldness is kept to the last digit or so.

    Depth is copied to the finer cells; what falls on cells that are drains there counts as
    lost. ``made`` and ``lost`` are gathered in the first row, in the finer level's cells.
    """
    factor = round(coarse.cell / fine.cell)
    depth = np.repeat(np.repeat(state.depth[1:-1, 1:-1], factor, 0), factor, 1)
    rows, cols = fine.bed.shape
    beyond = depth.sum() - depth[: rows - 2, : cols - 2].sum()
    new = still(fine, np.pad(depth[: rows - 2, : cols - 2], 1))
    flat = new.depth.reshape(-1)
    new.lost[0] = state.lost.sum() * factor**2 + flat[fine.drains].sum() + beyond
    flat[fine.drains] = 0
    new.made[0] = state.made.sum() * factor**2
    new.seconds = state.seconds
    return new


def imbalance(state: State) -> float:
    """Stored + flowed out - chilled, as a share of what was chilled (0 when nothing was).

    What was mixed away is taken off what was chilled.
    """
    made = float(state.made.sum())
    return float((state.depth.sum() + state.lost.sum() - made) / made) if made else 0.0
