"""The ground of the invented property: heights carved by a small landscape-evolution model.

A few control points fix where the ridge, the knoll and the creek lie. Running water then cuts
gullies (stream power, implicit along the flow tree) while soil creep rounds the slopes; rock of
unequal strength leaves benches and steep faces. What people and the creek did last is put on
top: alluvial flats, the channel, the old tramway bank and the farm dam.

The carving kernels use only ``+ - * /`` and square roots, and what enters them is rounded, so
that the carved ground does not depend on a processor's way of computing exponentials.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import PchipInterpolator, RBFInterpolator, make_interp_spline

FloatArray = NDArray[np.float64]

HALF_M = 1080.0  # the DEM reaches this far from the centre
CELL_M = 2.0
CARVED_HALF_M = 1280.0  # carved wider, so that the edges of the model stay out of sight
CARVED_CELL_M = 10.0

# Control points, metres east and north of the centre, and height above sea level.
RIDGE = (
    (-1280, 480, 352),
    (-850, 430, 372),
    (-480, 330, 389),
    (-120, 290, 396),
    (210, 245, 436),
    (480, 310, 404),
    (820, 420, 416),
    (1280, 380, 428),
)
CREEK = (
    (1280, -150, 306),
    (1010, -215, 293),
    (760, -200, 283),
    (540, -290, 273.5),
    (360, -330, 268.0),
    (150, -345, 266.4),
    (-60, -415, 265.2),
    (-270, -400, 264.1),
    (-470, -455, 262.9),
    (-700, -430, 259.5),
    (-930, -520, 255.5),
    (-1280, -560, 249),
)
FRINGE = (
    (-1280, 1280, 300),
    (-640, 1280, 306),
    (0, 1280, 312),
    (640, 1280, 322),
    (1280, 1280, 336),
    (-1280, -1280, 352),
    (-640, -1280, 372),
    (0, -1280, 388),
    (640, -1280, 392),
    (1280, -1280, 398),
    (-700, -880, 338),
    (0, -800, 334),
    (700, -760, 356),
)
BANK = ((-305, -268), (-318, -350), (-322, -420), (-316, -500), (-296, -560))
BANK_HEIGHT_M = 3.6
DAM = (120.0, 150.0)
DAM_RADIUS_M = 17.0


@dataclass(frozen=True)
class Ground:
    """The finished ground; all coordinates are metres east and north of the centre.

    Attributes
    ----------
    heights:
        Metres, (rows, columns), row 0 in the north, ``CELL_M`` cells.
    creek:
        Points of the channel from its top to its foot, (n, 2).
    flat_level:
        Height of the alluvial flat beside the nearest part of the creek, (rows, columns).
    bank:
        Points along the crest of the tramway bank, (n, 2).
    dam:
        Water surface of the farm dam, boolean (rows, columns).
    """

    heights: FloatArray
    creek: FloatArray
    flat_level: FloatArray
    bank: FloatArray
    dam: NDArray[np.bool_]


def axes(half: float, cell: float) -> tuple[FloatArray, FloatArray]:
    """Cell centres as (eastings along a row, northings down a column), from the centre."""
    count = round(2 * half / cell)
    east = -half + cell * (np.arange(count) + 0.5)
    return east, -east


def noise(rng: np.random.Generator, shape: tuple[int, int], reach: float) -> FloatArray:
    """Smooth noise of unit spread; ``reach`` is the Gaussian's sigma in cells."""
    field = ndimage.gaussian_filter(rng.standard_normal(shape), reach, mode="reflect")
    return field / field.std()


def smooth_line(points: tuple[tuple[float, ...], ...], step: float) -> FloatArray:
    """Draw a curve through ``points``, resampled about every ``step`` metres, (n, columns)."""
    knots = np.asarray(points, dtype=float)
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(knots[:, :2], axis=0).T))]
    at = np.linspace(0, along[-1], int(along[-1] / step) + 1)
    plan = make_interp_spline(along, knots[:, :2], k=min(3, len(knots) - 1))(at)
    rest = PchipInterpolator(along, knots[:, 2:])(at)  # heights must not overshoot
    return np.column_stack([plan, rest])


