"""Keeps polygons that share edges free of new overlaps and gaps."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

#: Corners nearer to a neighbour's edge than this lie on it, m.
ON_EDGE_M = 1e-3
#: A smaller overlap is rounding, m2.
_NOTHING_M2 = 0.01

Shapes = NDArray[np.object_]


def with_shared_corners(shapes: Shapes) -> Shapes:
    """Give each polygon a corner wherever a neighbour has one on its edge.

    A neighbour's corner on an edge that has none there would be left behind when the edge is
    moved. No area changes by more than ``ON_EDGE_M`` along the edge.

    >>> a, b, c = shapely.box(0, 0, 2, 1), shapely.box(0, 1, 1, 2), shapely.box(1, 1, 2, 2)
    >>> len(with_shared_corners(np.array([a, b, c]))[0].exterior.coords)
    6
    """
    out = shapes.copy()
    tree = shapely.STRtree(shapes)
    for n, others in _neighbours(tree, shapes):
        near = shapely.points(np.unique(shapely.get_coordinates(shapes[others]), axis=0))
        own = shapely.multipoints(shapely.get_coordinates(shapes[n]))
        edge = shapely.boundary(shapes[n])
        shapely.prepare(edge)
        missing = near[shapely.dwithin(near, edge, ON_EDGE_M) & (shapely.distance(near, own) > 0)]
        if len(missing):
            snapped = shapely.snap(shapes[n], shapely.multipoints(missing), 2 * ON_EDGE_M)
            if shapely.is_valid(snapped):
                out[n] = snapped
    return out


def _neighbours(tree: shapely.STRtree, shapes: Shapes) -> list[tuple[int, NDArray[np.intp]]]:
    one, other = tree.query(shapes, predicate="dwithin", distance=ON_EDGE_M)
    pairs = one != other
    one, other = one[pairs], other[pairs]
    return [(int(n), other[one == n]) for n in np.unique(one)]


def cut_to_fit(new: shapely.Geometry, others: Shapes) -> shapely.Geometry:
    """Take from a newly drawn polygon what others cover already: their edge becomes its own."""
    tree = shapely.STRtree(others)
    over = others[tree.query(new, predicate="intersects")]
    if not len(over):
        return new
    left = shapely.difference(new, shapely.union_all(over))
    parts = [p for p in shapely.get_parts(left) if p.geom_type == "Polygon" and p.area > 1.0]
    return shapely.MultiPolygon(parts) if len(parts) != 1 else parts[0]


def overlaps(shapes: Shapes) -> dict[tuple[int, int], float]:
    """Areas (m2) that two polygons cover both, by their numbers."""
    one, other = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    first = one < other
    one, other = one[first], other[first]
    areas = shapely.area(shapely.intersection(shapes[one], shapes[other]))
    return {
        (int(a), int(b)): float(m2)
        for a, b, m2 in zip(one, other, areas, strict=True)
        if m2 > _NOTHING_M2
    }


def newly_wrong(before: Shapes, after: Shapes, was: list[int | None]) -> set[int]:
    """Numbers of polygons ``after`` an edit that overlap more than they did, or no longer match.

    ``was`` says which of ``before`` each was, None where it is new. What overlapped already may
    stay as it was.
    """
    old = overlaps(before)
    found: set[int] = set()
    for (a, b), m2 in overlaps(after).items():
        one, other = was[a], was[b]
        known = 0.0
        if one is not None and other is not None:
            known = old.get((min(one, other), max(one, other)), 0.0)
        if m2 > known + _NOTHING_M2:
            found |= {a, b}
    if not found and shapely.coverage_is_valid(before) and not shapely.coverage_is_valid(after):
        edges = shapely.coverage_invalid_edges(after)
        found = {int(n) for n in np.flatnonzero(~shapely.is_empty(edges))}
    return found
