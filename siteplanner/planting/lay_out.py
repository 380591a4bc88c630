"""Lays a site out: zones, blocks, rows, a species for every place, and the counts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.errors import InputError, input_error
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.units import hectares
from siteplanner.ground.assess import Ground, Step, nothing_step
from siteplanner.planting import zone_rules
from siteplanner.planting.access import (
    access_classes,
    on_safe_ground,
    settled,
    steep_before,
    words_on_steep,
)
from siteplanner.planting.counts import count_trees
from siteplanner.planting.draw_zones import Zoned, draw_zones
from siteplanner.planting.failing import notes_on_failing
from siteplanner.planting.figures import (
    contour_row_spacings,
    crown_cover,
    words_on_cover,
    zone_figures,
)
from siteplanner.planting.kept import (
    SetOut,
    beside_kept,
    check_patterns,
    cut_as_before,
    notes_on_kept,
    waiting_trees,
    with_kept_trees,
)
from siteplanner.planting.mix.allocation import Allocation, allocate_species, costs_of
from siteplanner.planting.mix.limited import left_for_mix, stock_of_mix
from siteplanner.planting.mix.mix import Mixed
from siteplanner.planting.mix.mothers import mothers_of
from siteplanner.planting.parts import for_crews
from siteplanner.planting.rows.layout import draw_rows, set_out, with_their_own_bearings
from siteplanner.planting.rows.patterns import Relief, patterns
from siteplanner.planting.standing_water import hollows_of, note_on_hollows
from siteplanner.planting.zones.decisions import (
    mixes_of,
    notes_on_doubtful,
)
from siteplanner.planting.zones.leave import better_left
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.kept_blocks import IN_THE_GROUND
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

#: Is given trees: map coordinates (trees, 2), and index into the species table.
Placed = Callable[[NDArray[np.float64], NDArray[np.int64]], None]
#: Layers that the layout reads.
READS = (*zone_rules.READS, "months_waterlogged", "closed_hollows")


@dataclass(frozen=True)
class Layout:
    """Where everything stands. All geometry is in the grid's CRS; lists are ordered.

    Attributes
    ----------
    zones:
        One row a zone: ``zone, title, ground, ground_kind, area_ha, pattern, spacing_m,
        spacing_why, trees, density_ha, geometry`` (MultiPolygon) and more for the layout alone.
    blocks:
        One row a block: ``block, zone, paddock, area_ha, trees, rows, bearing_deg, pattern,
        spacing_m, fall_deg, slope_deg, status, access_class, steep, geometry`` (Polygon). See
        ``siteplanner.planting.access``: ``steep`` is what becomes of one not on foot.
    rows:
        One row a planting row: ``block, zone, row, trees, length_m, ground_spacing_m, geometry``.
    trees:
        One row a tree: ``species, zone, block, row, geometry``.
    tree_species:
        Index into the species table of every row of ``trees``, uint8.
    tree_mother:
        Name of the mother tree that each tree's seed should come from, "" where none is known.
    tree_survival:
        Expected survival of each tree, by its species and kind of ground, 0-1.
    paddocks:
        The user's paddocks: ``name, plant, area_ha, trees, geometry``.
    no_plant, setbacks:
        What to keep clear of, with ``setback_m``, and the ground kept clear around it.
    hollows:
        Hollows without an outlet: ``hollow, area_ha, depth_m, trees, geometry``.
    counts:
        Columns ``zone, paddock, species, common_name, trees, infill, order``; no totals. Trees in
        the ground are among ``trees`` and not in ``infill`` and ``order``.
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
    tree_survival: NDArray[np.float64]
    paddocks: gpd.GeoDataFrame
    no_plant: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    hollows: gpd.GeoDataFrame
    counts: pd.DataFrame
    mixes: Mapping[str, Mixed]
    zone_figures: pd.DataFrame
    row_spacings: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def to_come(self) -> NDArray[np.bool_]:
        """Trees (trees,) that are not in the ground yet, and take plants, money and days."""
        done = self.blocks["block"][self.blocks["status"] == IN_THE_GROUND]
        return ~self.trees["block"].isin(done).to_numpy(dtype=bool)

    @property
    def planted(self) -> gpd.GeoDataFrame:
        """The blocks that have trees."""
        return self.blocks[self.blocks["trees"] > 0].reset_index(drop=True)


def nothing_placed(xy: NDArray[np.float64], kind: NDArray[np.int64]) -> None:
    """Do nothing with the trees."""


