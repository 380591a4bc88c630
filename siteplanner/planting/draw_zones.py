"""Draws the zones: what may be planted, the kinds of ground, the user's own lines, the blocks."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.base.errors import InputError, input_error
from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.units import hectares
from siteplanner.ground.assess import Ground, Step, nothing_step
from siteplanner.planting import zone_rules
from siteplanner.planting.zones.blocks import blocks_of, name_blocks
from siteplanner.planting.zones.decisions import (
    drawn_over,
    letters_of,
    notes_on_decisions,
    titles_of,
)
from siteplanner.planting.zones.kept import (
    as_they_were,
    letters_ever,
    letters_kept,
    with_standing,
)
from siteplanner.planting.zones.setbacks import plantable_area, with_setbacks
from siteplanner.planting.zones.zones import kinds_of_ground, shapes_of_kinds
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.kept_blocks import KeptBlocks
from siteplanner.site.planting import Zones
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability


@dataclass(frozen=True)
class Zoned:
    """Zones and blocks before anything is set out in them, and what to keep clear of.

    ``area`` may be planted. A paddock that is planned alone has its own ``zones``, but ``blocks``
    are those of all paddocks, so that names and rows come out as in the whole plan.
    """

    no_plant: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    blocks: gpd.GeoDataFrame
    area: shapely.Geometry
    notes: tuple[str, ...]


def draw_zones(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    site: Site,
    *,
    step: Step = nothing_step,
    call: Call = afresh,
) -> Zoned:
    """Draw the zones and cut them to blocks, and say what was kept of the user's decisions.

    What is dear goes through ``call``.

    Raises :class:`~siteplanner.InputError` where no ground is left to plant.
    """
    step("Drawing zones")
    no_plant, setbacks = with_setbacks(inputs.no_plant, inputs.boundary, site.setbacks.model_dump())
    area = _area(inputs, setbacks, site)
    new, lost = _blocks(inputs, ground, suitability, site, area, call)
    zones, blocks = zone_rules.zones_of(
        with_standing(new, inputs.kept),
        inputs,
        ground,
        suitability,
        site,
        titles_of(inputs.decided),
        call,
    )
    blocks = as_they_were(blocks, inputs.kept)
    if site.paddocks.only is not None:
        zones, area = _of_paddock(site, zones, blocks, area, inputs)
    notes = notes_on_decisions(
        inputs.decided,
        suitability,
        ground.layers["slope"],
        inputs.grid,
        inputs.species.facts["botanical_name"],
        dict(zip(zones["zone"], zones["area_ha"], strict=True)),
        lowest_suitability=site.mix.lowest_suitability,
        steepest_deg=site.planting.steepest_deg,
        area=area,
        held=inputs.kept.held,
    )
    if lost >= 1:
        notes.append(f"{lost:.0f} m² in small left-over pieces will not be planted.")
    return Zoned(no_plant, setbacks, zones, blocks, area, tuple(notes))


def _of_paddock(
    site: Site,
    zones: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    area: shapely.Geometry,
    inputs: Inputs,
) -> tuple[gpd.GeoDataFrame, shapely.Geometry]:
    """Cut the zones, and the ground that may be planted, to the one paddock that is planned."""
    here = blocks[blocks["paddock"] == site.paddocks.only].dissolve("zone").geometry
    if here.empty:
        raise _nothing_to_plant(site)
    zones = zones[zones["zone"].isin(here.index)].reset_index(drop=True)
    shapes = [shapely.multipolygons(shapely.get_parts(here[zone])) for zone in zones["zone"]]
    zones = zones.set_geometry(gpd.GeoSeries(shapes, crs=zones.crs))
    field = inputs.paddocks.geometry[inputs.paddocks["plant"]].union_all()
    return zones.assign(area_ha=hectares(zones.area)), shapely.intersection(area, field)


def _area(inputs: Inputs, setbacks: gpd.GeoDataFrame, site: Site) -> shapely.Geometry:
    """The ground that may be planted."""
    fields = inputs.paddocks.assign(plant=inputs.paddocks["laid_out"])
    area = plantable_area(inputs.boundary, fields, setbacks)
    if area.area < 1:
        raise input_error(
            site.path,
            "setbacks",
            "no ground is left to plant",
            "look at the boundary, the paddocks to plant and the setbacks",
        )
    return shapely.difference(area, inputs.decided.not_to_plant)


def _open(area: shapely.Geometry, kept: KeptBlocks) -> shapely.Geometry:
    """The ground that is laid out anew."""
    if kept.only:
        area = shapely.intersection(area, kept.open.union_all())
    return shapely.difference(area, kept.held.union_all())


def _blocks(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    site: Site,
    area: shapely.Geometry,
    call: Call,
) -> tuple[gpd.GeoDataFrame, float]:
    """Draw the kinds of ground and cut them to named blocks; also m² left over.

    Kinds are told apart on all ground, but only ground without a block that stays is cut.
    """
    rules = site.zones
    natural = call(
        _natural,
        call(suitability.on_grid, suitability.score),
        suitability.mask,
        ground.layers["slope"],
        area,
        inputs.grid,
        rules,
        site.planting.steepest_deg,
        site.mix.lowest_suitability,
    )
    letters = letters_of(inputs.decided)
    letters |= letters_kept(natural, inputs.kept, letters.values())
    fields = inputs.paddocks
    blocks, lost = blocks_of(
        drawn_over(natural, inputs.decided),
        fields.assign(plant=fields["laid_out"]),
        _open(area, inputs.kept),
        smallest_m2=site.planting.smallest_block_m2,
        join_m2=rules.smallest_m2,
        smallest_width_m=rules.smallest_width_m,
    )
    if blocks.empty and inputs.kept.standing.empty:
        raise _nothing_to_plant(site)
    return name_blocks(blocks, letters, letters_ever(inputs.kept)), lost


def _natural(
    score: NDArray[np.uint8],
    mask: BoolGrid,
    slope: FloatGrid,
    area: shapely.Geometry,
    grid: Grid,
    rules: Zones,
    steepest_deg: float,
    lowest_suitability: int,
) -> gpd.GeoDataFrame:
    """Outlines of the kinds of ground of an area, as ``shapes_of_kinds`` gives them."""
    kinds = kinds_of_ground(
        score,
        slope,
        grid.cover([area]) & mask,
        grid,
        kinds=rules.kinds,
        smallest_m2=rules.smallest_m2,
        smallest_width_m=rules.smallest_width_m,
        smooth_m=rules.smooth_m,
        steepest_deg=steepest_deg,
        lowest_suitability=lowest_suitability,
    )
    return shapes_of_kinds(kinds, rules.smooth_m)


def _nothing_to_plant(site: Site) -> InputError:
    return input_error(
        site.path,
        "planting.smallest_block_m2",
        "no block is large enough to plant",
        "make it smaller, or look at the setbacks",
    )
