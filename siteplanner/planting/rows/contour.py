"""Rows along the contour: level, evenly apart as far as the slope lets them be.

Rows lie on contours of the smoothed ground. Their height step is halved each time the ground
gets twice as gentle, so that rows are always 0.75 to 1.5 spacings apart: where the ground
steepens every second row ends, where it flattens one begins between every two. In a row trees
stand the closer the wider the rows are, so that the stocking stays 10 000 / s²; a row has one step,
and is cut where the ground asks for a very different one. (Our own.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import contourpy
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates

from siteplanner.base.grid import FloatGrid
from siteplanner.planting.rows._apart import apart
from siteplanner.planting.rows._tape import cut_to, set_along
from siteplanner.planting.rows.patterns import (
    PatternInfo,
    PatternPlaces,
    Relief,
    numbered,
    pattern,
    square,
)

#: Rows may rise by this much along their length; ground gentler than this needs no contours.
LEAST_GRADIENT = 0.03
#: Narrowest and widest spacing between rows, in spacings of trees; one is twice the other.
NARROWEST, WIDEST = 0.75, 1.5
#: The ground is smoothed over so many spacings before rows are drawn, its slope over more. More
#: smoothing makes spacings more even and rows less level; these keep rows level (measured).
_SMOOTH, _SMOOTH_SLOPE = 0.35, 0.7
#: Trees nearer than this, in spacings, are one too many; in a row, nearer than this share of its
#: step, which may be shorter.
_LEAST, _BENT = 0.75, 0.95
#: Trees in a row are brought so much closer at most, or further apart, for the block's stocking.
_CLOSER = 1.05


@dataclass(frozen=True)
class Surface:
    """Smoothed heights (m) and steepness (rise over run) around a block, on a window of cells.

    ``west``, ``north`` are the middle of the first cell; rows of cells go south.
    """

    height: NDArray[np.float64]
    steep: NDArray[np.float64]
    west: float
    north: float
    cell: float

    def at(
        self, layer: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Values between cells."""
        spot = [(self.north - y) / self.cell, (x - self.west) / self.cell]
        return np.asarray(map_coordinates(layer, spot, order=1, mode="nearest"))


@pattern(
    PatternInfo(
        title="Rows along the contour",
        picture="Level rows that follow the contour. A row ends where the ground gets steeper, "
        "and a new one begins where it gets flatter. In a row, trees are evenly apart by the tape.",
        spacing=(
            "on average: rows are 0.75 to 1.5 spacings apart, with trees closer together where "
            "rows are further apart"
        ),
        area_per_tree=1.0,
        source="our own",
        ripped=True,
        row_range=(NARROWEST, WIDEST),
    )
)
def contour(
    area: shapely.Polygon,
    spacing_m: float,
    bearing_deg: float,
    *,
    ground: Relief | None = None,
    along_ground: bool = False,
) -> PatternPlaces:
    """Rows along the contour, on average 10 000 / s² trees a hectare.

    Where the ground rises by less than 3 % any row is level enough, and rows run straight at
    the bearing. With ``along_ground`` spacings between rows are measured down the slope.
    """
    if ground is None:
        return square(area, spacing_m, bearing_deg)
    surface = surface_of(area, ground, spacing_m)
    steep = np.sin(np.arctan(surface.steep)) if along_ground else surface.steep
    inside = _covered(area, surface)
    xy, run, rate = _level_rows(area, surface, steep, inside, spacing_m)
    flat_x, flat_y, flat_row = square(area, spacing_m, bearing_deg)
    flat = surface.at(steep, flat_x, flat_y) < LEAST_GRADIENT
    flat_x, flat_y, flat_row = flat_x[flat], flat_y[flat], flat_row[flat]
    shapely.prepare(area)

    def places(share: float) -> PatternPlaces:
        """Trees on the level rows, so many times as near in the row, and on flat ground."""
        level, row, tape = set_along(xy, run, np.minimum(share * rate, WIDEST / spacing_m))
        within = shapely.contains_xy(area, level[:, 0], level[:, 1])
        level, row, tape = level[within], row[within], tape[within]
        x, y = np.r_[level[:, 0], flat_x], np.r_[level[:, 1], flat_y]
        # Neighbours in a row are as near as its tape says, all others further apart.
        least = np.r_[_BENT * tape, np.full(len(flat_x), spacing_m)].clip(max=_LEAST * spacing_m)
        height = surface.at(surface.height, x, y) if along_ground else None
        row = np.r_[row, flat_row + row.max(initial=-1) + 1]
        keep = apart(x, y, least, np.arange(len(x)), height)
        return x[keep], y[keep], numbered(row[keep])

    found = places(1.0)
    if not len(xy):
        return found
    share = _stocked(area, surface, inside, spacing_m, along_ground, len(found[0]))
    return places(share)


