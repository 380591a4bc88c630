"""Figures on how a plan is set out: stocking, what the aim of a mix costs, row spacings."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.planting.mix.mix import Mixed
from siteplanner.planting.rows.contour import row_spacings
from siteplanner.planting.rows.patterns import pattern_infos


def crown_cover(
    zones: gpd.GeoDataFrame,
    zone_of: NDArray[np.object_],
    crown_m: NDArray[np.float64],
    survival: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Crowns of the trees expected to live, when grown, in percent of each zone's map area.

    ``zone_of, crown_m, survival`` (trees,). NaN where most crowns of a zone are not known; the
    rest are taken to be as the known ones. Over 100 crowns overlap.
    """
    number = pd.Index(zones["zone"]).get_indexer(zone_of)
    known = np.isfinite(crown_m)
    area = np.where(known, np.pi / 4 * np.nan_to_num(crown_m) ** 2, 0.0) * survival
    trees, with_crown, covered = (
        np.bincount(number, weight, len(zones)) for weight in (survival, survival * known, area)
    )
    share = with_crown / np.maximum(trees, 1e-9)
    cover = covered / np.maximum(share, 1e-9) / (zones["area_ha"].to_numpy(np.float64) * 1e4)
    return np.where(share > 0.5, 100 * cover, np.nan)


def words_on_cover(zones: gpd.GeoDataFrame, cover: NDArray[np.float64]) -> list[str]:
    """Name the zones whose canopy will not close."""
    mine = (zones["trees"] > 0).to_numpy() & (cover < 100)
    if not mine.any():
        return []
    listed = ", ".join(
        f"{zone} {percent:.0f}%"
        for zone, percent in zip(zones["zone"][mine], cover[mine], strict=True)
    )
    return [
        f"The canopy will not close in these zones, even when the trees that are expected to live "
        f"are grown: their crowns will cover {listed} of the ground. If it is to close, plant "
        "closer ([planting]), or let it fill by itself."
    ]


def zone_figures(
    zones: gpd.GeoDataFrame,
    slope: FloatGrid,
    grid: Grid,
    mixes: Mapping[str, Mixed],
    cover: NDArray[np.float64],
) -> pd.DataFrame:
    """Give the stocking of each zone with trees, and how its mix stands to its aim.

    ``zone, trees, area_ha, ground_ha`` (surface area = map area / cos slope), ``density_ha,
    density_ground_ha``; ``target_deviation`` trees of another species than the aim asks for,
    ``survivors`` expected, ``survivors_possible`` by survival alone and how far that would be
    off the aim (``target_deviation_possible``); ``optimality_gap_percent``: how much better a mix
    might be; ``crown_cover_percent`` as ``cover`` (zones,) has it (see :func:`crown_cover`);
    ``spacing_why`` the rules or the purpose that the spacing follows.
    """
    rows = []
    for zone in zones.assign(cover=cover)[zones["trees"] > 0].itertuples():
        cells = grid.cover([zone.geometry])
        steep = slope[cells & np.isfinite(slope)].astype(np.float64)
        longer = float((1 / np.cos(np.radians(steep))).mean()) if steep.size else 1.0
        mixed = mixes[zone.zone]
        rows.append(
            {
                "zone": zone.zone,
                "trees": zone.trees,
                "area_ha": zone.area_ha,
                "ground_ha": zone.area_ha * longer,
                "density_ha": zone.trees / zone.area_ha,
                "density_ground_ha": zone.trees / (zone.area_ha * longer),
                "target_deviation": mixed.target_deviation,
                "survivors": mixed.survivors,
                "survivors_possible": mixed.most_survivors,
                "target_deviation_possible": mixed.most_target_deviation,
                "optimality_gap_percent": 100 * mixed.optimality_gap,
                "crown_cover_percent": zone.cover,
                "spacing_why": zone.spacing_why,
            }
        )
    return pd.DataFrame(rows)


def contour_row_spacings(
    trees: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, zones: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Gaps between rows of each block whose pattern lets the ground decide them, metres.

    ``block, rows, least, gap_5, gap_50, gap_95, most`` (quantiles in percent) and
    ``within_percent`` of the spacings that are as the pattern says (``PatternInfo.row_range``).
    """
    of_zone = zones.set_index("zone")
    found = []
    ranges = {name: facts.row_range for name, facts in pattern_infos().items() if facts.row_range}
    pattern = blocks["zone"].map(of_zone["pattern"])
    for block, form in zip(blocks.itertuples(), pattern, strict=True):
        if form not in ranges:
            continue
        narrowest, widest = ranges[form]
        mine = trees[trees["block"] == block.block]
        spacing = float(of_zone["spacing_m"][block.zone])
        spacings = row_spacings(
            mine.geometry.x.to_numpy(),
            mine.geometry.y.to_numpy(),
            mine["row"].to_numpy(dtype=np.int64),
            spacing,
        )
        if not spacings.size:
            continue
        least, low, middle, high, most = np.quantile(spacings, (0, 0.05, 0.5, 0.95, 1)) * spacing
        within = 100 * float(((spacings >= narrowest) & (spacings <= widest)).mean())
        found.append((block.block, block.rows, least, low, middle, high, most, within))
    columns = [
        "block",
        "rows",
        "least",
        "spacing_5",
        "spacing_50",
        "spacing_95",
        "most",
        "within_percent",
    ]
    return pd.DataFrame(found, columns=columns)
