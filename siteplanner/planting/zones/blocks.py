"""Blocks: contiguous parts of one zone in one paddock, that a crew takes on."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import count

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.planting.zones.zones import NOTHING_FITS, TOO_STEEP

#: Kinds from here on are zones drawn by hand; those from ``FROM_PLAN`` on were taken over from a
#: plan as it drew them, and small pieces of ground beside them may still join them.
FROM_PLAN, BY_HAND = 1000, 2000
#: Shared edges shorter than this (m) do not make two pieces neighbours.
_EDGE_M = 0.1


def blocks_of(
    shapes: gpd.GeoDataFrame,
    paddocks: gpd.GeoDataFrame,
    plantable: shapely.Geometry,
    *,
    smallest_m2: float,
    join_m2: float = 0.0,
    smallest_width_m: float = 0.0,
) -> tuple[gpd.GeoDataFrame, float]:
    """Cut the kinds by paddock and plantable area into contiguous blocks.

    ``shapes`` has ``kind``, ``paddocks`` has ``name`` and ``plant``. All lines are noded once
    and the pieces between them told apart, so that blocks share their edges exactly and cover
    the area without gap or overlap. A piece under ``join_m2``, or nowhere as wide as
    ``smallest_width_m``, joins the neighbour in its paddock with which it shares most edge;
    too steep ground and zones drawn
    by hand join no other. What then is under ``smallest_m2`` is left over: the area
    of those pieces (m²) is returned beside the blocks, which have ``kind, paddock, geometry``.
    """
    pieces = _pieces(shapes, paddocks[paddocks["plant"]], plantable)
    owner = _merged(pieces, max(join_m2, smallest_m2), smallest_width_m)
    kinds, names, parts = [], [], []
    lost = 0.0
    for block in np.unique(owner):
        shape = shapely.coverage_union_all(pieces.shape[owner == block])
        if shape.area < smallest_m2:
            lost += shape.area
            continue
        kinds.append(pieces.kind[block])
        names.append(pieces.paddock[block])
        parts.append(shape)
    frame = gpd.GeoDataFrame({"kind": kinds, "paddock": names}, geometry=parts, crs=shapes.crs)
    return frame, lost


@dataclass(frozen=True)
class _Pieces:
    """Pieces of a coverage: ``edges`` has rows of two pieces, ``shared`` their metres of edge."""

    shape: NDArray[np.object_]
    kind: NDArray[np.int64]
    paddock: NDArray[np.object_]
    edges: NDArray[np.int64]
    shared: NDArray[np.float64]


def _pieces(
    shapes: gpd.GeoDataFrame, paddocks: gpd.GeoDataFrame, plantable: shapely.Geometry
) -> _Pieces:
    fields = [shapely.intersection(field, plantable) for field in paddocks.geometry]
    lines = [shapely.boundary(g) for g in [*shapes.geometry, *fields, plantable]]
    faces = shapely.get_parts(
        shapely.polygonize(shapely.get_parts(shapely.unary_union(lines)).tolist())
    )
    inner = shapely.point_on_surface(faces)
    field_of = _holder(np.array(fields, dtype=object), inner)
    kind_of = _holder(shapes.geometry.to_numpy(), inner)
    kept = (field_of >= 0) & (kind_of >= 0)
    faces, field_of, kind_of = faces[kept], field_of[kept], kind_of[kept]
    order = np.lexsort([*(shapely.bounds(faces).round(3).T), field_of, kind_of])
    faces, field_of, kind_of = faces[order], field_of[order], kind_of[order]
    a, b = shapely.STRtree(faces).query(faces, predicate="intersects")
    near = (a < b) & (field_of[a] == field_of[b])
    edges = np.column_stack([a[near], b[near]])
    edges = edges[np.lexsort(edges.T[::-1])]
    shared = shapely.length(shapely.intersection(faces[edges[:, 0]], faces[edges[:, 1]]))
    return _Pieces(
        faces,
        shapes["kind"].to_numpy()[kind_of],
        paddocks["name"].to_numpy()[field_of],
        edges,
        shared,
    )


def _holder(shapes: NDArray[np.object_], points: NDArray[np.object_]) -> NDArray[np.int64]:
    """Index of the first shape that holds each point, -1 where none does."""
    out = np.full(len(points), -1, dtype=np.int64)
    point, shape = shapely.STRtree(shapes).query(points, predicate="within")
    np.maximum.at(out, point, len(shapes) - 1 - shape)
    return np.where(out >= 0, len(shapes) - 1 - out, -1)


def _merged(pieces: _Pieces, join_m2: float, smallest_width_m: float) -> NDArray[np.int64]:
    """For each piece, the piece whose block it is part of."""
    owner = np.arange(len(pieces.shape))
    shape = dict(enumerate(pieces.shape))
    beside: dict[int, dict[int, float]] = {n: {} for n in shape}
    for (a, b), length in zip(pieces.edges.tolist(), pieces.shared.tolist(), strict=True):
        if length > _EDGE_M or min(shape[a].area, shape[b].area) < 1:
            beside[a][b] = beside[b][a] = length
    done: set[int] = set()
    while True:
        areas = {n: s.area for n, s in shape.items() if n not in done}
        small = [n for n in areas if _too_small(shape[n], join_m2, smallest_width_m)]
        if not small:
            return owner
        piece = min(small, key=lambda n: (areas[n], n))
        into = _into(pieces, piece, beside[piece], areas[piece])
        if into is None:
            done.add(piece)
            continue
        owner[owner == piece] = into
        shape[into] = shapely.coverage_union_all([shape[into], shape.pop(piece)])
        for other, length in beside.pop(piece).items():
            beside[other].pop(piece)
            if other != into:
                beside[into][other] = beside[into].get(other, 0.0) + length
                beside[other][into] = beside[into][other]
        done.discard(into)


def _too_small(shape: shapely.Geometry, join_m2: float, smallest_width_m: float) -> bool:
    if shape.area < join_m2:
        return True
    return smallest_width_m > 0 and shapely.buffer(shape, -smallest_width_m / 2).is_empty


def _into(pieces: _Pieces, piece: int, beside: dict[int, float], area: float) -> int | None:
    """The neighbour that a small piece joins: most shared edge, then the first."""
    kind = pieces.kind[piece]
    if area >= 1 and (kind == TOO_STEEP or kind >= BY_HAND):
        beside = {n: m for n, m in beside.items() if pieces.kind[n] == kind}
    elif area >= 1:
        beside = {n: m for n, m in beside.items() if pieces.kind[n] < BY_HAND}
    return min(beside, key=lambda n: (-beside[n], n)) if beside else None


def name_blocks(
    frame: gpd.GeoDataFrame,
    given: Mapping[int, str] | None = None,
    reserved: Collection[str] = (),
) -> gpd.GeoDataFrame:
    """Letter the zones by area, largest first, and number the blocks from the north-west.

    Kinds that are not for trees keep the letters X (too steep) and N (nothing fits); ``given``
    holds letters that the user or an earlier plan gave, which no other kind gets; nor does any get
    one that is ``reserved``.
    """
    given = given or {}
    area = frame.assign(area=frame.area).groupby("kind")["area"].sum()
    order = (
        area[(area.index >= 0) & ~area.index.isin(list(given))]
        .sort_values(ascending=False, kind="stable")
        .index
    )
    alphabet = [c for c in "ABCDEFGHIJKLMOPQRSTUVWYZ"]
    free = (_letters(alphabet, place) for place in count())
    free = (letter for letter in free if letter not in {*given.values(), *reserved})
    letters = dict(given) | dict(zip(order, free, strict=False))
    letters |= {TOO_STEEP: "X", NOTHING_FITS: "N"}
    points = frame.geometry.representative_point()
    frame = frame.assign(
        zone=frame["kind"].map(letters), place=points.x.round(3) - points.y.round(3)
    )
    frame = frame.sort_values(["zone", "place"], kind="stable", ignore_index=True)
    number = frame.groupby("zone").cumcount() + 1
    frame["block"] = frame["zone"] + number.astype(str)
    return frame[["block", "zone", "kind", "paddock", "geometry"]]


def _letters(alphabet: list[str], place: int) -> str:
    base = len(alphabet)
    return (
        alphabet[place] if place < base else (alphabet[place // base - 1] + alphabet[place % base])
    )