def _stocked(
    area: shapely.Polygon,
    surface: Surface,
    inside: NDArray[np.bool_],
    spacing_m: float,
    along_ground: bool,
    trees: int,
) -> float:
    """How many times as many trees a block must hold for its stocking, within ``_CLOSER``.

    Rows end and begin, and bends are cleared, in places; this makes up for what that costs.
    """
    steeper = np.sqrt(1 + surface.steep[inside] ** 2) if along_ground else np.ones(1)
    asked = area.area / spacing_m**2 * float(steeper.mean() if steeper.size else 1)
    return float(np.clip(asked / max(trees, 1), 1 / _CLOSER, _CLOSER))


def surface_of(area: shapely.Polygon, ground: Relief, spacing_m: float) -> Surface:
    """Cut the heights around a block and smooth them."""
    grid = ground.grid
    margin = 4 * (_SMOOTH + _SMOOTH_SLOPE) * spacing_m
    west, south, east, north = area.bounds
    (top, bottom), (left, right) = grid.rows_cols(
        np.array([west - margin, east + margin]), np.array([north + margin, south - margin])
    )
    top, left = max(top, 0), max(left, 0)
    window: FloatGrid = ground.dem[top : bottom + 1, left : right + 1]
    dem = window.astype(np.float64)
    lost = ~np.isfinite(dem)
    if lost.any() and not lost.all():
        near = distance_transform_edt(lost, return_distances=False, return_indices=True)
        dem = dem[tuple(near)]
    sigma = spacing_m / grid.cell
    height = _smoothed(dem, _SMOOTH * sigma)
    down, right_ = np.gradient(height, grid.cell)
    steep = _smoothed(np.hypot(down, right_), _SMOOTH_SLOPE * sigma)
    x, y = grid.transform @ (left + 0.5, top + 0.5)
    return Surface(height, steep, float(x), float(y), grid.cell)


