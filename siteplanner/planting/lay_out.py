"""Lays a site out: zones, blocks, rows, a species for every place, and the counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.errors import input_error
from siteplanner.base.units import hectares
from siteplanner.ground.assess import Ground, Step, nothing_step
from siteplanner.planting import zone_rules
from siteplanner.planting.counts import count_trees
from siteplanner.planting.figures import contour_row_spacings, zone_figures
from siteplanner.planting.mix.allocation import Allocation, allocate_species
from siteplanner.planting.mix.limited import stock_of_mix
from siteplanner.planting.mix.mix import Mixed
from siteplanner.planting.mix.mothers import mothers_of
from siteplanner.planting.parts import for_crews
from siteplanner.planting.rows.layout import (
    Places,
    draw_rows,
    number_rows,
    set_out,
    with_their_own_bearings,
)
from siteplanner.planting.rows.patterns import Relief, patterns
from siteplanner.planting.zones.blocks import blocks_of, name_blocks
from siteplanner.planting.zones.decisions import (
    drawn_over,
    letters_of,
    mixes_of,
    notes_on_decisions,
    titles_of,
)
from siteplanner.planting.zones.leave import better_left
from siteplanner.planting.zones.setbacks import plantable_area, with_setbacks
from siteplanner.planting.zones.zones import kinds_of_ground, shapes_of_kinds
from siteplanner.reading.inputs import Inputs
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

#: Layers that the layout reads.
READS = (*zone_rules.READS, "months_waterlogged")


@dataclass(frozen=True)
class Layout:
    """Where everything stands. All geometry is in the grid's CRS; lists are ordered.

    Attributes
    ----------
    zones:
        One row a zone: ``zone, title, ground, area_ha, pattern, spacing_m, trees, density_ha,
        geometry`` (MultiPolygon) and more that only the layout reads.
    blocks:
        One row a block: ``block, zone, paddock, area_ha, trees, rows, bearing_deg, pattern,
        spacing_m, fall_deg, slope_deg, geometry`` (Polygon).
    rows:
        One row a planting row: ``block, zone, row, trees, length_m, ground_spacing_m, geometry``.
    trees:
        One row a tree: ``species, zone, block, row, geometry``.
    tree_species:
        Index into the species table of every row of ``trees``, uint8.
    tree_mother:
        Name of the mother tree that each tree's seed should come from, "" where none is known.
    paddocks:
        The user's paddocks: ``name, plant, area_ha, trees, geometry``.
    no_plant, setbacks:
        What to keep clear of, with ``setback_m``, and the ground kept clear around it.
    counts:
        Columns ``zone, paddock, species, common_name, trees, infill, order``; no totals.
    mixes:
        The mix of each zone that has trees, by its letter.
    zone_figures, row_spacings:
        See ``siteplanner.planting.figures``.
    notes:
        Sentences that the user should read.
    """

    zones: gpd.GeoDataFrame
    blocks: gpd.GeoDataFrame
    rows: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    tree_species: NDArray[np.uint8]
    tree_mother: NDArray[np.object_]
    paddocks: gpd.GeoDataFrame
    no_plant: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    counts: pd.DataFrame
    mixes: Mapping[str, Mixed]
    zone_figures: pd.DataFrame
    row_spacings: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def planted(self) -> gpd.GeoDataFrame:
        """The blocks that have trees."""
        return self.blocks[self.blocks["trees"] > 0].reset_index(drop=True)


def lay_out(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    site: Site,
    *,
    step: Step = nothing_step,
) -> Layout:
    """Draw the zones, set out the grids, choose the mixes and put a species on every place.

    Raises :class:`~siteplanner.InputError` where no ground is left to plant.
    """
    step("Drawing zones")
    no_plant, setbacks = with_setbacks(inputs.no_plant, inputs.boundary, site.setbacks.model_dump())
    area = _area(inputs, setbacks, site)
    notes = notes_on_decisions(
        inputs.decided,
        suitability,
        ground.layers["slope"],
        inputs.grid,
        inputs.species.facts["botanical_name"],
        lowest_suitability=site.mix.lowest_suitability,
        steepest_deg=site.planting.steepest_deg,
        area=area,
    )
    blocks, lost = _blocks(inputs, ground, suitability, site, area)
    if lost >= 1:
        notes.append(f"{lost:.0f} m² in small left-over pieces are not planted.")
    zones, blocks = zone_rules.zones_of(
        blocks, inputs, ground, suitability.mask, site, titles_of(inputs.decided)
    )
    step("Setting out the grids")
    blocks, planted, places = _places(inputs, blocks, no_plant, site)
    step("Choosing the mix and placing the species")
    general, own, told = mixes_of(site.mix, inputs.decided, inputs.species.facts)
    stock, said = stock_of_mix(inputs.hand, inputs.species.facts, site)
    allocation = allocate_species(
        general,
        inputs.species,
        inputs.grid,
        suitability,
        planted,
        places,
        no_plant,
        stock,
        own,
    )
    notes += [*said, *told, *allocation.told]
    notes += better_left(planted, no_plant, ground.layers["months_waterlogged"], inputs.grid)
    return _counted(
        inputs, ground, site, zones, blocks, planted, places, allocation, no_plant, setbacks, notes
    )


def _area(inputs: Inputs, setbacks: gpd.GeoDataFrame, site: Site) -> shapely.Geometry:
    """The ground that may be planted."""
    area = plantable_area(inputs.boundary, inputs.paddocks, setbacks)
    if area.area < 1:
        raise input_error(
            site.path,
            "setbacks",
            "no ground is left to plant",
            "look at the boundary, the paddocks to plant and the setbacks",
        )
    return shapely.difference(area, inputs.decided.not_to_plant)


def _blocks(
    inputs: Inputs, ground: Ground, suitability: Suitability, site: Site, area: shapely.Geometry
) -> tuple[gpd.GeoDataFrame, float]:
    """Draw the kinds of ground and cut them to named blocks; also m² left over."""
    rules = site.zones
    kinds = kinds_of_ground(
        suitability.on_grid(suitability.score),
        ground.layers["slope"],
        inputs.grid.cover([area]) & suitability.mask,
        inputs.grid,
        kinds=rules.kinds,
        smallest_m2=rules.smallest_m2,
        smallest_width_m=rules.smallest_width_m,
        smooth_m=rules.smooth_m,
        steepest_deg=site.planting.steepest_deg,
        lowest_suitability=site.mix.lowest_suitability,
    )
    shapes = drawn_over(shapes_of_kinds(kinds, rules.smooth_m), inputs.decided)
    blocks, lost = blocks_of(
        shapes,
        inputs.paddocks,
        area,
        smallest_m2=site.planting.smallest_block_m2,
        join_m2=rules.smallest_m2,
        smallest_width_m=rules.smallest_width_m,
    )
    if blocks.empty:
        raise input_error(
            site.path,
            "planting.smallest_block_m2",
            "no block is large enough to plant",
            "make it smaller, or look at the setbacks",
        )
    return name_blocks(blocks, letters_of(inputs.decided)), lost


def _places(
    inputs: Inputs, blocks: gpd.GeoDataFrame, no_plant: gpd.GeoDataFrame, site: Site
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, Places]:
    """Set out the grids and cut the blocks to a crew's days: all, the planted ones, the places."""
    planted = blocks[blocks["spacing_m"] > 0].reset_index(drop=True)
    places = set_out(
        planted,
        patterns(),
        no_plant,
        relief=Relief(inputs.dem, inputs.grid),
        along_ground=site.planting.spacing_along == "ground",
        lane_every=site.planting.lane_every,
    )
    return for_crews(blocks, places, no_plant, site.work)


