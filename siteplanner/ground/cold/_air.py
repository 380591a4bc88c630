"""Compiled steps of the cold-air layer: flow between cells, and what a cell gains and loses.

Cells hold a depth of chilled air over their bed; faces between cells hold a discharge. Faces
are interior ones only: at the rim stand cells that are emptied after every step, and what flows
into them through the faces of the edge has left.
"""

from __future__ import annotations

import numpy as np
from numba import types
from numpy.typing import NDArray

from siteplanner.base.kernels import kernel, part

#: Shallower air than this (m) does not flow.
_THINNEST = np.float32(1e-4)
#: A cell gives away at most this share of what it holds in a step.
_AT_MOST = np.float32(0.999999)

#: Air deeper than the depth that still cools is mixed away at this rate, 1/s: in ten minutes.
_MIXED = 1.0 / 600.0

#: Faces with a screen: flat index, height over the sill (m), share that is closed (0-1).
Screens = tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]
#: Faces of the edge: flat index, and the fall (m) of the air's surface across the face, positive
#: to the right and downwards; air leaves that way, and none passes where the fall is nil.
Edges = tuple[NDArray[np.int64], NDArray[np.float32]]
#: Share of its own and of each neighbour's discharge that a face starts a step with.
_OWN, _NEXT = np.float32(0.9), np.float32(0.05)

_F4 = types.Array(types.float32, 2, "C")
_F8 = types.Array(types.float64, 2, "C")
_I8 = types.Array(types.int64, 1, "C")
_F1 = types.Array(types.float32, 1, "C")
_D1 = types.Array(types.float64, 1, "C")
_f4, _f8 = types.float32, types.float64


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


@kernel(types.void(_F4, _F4, _F4, _F8, _F4, _F4, _F4, _f4, _f4, _f4))
def _flow(bed, sill_x, sill_y, depth, flow_x, flow_y, work, push, drag_dt, cap):  # type: ignore[no-untyped-def]
    """Give every face its discharge after a step; ``work`` (2, columns) is all zero.

    A tenth of a face's old discharge is taken from the faces before and after it: without that
    the form lets waves as short as two cells grow (de Almeida et al. 2012, from memory).
    """
    rows, cols = depth.shape
    above, beyond = work[0], work[1]
    for r in range(rows):
        row = flow_x[r]
        before = np.float32(0)
        for c in range(cols - 2):
            here = row[c]
            row[c] = _OWN * here + _NEXT * (before + row[c + 1])
            before = here
        row[cols - 2] = _OWN * row[cols - 2] + _NEXT * before
        _faces(bed[r], bed[r, 1:], depth[r], depth[r, 1:], sill_x[r], row, push, drag_dt, cap)
        if r + 1 == rows:
            break
        row = flow_y[r]
        after = flow_y[r + 1] if r + 2 < rows else beyond
        for c in range(cols):
            here = row[c]
            row[c] = _OWN * here + _NEXT * (above[c] + after[c])
            above[c] = here
        _faces(bed[r], bed[r + 1], depth[r], depth[r + 1], sill_y[r], row, push, drag_dt, cap)


@kernel(types.void(_F1, _D1, _F1, _F1, _I8, _I8, _I8, _F1, _F1, _F1, _f4, _f4, _f4))
def _screened(  # type: ignore[no-untyped-def]
    bed, depth, sill, flow, faces, here, there, screen, closed, old, push, drag_dt, cap
):
    """Work screened faces out again, with the depth left open to them; all arrays flat.

    ``old`` is what they started the step with, ``here`` and ``there`` the cells beside them.
    """
    for k in range(len(faces)):
        f, i, j = faces[k], here[k], there[k]
        flow[f] = _through(
            bed[i] + depth[i],
            bed[j] + depth[j],
            sill[f],
            screen[k],
            closed[k],
            old[k],
            push,
            drag_dt,
            cap,
        )


@kernel(types.void(_D1, _F1, _I8, _I8, _F1, _F1, _f4, _f4, _f4))
def _leave(depth, flow, faces, inside, fall, old, push, drag_dt, cap):  # type: ignore[no-untyped-def]
    """Work the faces of the edge out again: beyond them the air is as deep as ``inside``.

    ``inside`` is the known cell beside each face, ``old`` what the face started the step with.
    All arrays are flat.
    """
    none = np.float32(0)
    for k in range(len(faces)):
        deep, sill = depth[inside[k]], abs(fall[k])
        here = deep + max(np.float64(fall[k]), 0.0)
        there = deep + max(-np.float64(fall[k]), 0.0)
        now = _through(here, there, sill, none, none, old[k], push, drag_dt, cap)
        flow[faces[k]] = now if sill > none else none


