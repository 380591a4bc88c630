"""The user's last word: zones drawn by hand, ground not to plant, and what belongs where.

Everything here is read from the site folder and never written there. Ground that the user
decided on is kept as drawn; the plan says what was kept and what no longer agrees with it.
"""

from __future__ import annotations

from collections.abc import Collection

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.units import hectares
from siteplanner.planting.zones.blocks import BY_HAND
from siteplanner.reading.decisions import USES, Decided
from siteplanner.site.planting import Mix
from siteplanner.suitability.score import Suitability

#: Less than this share of hand-drawn ground is no reason to speak up.
_SLIGHT = 0.05


def drawn_over(shapes: gpd.GeoDataFrame, decided: Decided) -> gpd.GeoDataFrame:
    """Lay the hand-drawn zones over the kinds of ground.

    Where two overlap, cutting to blocks gives the ground to the first. Zones get the kinds
    ``BY_HAND``, ``BY_HAND`` + 1 and so on.
    """
    zones = decided.zones
    if zones.empty:
        return shapes
    left = shapely.difference(shapes.geometry.to_numpy(), zones.union_all())
    kinds = [*shapes["kind"], *(BY_HAND + n for n in range(len(zones)))]
    frame = gpd.GeoDataFrame({"kind": kinds}, geometry=[*left, *zones.geometry], crs=shapes.crs)
    return frame[~frame.geometry.is_empty].reset_index(drop=True)


def letters_of(decided: Decided) -> dict[int, str]:
    """Letters that the user gave, by kind."""
    return {BY_HAND + n: letter for n, letter in enumerate(decided.zones["zone"])}


def titles_of(decided: Decided) -> dict[str, str]:
    """Names that the user gave, by letter."""
    zones = decided.zones
    return {z: t for z, t in zip(zones["zone"], zones["title"], strict=True) if t}


def mixes_of(
    mix: Mix, decided: Decided, facts: pd.DataFrame
) -> tuple[Mix, dict[str, Mix], list[str]]:
    """Rules of the mix everywhere, those of zones that have their own, and what to tell.

    Species that are not on the list of local ones, and those whose cautions call them weedy, are
    told of, and barred where ``[decisions]`` says so.
    """
    names = list(facts["botanical_name"])
    told: list[str] = []
    never = list(mix.never)
    away = [] if decided.local is None else [n for n in names if n not in decided.local]
    weedy = [n for n, c in zip(names, facts["cautions"], strict=True) if "weedy" in str(c)]
    for found, words, setting in (
        (away, "not on your list of local species", "bar_not_local"),
        (weedy, "marked as weedy outside their range", "bar_weedy"),
    ):
        if found:
            barred = getattr(decided.rules, setting)
            end = "left out" if barred else f"to leave them out, set {setting} = true"
            told.append(f"{', '.join(found)}: {words}; {end} under [decisions].")
            never += [n for n in found if barred and n not in never]
    general = mix.model_copy(
        update={"never": tuple(never), "must": tuple(n for n in mix.must if n not in never)}
    )
    own = {}
    for row in decided.zones.itertuples():
        change: dict[str, object] = {}
        if row.barred or row.wanted:
            change["never"] = tuple(dict.fromkeys([*never, *row.barred]))
            must = dict.fromkeys([*general.must, *row.wanted])
            change["must"] = tuple(n for n in must if n not in row.barred and n not in never)
        if row.community:
            change["aim"] = decided.rules.communities[row.community]
        if change:
            own[row.zone] = general.model_copy(update=change)
    return general, own, told


def notes_on_decisions(
    decided: Decided,
    suitability: Suitability,
    slope: FloatGrid,
    grid: Grid,
    names: Collection[str],
    *,
    lowest_suitability: int,
    steepest_deg: float,
    area: shapely.Geometry,
) -> list[str]:
    """Say what was kept of the user's decisions, and what no longer agrees with the ground."""
    said = []
    name_of = list(names)
    for row in decided.ground.itertuples():
        area_ha = hectares(row.geometry.area)
        if row.use != "plant":
            title = f" ({row.title})" if row.title else ""
            said.append(
                f"As drawn: {area_ha:.2f} ha{title} {USES[row.use]}, not planted in this plan."
            )
            continue
        said.append(f"As drawn: zone {row.zone}, {area_ha:.2f} ha.")
        cells = grid.cover([row.geometry])[suitability.mask]
        if not cells.any():
            said.append(f"Zone {row.zone} has no ground on the property.")
            continue
        score = suitability.score[:, cells]
        here = slope[suitability.mask][cells]
        _tell(said, row.zone, score.max(axis=0) < lowest_suitability, "no species suits")
        _tell(said, row.zone, here > steepest_deg, f"the slope is over {steepest_deg:g}°")
        outside = 1 - shapely.intersection(row.geometry, area).area / row.geometry.area
        if outside > _SLIGHT:
            said.append(
                f"Zone {row.zone}: {100 * outside:.0f} % of it is in setbacks or outside the "
                "paddocks to plant, and will not be planted."
            )
        for wanted in row.wanted:
            share = (score[name_of.index(wanted)] >= lowest_suitability).mean()
            if share < _SLIGHT:
                said.append(
                    f"Zone {row.zone}: you asked for {wanted}, but it suits only "
                    f"{100 * share:.0f} % of it."
                )
    return said


def _tell(said: list[str], zone: str, cells: NDArray[np.bool_], words: str) -> None:
    if cells.mean() > _SLIGHT:
        said.append(
            f"Zone {zone}: on {100 * cells.mean():.0f} % of it {words}. Check the zone as drawn."
        )
