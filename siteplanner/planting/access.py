"""Who may work where: access classes of blocks, and what becomes of ground not for feet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid, cells_of_each
from siteplanner.base.units import area_words
from siteplanner.planting.rows.layout import Places
from siteplanner.site.planting import Planting, WorkRates

ACCESS_CLASSES = ("volunteers", "experienced people only", "not on foot")
VOLUNTEERS, _EXPERIENCED, NOT_ON_FOOT = ACCESS_CLASSES
#: What the access class of a block begins with that a named crew plants on steep ground.
STEEP_CREW = "steep-ground crew only"
#: What [planting] steep says of ground that is seeded from the air.
SEEDED = "seed from above"
#: Blocks nearer than this to a power line or deep water are not for volunteers.
NEAR_DANGER_M = 30.0
_DANGERS = ("power_line", "dam")
#: A block is as steep as its ground at this quantile.
_STEEP_QUANTILE = 0.9
_BEST_TO_SEED = 5

Steep = Literal["leave", "seed from above", "steep crew"]


def on_safe_ground(
    places: Places, slope: FloatGrid, grid: Grid, steepest_deg: float
) -> tuple[Places, int]:
    """Keep the places whose cell is no steeper than ``steepest_deg``; also how many were not.

    ``slope`` is (rows, columns), degrees; a cell of unknown slope (NaN) keeps its places.
    """
    here = grid.sample(slope, places.x, places.y).astype(np.float64)
    keep = ~(here > steepest_deg)
    return places.only(keep), int(np.count_nonzero(~keep))


def access_class(
    slope_to: float, block: shapely.Polygon, dangers: NDArray[np.object_], rates: WorkRates
) -> str:
    """Who may work on a block (judgement, no source; someone who knows the site decides).

    ``slope_to`` is the slope, degrees, that a tenth of the block's ground exceeds; ``dangers`` are
    the features whose nearness is one (:func:`dangers_of`).
    """
    if slope_to > rates.experienced_deg:
        return NOT_ON_FOOT
    near = shapely.dwithin(dangers, block, NEAR_DANGER_M).any() if len(dangers) else False
    return _EXPERIENCED if slope_to > rates.volunteers_deg or near else VOLUNTEERS


def dangers_of(no_plant: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Features of ``no_plant`` (``kind``) whose nearness is a danger."""
    return np.asarray(no_plant.geometry[no_plant["kind"].isin(_DANGERS)].to_numpy(), dtype=object)


def access_classes(
    blocks: gpd.GeoDataFrame,
    slope: FloatGrid,
    scored: BoolGrid,
    no_plant: gpd.GeoDataFrame,
    grid: Grid,
    rates: WorkRates,
) -> NDArray[np.object_]:
    """Access class (blocks,) of each block, by the slope of its own cells that are scored."""
    if blocks.empty:
        return np.empty(0, dtype=object)
    of_cell = np.where(scored, grid.number(blocks.geometry), 0)
    found, dangers = [], dangers_of(no_plant)
    for block, cells in zip(blocks.geometry, cells_of_each(of_cell, len(blocks)), strict=True):
        # A block thinner than a cell: what lies about it.
        around = cells if len(cells) else np.flatnonzero(grid.cover([block], all_touched=True))
        known = slope.ravel()[around]
        known = known[np.isfinite(known)]
        slope_to = float(np.quantile(known, _STEEP_QUANTILE)) if known.size else float("nan")
        found.append(access_class(slope_to, block, dangers, rates))
    return np.array(found, dtype=object)


def settled(
    blocks: gpd.GeoDataFrame, places: Places, classes: NDArray[np.object_], rules: Planting
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, Places]:
    """Do with blocks that are not on foot as ``[planting] steep`` says: all, planted, places.

    ``classes`` and ``places.block`` count the blocks with a ``spacing_m`` over 0 alone. All blocks
    get ``access_class`` ("" where nothing was to be planted) and ``steep`` (what becomes of a
    block that is not on foot, "" for others). Left and seeded blocks have no places, and the
    pattern "none".
    """
    was_planted = np.flatnonzero(blocks["spacing_m"] > 0)
    access = np.full(len(blocks), "", dtype=object)
    access[was_planted] = classes
    steep = access == NOT_ON_FOOT
    fate = np.where(steep, rules.steep, "").astype(object)
    if rules.steep == "steep crew":
        access[steep] = f"{STEEP_CREW}: {rules.steep_crew}"
    blocks = blocks.assign(access_class=access, steep=fate)
    out = steep & (rules.steep != "steep crew")
    blocks.loc[out, "spacing_m"], blocks.loc[out, "pattern"] = 0.0, "none"
    of_all = was_planted[places.block]
    kept = places.only(~out[of_all])
    planted = (blocks["spacing_m"] > 0).to_numpy()
    number = np.cumsum(planted) - 1
    kept = replace(kept, block=number[was_planted[kept.block]])
    return blocks, blocks[planted].reset_index(drop=True), kept