@kernel(types.void(_F8, _F4, _F4, _F1, _f4))
def _limit(depth, flow_x, flow_y, leaving, share):  # type: ignore[no-untyped-def]
    """Hold what leaves a cell to what it holds; ``leaving`` (columns,) is room to work in.

    A face is changed only by the cell that gives.
    """
    rows, cols = depth.shape
    none = np.float32(0)
    for r in range(1, rows - 1):
        # Few rows hold a cell that would give too much; a first look finds them quickly.
        over = 0
        for c in range(1, cols - 1):
            leaving[c] = share * (
                max(flow_x[r, c], none)
                + max(-flow_x[r, c - 1], none)
                + max(flow_y[r, c], none)
                + max(-flow_y[r - 1, c], none)
            )
            over += leaving[c] > np.float32(depth[r, c]) * _AT_MOST
        if over == 0:
            continue
        for c in range(1, cols - 1):
            held = np.float32(depth[r, c]) * _AT_MOST
            if leaving[c] > held:
                less = held / leaving[c] * _AT_MOST
                if flow_x[r, c] > none:
                    flow_x[r, c] *= less
                if flow_x[r, c - 1] < none:
                    flow_x[r, c - 1] *= less
                if flow_y[r, c] > none:
                    flow_y[r, c] *= less
                if flow_y[r - 1, c] < none:
                    flow_y[r - 1, c] *= less


@kernel(types.void(_F8, _F4, _F4, _F4, _D1, _f8, _f8, _f8, _D1, _D1, _I8, _I8))
def _gain(  # type: ignore[no-untyped-def]
    depth, flow_x, flow_y, cooling, new, dt, dt_over_cell, full, made, lost, drain_rows, drain_cols
):
    """Move the air, chill new air, mix away what is too deep, empty the drains.

    ``made`` and ``lost`` (rows,) gather what is chilled and emptied; ``new`` (columns,) is room
    to work in.
    """
    rows, cols = depth.shape
    last = 1 + (cols - 2) // 4 * 4
    for r in range(1, rows - 1):
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
        for c in range(1, last, 4):
            a += new[c]
            b += new[c + 1]
            d += new[c + 2]
            e += new[c + 3]
        for c in range(last, cols - 1):
            a += new[c]
        made[r] += (a + b) + (d + e)
        # The rim takes what reaches it; nothing is chilled there.
        depth[r, 0] -= dt_over_cell * flow_x[r, 0]
        depth[r, cols - 1] += dt_over_cell * flow_x[r, cols - 2]
    for c in range(1, cols - 1):
        depth[0, c] -= dt_over_cell * flow_y[0, c]
        depth[rows - 1, c] += dt_over_cell * flow_y[rows - 2, c]
    for k in range(len(drain_rows)):
        r, c = drain_rows[k], drain_cols[k]
        lost[r] += depth[r, c]
        depth[r, c] = 0.0


#: Rows on either side that a row hears of in one step.
ROWS_A_STEP = 3


def advance(
    bed: NDArray[np.float32],
    sills: tuple[NDArray[np.float32], NDArray[np.float32]],
    depth: NDArray[np.float64],
    flows: tuple[NDArray[np.float32], NDArray[np.float32]],
    cooling: NDArray[np.float32],
    screens: tuple[Screens, Screens],
    edges: tuple[Edges, Edges],
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
    cols = depth.shape[1]
    push, drag_dt = np.float32(gravity * dt / cell), np.float32(drag * dt)
    cap, share = np.float32(froude * np.sqrt(gravity)), np.float32(dt / cell)
    work, leaving, new = np.zeros((2, cols), np.float32), np.empty(cols, np.float32), np.empty(cols)
    beds, cells = bed.ravel(), depth.ravel()
    drained = np.divmod(drains, cols)
    sides = [
        (beds, cells, sill.ravel(), flow.ravel(), faces, here, there, screen, closed)
        for sill, flow, (faces, screen, closed), (here, there) in zip(
            sills, flows, screens, _beside((screens[0][0], screens[1][0]), cols), strict=True
        )
        if len(faces)
    ]
    rims = [
        (cells, flow.ravel(), faces, np.where(fall > 0, *beside), fall)
        for flow, (faces, fall), beside in zip(
            flows, edges, _beside((edges[0][0], edges[1][0]), cols), strict=True
        )
        if len(faces)
    ]
    for _ in range(steps):
        old = [side[3][side[4]] for side in sides]
        left = [rim[1][rim[2]] for rim in rims]
        work[0] = 0
        _flow(bed, *sills, depth, *flows, work, push, drag_dt, cap)
        for side, before in zip(sides, old, strict=True):
            _screened(*side, before, push, drag_dt, cap)
        for rim, before in zip(rims, left, strict=True):
            _leave(*rim, before, push, drag_dt, cap)
        _limit(depth, *flows, leaving, share)
        _gain(depth, *flows, cooling, new, dt, dt / cell, full, made, lost, *drained)


def _beside(
    faces: tuple[NDArray[np.int64], NDArray[np.int64]], cols: int
) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Cells on either side of faces between columns and between rows, all as flat indices."""
    row, col = np.divmod(faces[0], cols - 1)
    left, above = row * cols + col, faces[1]
    return [(left, left + 1), (above, above + cols)]
