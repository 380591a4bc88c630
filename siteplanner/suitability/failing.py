"""Why most species fail on some ground: the factor that limits each, counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.suitability.score import Suitability

#: What too little and too much of a layer is called.
_TOO = {
    "winter_minimum": ("too cold", "too mild in winter"),
    "annual_rainfall": ("too dry", "too wet"),
    "water_deficit": ("too moist", "too dry"),
    "driest_month_water": ("too dry", "too wet"),
    "available_water": ("soil holds too little water", "soil holds too much water"),
    "months_waterlogged": ("too seldom wet", "waterlogged too long"),
    "soil_depth": ("soil too shallow", "soil too deep"),
    "soil_ph": ("soil too acid", "soil too alkaline"),
    "stoniness": ("too few stones", "too stony"),
    "slope": ("too flat", "too steep"),
}


def why_species_fail(
    suitability: Suitability,
    layers: Mapping[str, FloatGrid],
    infos: Mapping[str, LayerInfo],
    cells: NDArray[np.bool_],
    lowest: float,
    least_share: float,
) -> list[str]:
    """Say for each species why it fails on the ``cells`` (cells of the mask,), "" where it suits.

    One fails that scores ``lowest`` or more on less than ``least_share`` of the cells. The reason
    is the factor that limits it on most of the cells where it fails.
    """
    at_cells = np.flatnonzero(cells)
    out = []
    for species, (score, limiting) in enumerate(
        zip(suitability.score, suitability.limiting, strict=True)
    ):
        failed = score[at_cells] < lowest
        if not failed.any() or (~failed).mean() >= max(least_share, 1 / failed.size):
            out.append("")
            continue
        limits = limiting[at_cells]
        worst = int(np.bincount(limits[failed]).argmax())
        factor = suitability.factors[worst]
        info = infos[factor.layer]
        title = info.title[0].lower() + info.title[1:]
        if factor.points is None:
            out.append(f"{title} does not suit")
            continue
        at = failed & (limits == worst)
        usual = float(np.median(layers[factor.layer][suitability.mask][at_cells[at]]))
        too_low = usual < factor.points[species, 1]
        words = _TOO.get(factor.layer, (f"{title} too low", f"{title} too high"))
        out.append(words[0] if too_low else words[1])
    return out


def counted(reasons: list[str], place: str) -> str:
    """Say how many species fail at a place and why, the commonest reason first.

    >>> counted(["too dry", "", "too dry", "too cold"], "the site")
    '3 of 4 species do not suit the site: too dry (2), too cold (1).'
    >>> counted(["too dry", "", "too dry"], "zone A")
    '2 of 3 species do not suit zone A: too dry.'
    """
    found = Counter(reason for reason in reasons if reason)
    failed = sum(found.values())
    listed = ", ".join(f"{why} ({number})" for why, number in found.most_common())
    why = listed if len(found) > 1 else next(iter(found))
    verb = "does" if failed == 1 else "do"
    return f"{failed} of {len(reasons)} species {verb} not suit {place}: {why}."


def most_fail(reasons: list[str]) -> bool:
    """Tell whether more than half of the species fail."""
    return 2 * sum(reason != "" for reason in reasons) > len(reasons)
