"""Zones described, and what is to be planted in them: pattern, spacing, bearing of the rows."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import cells_of_each
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.units import hectares
from siteplanner.ground.assess import Ground
from siteplanner.planting.purposes import spacing_for, weights_of
from siteplanner.planting.rows.layout import bearing_off_fall_line, mean_fall, row_bearing
from siteplanner.planting.stocking import Stocking, check_rules, stocking_of
from siteplanner.planting.zones import describe
from siteplanner.planting.zones.zones import NOTHING_FITS, TOO_STEEP
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.species.survival_rates import kind_of_ground
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

#: Layers that the description of zones and the bearing of rows read.
READS = (*describe.READS, "bare_strips_erode")
#: Share of a block on which bare strips would erode, from which rows keep off the fall line.
_ERODING = 0.25
_WHY_NOT = {TOO_STEEP: "too steep", NOTHING_FITS: "nothing suits"}


def zones_of(
    blocks: gpd.GeoDataFrame,
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    site: Site,
    named: Mapping[str, str],
    call: Call = afresh,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Describe the zones, and give zones and blocks their pattern, spacing and bearing.

    ``named`` holds the titles that the user gave, by letter.
    """
    check_rules(site.planting, site.path)
    scored = suitability.mask
    of_cell = inputs.grid.number(blocks.geometry)

    def summed(cells: NDArray[np.int64]) -> describe.GroundSummary:
        return call(describe.ground_of, ground, cells)

    whole = summed(np.flatnonzero((of_cell > 0) & scored))
    zone, letters = pd.factorize(blocks["zone"])
    of_zone = np.where(scored, np.append(0, zone + 1).astype(np.int32)[of_cell], 0)
    grounds, titles, rules, kinds = [], [], [], []
    for cells in cells_of_each(of_zone, len(letters)):
        facts = summed(cells if len(cells) else np.flatnonzero(scored))
        marks = describe.tags(facts, whole)
        grounds.append(facts)
        titles.append(describe.title(facts, marks, inputs.dem_cell))
        kinds.append(kind_of_ground(marks))
        by_purpose = _by_purpose(suitability, cells, inputs, site)
        rules.append(stocking_of(marks, site.planting, by_purpose))
    kind = blocks.drop_duplicates("zone").set_index("zone")["kind"]
    titles = [
        f"not for trees: {_WHY_NOT[kind[letter]]} ({words})"
        if kind[letter] in _WHY_NOT
        else named.get(letter, words)
        for letter, words in zip(letters, titles, strict=True)
    ]
    titles = describe.distinct_titles(titles, grounds)
    rows = [
        _zone(blocks, letter, facts, words, rule, kind[letter] not in _WHY_NOT, ground, site)
        for letter, facts, words, rule in zip(letters, grounds, titles, rules, strict=True)
    ]
    zones = gpd.GeoDataFrame(rows, geometry="geometry", crs=inputs.grid.crs)
    zones["ground_kind"] = kinds
    return zones, _with_bearings(blocks, zones, of_cell, inputs, ground, site)


def _by_purpose(
    suitability: Suitability, cells: NDArray[np.int64], inputs: Inputs, site: Site
) -> tuple[float, str] | None:
    """Spacing that the purpose asks for on some cells, and why; None where it decides nothing."""
    if site.planting.purpose is None or not site.planting.by_purpose:
        return None
    facts = inputs.species.facts
    place = np.cumsum(suitability.mask.ravel()) - 1
    weight = weights_of(suitability.score[:, place[cells]], site.mix.lowest_suitability)
    weight[facts["botanical_name"].isin(site.mix.never)] = 0.0
    return spacing_for(site.planting.purpose, facts, weight)


def _zone(
    blocks: gpd.GeoDataFrame,
    letter: str,
    facts: describe.GroundSummary,
    words: str,
    rule: Stocking,
    planted: bool,
    ground: Ground,
    site: Site,
) -> dict[str, object]:
    """One zone's row; pattern "none" where nothing is planted."""
    shape = blocks.geometry[blocks["zone"] == letter].union_all()
    if shape.geom_type == "Polygon":
        shape = shapely.MultiPolygon([shape])
    return {
        "zone": letter,
        "title": words,
        "ground": describe.sentence(facts, ground.frost_error_c),
        "area_ha": hectares(shape.area),
        "pattern": rule.pattern if planted else "none",
        "spacing_m": rule.spacing_m if planted else 0.0,
        "spacing_why": rule.why if planted else "",
        "row_spacing_m": rule.row_spacing_m or np.nan,
        "asked_deg": np.nan if rule.bearing_deg is None else rule.bearing_deg,
        "mean_slope": facts.slope,
        "geometry": shape,
    }


def _with_bearings(
    blocks: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    of_cell: NDArray[np.int32],
    inputs: Inputs,
    ground: Ground,
    site: Site,
) -> gpd.GeoDataFrame:
    """Give each block its zone's pattern and spacing, its slope, and the bearing of its rows."""
    by_zone = zones.set_index("zone").reindex(blocks["zone"])
    strips = ground.layers["bare_strips_erode"]
    of_block = cells_of_each(of_cell, len(blocks))
    erodes = [float(np.nan_to_num(strips.ravel()[cells]).mean()) for cells in of_block]
    falls = [mean_fall(inputs.dem, inputs.grid, cells) for cells in of_block]
    steepest = site.planting.erodible_deg
    return blocks.assign(
        area_ha=hectares(blocks.area),
        pattern=by_zone["pattern"].to_numpy(),
        spacing_m=by_zone["spacing_m"].to_numpy(),
        row_spacing_m=by_zone["row_spacing_m"].to_numpy(),
        fall_deg=[fall for fall, _ in falls],
        slope_deg=[steep for _, steep in falls],
        bearing_deg=[
            row_bearing(*fall)
            if np.isnan(asked)
            else bearing_off_fall_line(
                asked, fall[0], washes=fall[1] >= steepest or eroding >= _ERODING
            )
            for asked, fall, eroding in zip(by_zone["asked_deg"], falls, erodes, strict=True)
        ],
    )