def lay_out(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    site: Site,
    *,
    step: Step = nothing_step,
    call: Call = afresh,
    placed: Placed = nothing_placed,
) -> Layout:
    """Draw the zones, set out the grids, choose the mixes and put a species on every place.

    What is dear goes through ``call``. ``placed`` is given the trees as soon as all have their
    place: map coordinates (trees, 2), and index into the species table.

    Raises :class:`~siteplanner.InputError` where no ground is left to plant.
    """
    drawn = draw_zones(inputs, ground, suitability, site, step=step, call=call)
    no_plant = drawn.no_plant
    step("Setting out the grids")
    named = inputs.species.facts["botanical_name"]

    @cache
    def failing() -> list[str]:
        return call(
            notes_on_failing,
            suitability,
            ground,
            inputs.grid,
            drawn.area,
            _to_plant(drawn),
            site.mix,
            list(named),
        )

    laid, steep = _places(inputs, ground, suitability, drawn, site, failing, call)
    step("Choosing the mix and placing the species")
    allocation, told = _allocated(inputs, suitability, laid, drawn.zones, no_plant, site, call)
    grows = allocation.kind >= 0
    xy = np.column_stack([laid.places.x[grows], laid.places.y[grows]])
    placed(xy, allocation.kind[grows])
    notes = [*drawn.notes, *notes_on_kept(laid, inputs.kept, drawn.area), *steep]
    notes += [*told, *_doubtful(inputs, laid, allocation), *failing(), *allocation.told]
    notes += better_left(laid.planted, no_plant, ground.layers["months_waterlogged"], inputs.grid)
    return _counted(inputs, ground, site, drawn, laid, allocation, notes)


def _places(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    drawn: Zoned,
    site: Site,
    failing: Callable[[], list[str]],
    call: Call,
) -> tuple[SetOut, list[str]]:
    """Set out the grids, cut the blocks to a crew's days and settle who may work on them.

    Blocks that stay have their trees. Also what to say of steep ground. ``failing`` says why
    most species fail, which an error repeats where no place is left.
    """
    rules, slope, grid = site.planting, ground.layers["slope"], inputs.grid
    stays = drawn.blocks["stays"].to_numpy(dtype=bool)
    check_patterns(drawn.blocks[stays], site.blocks_file)
    new = drawn.blocks[~stays].reset_index(drop=True)
    places = set_out(
        new[new["spacing_m"] > 0].reset_index(drop=True),
        patterns(),
        drawn.no_plant,
        relief=Relief(inputs.dem, grid),
        along_ground=rules.spacing_along == "ground",
        lane_every=rules.lane_every,
        call=call,
    )
    places, dropped = on_safe_ground(places, slope, grid, rules.steepest_deg)
    if len(new):
        new, places = cut_as_before(new, places, inputs.kept)
        new, _, places = for_crews(new, places, drawn.no_plant, site.work, call)

    def classes_of(blocks: gpd.GeoDataFrame) -> NDArray[np.object_]:
        return access_classes(blocks, slope, suitability.mask, drawn.no_plant, grid, site.work)

    new, _, places = settled(new, places, classes_of(new[new["spacing_m"] > 0]), rules)
    old = drawn.blocks[stays]
    classes = classes_of(old)
    old = old.assign(access_class=classes, steep=steep_before(old, classes, rules))
    names = list(inputs.species.facts["botanical_name"])
    laid = beside_kept(new, places, old, inputs.kept, names)
    if site.paddocks.only is not None:
        laid = laid.within([site.paddocks.only])
    if not len(laid.places.x):
        raise _no_place(site, (laid.blocks["steep"] != "").any(), failing())
    said = words_on_steep(
        laid.blocks,
        dropped,
        call(suitability.on_grid, suitability.score),
        names,
        grid,
        rules,
        site.mix.lowest_suitability,
    )
    return laid, said


def _doubtful(inputs: Inputs, laid: SetOut, allocation: Allocation) -> list[str]:
    """Name species that are not local, or weedy, with the zones that they are planted in."""
    facts, grows = inputs.species.facts, allocation.kind >= 0
    zones = laid.planted["zone"].to_numpy()[laid.places.block[grows]]
    names = facts["botanical_name"].to_numpy()[allocation.kind[grows]]
    planted = pd.Series(zones).groupby(names).unique()
    return notes_on_doubtful(inputs.decided, facts, {n: sorted(z) for n, z in planted.items()})


def _to_plant(drawn: Zoned) -> gpd.GeoDataFrame:
    """Zones with ground to plant."""
    to_plant = drawn.blocks["zone"][drawn.blocks["spacing_m"] > 0]
    return drawn.zones[drawn.zones["zone"].isin(to_plant)]


def _no_place(site: Site, steep: bool, failing: list[str]) -> InputError:
    why = "the ground is too steep, or no species suits it"
    if failing and not steep:
        why += f" ({' '.join(failing).rstrip('.')})"
    return input_error(
        site.path,
        "planting.steep" if steep else "planting.steepest_deg",
        f"no place is left to plant: {why}",
        "name a steep_crew, or look at work.experienced_deg, with someone who knows the ground"
        if steep
        else "look at steepest_deg and mix.lowest_suitability, with someone who knows the ground",
    )


