"""Takes the usable parts of a layer's shapes: nothing vanishes, what is left out is named."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siteplanner.base.errors import Errors

#: A line is an outline where its ends are no further apart than this share of its length, as when
#: somebody walks round a field with a GPS (common practice, no source).
CLOSED = 0.05
#: More features than these are left out of a sentence.
_NAMED = 8


def which(chosen: pd.Series[bool]) -> str:
    """Name features by their number in the layer, from 1."""
    numbers = [str(int(n) + 1) for n in dict.fromkeys(chosen.index[chosen])]
    more = f" and {len(numbers) - _NAMED} more" if len(numbers) > _NAMED else ""
    return f"feature{'s' if len(numbers) > 1 else ''} {', '.join(numbers[:_NAMED])}{more}"


def usable(
    path: Path, place: str, frame: gpd.GeoDataFrame, kinds: tuple[str, ...], notes: list[str]
) -> gpd.GeoDataFrame:
    """Take the parts of the shapes that are of the ``kinds`` a layer takes.

    Collections are taken apart; where polygons are wanted, a line that closes is the outline of
    one. A feature's polygons stay one feature, other parts become features of their own, with
    the same columns. What is left out is named in ``notes``.

    Raises :class:`~siteplanner.InputError` when nothing can be used.
    """
    fits = frame.geom_type.isin(kinds)
    if fits.all():
        return frame
    parts = frame[~fits]
    while (parts.geom_type == "GeometryCollection").any() or not set(parts.geom_type) <= {
        "Point", "LineString", "LinearRing", "Polygon", *kinds,
    }:  # fmt: skip
        parts = parts.explode(index_parts=False)
    polygons = "Polygon" in kinds
    if polygons and "LineString" not in kinds:
        parts = _outlines(path, place, parts, notes)
    good = parts.geom_type.isin(kinds)
    if not good.any() and not fits.any():
        errors = Errors()
        for kind in sorted(set(frame.geom_type)):
            these = frame.geom_type == kind
            one = "it is a" if these.sum() == 1 else "each is a"
            errors.add(
                path,
                f"{place}, {which(these)}",
                f"{one} {kind}",
                f"this layer takes {' or '.join(kinds)}",
            )
        errors.raise_any()
    if not good.all():
        left = [
            f"{which(parts.geom_type == kind)} ({kind})"
            for kind in sorted(set(parts.geom_type[~good]))
        ]
        notes.append(
            f"{path.name}, {place}: this layer takes {' or '.join(kinds)}; left out: "
            f"{'; '.join(left)}."
        )
    parts = parts[good]
    if polygons:
        parts = _one_a_feature(parts)
    return pd.concat([frame[fits], parts]).sort_index(kind="stable")


def _one_a_feature(parts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Put a feature's polygons together again; points and lines stay as they are."""
    areas = parts.geom_type.isin(("Polygon", "MultiPolygon"))
    several = areas & parts.index.isin(parts.index[areas][parts.index[areas].duplicated()])
    if not several.any():
        return parts
    together = parts[several]
    first = together[~together.index.duplicated()].copy()
    first.geometry = [
        shapely.multipolygons(shapely.get_parts(together.loc[[number]].geometry.array))
        for number in first.index
    ]
    return pd.concat([parts[~several], first])


def _outlines(
    path: Path, place: str, parts: gpd.GeoDataFrame, notes: list[str]
) -> gpd.GeoDataFrame:
    """Make polygons of lines whose ends meet, or nearly do; others stay lines."""
    lines = parts.geom_type.isin(("LineString", "LinearRing"))
    if not lines.any():
        return parts
    shapes = shapely.force_2d(parts.geometry.array[lines.to_numpy()])
    ends = shapely.distance(shapely.get_point(shapes, 0), shapely.get_point(shapes, -1))
    length = shapely.length(shapes)
    share = np.divide(ends, length, out=np.ones(len(shapes)), where=length > 0)
    closed = (share <= CLOSED) & (shapely.get_num_coordinates(shapes) > 3)
    if not closed.any():
        return parts
    rings = shapes[closed]
    corners = [shapely.get_coordinates(ring) for ring in rings]
    chosen = lines.to_numpy().copy()
    chosen[chosen] = closed
    out = parts.geometry.array.copy()
    out[np.flatnonzero(chosen)] = [shapely.Polygon(xy) for xy in corners]
    apart = share[closed].max()
    gap = f", though the ends are up to {apart:.1%} of the line apart" if apart > 0 else ""
    notes.append(
        f"{path.name}, {place}: closed lines are taken as outlines{gap}: "
        f"{which(pd.Series(chosen, index=parts.index))}. Check them on the map."
    )
    return parts.set_geometry(gpd.GeoSeries(out, index=parts.index, crs=parts.crs))


def stray_holes(shape: shapely.Geometry) -> shapely.Geometry:
    """Make parts of holes that lie wholly outside the outline they are holes of.

    Such a ring was drawn as a part of the ground; as a hole it would vanish.

    >>> from shapely import Polygon, box
    >>> stray_holes(Polygon(box(0, 0, 1, 1).exterior, [box(5, 0, 6, 1).exterior])).area
    2.0
    """
    found = []
    for part in shapely.get_parts(shape):
        outline = shapely.make_valid(shapely.Polygon(part.exterior))
        holes = [shapely.Polygon(ring) for ring in part.interiors]
        apart = [shapely.make_valid(hole).intersection(outline).area == 0 for hole in holes]
        kept = [hole.exterior for hole, stray in zip(holes, apart, strict=True) if not stray]
        found += [shapely.Polygon(part.exterior, kept)]
        found += [hole for hole, stray in zip(holes, apart, strict=True) if stray]
    return shapely.MultiPolygon(found) if len(found) > 1 else found[0]
