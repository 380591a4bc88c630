"""Compiled steps of the cold-air layer: flow between cells, and what a cell gains and loses.

Cells hold a depth of chilled air over their bed; faces between cells hold a discharge. Faces
are interior ones only: at the rim stand cells that are emptied after every step, so that the
edge is open without a case of its own.
"""

from __future__ import annotations

import numpy as np
from numba import types
from numpy.typing import NDArray

from siteplanner.compiled import kernel, part

#: Shallower air than this (m) does not flow.
_THINNEST = np.float32(1e-4)
#: A cell gives away at most this share of what it holds in a step.
_AT_MOST = np.float32(0.999999)

#: Air deeper than the depth that still cools is mixed away at this rate, 1/s: in ten minutes.
_MIXED = 1.0 / 600.0

#: Faces with a screen: flat index, height over the sill (m), share that is closed (0-1).
Screens = tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]
#: Share of its own and of each neighbour's discharge that a face starts a step with.
_OWN, _NEXT = np.float32(0.9), np.float32(0.05)

_F4 = types.Array(types.float32, 2, "C")
_F8 = types.Array(types.float64, 2, "C")
_I8 = types.Array(types.int64, 1, "C")
_F1 = types.Array(types.float32, 1, "C")
_D1 = types.Array(types.float64, 1, "C")
_f4, _f8, _i8 = types.float32, types.float64, types.int64


@part(_f4(_f8, _f8, _f4, _f4, _f4, _f4, _f4, _f4, _f4))
def _through(here, there, sill, screen, closed, flow, push, drag_dt, cap):  # type: ignore[no-untyped-def]
    """Discharge through one face after a step (m2/s), positive from here to there.

    Pressure with the depth over the sill, less the ``closed`` share of the part below the
    ``screen``'s top; quadratic drag taken implicitly; speed capped.
    """
    depth = np.float32(max(here, there) - np.float64(sill))
    depth -= closed * min(depth, screen)
    deep = max(depth, _THINNEST)
    now = (flow + push * deep * np.float32(here - there)) / (
        np.float32(1) + drag_dt * abs(flow) / (deep * deep)
    )
    most = cap * deep * np.sqrt(deep)
    now = min(max(now, -most), most)
    return now if depth > _THINNEST else np.float32(0)


@part(types.void(_F1, _F1, _D1, _D1, _F1, _F1, _f4, _f4, _f4))
def _faces(bed, bed_there, depth, depth_there, sill, flow, push, drag_dt, cap):  # type: ignore[no-untyped-def]
    """Take the faces of a row from what they start the step with to what they end it with."""
    none = np.float32(0)
    for c in range(len(flow)):
        flow[c] = _through(
            bed[c] + depth[c],
            bed_there[c] + depth_there[c],
            sill[c],
            none,
            none,
            flow[c],
            push,
            drag_dt,
            cap,
        )


@part(types.void(_F4, _F4, _F4, _F8, _F4, _F4, _f4, _f4, _f4))
def _flow(bed, sill_x, sill_y, depth, flow_x, flow_y, push, drag_dt, cap):  # type: ignore[no-untyped-def]
    """Give every face its discharge after a step.

    A tenth of a face's old discharge is taken from the faces before and after it: without that
    the form lets waves as short as two cells grow (de Almeida et al. 2012, from memory).
    """
    rows, cols = depth.shape
    none = np.float32(0)
    before, here, after = np.zeros(cols, np.float32), np.zeros(cols, np.float32), flow_y[0].copy()
    along = np.zeros(cols + 1, np.float32)
    for r in range(rows):
        row = flow_x[r]
        for c in range(cols - 1):
            along[c + 1] = row[c]
        for c in range(cols - 1):
            row[c] = _OWN * along[c + 1] + _NEXT * (along[c] + along[c + 2])
        _faces(
            bed[r, : cols - 1],
            bed[r, 1:],
            depth[r, : cols - 1],
            depth[r, 1:],
            sill_x[r],
            row,
            push,
            drag_dt,
            cap,
        )
        if r + 1 == rows:
            break
        before, here, after = here, after, before
        for c in range(cols):
            after[c] = flow_y[r + 1, c] if r + 2 < rows else none
        row = flow_y[r]
        for c in range(cols):
            row[c] = _OWN * here[c] + _NEXT * (before[c] + after[c])
        _faces(bed[r], bed[r + 1], depth[r], depth[r + 1], sill_y[r], row, push, drag_dt, cap)


