"""Layers that say how far the fit can be trusted, and what limits most species where."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.suitability.score import Fit

_METHOD = "Counted over the species and factors of the species table on each cell."
_OURS = "siteplanner"


def known_share(fitted: Fit) -> tuple[LayerInfo, FloatGrid]:
    """Share of what the species ask about that was measured there, percent (least species)."""
    info = LayerInfo(
        "Share of the factors that are known",
        "percent",
        _METHOD + " The species about which least is known there counts.",
        _OURS,
        (0, 100),
        name="factors_known",
    )
    return info, _spread(fitted, fitted.confidence.min(axis=0))


def commonest_limit(fitted: Fit, infos: Mapping[str, LayerInfo]) -> tuple[LayerInfo, FloatGrid]:
    """The factor that limits most species on each cell; NaN where nothing limits any."""
    info = LayerInfo(
        "What limits most species",
        "factor",
        _METHOD,
        _OURS,
        (0, max(len(fitted.factors) - 1, 1)),
        classes=tuple(infos[factor.layer].title for factor in fitted.factors),
        name="limited_by",
    )
    most = np.zeros(fitted.limiting.shape[1], dtype=np.uint8)
    found = np.full(len(most), np.nan, dtype=np.float32)
    for factor in range(len(fitted.factors)):
        count = (fitted.limiting == factor).sum(axis=0, dtype=np.uint8)
        found[count > most] = factor
        np.maximum(most, count, out=most)
    return info, _spread(fitted, found)


def _spread(fitted: Fit, values: NDArray[np.generic]) -> FloatGrid:
    out = np.full(fitted.mask.shape, np.nan, dtype=np.float32)
    out[fitted.mask] = values
    return out