def steep_before(
    blocks: gpd.GeoDataFrame, classes: NDArray[np.object_], rules: Planting
) -> NDArray[np.object_]:
    """What becomes of blocks that stay (blocks,): those not on foot that never had rows.

    ``blocks`` has ``kind`` (below 0: no ground for trees) and ``spacing_m``. A crew named since
    gets none of them: they stay as they are.
    """
    bare = (blocks["kind"] >= 0) & ~(blocks["spacing_m"] > 0)
    bare &= (np.asarray(classes) == NOT_ON_FOOT) & (rules.steep != "steep crew")
    return np.where(bare, rules.steep, "").astype(object)


def for_steep_crew(classes: Sequence[str] | NDArray[np.object_]) -> NDArray[np.bool_]:
    """Tell which access classes are those of the named steep-ground crew."""
    return np.array([str(one).startswith(STEEP_CREW) for one in classes], dtype=bool)


def words_on_steep(
    blocks: gpd.GeoDataFrame,
    dropped: int,
    scores: NDArray[np.uint8],
    names: Sequence[str],
    grid: Grid,
    rules: Planting,
    lowest_suitability: int,
) -> list[str]:
    """Sentences on places left out for their slope and on blocks that are not on foot.

    ``blocks`` as :func:`settled` gives them; ``scores`` (species, rows, columns), 255 unknown.
    """
    said = []
    if dropped:
        said.append(
            f"{dropped:,} places lie on cells steeper than {rules.steepest_deg:g}° "
            "([planting] steepest_deg): no tree stands there."
        )
    steep = blocks[blocks["steep"] != ""]
    if steep.empty:
        return said
    which = f"Block{'s' * (len(steep) > 1)} {', '.join(steep['block'])}"
    area = area_words(steep["area_ha"].sum())
    graded = f"{which} ({area}): graded not on foot, too steep for people with a load."
    if rules.steep == "leave":
        said.append(
            f"{graded} Left: no trees, no planting sheet. [planting] steep can have them seeded "
            "from above or give them to a crew that is equipped and trained for such ground."
        )
    elif rules.steep == "steep crew":
        said.append(
            f"{graded} They are for {rules.steep_crew} alone: check its training and gear, and "
            "let it judge on the day; local rules on work at height decide."
        )
    else:
        best = best_to_seed(steep.geometry, scores, names, grid, lowest_suitability)
        said.append(
            f"{graded} To be seeded from above: no trees are placed or counted, nothing is "
            f"carried in. {_words_on_best(best)} works.csv has the month. How much seed a hectare "
            "takes is not worked out here: ask someone who direct-seeds such ground. Flights, "
            "drones and seed may need permits, and local rules decide."
        )
    return said


def best_to_seed(
    shapes: Iterable[shapely.Geometry],
    scores: NDArray[np.uint8],
    names: Sequence[str],
    grid: Grid,
    lowest_suitability: int,
) -> list[str] | None:
    """Species that fit some ground best over all its cells, best first; None: not known.

    ``scores`` (species, rows, columns), 255 unknown.
    """
    cells = grid.cover(shapes) & (scores[0] != 255)
    if not cells.any():
        return None
    mean = scores[:, cells].mean(axis=1)
    best = [n for n in np.argsort(-mean, kind="stable") if mean[n] >= lowest_suitability]
    return [names[n] for n in best[:_BEST_TO_SEED]]


def _words_on_best(best: list[str] | None) -> str:
    if best is None:
        return "Which species fit there is not known."
    if not best:
        return "No species fits there well enough by its table."
    return f"Best suited there: {', '.join(best)}."
