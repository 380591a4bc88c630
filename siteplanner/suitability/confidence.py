"""Layers that say how far suitability can be trusted, and what limits most species where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.suitability.score import Suitability

_METHOD = "Counted over the species and factors of the species table on each cell."
_OURS = "siteplanner"
#: Layers that come from the soil polygons alone.
_OF_SOIL = frozenset(
    {"soil_depth", "soil_ph", "stoniness", "texture_class", "drainage_class", "available_water"}
)
#: What a factor counts that only a model speaks of (judgement).
HINT_COUNTS = 0.5


def hints_on(soils: gpd.GeoDataFrame, grid: Grid) -> BoolGrid:
    """Cells of which only a model of soils speaks: a polygon that lies on top of a hint tells."""
    if not soils["hint"].any():
        return np.zeros(grid.shape, dtype=bool)
    last = int(np.flatnonzero(soils["hint"])[-1])
    over = soils.iloc[last + 1 :]
    hints = grid.cover(soils.geometry[soils["hint"]])
    return hints & ~grid.cover(over.geometry) if len(over) else hints


def less_known(
    suitability: Suitability, layers: Mapping[str, FloatGrid], hints: BoolGrid
) -> Suitability:
    """Let each soil factor that is known by a hint alone count half in ``confidence``."""
    asked = np.zeros(len(suitability.confidence))
    halves = np.zeros(suitability.confidence.shape)
    here: NDArray[np.bool_] = hints[suitability.mask]
    for factor in suitability.factors:
        if factor.points is not None:
            asks = np.atleast_1d(np.isfinite(factor.points).any(axis=1))
        else:
            assert factor.scores is not None
            asks = np.atleast_1d((factor.scores < 100).any(axis=1))
        asked += asks
        if factor.layer in _OF_SOIL:
            known = here & np.isfinite(layers[factor.layer][suitability.mask])
            halves += asks[:, None] * known
    lost = 100 * (1 - HINT_COUNTS) * halves / np.maximum(asked, 1)[:, None]
    left = np.floor(suitability.confidence - lost).clip(0, 100).astype(np.uint8)
    return replace(suitability, confidence=left)


def known_share(suitability: Suitability, *, hinted: bool = False) -> tuple[LayerInfo, FloatGrid]:
    """Share of what the species ask about that was measured there, percent (least species).

    ``hinted``: some of the soil is known from a model alone.
    """
    half = " Soil that only a model speaks of counts half." if hinted else ""
    info = LayerInfo(
        "Share of the factors that are known",
        "percent",
        _METHOD + " The species with the fewest known factors decides." + half,
        _OURS,
        (0, 100),
        name="factors_known",
    )
    return info, _spread(suitability, suitability.confidence.min(axis=0))


def commonest_limit(
    suitability: Suitability, infos: Mapping[str, LayerInfo]
) -> tuple[LayerInfo, FloatGrid]:
    """The factor that limits most species on each cell; NaN where nothing limits any."""
    info = LayerInfo(
        "What limits most species",
        "factor",
        _METHOD,
        _OURS,
        (0, max(len(suitability.factors) - 1, 1)),
        classes=tuple(infos[factor.layer].title for factor in suitability.factors),
        name="limited_by",
    )
    most = np.zeros(suitability.limiting.shape[1], dtype=np.uint8)
    found = np.full(len(most), np.nan, dtype=np.float32)
    for factor in range(len(suitability.factors)):
        count = (suitability.limiting == factor).sum(axis=0, dtype=np.uint8)
        found[count > most] = factor
        np.maximum(most, count, out=most)
    return info, _spread(suitability, found)


def _spread(suitability: Suitability, values: NDArray[np.generic]) -> FloatGrid:
    out = np.full(suitability.mask.shape, np.nan, dtype=np.float32)
    out[suitability.mask] = values
    return out
