"""Layers that say how far suitability can be trusted, and what limits most species where."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.suitability.score import Suitability

_METHOD = "Counted over the species and factors of the species table on each cell."
_OURS = "siteplanner"


def known_share(suitability: Suitability) -> tuple[LayerInfo, FloatGrid]:
    """Share of what the species ask about that was measured there, percent (least species)."""
    info = LayerInfo(
        "Share of the factors that are known",
        "percent",
        _METHOD + " The species with the fewest known factors decides.",
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
