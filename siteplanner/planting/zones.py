"""Zones: areas that differ in what should be planted, and the blocks a crew takes on.

A zone is a kind of ground, lettered; a block is a contiguous part of one zone in one paddock.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans2
from scipy.ndimage import distance_transform_edt, uniform_filter

from siteplanner.grid import BoolGrid, FloatGrid, Grid

_SEED = 20260101
_SAMPLE = 20_000
#: Kinds whose mean scores differ by less than this (points of 100, root mean square over the
#: species) would be planted alike, so they are one kind.
_ALIKE = 12.0
TOO_STEEP, NOTHING_FITS = -2, -3


@dataclass(frozen=True)
class Kinds:
    """The kind of ground of each cell of a (coarser) grid: 0, 1 … or one of the codes above.

    ``labels`` int16 (rows, columns) is filled past the plantable area, so that shapes cut from
    it cover that area whole.
    """

    grid: Grid
    labels: NDArray[np.int16]


def kinds_of_ground(
    scores: NDArray[np.uint8],
    slope: FloatGrid,
    plantable: BoolGrid,
    grid: Grid,
    *,
    kinds: int,
    smallest_m2: float,
    smooth_m: float,
    steepest_deg: float,
    lowest_fit: int,
) -> Kinds:
    """Tell apart up to ``kinds`` kinds of ground by how the species fit it.

    ``scores`` is uint8 (species, rows, columns), 255 outside. Cells are averaged over
    ``smooth_m``, clustered on the species' scores (k-means with a fixed seed, alike kinds
    joined), and patches under ``smallest_m2`` are joined to the ground around them. Cells
    steeper than ``steepest_deg``, and cells where no species reaches ``lowest_fit``, are kinds
    of their own. Deterministic.
    """
    factor = max(1, round(smooth_m / 2 / grid.cell))
    coarse = grid.coarser(factor)
    inside = _mean(plantable.astype(np.float32), factor) >= 0.5
    if not inside.any():
        inside = _mean(plantable.astype(np.float32), factor) > 0
    features = np.stack(
        [
            _smooth(_mean(np.where(plantable, layer, np.nan).astype(np.float32), factor), inside)
            for layer in scores
        ]
    )
    steep = _smooth(_mean(np.where(plantable, slope, np.nan), factor), inside) > steepest_deg
    best = features.max(axis=0)
    labels = np.full(coarse.shape, -1, dtype=np.int16)
    fits = inside & ~steep & (best >= lowest_fit)
    labels[inside & (best < lowest_fit)] = NOTHING_FITS
    labels[inside & steep] = TOO_STEEP
    if fits.any():
        labels[fits] = _cluster(features[:, fits].T.astype(np.float64), kinds)
    return Kinds(coarse, _joined(labels, inside, smallest_m2 / coarse.cell_area))


def _mean(values: FloatGrid, factor: int) -> FloatGrid:
    """Mean of blocks of ``factor`` × ``factor`` cells, ignoring NaN."""
    if factor == 1:
        return values
    rows, cols = (-(-n // factor) * factor for n in values.shape)
    padded = np.full((rows, cols), np.nan, dtype=np.float32)
    padded[: values.shape[0], : values.shape[1]] = values
    blocks = padded.reshape(rows // factor, factor, cols // factor, factor)
    known = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3), dtype=np.float32)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known > 0, total / known, np.float32(np.nan)).astype(np.float32)


def _smooth(values: FloatGrid, inside: BoolGrid) -> FloatGrid:
    """Mean over 3 × 3 cells, of the cells inside only; 0 outside."""
    known = inside & np.isfinite(values)
    weight = uniform_filter(known.astype(np.float32), 3, mode="constant")
    total = uniform_filter(np.where(known, values, 0).astype(np.float32), 3, mode="constant")
    return np.where(inside, total / np.maximum(weight, 1e-6), 0).astype(np.float32)


def _cluster(features: NDArray[np.float64], kinds: int) -> NDArray[np.int16]:
    """Cluster rows of (cells, species) scores; kind 0 is the largest."""
    distinct = len(np.unique(features.round(1), axis=0))
    kinds = min(kinds, distinct)
    sample = features[:: max(1, len(features) // _SAMPLE)]
    centres, _ = kmeans2(sample, kinds, minit="++", seed=_SEED, iter=40)
    centres = _unlike(centres, _nearest(features, centres))
    nearest = _nearest(features, centres)
    order = np.argsort(-np.bincount(nearest, minlength=len(centres)), kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return rank[nearest].astype(np.int16)


def _nearest(features: NDArray[np.float64], centres: NDArray[np.float64]) -> NDArray[np.int64]:
    distance = (centres**2).sum(axis=1) - 2 * features @ centres.T
    return distance.argmin(axis=1)


def _unlike(centres: NDArray[np.float64], nearest: NDArray[np.int64]) -> NDArray[np.float64]:
    """Join the two most alike centres, weighted by their cells, until all differ enough."""
    weights = np.bincount(nearest, minlength=len(centres)).astype(np.float64)
    centres, weights = centres[weights > 0], weights[weights > 0]
    while len(centres) > 1:
        apart = np.sqrt(((centres[:, None] - centres[None]) ** 2).mean(axis=2))
        apart[np.tril_indices(len(centres))] = np.inf
        a, b = np.unravel_index(apart.argmin(), apart.shape)
        if apart[a, b] >= _ALIKE:
            break
        centres[a] = np.average(centres[[a, b]], axis=0, weights=weights[[a, b]])
        weights[a] += weights[b]
        centres, weights = np.delete(centres, b, axis=0), np.delete(weights, b)
    return centres


def _joined(
    labels: NDArray[np.int16], inside: BoolGrid, smallest_cells: float
) -> NDArray[np.int16]:
    """Join small patches to their largest neighbour and spread labels past the edge."""
    shifted = (labels + 10).astype(np.int16)
    joined = (
        rasterio.features.sieve(
            shifted, size=max(1, int(smallest_cells)), mask=inside, connectivity=4
        )
        - 10
    )
    joined = np.where(inside, joined, -1).astype(np.int16)
    _, (rows, cols) = distance_transform_edt(joined == -1, return_indices=True)
    return joined[rows, cols]


def shapes_of_kinds(kinds: Kinds, smooth_m: float) -> gpd.GeoDataFrame:
    """Turn labels to polygons without gaps or overlaps, their edges straightened.

    One row a kind, column ``kind``; edges simplified as a coverage (shared edges stay shared).
    """
    grid = kinds.grid
    found = rasterio.features.shapes(kinds.labels, connectivity=4)
    codes, parts = [], []
    for shape, code in found:
        codes.append(int(code))
        parts.append(shapely.geometry.shape(shape))
    # Neighbours must share every vertex: give each cell edge its own (in whole pixels, exact).
    coverage = shapely.segmentize(np.array(parts, dtype=object), 1.0)
    smoothed = shapely.coverage_simplify(coverage, smooth_m / grid.cell, simplify_boundary=False)
    t = grid.transform
    placed = shapely.transform(
        smoothed, lambda xy: np.column_stack([t.a * xy[:, 0] + t.c, t.e * xy[:, 1] + t.f])
    )
    frame = gpd.GeoDataFrame({"kind": codes}, geometry=placed, crs=grid.crs)
    return frame.dissolve("kind", as_index=False, method="coverage").sort_values(
        "kind", ignore_index=True
    )


def blocks_of(
    shapes: gpd.GeoDataFrame,
    paddocks: gpd.GeoDataFrame,
    plantable: shapely.Geometry,
    *,
    smallest_m2: float,
) -> tuple[gpd.GeoDataFrame, float]:
    """Cut the kinds by paddock and plantable area into contiguous blocks.

    A piece under ``smallest_m2`` joins the neighbour in its paddock with which it shares most
    edge; one without a neighbour is dropped, and its area (m²) is returned beside the blocks.
    Columns ``kind, paddock, geometry``; all inside ``plantable``, none overlapping.
    """
    kinds, names, parts = [], [], []
    for paddock in paddocks[paddocks["plant"]].itertuples():
        field = shapely.intersection(paddock.geometry, plantable, grid_size=0.001)
        for kind, shape in zip(shapes["kind"], shapes.geometry, strict=True):
            piece = shapely.intersection(shape, field, grid_size=0.001)
            for part in shapely.get_parts(piece):
                if part.geom_type == "Polygon" and part.area > 0:
                    kinds.append(kind)
                    names.append(paddock.name)
                    parts.append(part)
    frame = gpd.GeoDataFrame({"kind": kinds, "paddock": names}, geometry=parts, crs=shapes.crs)
    lost = 0.0
    while True:
        areas = frame.area.to_numpy()
        small = np.flatnonzero(areas < smallest_m2)
        if not len(small):
            return frame.reset_index(drop=True), lost
        piece = small[areas[small].argmin()]
        shape = frame.geometry.iloc[piece]
        near = frame.sindex.query(shape, predicate="dwithin", distance=0.002)
        near = near[
            (near != piece) & (frame["paddock"].to_numpy()[near] == frame["paddock"].iloc[piece])
        ]
        shared = [
            shapely.intersection(shape.boundary, frame.geometry.iloc[n].buffer(0.002)).length
            for n in near
        ]
        geometry = frame.geometry.to_numpy().copy()
        if len(near) and max(shared) > 0.1:
            into = near[int(np.argmax(shared))]
            joined = shapely.union(geometry[into], shape, grid_size=0.001)
            if joined.geom_type == "Polygon":
                geometry[into] = joined
            else:
                lost += shape.area
        else:
            lost += shape.area
        frame = frame.set_geometry(gpd.GeoSeries(geometry, index=frame.index, crs=frame.crs))
        frame = frame.drop(index=frame.index[piece])


def name_blocks(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Letter the zones by area, largest first, and number the blocks from the north-west.

    Kinds that are not for trees keep the letters X (too steep) and N (nothing fits).
    """
    area = frame.assign(area=frame.area).groupby("kind")["area"].sum()
    order = area[area.index >= 0].sort_values(ascending=False, kind="stable").index
    alphabet = [c for c in "ABCDEFGHIJKLMOPQRSTUVWYZ"]
    letters = {kind: _letters(alphabet, place) for place, kind in enumerate(order)}
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