@part(types.void(_F8, _F4, _F4, _f8))
def _limit(depth, flow_x, flow_y, dt_over_cell):  # type: ignore[no-untyped-def]
    """Hold what leaves a cell to what it holds.

    A face is changed only by the cell that gives.
    """
    rows, cols = depth.shape
    share, none = np.float32(dt_over_cell), np.float32(0)
    for r in range(1, rows - 1):
        # Few rows hold a cell that would give too much; a first look finds them quickly.
        over = 0
        for c in range(1, cols - 1):
            leaving = share * (
                max(flow_x[r, c], none)
                + max(-flow_x[r, c - 1], none)
                + max(flow_y[r, c], none)
                + max(-flow_y[r - 1, c], none)
            )
            over += leaving > np.float32(depth[r, c]) * _AT_MOST
        if over == 0:
            continue
        for c in range(1, cols - 1):
            leaving = share * (
                max(flow_x[r, c], none)
                + max(-flow_x[r, c - 1], none)
                + max(flow_y[r, c], none)
                + max(-flow_y[r - 1, c], none)
            )
            held = np.float32(depth[r, c]) * _AT_MOST
            if leaving > held:
                less = held / leaving * _AT_MOST
                if flow_x[r, c] > none:
                    flow_x[r, c] *= less
                if flow_x[r, c - 1] < none:
                    flow_x[r, c - 1] *= less
                if flow_y[r, c] > none:
                    flow_y[r, c] *= less
                if flow_y[r - 1, c] < none:
                    flow_y[r - 1, c] *= less


@part(types.void(_F8, _F4, _F4, _F4, _f8, _f8, _f8, _D1))
def _gain(depth, flow_x, flow_y, cooling, dt, dt_over_cell, full, made):  # type: ignore[no-untyped-def]
    """Move the air, chill new air, mix away what is too deep; ``made`` (rows,) gathers the gain."""
    rows, cols = depth.shape
    for r in range(1, rows - 1):
        new = np.empty(cols, dtype=np.float64)
        for c in range(1, cols - 1):
            moved = depth[r, c] + dt_over_cell * (
                np.float64(flow_x[r, c - 1])
                - np.float64(flow_x[r, c])
                + np.float64(flow_y[r - 1, c])
                - np.float64(flow_y[r, c])
            )
            chilled = cooling[r, c] * max(0.0, 1.0 - moved / full)
            new[c] = dt * (chilled - max(0.0, moved - full) * _MIXED)
            depth[r, c] = moved + new[c]
        # Four sums side by side, always the same way: quick, and the same on every machine.
        a, b, d, e = 0.0, 0.0, 0.0, 0.0
        last = 1 + (cols - 2) // 4 * 4
        for c in range(1, last, 4):
            a += new[c]
            b += new[c + 1]
            d += new[c + 2]
            e += new[c + 3]
        for c in range(last, cols - 1):
            a += new[c]
        made[r] += (a + b) + (d + e)
    # The rim takes what reaches it; nothing is chilled there.
    for c in range(1, cols - 1):
        depth[0, c] -= dt_over_cell * flow_y[0, c]
        depth[rows - 1, c] += dt_over_cell * flow_y[rows - 2, c]
    for r in range(1, rows - 1):
        depth[r, 0] -= dt_over_cell * flow_x[r, 0]
        depth[r, cols - 1] += dt_over_cell * flow_x[r, cols - 2]


