"""Where a cell lies in the land around it: height above the ground near and far, landform."""

from __future__ import annotations

import numpy as np

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.strips import over_rows, plain
from siteplanner.ground.layer import NEIGHBOURS, WHOLE_GRID, layer, radius
from siteplanner.ground.relief._windows import above_mean, unevenness

#: Landforms from wet to dry; a layer's code is the place in this list.
LANDFORMS = (
    "hollow or valley",
    "lower slope",
    "level ground",
    "middle slope",
    "upper slope",
    "ridge",
)

#: Half widths of the windows, m; a layer has its own in its name.
POSITION_RADII_M = (30.0, 150.0, 600.0)

_POSITION_METHOD = (
    "Height minus the mean height of a square window, as wide as twice the radius ({radius} m) "
    "and clipped at the edge of the DEM: positive on ridges, negative in "
    "hollows."
)


@layer(
    LayerInfo(
        name="topographic_position_30m",
        title="Topographic position within 30 m",
        unit="m",
        method=_POSITION_METHOD.format(radius=30),
        source="common practice, no source",
        valid=(-2000.0, 2000.0),
        colours="RdYlBu_11_r",
    ),
    LayerInfo(
        name="topographic_position_150m",
        title="Topographic position within 150 m",
        unit="m",
        method=_POSITION_METHOD.format(radius=150),
        source="common practice, no source",
        valid=(-2000.0, 2000.0),
        colours="RdYlBu_11_r",
        on_map=True,
    ),
    LayerInfo(
        name="topographic_position_600m",
        title="Topographic position within 600 m",
        unit="m",
        method=_POSITION_METHOD.format(radius=600),
        source="common practice, no source",
        valid=(-5000.0, 5000.0),
        colours="RdYlBu_11_r",
    ),
    reach=radius(POSITION_RADII_M[-1]),
)
def topographic_positions(dem: FloatGrid, grid: Grid) -> tuple[FloatGrid, FloatGrid, FloatGrid]:
    """Topographic position at each of ``POSITION_RADII_M``: see :func:`topographic_position`."""
    near, middle, far = (topographic_position(dem, grid, metres) for metres in POSITION_RADII_M)
    return near, middle, far


def topographic_position(dem: FloatGrid, grid: Grid, radius_m: float) -> FloatGrid:
    """Height above the mean of a square window of half width ``radius_m``, m, (rows, cols).

    Missing cells are left out of the mean; NaN where ``dem`` is.
    """
    heights = plain(dem)
    out = np.empty_like(heights)
    over_rows(above_mean, heights.shape, heights, max(1, round(radius_m / grid.cell)), out)
    return out


@layer(
    LayerInfo(
        title="Landform",
        unit="class",
        method=(
            "Height above the ground around, against its standard deviation over the grid: over "
            "1 a ridge, 0.5 to 1 an upper slope, -1 to -0.5 a lower slope, under -1 a hollow or "
            "valley; between, a middle slope or, up to 5 degrees, level ground."
        ),
        source="Weiss (2001), slope position classes, from memory",
        valid=(0.0, len(LANDFORMS) - 1.0),
        colours="RdYlBu_11_r",
        classes=LANDFORMS,
    ),
    reach=WHOLE_GRID,
)
def landform(
    topographic_position_150m: FloatGrid, slope: FloatGrid, *, level: float = 5.0
) -> FloatGrid:
    """Landform as codes of ``LANDFORMS``, (rows, cols); up to ``level`` degrees is level.

    After Weiss (2001), from memory. Where the land has no relief at all, everything is level.
    """
    position = topographic_position_150m
    known = np.isfinite(position)
    spread = float(np.std(position[known], dtype=np.float64)) if known.any() else 0.0
    against = position / np.float32(spread if spread > 0 else 1.0)
    codes = np.where(slope <= np.float32(level), np.float32(2), np.float32(3))
    for code, there in (
        (1, against < -0.5),
        (0, against < -1),
        (4, against > 0.5),
        (5, against > 1),
    ):
        codes[there] = code
    codes[~known] = np.nan
    return codes


@layer(
    LayerInfo(
        name="ruggedness",
        title="Ruggedness",
        unit="m",
        method=(
            "Root of the summed squares of the height differences to the eight neighbours; a "
            "missing neighbour counts as level with the cell. It grows with the cell's size, so "
            "compare it within one plan only."
        ),
        source="Riley, DeGloria & Elliot (1999), terrain ruggedness index, from memory",
        valid=(0.0, 5000.0),
        colours="YlOrBr_09",
    ),
    LayerInfo(
        name="roughness",
        title="Roughness",
        unit="m",
        method="Largest less smallest height in 3 x 3 cells; missing neighbours are left out.",
        source="common practice, no source",
        valid=(0.0, 2000.0),
        colours="YlOrBr_09",
    ),
    reach=NEIGHBOURS,
)
def rough_ground(dem: FloatGrid) -> tuple[FloatGrid, FloatGrid]:
    """Ruggedness (Riley et al. 1999) and range of heights in 3 x 3 cells, m, (rows, cols)."""
    heights = plain(dem)
    rugged, rough = np.empty_like(heights), np.empty_like(heights)
    over_rows(unevenness, heights.shape, heights, rugged, rough)
    return rugged, rough
