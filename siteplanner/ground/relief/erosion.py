"""How readily water would carry bare soil away: slope length and steepness, a flag for strips."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplanner.base.bearings import convergence
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.ground.layer import CELL, layer

_UNIT_PLOT = 22.13  # m, 72.6 ft
_AH703 = "USDA Agriculture Handbook 703 (Renard et al. 1997), ch. 4, moderate rill erosion"


def steepness_factor(slope: ArrayLike) -> NDArray[np.float64]:
    """RUSLE's S of a slope in degrees: two straight lines in its sine that part at 9 percent.

    After McCool et al. (1987) in USDA Agriculture Handbook 703.

    >>> steepness_factor([0.0, 20.0]).round(2).tolist()
    [0.03, 5.25]
    """
    radians = np.radians(np.asarray(slope, dtype=np.float64))
    sine = np.sin(radians)
    return np.where(np.tan(radians) < 0.09, 10.8 * sine + 0.03, 16.8 * sine - 0.50)


def length_exponent(slope: ArrayLike) -> NDArray[np.float64]:
    """RUSLE's m of a slope in degrees, moderate rill erosion (McCool et al. 1989)."""
    sine = np.sin(np.radians(np.asarray(slope, dtype=np.float64)))
    ratio = (sine / 0.0896) / (3.0 * sine**0.8 + 0.56)
    return ratio / (1 + ratio)


@layer(
    LayerInfo(
        title="Slope length and steepness (LS)",
        unit="times the unit plot",
        method=(
            "RUSLE's LS: length from the catchment per metre of contour above the cell, up to a "
            "limit (300 m unless set otherwise, about the longest in the handbook's table), "
            "steepness from the cell's slope. It is for sheet and rill erosion on open slopes, "
            "not for gullies and channels."
        ),
        source=f"{_AH703}; slope length on a grid: Desmet & Govers (1996), from memory",
        valid=(0.0, 500.0),
        colours="YlOrBr_09",
    ),
    reach=CELL,
)
def ls_factor(
    specific_contributing_area: FloatGrid,
    slope: FloatGrid,
    aspect: FloatGrid,
    grid: Grid,
    *,
    longest: float = 300.0,
) -> FloatGrid:
    """RUSLE's LS, (rows, cols), NaN where ``slope`` is; ``longest`` slope length in m.

    Desmet & Govers' (1996) length is the mean over a cell of the even-slope formula between
    the inflow length and the outflow length, with the cell's width across the flow.
    """
    power = length_exponent(slope).astype(np.float32)
    facing = np.radians(np.nan_to_num(aspect) - np.float32(convergence(grid)))
    across = np.abs(np.sin(facing)) + np.abs(np.cos(facing))
    return _length_of_cells(specific_contributing_area, across, power, grid.cell, longest) * (
        steepness_factor(slope).astype(np.float32)
    )


def _length_of_cells(
    specific_contributing_area: FloatGrid,
    across: FloatGrid,
    power: FloatGrid,
    cell: float,
    longest: float,
) -> FloatGrid:
    """Tell L of cells: ((A + D^2)^(m+1) - A^(m+1)) / (D^(m+2) x^m 22.13^m)."""
    side = np.float32(cell)
    inflow = (
        np.clip(specific_contributing_area - side, 0, np.float32(max(longest - cell, 0))) * side
    )
    whole = (inflow + side * side) ** (power + 1) - inflow ** (power + 1)
    return whole / (side ** (power + 2) * across**power * np.float32(_UNIT_PLOT) ** power)


@layer(
    LayerInfo(
        title="Bare planting strips would erode",
        unit="1 yes, 0 no",
        method=(
            "LS of at least 7 unless set otherwise, which is 100 m of slope at 20 percent: "
            "strips sprayed or scraped bare down the slope would lose soil. Keep ground cover, "
            "plant in spots, set rows along the contour. Rain and soil matter as much and are "
            "not included."
        ),
        source="common practice, no source",
        valid=(0.0, 1.0),
        colours="YlOrBr_09",
        classes=("no", "yes"),
    ),
    reach=CELL,
)
def bare_strips_erode(ls_factor: FloatGrid, *, from_ls: float = 7.0) -> FloatGrid:
    """1 where LS reaches ``from_ls``, else 0, (rows, cols); NaN where it is unknown."""
    found = (ls_factor >= np.float32(from_ls)).astype(np.float32)
    found[np.isnan(ls_factor)] = np.nan
    return found
