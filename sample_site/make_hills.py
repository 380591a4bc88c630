"""The hills of the invented property, carved by a small landscape-evolution model.

A few control points fix where the ridge, the knoll, the shelf and the creeks lie. Running water
then cuts gullies (stream power, solved implicitly along the flow tree) while soil creep rounds
the slopes and a bed of hard rock holds out as a steep face with a bench above it.

The kernels use only ``+ - * /`` and square roots, and what enters them is rounded, so that the
carved hills do not depend on a processor's way of computing exponentials.
"""

from __future__ import annotations

import heapq
import math

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import PchipInterpolator, RBFInterpolator, make_interp_spline

FloatArray = NDArray[np.float64]

HALF_M = 1080.0  # the DEM reaches this far from the centre
CELL_M = 2.0
# Carved wider, so that the edges of the model stay out of sight, and on a turned grid, so that
# no gully of the DEM runs along its rows because the water could only take eight ways.
CARVED_HALF_M = 1500.0
TURN = math.radians(28.0)

# Control points, metres east and north of the centre, and height above sea level.
RIDGE = (
    (-1700, 300, 352),
    (-1100, 470, 372),
    (-800, 420, 384),
    (-470, 330, 380),
    (-150, 400, 392),
    (230, 355, 424),
    (470, 400, 404),
    (820, 300, 420),
    (1200, 420, 431),
    (1700, 330, 440),
)
SPURS = (
    (-760, 230, 362),
    (-660, 20, 322),
    (-700, -160, 285),
    (-430, 120, 348),
    (-520, -80, 300),
    (-230, 160, 352),
    (-170, -60, 300),
    (640, 160, 372),
    (680, -20, 322),
    (980, 110, 372),
    (-330, 600, 362),
    (60, 620, 372),
    (380, 640, 366),
    (700, 560, 378),
    (560, 760, 334),
    (-60, 760, 340),
    (-640, 640, 352),
)
SHELF = (
    (-80, 150, 371),
    (40, 148, 369),
    (175, 55, 363),
    (300, 150, 369),
    (425, 72, 366),
    (500, 150, 373),
    (-60, 225, 379),
    (80, 235, 377),
    (220, 215, 375),
    (350, 235, 377),
    (490, 250, 381),
)
FOOT = (
    (-110, 30, 322),
    (0, 72, 322),
    (90, 15, 313),
    (180, -60, 305),
    (285, 68, 318),
    (345, 60, 321),
    (430, -42, 311),
    (520, 40, 324),
    (60, -120, 286),
    (330, -130, 290),
)
CREEK = (
    (1700, 30, 336),
    (1350, -60, 314),
    (1120, -190, 301),
    (900, -150, 290),
    (700, -260, 280),
    (540, -270, 273.5),
    (360, -345, 268.0),
    (150, -335, 266.6),
    (-60, -425, 265.3),
    (-270, -395, 264.1),
    (-470, -465, 262.6),
    (-700, -440, 258.5),
    (-930, -560, 253.5),
    (-1250, -560, 247),
    (-1700, -660, 239),
)
NORTH_CREEK = (
    (1700, 900, 372),
    (1200, 800, 347),
    (800, 930, 329),
    (400, 900, 314),
    (0, 990, 303),
    (-450, 930, 293),
    (-900, 1010, 281),
    (-1700, 960, 262),
)
FRINGE = (
    (-1500, 1500, 352),
    (-500, 1450, 370),
    (500, 1500, 392),
    (1500, 1500, 420),
    (-1500, -1500, 362),
    (-700, -1350, 382),
    (0, -1280, 396),
    (700, -1350, 404),
    (1500, -1500, 412),
    (-760, -900, 336),
    (-330, -850, 326),
    (40, -930, 350),
    (360, -760, 334),
    (700, -800, 362),
    (1000, -600, 352),
    (1300, -700, 372),
)


def axes(half: float, cell: float) -> tuple[FloatArray, FloatArray]:
    """Cell centres as (eastings along a row, northings down a column), from the centre."""
    count = round(2 * half / cell)
    east = -half + cell * (np.arange(count, dtype=np.float64) + 0.5)
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
    sound = np.clip(0.75 + 0.09 * warp, 0.2, 1.5)  # jointed in places, massive in others
    hard = np.zeros_like(heights)
    for bottom, top, extra in ((284.0, 294.0, 1.6), (322.0, 362.0, 4.5)):
        inside = np.clip((depth - bottom) / 3, 0, 1) * np.clip((top - depth) / 3, 0, 1)
        hard += extra * inside
    return 1 + hard * sound