@numba.njit("Tuple((i4[:], i4[:]))(f8[:,:], b1[:,:], f8[:,:,:], f8)", cache=True)
def _flow_tree(heights, fixed, jitter, cell):  # type: ignore[no-untyped-def]
    """Receiver of each cell and an order from the outlets up; pits drain over their rims."""
    rows, columns = heights.shape
    receiver = np.full(rows * columns, -1, dtype=np.int32)
    order = np.empty(rows * columns, dtype=np.int32)
    level = np.empty((rows, columns))
    heap = [(0.0, np.int32(0)) for _ in range(0)]
    for r in range(rows):
        for c in range(columns):
            if fixed[r, c]:
                receiver[r * columns + c] = r * columns + c
                heapq.heappush(heap, (heights[r, c], np.int32(r * columns + c)))
    done = 0
    while heap:
        height, at = heapq.heappop(heap)
        order[done] = at
        done += 1
        r, c = at // columns, at % columns
        level[r, c] = height
        # The steepest way down among cells already reached; the jitter keeps the gullies
        # from running along the eight directions of the grid.
        if not fixed[r, c]:
            best = -1.0
            for k in range(8):
                dr, dc = (k + (k > 3)) // 3 - 1, (k + (k > 3)) % 3 - 1
                i, j = r + dr, c + dc
                if 0 <= i < rows and 0 <= j < columns and receiver[i * columns + j] >= 0:
                    run = cell * np.sqrt(float(dr * dr + dc * dc))
                    fall = (heights[r, c] - heights[i, j]) / run * jitter[k, r, c]
                    if fall > best and level[i, j] <= height and heights[i, j] < heights[r, c]:
                        best = fall
                        receiver[at] = i * columns + j
        for k in range(8):
            i, j = r + (k + (k > 3)) // 3 - 1, c + (k + (k > 3)) % 3 - 1
            if 0 <= i < rows and 0 <= j < columns and receiver[i * columns + j] < 0:
                receiver[i * columns + j] = at
                # A cell below its way out is flooded to it, by a hair so that order holds.
                level[i, j] = max(heights[i, j], height + 1e-6)
                heapq.heappush(heap, (level[i, j], np.int32(i * columns + j)))
    return receiver, order


@numba.njit("void(f8[:,:], f8[:,:], i4[:], i4[:], f8, f8)", cache=True)
def _incise(heights, strength, receiver, order, cell, time):  # type: ignore[no-untyped-def]
    """One implicit stream-power step in place: dz/dt = -K sqrt(A) S."""
    rows, columns = heights.shape
    area = np.full(rows * columns, cell * cell)
    for n in range(rows * columns - 1, -1, -1):
        if receiver[order[n]] != order[n]:
            area[receiver[order[n]]] += area[order[n]]
    for n in range(rows * columns):
        at, to = order[n], receiver[order[n]]
        if at == to:
            continue
        r, c, i, j = at // columns, at % columns, to // columns, to % columns
        if heights[r, c] <= heights[i, j]:
            continue
        run = cell * np.sqrt(float((r - i) ** 2 + (c - j) ** 2))
        pull = time * np.sqrt(area[at]) / (strength[r, c] * run)
        heights[r, c] = (heights[r, c] + pull * heights[i, j]) / (1 + pull)


def _creep(heights: FloatArray, fixed: NDArray[np.bool_], reach_m2: float, cell: float) -> None:
    """Soil creep in place: linear diffusion over ``reach_m2`` = diffusivity x time."""
    steps = int(np.ceil(reach_m2 / (0.2 * cell * cell)))
    for _ in range(steps):
        near = np.pad(heights, 1, mode="edge")
        bend = near[:-2, 1:-1] + near[2:, 1:-1] + near[1:-1, :-2] + near[1:-1, 2:] - 4 * heights
        heights += np.where(fixed, 0, reach_m2 / steps / cell**2 * bend)


def _rock(heights: FloatArray, warp: FloatArray) -> FloatArray:
    """Strength of the rock now at the surface: two hard, gently warped and tilted beds."""
    depth = heights + warp
    hard = np.zeros_like(heights)
    for bottom, top, extra in ((318.0, 334.0, 5.0), (366.0, 392.0, 9.0)):
        inside = np.clip((depth - bottom) / 3, 0, 1) * np.clip((top - depth) / 3, 0, 1)
        hard += extra * inside
    return 1 + hard


def carve(rng: np.random.Generator) -> FloatArray:
    """Carve the hills on the wide, coarse grid; metres, (rows, columns) of CARVED_CELL_M."""
    east, north = axes(CARVED_HALF_M, CARVED_CELL_M)
    shape = (len(north), len(east))
    knots = np.array([*RIDGE, *CREEK, *FRINGE], dtype=float)
    where = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    bones = RBFInterpolator(knots[:, :2], knots[:, 2], kernel="linear", smoothing=2.0)
    heights = bones(where).reshape(shape)
    for reach, height in ((18, 9.0), (8, 6.0), (3, 3.0), (1, 0.8)):
        heights += height * noise(rng, shape, reach)
    warp = 14 * noise(rng, shape, 30) + 0.012 * (east[None, :] - 0.6 * north[:, None])
    fixed = np.zeros(shape, dtype=bool)
    creek = smooth_line(CREEK, 4.0)
    r = np.clip(((CARVED_HALF_M - creek[:, 1]) / CARVED_CELL_M).astype(int), 0, shape[0] - 1)
    c = np.clip(((creek[:, 0] + CARVED_HALF_M) / CARVED_CELL_M).astype(int), 0, shape[1] - 1)
    heights[r, c] = creek[:, 2]
    fixed[r, c] = True
    fixed[0] = fixed[-1] = True
    heights, warp = np.round(heights, 5), np.round(warp, 5)
    lift = np.round(0.22 * np.clip(heights - 262, 0, None) / 170, 5)
    for _ in range(120):
        jitter = 0.6 + 0.8 * rng.random((8, *shape))
        receiver, order = _flow_tree(heights, fixed, jitter, CARVED_CELL_M)
        heights += np.where(fixed, 0, lift)
        _incise(heights, _rock(heights, warp), receiver, order, CARVED_CELL_M, 0.02)
        _creep(heights, fixed, 9.0, CARVED_CELL_M)
    return heights