@kernel(
    types.void(
        _F4,
        _F4,
        _F4,
        _F8,
        _F4,
        _F4,
        _F4,
        _I8,
        _F1,
        _F1,
        _I8,
        _F1,
        _F1,
        _I8,
        _D1,
        _D1,
        _i8,
        _f8,
        _f8,
        _f8,
        _f8,
        _f8,
        _f8,
    )
)
def _advance(  # type: ignore[no-untyped-def]
    bed,
    sill_x,
    sill_y,
    depth,
    flow_x,
    flow_y,
    cooling,
    faces_x,
    screen_x,
    closed_x,
    faces_y,
    screen_y,
    closed_y,
    drains,
    made,
    lost,
    steps,
    dt,
    cell,
    gravity,
    drag,
    froude,
    full,
):
    """Take ``steps`` steps in place.

    ``made`` and ``lost`` (rows,) gather the depth chilled in each row and emptied from its
    drains, summed over its cells, m.
    """
    old_x = np.empty(len(faces_x), dtype=np.float32)
    old_y = np.empty(len(faces_y), dtype=np.float32)
    flat_x, flat_y, flat = flow_x.ravel(), flow_y.ravel(), depth.ravel()
    beds, sills_x, sills_y = bed.ravel(), sill_x.ravel(), sill_y.ravel()
    push, drag_dt = np.float32(gravity * dt / cell), np.float32(drag * dt)
    cap = np.float32(froude * np.sqrt(gravity))
    cols = depth.shape[1]
    for _ in range(steps):
        for k in range(len(faces_x)):
            old_x[k] = flat_x[faces_x[k]]
        for k in range(len(faces_y)):
            old_y[k] = flat_y[faces_y[k]]
        _flow(bed, sill_x, sill_y, depth, flow_x, flow_y, push, drag_dt, cap)
        # Screened faces are few: they are worked out again, with the depth left open to them.
        for k in range(len(faces_x)):
            f = faces_x[k]
            i = f // (cols - 1) * cols + f % (cols - 1)
            flat_x[f] = _through(
                beds[i] + flat[i],
                beds[i + 1] + flat[i + 1],
                sills_x[f],
                screen_x[k],
                closed_x[k],
                old_x[k],
                push,
                drag_dt,
                cap,
            )
        for k in range(len(faces_y)):
            f = faces_y[k]
            flat_y[f] = _through(
                beds[f] + flat[f],
                beds[f + cols] + flat[f + cols],
                sills_y[f],
                screen_y[k],
                closed_y[k],
                old_y[k],
                push,
                drag_dt,
                cap,
            )
        _limit(depth, flow_x, flow_y, dt / cell)
        _gain(depth, flow_x, flow_y, cooling, dt, dt / cell, full, made)
        for k in range(len(drains)):
            lost[drains[k] // cols] += flat[drains[k]]
            flat[drains[k]] = 0.0


#: Rows on either side that a row hears of in one step.
ROWS_A_STEP = 3


def advance(
    bed: NDArray[np.float32],
    sills: tuple[NDArray[np.float32], NDArray[np.float32]],
    depth: NDArray[np.float64],
    flows: tuple[NDArray[np.float32], NDArray[np.float32]],
    cooling: NDArray[np.float32],
    screens: tuple[Screens, Screens],
    drains: NDArray[np.int64],
    made: NDArray[np.float64],
    lost: NDArray[np.float64],
    *,
    steps: int,
    dt: float,
    cell: float,
    gravity: float,
    drag: float,
    froude: float,
    full: float,
) -> None:
    """Take steps of ``dt`` seconds; ``depth``, ``flows``, ``made`` and ``lost`` change in place.

    Arrays of cells have shape (rows, columns), of faces between columns (rows, columns - 1) and
    between rows (rows - 1, columns). ``cooling`` is m/s; it weakens to none at depth ``full``.
    ``drains`` are flat indices of cells that are emptied after every step.
    """
    _advance(
        bed,
        *sills,
        depth,
        *flows,
        cooling,
        *screens[0],
        *screens[1],
        drains,
        made,
        lost,
        steps,
        dt,
        cell,
        gravity,
        drag,
        froude,
        full,
    )