def _counted(
    inputs: Inputs,
    ground: Ground,
    site: Site,
    zones: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    planted: gpd.GeoDataFrame,
    places: Places,
    allocation: Allocation,
    no_plant: gpd.GeoDataFrame,
    setbacks: gpd.GeoDataFrame,
    notes: list[str],
) -> Layout:
    """Number the rows, make a point for every tree, and count."""
    facts = inputs.species.facts
    places = number_rows(places.only(allocation.kind >= 0), planted)
    kinds = allocation.kind[allocation.kind >= 0].astype(np.uint8)
    trees = gpd.GeoDataFrame(
        {
            "species": facts["botanical_name"].to_numpy()[kinds],
            "zone": planted["zone"].to_numpy()[places.block],
            "block": planted["block"].to_numpy()[places.block],
            "row": places.row.astype(np.int32),
        },
        geometry=gpd.points_from_xy(places.x, places.y),
        crs=inputs.grid.crs,
    )
    paddock = planted["paddock"].to_numpy()[places.block]
    along_ground = site.planting.spacing_along == "ground"
    rows = draw_rows(trees, planted, inputs.dem, inputs.grid, along_ground=along_ground)
    in_zone = _count(trees["zone"], zones["zone"])
    zones = zones.assign(trees=in_zone, density_ha=in_zone / zones["area_ha"])
    blocks = blocks.assign(
        trees=_count(trees["block"], blocks["block"]),
        rows=_count(rows["block"], blocks["block"]),
    )
    blocks, planted = (with_their_own_bearings(frame, rows) for frame in (blocks, planted))
    return Layout(
        zones=zones,
        blocks=blocks,
        rows=rows,
        trees=trees,
        tree_species=kinds,
        tree_mother=mothers_of(trees, kinds, inputs.seed_sources, facts["botanical_name"]),
        paddocks=inputs.paddocks.assign(
            area_ha=hectares(inputs.paddocks.area),
            trees=_count(pd.Series(paddock), inputs.paddocks["name"]),
        )[["name", "plant", "area_ha", "trees", "geometry"]],
        no_plant=no_plant,
        setbacks=setbacks,
        counts=count_trees(trees[["zone", "species"]].assign(paddock=paddock), facts),
        mixes=allocation.mixes,
        zone_figures=zone_figures(zones, ground.layers["slope"], inputs.grid, allocation.mixes),
        row_spacings=contour_row_spacings(trees, blocks[blocks["trees"] > 0], zones),
        notes=tuple(notes),
    )


def _count(values: pd.Series[Any], names: pd.Series[Any]) -> NDArray[np.int64]:
    """How often each name stands among the values, 0 where it does not."""
    return values.value_counts().reindex(names, fill_value=0).to_numpy(dtype=np.int64)
