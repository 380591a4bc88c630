"""Zones: the kinds of ground that differ in what should be planted, and their outlines.

A zone is a kind of ground, lettered; ``siteplanner.planting.zones.blocks`` cuts it to the pieces
that a crew takes on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial, reduce
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans, vq
from scipy.ndimage import (
    distance_transform_edt,
    gaussian_filter,
    uniform_filter,
)

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.side_by_side import side_by_side
from siteplanner.reading.heights.coarse import coarseness

#: The kinds are told apart on about this many cells, and every cell goes to the nearest.
_SAMPLE = 10_000
#: Centres have settled when the cells' mean distance from them changes by less (points of 100).
_SETTLED = 1e-3
#: Kinds whose mean scores differ by less than this (points of 100, root mean square over the
#: species) would be planted alike, so they are one kind.
_ALIKE = 12.0
#: Ground that differs by so much in slope is worked differently, so it is not one kind even
#: where the same species fit it (common practice, no source).
_WORKED_ALIKE_DEG = 15.0
#: Bends narrower than so many cells are stairs of the cells.
_STAIRS = 2.0
TOO_STEEP, NOTHING_FITS = -2, -3
_OUTSIDE = -1


@dataclass(frozen=True)
class GroundTypes:
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
    lowest_suitability: int,
    smallest_width_m: float = 0.0,
) -> GroundTypes:
    """Tell apart up to ``kinds`` kinds of ground by how the species fit it, and by slope.

    ``scores`` is uint8 (species, rows, columns), 255 outside. Cells are averaged over
    ``smooth_m`` and divided by the species' scores, where all scores below ``lowest_suitability``
    count as the same: nothing is planted at them. Ground narrower than ``smallest_width_m`` and
    patches under ``smallest_m2`` are joined to the ground around them. Cells steeper than
    ``steepest_deg``, and cells where no species reaches ``lowest_suitability``, are kinds of their
    own. Deterministic, and nothing is drawn at random: a small change of the ground moves the edges
    a little and does not choose other kinds.
    """
    factor = max(1, round(smooth_m / 2 / grid.cell))
    coarse = grid.coarser(factor)
    share = _sum(plantable.astype(np.uint8), factor) / factor**2
    inside = share >= 0.5
    if not inside.any():
        inside = share > 0
    weight = uniform_filter(share, 3, mode="constant")[inside] * factor**2

    def smoothed(layer: NDArray[Any]) -> FloatGrid:
        total = _sum(np.where(plantable, layer, 0), factor)
        return uniform_filter(total, 3, mode="constant")[inside] / weight

    features = np.empty((len(scores) + 1, int(inside.sum())), dtype=np.float32)
    best = np.zeros(features.shape[1], dtype=np.float32)
    for species, mean in enumerate(side_by_side(smoothed, scores)):
        np.maximum(best, mean, out=best)
        features[species] = np.maximum(mean, lowest_suitability)
    gradient = smoothed(np.nan_to_num(slope))
    features[-1] = gradient * (_ALIKE * np.sqrt(len(features)) / _WORKED_ALIKE_DEG)
    steep = np.zeros(coarse.shape, dtype=bool)
    steep[inside] = gradient > steepest_deg
    kind = np.full(features.shape[1], NOTHING_FITS, dtype=np.int16)
    fits = best >= lowest_suitability
    if fits.any():
        kind[fits] = _divide(features if fits.all() else features[:, fits], kinds)
    labels = np.full(coarse.shape, _OUTSIDE, dtype=np.int16)
    labels[inside] = kind
    # Too steep ground has no kind of its own underneath, or its rim would be a sliver of that.
    labels[steep] = _OUTSIDE
    labels = _tidy(labels, steep, smallest_m2 / coarse.cell_area, smallest_width_m / coarse.cell)
    return GroundTypes(coarse, labels)


def _sum(values: NDArray[np.generic], factor: int) -> FloatGrid:
    """Sum of blocks of ``factor`` × ``factor`` cells, float32; beyond the edge counts as 0."""
    rows, cols = (-(-n // factor) for n in values.shape)
    out = np.zeros((rows, cols), dtype=np.float32)
    for down in range(factor):
        for right in range(factor):
            part = values[down::factor, right::factor]
            out[: part.shape[0], : part.shape[1]] += part
    return out


def _divide(features: FloatGrid, kinds: int) -> NDArray[np.int16]:
    """Divide the columns of (species, cells) scores into kinds; kind 0 is the largest.

    The kind with the most spread is cut in two along the direction of its spread until there
    are ``kinds``; then all are settled together (Lloyd's k-means) and alike ones joined.
    """
    sample = features[:, :: max(1, features.shape[1] // _SAMPLE)].T.astype(np.float64)
    centres = sample.mean(axis=0)[None]
    nearest = np.zeros(len(sample), dtype=np.int32)
    while len(centres) < kinds:
        spread = ((sample - centres[nearest]) ** 2).sum(axis=1)
        widest = int(np.bincount(nearest, spread, minlength=len(centres)).argmax())
        mine = sample[nearest == widest]
        if len(mine) < 2 or spread[nearest == widest].max() < 1:
            break
        size, along = np.linalg.eigh(np.atleast_2d(np.cov(mine.T)))
        step = np.sqrt(size[-1]) * along[:, -1]
        pair = np.stack([centres[widest] - step, centres[widest] + step])
        pair, _ = kmeans(mine, pair, thresh=_SETTLED)
        centres = np.concatenate([np.delete(centres, widest, axis=0), pair])
        nearest, _ = vq(sample, centres)
    centres, _ = kmeans(sample, centres, thresh=_SETTLED)
    centres = _unlike(centres, vq(sample, centres)[0])
    found = np.concatenate(
        [vq(part.T, centres)[0] for part in np.array_split(features, 64, axis=1)]
    )
    order = np.argsort(-np.bincount(found, minlength=len(centres)), kind="stable")
    rank = np.empty(len(order), dtype=np.int16)
    rank[order] = np.arange(len(order))
    return rank[found]


def _unlike(centres: NDArray[np.float64], nearest: NDArray[np.int32]) -> NDArray[np.float64]:
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


def _tidy(
    labels: NDArray[np.int16], steep: BoolGrid, smallest: float, width: float
) -> NDArray[np.int16]:
    """Take away ground that is too narrow (cells) or too small (cells), and fill to the edge.

    Too steep ground is laid over the rest at the end: for safety's sake none of it that is as
    wide as a crew would notice joins ground to plant.
    """
    labels = _filled(labels)
    disc = _disc(width)
    for _ in range(2):
        found = np.unique(labels)
        votes = np.stack(side_by_side(partial(_near, labels, max(width / 3, 0.8)), found))
        labels = found[votes.argmax(axis=0)]
        labels = _filled(np.where(_wide(labels, disc), labels, _OUTSIDE).astype(np.int16))
    small = max(2, int(smallest))
    labels = _sieved(labels, small, np.ones_like(steep))
    steep = _opened(steep, disc)
    labels[steep] = TOO_STEEP
    # What is left of a kind along the rim of too steep ground may be narrow again.
    kept = _wide(labels, disc) & ~steep
    labels = _filled(np.where(kept, labels, _OUTSIDE).astype(np.int16))
    labels[steep] = TOO_STEEP
    return _sieved(labels, small, ~steep)


def _near(labels: NDArray[np.int16], away: float, label: int) -> FloatGrid:
    """How much of what is near each cell has a label; ``away`` is a deviation, cells."""
    return np.asarray(gaussian_filter((labels == label).astype(np.float32), away))


def _wide(labels: NDArray[np.int16], disc: BoolGrid) -> BoolGrid:
    """Cells that lie in a disc of their own kind."""
    wide = np.zeros(labels.shape, dtype=bool)
    for n in np.unique(labels):
        wide |= _opened(labels == n, disc)
    return wide


def _opened(cells: BoolGrid, disc: BoolGrid) -> BoolGrid:
    """Cells covered by a disc that lies among them; beyond the edge they go on as at it."""
    rows, cols = (side - 1 for side in disc.shape)
    at = np.argwhere(disc)

    def moved(grid: BoolGrid) -> Iterator[BoolGrid]:
        high, wide = grid.shape[0] - rows, grid.shape[1] - cols
        return (grid[down : down + high, right : right + wide] for down, right in at)

    # Each step takes half a disc off the sides. One cell at a time of the disc, not of the ground.
    around = np.pad(cells, disc.shape[0] - 1, mode="edge")
    fits = reduce(np.logical_and, moved(around))
    return reduce(np.logical_or, moved(fits))


def _filled(labels: NDArray[np.int16]) -> NDArray[np.int16]:
    """Give cells outside the label of the nearest cell inside."""
    outside = labels == _OUTSIDE
    if not outside.any() or outside.all():
        return labels
    rows, cols = distance_transform_edt(outside, return_distances=False, return_indices=True)
    return labels[rows, cols]


def _sieved(labels: NDArray[np.int16], smallest: int, mask: BoolGrid) -> NDArray[np.int16]:
    shifted = (labels + 10).astype(np.int16)
    joined = rasterio.features.sieve(shifted, size=smallest, mask=mask, connectivity=4) - 10
    return np.where(mask, joined, labels).astype(np.int16)


def _disc(width: float) -> BoolGrid:
    """Cells of a disc as wide as ``width`` cells."""
    reach = int(width / 2)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return x**2 + y**2 <= (width / 2) ** 2


def shapes_of_kinds(kinds: GroundTypes, smooth_m: float) -> gpd.GeoDataFrame:
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
    # Stairs of coarse cells are no edge of the land: they go though wider than ``smooth_m``.
    wide = max(smooth_m / grid.cell, _STAIRS if coarseness(grid.cell) else 0.0)
    smoothed = shapely.coverage_simplify(coverage, wide, simplify_boundary=False)
    t = grid.transform
    placed = shapely.transform(
        smoothed, lambda xy: np.column_stack([t.a * xy[:, 0] + t.c, t.e * xy[:, 1] + t.f])
    )
    frame = gpd.GeoDataFrame({"kind": codes}, geometry=placed, crs=grid.crs)
    return frame.dissolve("kind", as_index=False, method="coverage").sort_values(
        "kind", ignore_index=True
    )
