"""Purposes: how far apart trees stand for what they are planted for, by their crowns.

Crowns should meet while trees are young, and the sooner the straighter or denser they are to be:
so the spacing is a part of the grown crown of the species that serve the purpose. The part is our
own rule of thumb, no source; published or common densities, which each purpose names, bound it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray


@dataclass(frozen=True)
class Purpose:
    """Whose crowns count (no ``roles``: all), the ``part`` of a crown, bounds in m, and sources."""

    roles: tuple[str, ...]
    part: float
    closest_m: float
    widest_m: float
    usual: str


PURPOSES: Mapping[str, Purpose] = {
    "habitat": Purpose(
        (), 1 / 3, 2.1, 4.5,
        "1,600 trees a hectare for native woodland and up to 2,250 for other (English Woodland "
        "Grant Scheme, House of Commons Hansard, 16 March 2010); 1,600 planted and 1,100 in year "
        "five for upland birch, 500 for low-density native broadleaves (Scottish Forestry Grant "
        "Scheme, 2016)",
    ),
    "timber": Purpose(
        ("long-term timber",), 1 / 4, 2.0, 3.8,
        "1,111 trees a hectare, 3 x 3 m, on good sites, 700 on others (Farm Forestline, \"High "
        "volume production regimes\"); 2,500 for conifers of the north (from memory)",
    ),
    "shelter": Purpose(
        ("shelter",), 1 / 4, 2.0, 5.0,
        "2 to 5 m by species and purpose (Meat & Livestock Australia, \"Step 5. Decision time\")",
    ),
    "food": Purpose(
        ("food",), 1.0, 3.0, 12.0,
        "40 x 40 ft for apple trees left to grow, whose crowns are about 30 ft, 26 x 20 ft for "
        "pruned ones (Extension Foundation, \"Standard Apple Rootstocks\")",
    ),
    "erosion": Purpose(
        ("riparian", "pioneer"), 1 / 6, 1.0, 2.0,
        "1 m on banks to 2 m on slopes (from memory; common practice, no source)",
    ),
}  # fmt: skip


def spacing_for(
    purpose: str, facts: pd.DataFrame, weight: NDArray[np.float64]
) -> tuple[float, str]:
    """Give the spacing in m for a purpose on some ground, and why.

    ``facts`` has ``crown_m`` and ``roles``; ``weight`` (species,) says how much each species
    counts there, 0 where it does not suit. Where no crown is known the middle of the usual
    spacings is taken, and the words say so.
    """
    asked = PURPOSES[purpose]
    crown = facts["crown_m"].to_numpy(dtype=np.float64)
    counts = np.where(np.isfinite(crown), weight, 0.0)
    serves = np.array([not asked.roles or bool({*asked.roles} & {*r}) for r in facts["roles"]])
    whose = " or ".join(asked.roles) or "all"
    if (counts * serves).sum() > 0:
        counts = counts * serves
    elif counts.sum() > 0:
        whose = f"all (none for {whose} suits)"
    else:
        middle = round((asked.closest_m * asked.widest_m) ** 0.5, 1)
        return middle, f"{purpose}: crowns are not known: ask; between what is usual: {asked.usual}"
    mean = float((counts * np.nan_to_num(crown)).sum() / counts.sum())
    spacing = round(min(max(mean * asked.part, asked.closest_m), asked.widest_m), 1)
    why = f"{purpose}: {asked.part:.0%} of the mean grown crown of {whose} species here, {mean:.1f}"
    return spacing, f"{why} m; usual: {asked.usual}"


def weights_of(scores: NDArray[np.uint8], lowest: float) -> NDArray[np.float64]:
    """How much each species counts (species,) on cells with ``scores`` (species, cells).

    As in the aim of a mix: the ground that it suits, times the square of its mean score there.
    """
    suits = scores >= lowest
    ground = suits.sum(axis=1)
    total = np.where(suits, scores, 0).sum(axis=1, dtype=np.float64)
    return np.asarray(ground * (total / np.maximum(ground, 1)) ** 2)
