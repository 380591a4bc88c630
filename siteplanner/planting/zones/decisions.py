"""The user's last word: zones drawn by hand, ground not to plant, and what belongs where.

Everything here is read from the site folder and never written there. Ground that the user
decided on is kept as drawn; the plan says what was kept and what no longer agrees with it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.units import area_words, hectares
from siteplanner.planting.zones.blocks import BY_HAND, FROM_PLAN
from siteplanner.reading.decisions import USES, Decided
from siteplanner.reading.species.nature import RULES_OUT
from siteplanner.site.planting import Mix
from siteplanner.suitability.score import Suitability

#: Areas (ha) that differ by less are said to agree: they are given to two decimals.
_AGREES_HA = 0.005
#: Less than this share of hand-drawn ground is no reason to speak up.
_SLIGHT = 0.05


def drawn_over(shapes: gpd.GeoDataFrame, decided: Decided) -> gpd.GeoDataFrame:
    """Lay the hand-drawn zones over the kinds of ground.

    Cutting to blocks gives ground of two zones to the first here: to one that was changed before
    one that is as its plan drew it, then to the first of the file. Zones have the kinds of
    :func:`letters_of`.
    """
    zones = _in_turn(decided)
    if zones.empty:
        return shapes
    left = shapely.difference(shapes.geometry.to_numpy(), zones.union_all())
    kinds = [*shapes["kind"], *zones["kind"]]
    frame = gpd.GeoDataFrame({"kind": kinds}, geometry=[*left, *zones.geometry], crs=shapes.crs)
    return frame[~frame.geometry.is_empty].reset_index(drop=True)


def _in_turn(decided: Decided) -> gpd.GeoDataFrame:
    """The zones with their ``kind``, in the order in which they get their ground."""
    zones = decided.zones
    changed = zones["changed"].to_numpy(dtype=bool)
    kind = np.where(changed, BY_HAND, FROM_PLAN) + np.arange(len(zones))
    return zones.assign(kind=kind).iloc[np.argsort(~changed, kind="stable")]


def letters_of(decided: Decided) -> dict[int, str]:
    """Letters that the user gave, by kind."""
    zones = _in_turn(decided)
    return dict(zip(zones["kind"], zones["zone"], strict=True))


def titles_of(decided: Decided) -> dict[str, str]:
    """Names that the user gave, by letter."""
    zones = decided.zones
    return {z: t for z, t in zip(zones["zone"], zones["title"], strict=True) if t}


#: How to plant what is left out, by the setting that leaves it out.
_TO_PLANT = {
    "bar_not_local": " under [decisions]",
    "bar_weedy": ". Where they grow wild, name them as native under [species]; bar_weedy = false "
    "under [decisions] plants them anywhere",
    "bar_diseased": ". Ask for local advice before you set bar_diseased = false under [decisions]",
}


def _doubtful(
    decided: Decided, facts: pd.DataFrame
) -> tuple[tuple[list[str], str, str, bool], ...]:
    """Species that are not local, weedy or ruled out by disease: words, setting, if it bars."""
    names = list(facts["botanical_name"])
    local = decided.local
    away = [] if local is None else [n for n in names if n not in local]
    weedy = [
        n
        for n, cautions in zip(names, facts["cautions"], strict=True)
        if "weedy" in str(cautions) and n not in decided.native
    ]
    diseases = facts["disease"] if "disease" in facts else [""] * len(facts)
    ill = [n for n, d in zip(names, diseases, strict=True) if str(d).startswith(RULES_OUT)]
    kinds = (
        (away, "not on your list of local species", "bar_not_local"),
        (weedy, "marked as weedy outside their range", "bar_weedy"),
        (ill, "a disease rules them out", "bar_diseased"),
    )
    return tuple((*kind, getattr(decided.rules, kind[2])) for kind in kinds)


def notes_on_doubtful(
    decided: Decided, facts: pd.DataFrame, planted: Mapping[str, Sequence[str]]
) -> list[str]:
    """Name species that are not local, weedy or ill, where they are planted; and those left out.

    ``planted`` has the zones of each species that is planted.
    """
    told = []
    for found, words, setting, barred in _doubtful(decided, facts):
        if barred:
            if found:
                told.append(f"{', '.join(found)}: {words}; left out{_TO_PLANT[setting]}.")
            continue
        where = [
            f"{n} (zone{'s' * (len(planted[n]) > 1)} {', '.join(planted[n])})"
            for n in found
            if n in planted
        ]
        if where:
            end = f"to leave them out, set {setting} = true under [decisions]"
            told.append(f"{', '.join(where)}: {words}; {end}.")
    return told


def mixes_of(mix: Mix, decided: Decided, facts: pd.DataFrame) -> tuple[Mix, dict[str, Mix]]:
    """Rules of the mix everywhere, and those of zones that have their own.

    Species that are not on the list of local ones, those whose cautions call them weedy, and those
    that a disease rules out, are barred where ``[decisions]`` says so.
    """
    never = list(mix.never)
    for found, _, _, barred in _doubtful(decided, facts):
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
    return general, own


def notes_on_decisions(
    decided: Decided,
    suitability: Suitability,
    slope: FloatGrid,
    grid: Grid,
    names: Collection[str],
    kept_ha: Mapping[str, float],
    *,
    lowest_suitability: int,
    steepest_deg: float,
    area: shapely.Geometry,
    held: gpd.GeoDataFrame | None = None,
) -> list[str]:
    """Say what was kept of the user's decisions, and what no longer agrees with the ground.

    ``kept_ha`` is the area of every zone of the plan, by letter; ``area`` may be planted; ``held``
    (``zone, geometry``) are blocks that stay as they were or are set aside.
    """
    said = _kept(decided, kept_ha, area, held)
    name_of = list(names)
    for row in decided.ground.itertuples():
        if row.use != "plant":
            title = f" ({row.title})" if row.title else ""
            drawn = hectares(row.geometry.area)
            said.append(
                f"As drawn: {area_words(drawn)}{title} {USES[row.use]}, not planted in this plan."
            )
            continue
        if not row.changed:
            continue
        cells = grid.cover([row.geometry])[suitability.mask]
        if not cells.any():
            said.append(f"Zone {row.zone} has no ground on the property.")
            continue
        at = np.flatnonzero(cells)
        here = slope[suitability.mask][at]
        most = np.zeros(len(at), dtype=np.uint8)
        for of_species in suitability.score:
            np.maximum(most, of_species[at], out=most)
        _tell(said, row.zone, most < lowest_suitability, "no species suits")
        _tell(said, row.zone, here > steepest_deg, f"the slope is over {steepest_deg:g}°")
        for wanted in row.wanted:
            share = (suitability.score[name_of.index(wanted)][at] >= lowest_suitability).mean()
            if share < _SLIGHT:
                said.append(
                    f"Zone {row.zone}: you asked for {wanted}, but it suits only "
                    f"{100 * share:.0f} % of it."
                )
    return said


def _kept(
    decided: Decided,
    kept_ha: Mapping[str, float],
    area: shapely.Geometry,
    held: gpd.GeoDataFrame | None,
) -> list[str]:
    """Say how much of each zone was kept, and where the rest went."""
    said, whole = [], []
    taken: list[tuple[str, shapely.Geometry]] = []
    for row in _in_turn(decided).itertuples():
        drawn, kept = hectares(row.geometry.area), kept_ha.get(row.zone, 0.0)
        inside = shapely.intersection(row.geometry, area)
        stay = shapely.MultiPolygon()
        if held is not None:
            stay = held.geometry[held["zone"] != row.zone].union_all()
        if abs(drawn - kept) < _AGREES_HA:
            if row.changed:
                said.append(f"As drawn: zone {row.zone}, {area_words(kept)}.")
            else:
                whole.append(f"{row.zone} {area_words(kept)}")
        else:
            why = _why_not_all(drawn, kept, inside, [("", stay), *taken])
            said.append(
                f"Kept: zone {row.zone}, {area_words(kept)}; you drew {area_words(drawn)}. "
                f"{'. '.join(why)}."
            )
        taken.append((row.zone, inside))
    if whole:
        said.append(f"Kept as in the plan they came from: {', '.join(whole)}.")
    return said


def _why_not_all(
    drawn: float,
    kept: float,
    inside: shapely.Geometry,
    taken: Sequence[tuple[str, shapely.Geometry]],
) -> list[str]:
    """Say where ground of a zone went; ``taken`` are zones that got theirs before.

    One without a letter is the ground of blocks that stay.
    """
    why = []
    outside = drawn - hectares(inside.area)
    if outside >= _AGREES_HA:
        why.append(f"{area_words(outside)} may not be planted (setbacks, paddocks, your decisions)")
    left = inside
    for other, shape in taken:
        shared = hectares(shapely.intersection(left, shape).area)
        if shared >= _AGREES_HA:
            gone = f"overlaps zone {other} and went to it"
            gone = gone if other else "is in blocks that stay as they are or are set aside"
            why.append(f"{area_words(shared)} {gone}")
        left = shapely.difference(left, shape)
    rest = hectares(left.area) - kept
    if rest >= _AGREES_HA:
        why.append(f"{area_words(rest)} is in pieces too small to plant")
    elif rest <= -_AGREES_HA:
        joined = "beside it is too small for a block of its own and joined it"
        why.append(f"{area_words(-rest)} {joined}")
    return why or ["The difference is in small pieces along the edges"]


def _tell(said: list[str], zone: str, cells: NDArray[np.bool_], words: str) -> None:
    if cells.mean() > _SLIGHT:
        said.append(
            f"Zone {zone}: on {100 * cells.mean():.0f} % of it {words}. Check the zone as drawn."
        )