def _allocated(
    inputs: Inputs,
    suitability: Suitability,
    laid: SetOut,
    zones: gpd.GeoDataFrame,
    no_plant: gpd.GeoDataFrame,
    site: Site,
    call: Call,
) -> tuple[Allocation, list[str]]:
    """Put species on the places that have none yet; also what the rules of the mix tell."""
    facts = inputs.species.facts
    general, own = mixes_of(site.mix, inputs.decided, facts)
    stock, limited = stock_of_mix(inputs.hand, facts, site)
    names = list(facts["botanical_name"])
    waiting = waiting_trees(inputs.kept, names)
    stock, budget, taken = left_for_mix(
        stock, general.budget, waiting, names, costs_of(names, general)
    )
    stays = ~laid.open
    allocation = allocate_species(
        general.model_copy(update={"budget": budget}),
        inputs.species,
        inputs.grid,
        suitability,
        laid.planted,
        laid.places.only(laid.open),
        no_plant,
        stock,
        own,
        dict(zip(zones["zone"], zones["ground_kind"], strict=True)),
        (laid.places.only(stays), laid.fixed[stays]),
        call,
    )
    survival = facts["expected_survival"].to_numpy(dtype=np.float64)
    return with_kept_trees(allocation, laid, survival), [*limited, *taken]


def _counted(
    inputs: Inputs,
    ground: Ground,
    site: Site,
    drawn: Zoned,
    laid: SetOut,
    allocation: Allocation,
    notes: list[str],
) -> Layout:
    """Number the rows, make a point for every tree, and count."""
    facts = inputs.species.facts
    blocks, planted = laid.blocks, laid.planted
    places = laid.numbered(allocation.kind >= 0)
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
    rows = draw_rows(trees, planted, inputs.dem, inputs.grid)
    zones = drawn.zones
    property_cells = inputs.grid.cover(inputs.boundary.geometry)
    hollows = hollows_of(ground.layers["closed_hollows"], inputs.grid, property_cells, trees)
    notes += note_on_hollows(hollows, len(trees), inputs.dem_cell)
    lives = _survival(inputs, zones, trees["zone"], kinds)
    to_come = planted["status"].to_numpy()[places.block] != IN_THE_GROUND
    in_zone = _count(trees["zone"], zones["zone"])
    zones = zones.assign(trees=in_zone, density_ha=in_zone / zones["area_ha"])
    blocks = blocks.assign(
        trees=_count(trees["block"], blocks["block"]),
        rows=_count(rows["block"], blocks["block"]),
    )
    blocks, planted = (with_their_own_bearings(frame, rows) for frame in (blocks, planted))
    crowns = facts["crown_m"].to_numpy(dtype=np.float64)[kinds]
    cover = crown_cover(zones, trees["zone"].to_numpy(), crowns, lives)
    if site.planting.purpose != "food":
        notes += words_on_cover(zones, cover)
    return Layout(
        zones=zones,
        blocks=blocks,
        rows=rows,
        trees=trees,
        tree_species=kinds,
        tree_mother=mothers_of(trees, kinds, inputs.seed_sources, facts["botanical_name"]),
        tree_survival=lives,
        paddocks=inputs.paddocks.assign(
            area_ha=hectares(inputs.paddocks.area),
            trees=_count(pd.Series(paddock), inputs.paddocks["name"]),
        )[["name", "plant", "area_ha", "trees", "geometry"]],
        no_plant=drawn.no_plant,
        setbacks=drawn.setbacks,
        hollows=hollows[["hollow", "area_ha", "depth_m", "trees", "geometry"]],
        counts=count_trees(
            trees[["zone", "species"]].assign(paddock=paddock, survival=lives, to_come=to_come),
            facts,
        ),
        mixes=allocation.mixes,
        zone_figures=zone_figures(
            zones, ground.layers["slope"], inputs.grid, allocation.mixes, cover
        ),
        row_spacings=contour_row_spacings(trees, blocks[blocks["trees"] > 0], zones),
        notes=tuple(notes),
    )


def _survival(
    inputs: Inputs, zones: gpd.GeoDataFrame, zone_of: pd.Series[Any], kinds: NDArray[np.uint8]
) -> NDArray[np.float64]:
    """Expected survival of each tree: that of its species on its zone's kind of ground."""
    shares = np.array([inputs.species.survival_on(kind) for kind in zones["ground_kind"]])
    return shares[pd.Index(zones["zone"]).get_indexer(zone_of), kinds]


def _count(values: pd.Series[Any], names: pd.Series[Any]) -> NDArray[np.int64]:
    """How often each name stands among the values, 0 where it does not."""
    return values.value_counts().reindex(names, fill_value=0).to_numpy(dtype=np.int64)
