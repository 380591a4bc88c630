"""What to say where most species of the table fail: on the site, and in zones left with too few."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely

from siteplanner.base.grid import Grid
from siteplanner.ground.assess import Ground
from siteplanner.site.planting import Mix
from siteplanner.suitability.failing import counted, most_fail, why_species_fail
from siteplanner.suitability.score import Suitability


def notes_on_failing(
    suitability: Suitability,
    ground: Ground,
    grid: Grid,
    area: shapely.Geometry,
    zones: gpd.GeoDataFrame,
    rules: Mix,
    names: Sequence[str],
) -> list[str]:
    """Say by count why most species fail on the ground to plant, and in zones that run short.

    ``zones`` has ``zone, geometry`` of zones to plant. A zone is named where most species fail
    and fewer suit than the mix asks for. Species that the mix never takes are not counted.
    """
    asked = ~np.isin(np.array(names, dtype=object), list(rules.never))
    places = {"this site": area}
    places |= {f"zone {row.zone}": row.geometry for row in zones.itertuples()}
    said: list[str] = []
    on_site: list[str] = []
    for place, shape in places.items():
        cells = grid.cover([shape])[suitability.mask]
        if not cells.any():
            continue
        every = why_species_fail(
            suitability,
            ground.layers,
            ground.infos,
            cells,
            rules.lowest_suitability,
            rules.smallest_share,
        )
        reasons = [why for why, counts in zip(every, asked, strict=True) if counts]
        if place == "this site":
            on_site = reasons
        # A zone is named where it adds to what is said of the site.
        elif reasons == on_site or reasons.count("") >= rules.least_species:
            continue
        if most_fail(reasons):
            said.append(counted(reasons, place))
    return said