def refine(coarse: FloatArray) -> FloatArray:
    """Bring the carved ground to the fine grid of the DEM (cubic, exact at coarse centres)."""
    east, north = axes(HALF_M, CELL_M)
    rows = (CARVED_HALF_M - north) / CARVED_CELL_M - 0.5
    columns = (east + CARVED_HALF_M) / CARVED_CELL_M - 0.5
    at = np.meshgrid(rows, columns, indexing="ij")
    return ndimage.map_coordinates(coarse, at, order=3, mode="nearest")


def _nearest_on(line: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
    """Distance (m) to a line of close points and the index of the nearest point, on the DEM."""
    east, north = axes(HALF_M, CELL_M)
    r = ((HALF_M - line[:, 1]) / CELL_M).astype(int)
    c = ((line[:, 0] + HALF_M) / CELL_M).astype(int)
    inside = (r >= 0) & (r < len(north)) & (c >= 0) & (c < len(east))
    which = np.full((len(north), len(east)), -1)
    which[r[inside], c[inside]] = np.flatnonzero(inside)
    distance, near = ndimage.distance_transform_edt(which < 0, return_indices=True)
    return distance * CELL_M, which[tuple(near)]


def _soft_maximum(one: FloatArray, other: FloatArray, blend: float) -> FloatArray:
    """Larger of two heights with the corner between them rounded over ``blend`` metres."""
    return 0.5 * (one + other + np.sqrt((one - other) ** 2 + blend**2))


def _farm_dam(heights: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Scoop a pond into the slope, its wall on the lower side: (heights, water)."""
    east, north = np.meshgrid(*axes(HALF_M, CELL_M))
    off = np.hypot((east - DAM[0]) / 1.3, north - DAM[1]) - DAM_RADIUS_M
    at = np.unravel_index(np.argmin(off), off.shape)
    water = round(float(heights[at]) + 0.4, 2)
    wall = water + 0.8 - np.clip(np.abs(off - 3.0) - 1.2, 0, None) / 2.2
    cut = water + np.clip(off, 0, None) / 1.8
    shaped = np.where(off > 3, np.maximum(np.minimum(heights, cut), wall), wall)
    near = off < 25
    dam = off < 0.5
    return np.where(dam, water, np.where(near, shaped, heights)), dam


def make_ground(seed: int) -> Ground:
    """Make the whole ground from one seed."""
    rng = np.random.default_rng(seed)
    heights = refine(carve(rng))
    wander = smooth_line(CREEK, 4.0)
    for reach, swing in ((7, 7.0), (14, 9.0)):
        bends = ndimage.gaussian_filter1d(rng.standard_normal((len(wander), 2)), reach, axis=0)
        wander[:, :2] += swing * bends / bends.std()
    creek = smooth_line(tuple(map(tuple, wander[::3])), 1.0)

    # Alluvium: level with the creek, rising gently away from it, lapping onto the slopes.
    distance, nearest = _nearest_on(creek)
    level = ndimage.gaussian_filter(creek[nearest, 2], 12)
    flat = level + 1.3 + 0.004 * distance + 0.05 * np.clip(distance - 90, 0, None)
    wide = np.clip((creek[nearest, 0] + 900) / 300, 0, 1) * np.clip(
        (520 - creek[nearest, 0]) / 160, 0, 1
    )
    flat = flat - (1 - ndimage.gaussian_filter(wide, 20)) * 6
    heights = _soft_maximum(heights, flat, 0.8)
    # The channel itself.
    heights -= 1.5 / (1 + (distance / 3.0) ** 4)

    # The bank: a level crest, batters of one in one and a half.
    bank = smooth_line(BANK, 1.0)
    off, _ = _nearest_on(bank)
    crest = 264.1 + 1.3 + BANK_HEIGHT_M
    heights = np.maximum(heights, crest - np.clip(off - 2.0, 0, None) / 1.5)

    heights, dam = _farm_dam(heights)
    return Ground(heights, creek[:, :2], flat, bank, dam)
