"""What to improve first: how much of the plan hangs on what is least known of frost and soil."""

from __future__ import annotations

import numpy as np

from siteplanner.base.grid import BoolGrid
from siteplanner.ground.assess import Ground
from siteplanner.reading.heights.coarse import coarseness
from siteplanner.reading.inputs import Inputs
from siteplanner.season.dig import Doubts, spread, worth
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability, score_species

#: A change of the scores smaller than this, points of 100, is not worth a walk (judgement).
_LEAST = 0.5


def improve_first(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    planted: BoolGrid,
    doubts: Doubts,
    site: Site,
) -> list[str]:
    """Rank what to improve of a site whose data were gathered, in one sentence.

    Frost and soil are ranked by how far the scores of the species that would be planted move, on
    average over the planted ground, if what is least known turned out otherwise by its usual
    error. Heights cannot be weighed so: they come first where they are coarse and finer ones are
    known to exist, else last. Empty where the site has no table of sources.
    """
    if not inputs.sources or not planted.any():
        return []
    frost = _if_colder_or_warmer(ground, suitability, planted, site.mix.lowest_suitability)
    soil = float(doubts.best.mean()) if doubts.best.size else 0.0
    ranked = sorted([(frost, _FROST), (soil, _SOIL)], key=lambda one: -one[0])
    said = [
        f"{words} (the scores of the species planted would move by {points:.0f} points of 100)"
        for points, words in ranked
        if points >= _LEAST
    ]
    if coarseness(inputs.dem_cell):
        better = next((s.better for s in inputs.sources if s.what == "heights" and s.better), "")
        lidar = "get heights with cells of 5 m or less" + (f": {better}" if better else "")
        exist = "national heights may exist" in better
        said.insert(0 if exist else len(said), f"{lidar} (slopes, hollows and channels hang on it)")
    if not said:
        return []
    listed = "; ".join(f"{n}. {words}" for n, words in enumerate(said, 1))
    return [f"What to improve first: {listed}."]


_FROST = "a minimum thermometer for one winter, at the spots in thermometers.csv"
_SOIL = "dig the spots in dig.csv, in their order"


def _if_colder_or_warmer(
    ground: Ground, suitability: Suitability, planted: BoolGrid, lowest: int
) -> float:
    """Mean change of the scores if the coldest night were off by its error, either way."""
    if not any(f.layer == "winter_minimum" for f in suitability.factors):
        return 0.0
    rows, cols = spread(planted)
    here = {f.layer: ground.layers[f.layer][rows, cols][None] for f in suitability.factors}
    error = ground.layers["winter_minimum_error"][rows, cols][None]
    whole = np.ones((1, len(rows)), dtype=bool)
    now = worth(score_species(suitability.factors, here, whole).score, lowest)
    moved = []
    for side in (-1, 1):
        other = here | {"winter_minimum": (here["winter_minimum"] + side * error)}
        then = worth(score_species(suitability.factors, other, whole).score, lowest)
        moved.append(np.abs(then - now).mean())
    return float(np.mean(moved))
