"""Blocks too large for a crew's days are cut in parts that it can plant and get to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.units import hectares
from siteplanner.planting.counts import materials
from siteplanner.planting.rows.layout import Places
from siteplanner.site.planting import WorkRates

#: A block may take so much longer than asked before it is cut.
_OVER = 1.1
#: A cut goes on for so many metres past the block's edge, so that it meets it for certain.
_PAST = 1e-3
_NO_ACCESS = shapely.MultiLineString()


def for_crews(
    blocks: gpd.GeoDataFrame,
    places: Places,
    features: gpd.GeoDataFrame,
    rates: WorkRates,
    call: Call = afresh,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, Places]:
    """Cut blocks that take a crew over ``rates.block_days``: all blocks, the planted ones, places.

    Blocks with a ``spacing_m`` over 0 are planted; ``places.block`` counts these alone, before
    and after. ``features`` has ``kind``: tracks are the way in.
    """
    planted = np.flatnonzero(blocks["spacing_m"] > 0)
    blocks, places = into_parts(
        blocks,
        replace(places, block=planted[places.block]),
        lambda trees, slope: materials(trees, slope, rates)["crew_days"].to_numpy(np.float64),
        rates.block_days,
        features.geometry[features["kind"] == "track"].union_all(),
        call,
    )
    with_trees = (blocks["spacing_m"] > 0).to_numpy()
    of_planted = np.cumsum(with_trees) - 1
    return (
        blocks,
        blocks[with_trees].reset_index(drop=True),
        replace(places, block=of_planted[places.block]),
    )


def into_parts(
    blocks: gpd.GeoDataFrame,
    places: Places,
    days: Callable[[NDArray[np.int64], NDArray[np.float64]], NDArray[np.float64]],
    most_days: float,
    access: shapely.Geometry = _NO_ACCESS,
    call: Call = afresh,
) -> tuple[gpd.GeoDataFrame, Places]:
    """Cut blocks (``block, slope_deg, geometry`` and more) whose places take over ``most_days``.

    ``places.block`` is the place of the block in the frame; ``days(trees, slope_deg)`` tells
    what they take. A cut is straight and gives parts of like numbers of trees, each in one
    piece. Of the cuts in twelve directions the one is taken that is shortest with the metres
    that either part lies further from ``access`` than the whole did. Parts are named after
    their block: A2a, A2b. Blocks share their edges exactly, as before.
    """
    number = np.bincount(places.block, minlength=len(blocks))
    take = days(number, blocks["slope_deg"].to_numpy(dtype=np.float64))
    share = np.maximum(np.ceil(take / most_days - (_OVER - 1)), 1).astype(np.int64)
    if (share == 1).all():
        return blocks, places
    at = np.column_stack([places.x, places.y])
    cuts: list[shapely.Geometry] = []
    pieces: list[shapely.Geometry] = []
    parent: list[int] = []
    names: list[str] = []
    for index, block in enumerate(blocks.itertuples()):
        mine = at[places.block == index]
        parts, lines = call(_cut, block.geometry, mine, int(share[index]), access)
        cuts += lines
        pieces += parts
        parent += [index] * len(parts)
        letters = part_letters(len(parts))
        names += [f"{block.block}{letter}" for letter in letters]
    shapes = _noded(blocks.geometry.to_numpy(), np.array(pieces, dtype=object), cuts)
    return parted(blocks, places, shapes, parent, names)


def parted(
    blocks: gpd.GeoDataFrame,
    places: Places,
    shapes: list[shapely.Polygon],
    parent: list[int],
    names: list[str],
) -> tuple[gpd.GeoDataFrame, Places]:
    """Put parts in the place of blocks: ``parent`` is the block of each, which its places go by."""
    frame = blocks.iloc[parent].reset_index(drop=True)
    frame = frame.set_geometry(gpd.GeoSeries(shapes, crs=blocks.crs)).assign(block=names)
    frame["area_ha"] = hectares(frame.area)
    return frame, replace(places, block=_part_of(places, shapes, parent))


def part_letters(number: int) -> list[str]:
    """Letters after a block's name for each of its parts; none for a block in one part."""
    alphabet = "abcdefghijklmnopqrstuvwxyz"
    if number == 1:
        return [""]
    return [(alphabet[n // 26 - 1] if n >= 26 else "") + alphabet[n % 26] for n in range(number)]


def _cut(
    shape: shapely.Polygon, at: NDArray[np.float64], share: int, access: shapely.Geometry
) -> tuple[list[shapely.Polygon], list[shapely.LineString]]:
    """Parts of a polygon, from the west and south, and the lines that part them."""
    if share == 1:
        return [shape], []
    found = _best_way(shape, at, share // 2 / share, access)
    if found is None:
        return [shape], []
    line, sides, first = found
    parts, lines = [], [line]
    for side, mine, n in zip(
        sides, (at[first], at[~first]), (share // 2, -(-share // 2)), strict=True
    ):
        more, cuts = _cut(side, mine, n, access)
        parts += more
        lines += cuts
    return parts, lines


def _best_way(
    shape: shapely.Polygon, at: NDArray[np.float64], share: float, access: shapely.Geometry
) -> tuple[shapely.LineString, list[shapely.Polygon], NDArray[np.bool_]] | None:
    """Cut of least length and way (see ``into_parts``): line, sides, places on the first side."""
    whole = shapely.distance(shape, access) if not access.is_empty else 0.0
    best, found = (np.inf, 0), None
    # The shortest come first: where one is longer than the best with its metres, so is the rest.
    for length, number, line, ahead in _ways(shape, at, share):
        if (round(length, 3), number) > best:
            break
        sides = [
            face
            for face in shapely.get_parts(shapely.polygonize([shapely.union(shape.boundary, line)]))
            if shape.contains(face.representative_point())
        ]
        if len(sides) != 2:
            continue
        away = 0.0
        if not access.is_empty:
            away = sum(max(float(shapely.distance(s, access)) - whole, 0) for s in sides)
        if (way := (round(length + away, 3), number)) < best:
            sides.sort(key=lambda s: float(np.array(s.representative_point().coords[0]) @ ahead))
            best, found = way, (line, sides, at @ ahead < _middle(at @ ahead, share))
    return found


def _ways(
    shape: shapely.Polygon, at: NDArray[np.float64], share: float
) -> list[tuple[float, int, shapely.LineString, NDArray[np.float64]]]:
    """Straight lines through a polygon with ``share`` of the places before them, shortest first.

    Of each the length, its number, the line, and which way is ahead.
    """
    turn = np.radians(np.arange(0, 180, 15))
    every = np.column_stack([np.cos(turn), np.sin(turn)])
    middle = every * np.array([_middle(at @ ahead, share) for ahead in every])[:, None]
    aside = np.column_stack([-every[:, 1], every[:, 0]]) * np.abs(shape.bounds).max() * 2
    through = shapely.linestrings(np.stack([middle - aside, middle + aside], axis=1))
    found = []
    for number, line in enumerate(shapely.intersection(shape, through)):
        if line.geom_type == "LineString" and line.length > 0:
            line = _longer(line)
            found.append((line.length, number, line, every[number]))
    return sorted(found, key=lambda way: way[:2])


def _middle(along: NDArray[np.float64], share: float) -> float:
    """Where ``share`` of the places lie before."""
    order = np.sort(along)
    last = max(1, min(round(share * len(order)), len(order) - 1))
    return float(order[last - 1] + order[last]) / 2


def _longer(line: shapely.LineString) -> shapely.LineString:
    start, end = np.array(line.coords[0]), np.array(line.coords[-1])
    ahead = (end - start) / np.hypot(*(end - start)) * _PAST
    return shapely.LineString([start - ahead, end + ahead])


def _noded(
    blocks: NDArray[np.object_], parts: NDArray[np.object_], cuts: list[shapely.Geometry]
) -> list[shapely.Polygon]:
    """Draw the parts again with the ends of cuts as corners of the blocks beside them too."""
    lines = shapely.unary_union([*shapely.boundary(blocks), *cuts])
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines).tolist()))
    face, part = shapely.STRtree(parts).query(shapely.point_on_surface(faces), predicate="within")
    return [shapely.coverage_union_all(faces[face[part == n]]) for n in range(len(parts))]


def _part_of(places: Places, shapes: list[shapely.Polygon], parent: list[int]) -> NDArray[np.int64]:
    """Part of the place's own block that is nearest to it: the one it lies in."""
    of_block = np.array(parent)
    out = np.empty(len(places.x), dtype=np.int64)
    shapely.prepare(shapes)
    for block in np.unique(places.block):
        mine, own = np.flatnonzero(places.block == block), np.flatnonzero(of_block == block)
        x, y = places.x[mine], places.y[mine]
        # Nearly all lie in one, which is told far sooner than how far away the others are.
        inside = np.array([shapely.intersects_xy(shapes[n], x, y) for n in own])
        nearest = inside.argmax(axis=0)
        beside = ~inside.any(axis=0)
        points = shapely.points(x[beside], y[beside])
        nearest[beside] = shapely.distance(np.array(shapes)[own][:, None], points).argmin(axis=0)
        out[mine] = own[nearest]
    shapely.destroy_prepared(shapes)
    return out