def _terrace(heights: FloatArray, warp: FloatArray) -> FloatArray:
    """Spread the ground over the hard bed into a bench; what lies below and above is steepened.

    Only on the side of the ridge that looks at the creek, where the bed comes to the day.
    """
    before = (0.0, 262.0, 306.0, 346.0, 358.0, 386.0, 398.0, 442.0, 600.0)
    after = (0.0, 262.0, 304.0, 352.0, 366.5, 376.0, 387.0, 440.0, 600.0)
    east, north = np.meshgrid(*axes(HALF_M, CELL_M))
    there = np.clip((340 - north) / 140, 0, 1) * np.clip((north + 300) / 100, 0, 1)
    there = ndimage.gaussian_filter(there * np.clip((east + 330) / 200, 0, 1), 15)
    return heights + there * (PchipInterpolator(before, after)(heights + warp) - heights - warp)


def _carved_places(cell: float) -> tuple[FloatArray, FloatArray]:
    """Where the cells of the turned grid lie: eastings and northings, each (rows, columns)."""
    along, across = np.meshgrid(*axes(CARVED_HALF_M, cell))
    east: FloatArray = along * math.cos(TURN) - across * math.sin(TURN)
    north: FloatArray = along * math.sin(TURN) + across * math.cos(TURN)
    return east, north


def _carved_cells(
    east: FloatArray, north: FloatArray, cell: float
) -> tuple[FloatArray, FloatArray]:
    """Rows and columns (with fractions) of places on the turned grid."""
    along = east * math.cos(TURN) + north * math.sin(TURN)
    across = north * math.cos(TURN) - east * math.sin(TURN)
    return (CARVED_HALF_M - across) / cell - 0.5, (along + CARVED_HALF_M) / cell - 0.5


def _outlets(heights: FloatArray, cell: float) -> NDArray[np.bool_]:
    """Bring the cells of both creeks to the creeks' heights in place; they and the edge stay."""
    fixed = np.zeros(heights.shape, dtype=bool)
    fixed[[0, -1]] = fixed[:, [0, -1]] = True
    for creek in (smooth_line(CREEK, 3.0), smooth_line(NORTH_CREEK, 3.0)):
        cells = _carved_cells(creek[:, 0], creek[:, 1], cell)
        r, c = (np.rint(at).astype(int) for at in cells)
        inside = (r >= 0) & (r < heights.shape[0]) & (c >= 0) & (c < heights.shape[1])
        heights[r[inside], c[inside]] = creek[inside, 2]
        fixed[r[inside], c[inside]] = True
    return fixed


def _bones(cell: float) -> FloatArray:
    """Heights drawn through the control points, metres, on the turned grid."""
    knots = np.array([*RIDGE, *SPURS, *SHELF, *FOOT, *CREEK, *NORTH_CREEK, *FRINGE], dtype=float)
    east, north = _carved_places(cell)
    where = np.column_stack([east.ravel(), north.ravel()])
    return RBFInterpolator(knots[:, :2], knots[:, 2], kernel="linear")(where).reshape(east.shape)


def _wear(
    heights: FloatArray,
    warp: FloatArray,
    cell: float,
    rng: np.random.Generator,
    *,
    steps: int,
    cutting: float,
    creeping: float,
    lifting: float,
) -> FloatArray:
    """Let water cut and soil creep for a number of steps while the hills rise slowly."""
    fixed = _outlets(heights, cell)
    heights, warp = np.round(heights, 5), np.round(warp, 5)
    lift = np.round(lifting * np.clip(heights - 262, 0, None) / 170, 5)
    for _ in range(steps):
        jitter = 0.6 + 0.8 * rng.random((8, *heights.shape))
        receiver, order = _flow_tree(heights, fixed, jitter, cell)
        heights += np.where(fixed, 0, lift)
        _incise(heights, _rock(heights, warp), receiver, order, cell, cutting)
        _creep(heights, fixed, creeping, cell)
    return heights


def carve(rng: np.random.Generator) -> FloatArray:
    """Carve the hills; metres on the DEM's cells.

    Valleys first on 10 m cells, then the fine gullies on 5 m cells.
    """
    heights = ndimage.gaussian_filter(_bones(10.0), 2)
    for reach, height in ((14, 7.0), (7, 5.0), (3, 2.5), (1, 0.8)):
        heights += height * noise(rng, heights.shape, reach)
    east, north = _carved_places(10.0)
    warp = 6 * noise(rng, heights.shape, 9) - 0.006 * east + 0.01 * north
    heights = _wear(heights, warp, 10.0, rng, steps=110, cutting=0.02, creeping=8.0, lifting=0.15)
    heights, warp = (
        ndimage.zoom(field, 2, order=3, mode="nearest", grid_mode=True) for field in (heights, warp)
    )
    heights += 0.5 * noise(rng, heights.shape, 2)
    heights = _wear(heights, warp, 5.0, rng, steps=18, cutting=0.012, creeping=2.2, lifting=0.0)
    east, north = np.meshgrid(*axes(HALF_M, CELL_M))
    rows, columns = _carved_cells(east, north, 5.0)
    level = ndimage.map_coordinates(heights, [rows, columns], order=3)
    tilt = ndimage.map_coordinates(warp, [rows, columns], order=1)
    return _terrace(level, 0.6 * tilt)