def _smoothed(values: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Gaussian mean that carries planes on past the edge, so that slopes do not level there."""
    pad = int(np.ceil(3 * sigma))
    padded = np.pad(values, pad, mode="reflect", reflect_type="odd")
    wide = gaussian_filter(padded, sigma, truncate=3.0)
    return np.asarray(wide[pad : pad + values.shape[0], pad : pad + values.shape[1]])


def _covered(area: shapely.Polygon, surface: Surface) -> NDArray[np.bool_]:
    """Cells of the surface whose middle lies in the block or a cell's width around it."""
    rows, cols = np.indices(surface.height.shape)
    wider = area.buffer(1.5 * surface.cell)
    shapely.prepare(wider)
    return np.asarray(
        shapely.contains_xy(
            wider, surface.west + cols * surface.cell, surface.north - rows * surface.cell
        )
    )


def _level_rows(
    area: shapely.Polygon,
    surface: Surface,
    steep: NDArray[np.float64],
    inside: NDArray[np.bool_],
    spacing_m: float,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Lines of the level rows on sloping ground, from the lowest up.

    Corners (n, 2) in metres, the run that each is of, and the trees that a metre of it asks for.
    """
    none = np.empty((0, 2)), np.empty(0, dtype=np.int64), np.empty(0)
    sloping = inside & (steep >= LEAST_GRADIENT)
    if not sloping.any():
        return none
    step = spacing_m * float(np.median(steep[sloping]))
    lines, born = _contours(surface, _halvings(steep, step, spacing_m), sloping, step)
    if not lines:
        return none
    shapely.prepare(area)

    def wanted(
        x: NDArray[np.float64], y: NDArray[np.float64], line: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        """Tell where a line is to have trees."""
        here = surface.at(steep, x, y)
        good = (here >= LEAST_GRADIENT) & (_halvings(here, step, spacing_m) >= born[line])
        return np.asarray(good & shapely.contains_xy(area, x, y))

    xy, run = cut_to(lines, wanted, spacing_m / 3)
    here = np.maximum(surface.at(steep, xy[:, 0], xy[:, 1]), LEAST_GRADIENT)
    row_spacing = step / 2.0 ** _halvings(here, step, spacing_m) / here
    return xy, run, row_spacing / spacing_m**2


def _contours(
    surface: Surface, halvings: NDArray[np.int64], sloping: NDArray[np.bool_], step: float
) -> tuple[list[NDArray[np.float64]], NDArray[np.int64]]:
    """Contours of the sloping ground, from the lowest up, with the halving that each is born of.

    Each is (corners, 2), metres. A contour of a finer step is drawn around where it is needed.
    """
    deepest, shallowest = int(halvings[sloping].max()), int(halvings[sloping].min())
    finest = step / 2.0**deepest
    base = float(np.floor(surface.height[sloping].min() / step) * step)
    lines: list[NDArray[np.float64]] = []
    born: list[tuple[int, int]] = []
    for halving in range(shallowest, deepest + 1):
        # Contours of this step that no coarser step has; they are drawn where they are needed.
        needed = sloping & (halvings >= halving)
        if not needed.any():
            continue
        each = step / 2.0**halving
        low, high = surface.height[needed].min() - base, surface.height[needed].max() - base
        number = np.arange(np.ceil(low / each), np.floor(high / each) + 1)
        if halving > shallowest:
            number = number[number % 2 == 1]
        drawn = np.where(_grown(needed), surface.height, np.nan)
        generator = contourpy.contour_generator(z=drawn, name="serial")
        for level in base + number * each:
            drawn_lines = cast(list[NDArray[np.float64]], generator.lines(float(level)))
            lines += drawn_lines
            born += [(round((level - base) / finest), halving)] * len(drawn_lines)
    order = sorted(range(len(lines)), key=lambda n: (born[n][0], *lines[n].min(axis=0)))
    corner, cell = np.array([surface.west, surface.north]), [surface.cell, -surface.cell]
    on_map = [corner + lines[n] * cell for n in order]
    return on_map, np.array([born[n][1] for n in order], dtype=np.int64)


def _halvings(steep: NDArray[np.float64], step: float, spacing_m: float) -> NDArray[np.int64]:
    """How often the height step must be halved for rows 0.75 to 1.5 spacings apart."""
    row_spacing = step / np.maximum(steep, LEAST_GRADIENT) / spacing_m
    return np.floor(np.log2(row_spacing / NARROWEST) + 1e-9).astype(np.int64)


def _grown(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Add the cells around, so that contours reach past the middle of the outermost ones."""
    dilated = cells.copy()
    dilated[1:] |= cells[:-1]
    dilated[:-1] |= cells[1:]
    wide = dilated.copy()
    wide[:, 1:] |= dilated[:, :-1]
    wide[:, :-1] |= dilated[:, 1:]
    return wide


def row_spacings(
    x: NDArray[np.float64], y: NDArray[np.float64], row: NDArray[np.int64], spacing_m: float
) -> NDArray[np.float64]:
    """Distance from each tree to the nearest other row on each side that has one, in spacings.

    Rows further than 2.5 spacings away are no neighbours. Rows are the straight lines from
    tree to tree; a single tree is no row. The places of a row must follow each other.
    """
    order = np.argsort(row, kind="stable")
    x, y, row = x[order], y[order], row[order]
    long = np.bincount(row)[row] > 1
    x, y, row = x[long], y[long], numbered(row[long])
    points = np.column_stack([x, y])
    tree = shapely.STRtree(shapely.linestrings(points, indices=row))
    of_point, of_line = tree.query(
        shapely.points(points), predicate="dwithin", distance=2.5 * spacing_m
    )
    other = row[of_point] != of_line
    of_point, of_line = of_point[other], of_line[other]
    nearest = shapely.line_interpolate_point(
        tree.geometries[of_line],
        shapely.line_locate_point(tree.geometries[of_line], shapely.points(points[of_point])),
    )
    away = shapely.get_coordinates(nearest) - points[of_point]
    first = np.r_[True, row[1:] != row[:-1]]
    last = np.r_[row[1:] != row[:-1], True]
    index = np.arange(len(points))
    ahead = points[np.where(last, index, index + 1)] - points[np.where(first, index, index - 1)]
    ahead /= np.hypot(*ahead.T)[:, None]
    side = ahead[of_point, 0] * away[:, 1] - ahead[of_point, 1] * away[:, 0]
    distance = np.hypot(*away.T)
    # What lies mostly ahead is the end of a row in line, not a row beside.
    beside = np.abs(side) > 0.8 * distance
    found = np.full((len(points), 2), np.inf)
    np.minimum.at(found, (of_point[beside], (side[beside] > 0).astype(np.int64)), distance[beside])
    return found[np.isfinite(found)] / spacing_m
