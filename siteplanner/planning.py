"""The planning: runs all parts in order, from the site file to a finished plan."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.features
import shapely
from numpy.typing import NDArray

from siteplanner.base.colours import species_colours
from siteplanner.base.errors import fault
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.assess import Survey, survey
from siteplanner.ground.cold.frost import disagreement, held_back
from siteplanner.ground.cold.minimum import FEWEST_READINGS
from siteplanner.ground.cold.thermometers import best_thermometers, thermometer_words
from siteplanner.ground.layer import LayerInfo
from siteplanner.ground.water.edge_contamination import cut_note
from siteplanner.plan import CAUTIONS, Plan
from siteplanner.planting.counts import count_trees
from siteplanner.planting.mix.allocation import species_at
from siteplanner.planting.rows.layout import (
    draw_rows,
    kept_bearing,
    mean_fall,
    number_rows,
    row_bearing,
    set_out,
)
from siteplanner.planting.rows.patterns import Relief, patterns
from siteplanner.planting.zones import describe
from siteplanner.planting.zones.blocks import blocks_of, name_blocks
from siteplanner.planting.zones.decisions import (
    Decided,
    drawn_over,
    letters_of,
    mixes_of,
    read_decisions,
    titles_of,
    what_was_kept,
)
from siteplanner.planting.zones.leave import better_left
from siteplanner.planting.zones.parts import for_crews
from siteplanner.planting.zones.setbacks import plantable_area, with_setbacks
from siteplanner.planting.zones.zones import (
    NOTHING_FITS,
    TOO_STEEP,
    kinds_of_ground,
    shapes_of_kinds,
)
from siteplanner.reading.inputs import Inputs
from siteplanner.season.dig import dig_spots
from siteplanner.season.frost_by_zone import colder_winter, tell_frost
from siteplanner.season.nursery.year import with_nursery
from siteplanner.season.works import with_works
from siteplanner.site.site_file import Site

#: Share of a block on which bare strips would erode, from which rows keep off the fall line.
_ERODING = 0.25


def make_plan(
    site: Site,
    *,
    each: Callable[[LayerInfo, FloatGrid, Grid], None] = lambda info, values, grid: None,
    step: Callable[[str], None] = lambda words: None,
) -> Plan:
    """Run all parts in order: ground, fit, zones, places, mix, trees, counts.

    ``each`` is given every layer as soon as it exists; ``step`` is told, in words, what comes
    next. Writes nothing. Raises :class:`~siteplanner.InputError`.
    """
    step("Reading the site's files")
    ground = survey(site, each=each, step=step)
    inputs, layers, fitted = ground.inputs, ground.layers, ground.fit
    step("Drawing zones")
    features, setbacks = with_setbacks(inputs.no_plant, inputs.boundary, site.setbacks.model_dump())
    area = plantable_area(inputs.boundary, inputs.paddocks, setbacks)
    if area.area < 1:
        raise fault(
            site.path,
            "setbacks",
            "no ground is left to plant",
            "look at the boundary, the paddocks to plant and the setbacks",
        )
    warnings = list(inputs.notes)
    decided = read_decisions(site, inputs.grid.crs, list(inputs.species.facts["botanical_name"]))
    area = shapely.difference(area, decided.not_to_plant)
    warnings += what_was_kept(
        decided,
        fitted,
        layers["slope"],
        inputs.grid,
        inputs.species.facts["botanical_name"],
        lowest_fit=site.mix.lowest_fit,
        steepest_deg=site.planting.steepest_deg,
        area=area,
    )
    blocks, lost = _blocks(site, ground, area, decided)
    if lost >= 1:
        warnings.append(f"{lost:.0f} m² in small left-over pieces are not planted.")
    zones, blocks = _zones(site, ground, blocks, titles_of(decided))
    step("Setting out the grids")
    planted = blocks[blocks["spacing_m"] > 0].reset_index(drop=True)
    relief = Relief(inputs.dem, inputs.grid)
    along_ground = site.planting.spacing_along == "ground"
    places = set_out(
        planted,
        patterns(),
        features,
        relief=relief,
        along_ground=along_ground,
        lane_every=site.planting.lane_every,
    )
    blocks, planted, places = for_crews(blocks, places, features, site.work)
    step("Choosing the mix and placing the species")
    general, own, told = mixes_of(site.mix, decided, inputs.species.facts)
    warnings += told
    stands = species_at(
        general,
        inputs.species,
        inputs.grid,
        fitted,
        planted,
        places,
        features,
        inputs.hand.stock,
        own,
    )
    kind = stands.kind
    warnings += stands.told
    places = number_rows(places.only(kind >= 0), planted)
    kinds = kind[kind >= 0].astype(np.uint8)
    trees = gpd.GeoDataFrame(
        {
            "species": inputs.species.facts["botanical_name"].to_numpy()[kinds],
            "zone": planted["zone"].to_numpy()[places.block],
            "block": planted["block"].to_numpy()[places.block],
            "row": places.row.astype(np.int32),
        },
        geometry=gpd.points_from_xy(places.x, places.y),
        crs=inputs.grid.crs,
    )
    paddock = planted["paddock"].to_numpy()[places.block]
    counts = count_trees(trees[["zone", "species"]].assign(paddock=paddock), inputs.species.facts)
    rows = draw_rows(trees, planted, inputs.dem, inputs.grid, along_ground=along_ground)
    frost = tell_frost(
        zones,
        counts,
        layers,
        fitted.mask,
        inputs.grid,
        inputs.species,
        inputs.climate,
        site.frost,
        ground.minimum.winter_c,
    )
    zones = frost.with_words(zones)
    warnings += better_left(planted, features, layers["months_waterlogged"], inputs.grid)
    on_planted = inputs.grid.cover(planted.geometry) & fitted.mask
    thermometers = best_thermometers(ground.minimum, ground.night, on_planted)
    warnings += _frost_warnings(ground) + thermometer_words(thermometers)
    warnings += cut_note(layers["catchment_cut"], layers["cold_air_cut"], fitted.mask)
    kept = {
        name: layers[name]
        for name in layers
        if name in ("hillshade", "slope", "winter_minimum", *fitted.factors)
        or ground.infos[name].on_map
    }
    plan = Plan(
        name=site.site.name,
        grid=inputs.grid,
        layers=kept,
        infos=ground.infos,
        species=_species_frame(inputs),
        fit=fitted.on_grid(fitted.score),
        factors=tuple(ground.factors),
        limiting=fitted.on_grid(fitted.limiting),
        zones=zones.assign(
            trees=_count(trees["zone"], zones["zone"]),
            density_ha=_count(trees["zone"], zones["zone"]) / zones["area_ha"],
        )[
            [
                "zone",
                "title",
                "ground",
                "area_ha",
                "pattern",
                "spacing_m",
                "density_ha",
                "trees",
                "geometry",
            ]
        ],
        blocks=blocks.assign(
            trees=_count(trees["block"], blocks["block"]),
            rows=_count(rows["block"], blocks["block"]),
        )[["block", "zone", "paddock", "area_ha", "trees", "rows", "bearing_deg", "geometry"]],
        rows=rows,
        trees=trees,
        tree_species=kinds,
        boundary=inputs.boundary.assign(name=site.site.name)[["name", "geometry"]],
        paddocks=inputs.paddocks.assign(
            area_ha=inputs.paddocks.area / 1e4,
            trees=_count(pd.Series(paddock), inputs.paddocks["name"]),
        )[["name", "plant", "area_ha", "trees", "geometry"]],
        no_plant=features,
        setbacks=setbacks,
        frost_obs=_frost_obs(inputs, layers["winter_minimum"]),
        counts=counts,
        frost=frost.odds,
        frost_odds=frost.on_cells,
        frost_dates=frost.dates,
        dig=dig_spots(
            ground.factors,
            layers,
            inputs.soils,
            on_planted,
            inputs.grid,
            list(inputs.species.facts["botanical_name"]),
            site.mix.lowest_fit,
        ),
        thermometers=thermometers,
        frost_error_c=ground.frost_error_c,
        colder_c=colder_winter(inputs.climate),
        cautions=CAUTIONS,
        warnings=tuple(warnings),
        inputs=inputs.hashes,
        settings=site.settings(),
    )
    step("Working the works and their years out")
    plan = with_works(plan, site, ground, stands.mixes)
    step("Working the nursery's year out")
    return with_nursery(plan, site, inputs)


def _blocks(
    site: Site, ground: Survey, area: shapely.Geometry, decided: Decided
) -> tuple[gpd.GeoDataFrame, float]:
    """Draw the kinds of ground and cut them to named blocks; also m² left over."""
    grid, fitted = ground.inputs.grid, ground.fit
    rules = site.zones
    kinds = kinds_of_ground(
        fitted.on_grid(fitted.score),
        ground.layers["slope"],
        grid.cover([area]) & fitted.mask,
        grid,
        kinds=rules.kinds,
        smallest_m2=rules.smallest_m2,
        smallest_width_m=rules.smallest_width_m,
        smooth_m=rules.smooth_m,
        steepest_deg=site.planting.steepest_deg,
        lowest_fit=site.mix.lowest_fit,
    )
    shapes = drawn_over(shapes_of_kinds(kinds, rules.smooth_m), decided)
    blocks, lost = blocks_of(
        shapes,
        ground.inputs.paddocks,
        area,
        smallest_m2=site.planting.smallest_block_m2,
        join_m2=rules.smallest_m2,
        smallest_width_m=rules.smallest_width_m,
    )
    if blocks.empty:
        raise fault(
            site.path,
            "planting.smallest_block_m2",
            "no block is large enough to plant",
            "make it smaller, or look at the setbacks",
        )
    return name_blocks(blocks, letters_of(decided)), lost


def _zones(
    site: Site, ground: Survey, blocks: gpd.GeoDataFrame, named: dict[str, str]
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Describe the zones, and give zones and blocks their pattern, spacing and bearing."""
    grid, layers, infos = ground.inputs.grid, ground.layers, ground.infos
    of_cell = (
        rasterio.features.rasterize(
            ((shape, number + 1) for number, shape in enumerate(blocks.geometry)),
            out_shape=grid.shape,
            transform=grid.transform,
            dtype="int32",
        )
        - 1
    )
    in_fit = ground.fit.mask
    whole = describe.ground_of(layers, infos, (of_cell >= 0) & in_fit)
    zone_of = np.append(blocks["zone"].to_numpy(), "")
    letters = list(dict.fromkeys(blocks["zone"]))
    grounds, titles, rules = [], [], []
    for letter in letters:
        cells = (zone_of[of_cell] == letter) & in_fit
        facts = describe.ground_of(layers, infos, cells if cells.any() else in_fit)
        marks = describe.tags(facts, whole)
        grounds.append(facts)
        titles.append(describe.title(facts, marks))
        rules.append(
            next(
                (r for r in site.planting.rules if r.ground in marks),
                site.planting,
            )
        )
    kind = blocks.drop_duplicates("zone").set_index("zone")["kind"]
    why_not = {TOO_STEEP: "too steep", NOTHING_FITS: "nothing fits"}
    titles = [
        f"not for trees: {why_not[kind[letter]]} ({words})"
        if kind[letter] in why_not
        else named.get(letter, words)
        for letter, words in zip(letters, titles, strict=True)
    ]
    titles = describe.distinct_titles(titles, grounds)
    known = patterns()
    rows = []
    for letter, facts, words, rule in zip(letters, grounds, titles, rules, strict=True):
        pattern, spacing = rule.pattern, rule.spacing_m
        if pattern not in known:
            raise fault(
                site.path,
                "planting",
                f"there is no pattern {pattern!r}",
                "choose from: " + ", ".join(sorted(known)),
            )
        if kind[letter] in why_not:
            pattern, spacing = "none", 0.0
        shape = blocks.geometry[blocks["zone"] == letter].union_all()
        if shape.geom_type == "Polygon":
            shape = shapely.MultiPolygon([shape])
        rows.append(
            {
                "zone": letter,
                "title": words,
                "ground": describe.sentence(facts, ground.frost_error_c),
                "area_ha": shape.area / 1e4,
                "pattern": pattern,
                "spacing_m": spacing,
                "row_gap_m": rule.row_gap_m or np.nan,
                "asked_deg": np.nan if rule.bearing_deg is None else rule.bearing_deg,
                "mean_slope": facts.slope,
                "geometry": shape,
            }
        )
    zones = gpd.GeoDataFrame(rows, geometry="geometry", crs=grid.crs)
    by_zone = zones.set_index("zone")
    strips = layers["bare_strips_erode"]
    erodes = [float(np.nan_to_num(strips[of_cell == n]).mean()) for n in range(len(blocks))]
    falls = [mean_fall(ground.inputs.dem, grid, of_cell == number) for number in range(len(blocks))]
    blocks = blocks.assign(
        area_ha=blocks.area / 1e4,
        pattern=by_zone["pattern"].reindex(blocks["zone"]).to_numpy(),
        spacing_m=by_zone["spacing_m"].reindex(blocks["zone"]).to_numpy(),
        row_gap_m=by_zone["row_gap_m"].reindex(blocks["zone"]).to_numpy(),
        fall_deg=[fall for fall, _ in falls],
        slope_deg=[steep for _, steep in falls],
        bearing_deg=[
            row_bearing(*fall)
            if np.isnan(asked)
            else kept_bearing(
                asked, fall[0], washes=fall[1] >= site.planting.erodible_deg or eroding >= _ERODING
            )
            for asked, fall, eroding in zip(
                by_zone["asked_deg"].reindex(blocks["zone"]), falls, erodes, strict=True
            )
        ],
    )
    return zones, blocks


def _count(values: pd.Series[Any], names: pd.Series[Any]) -> NDArray[np.int64]:
    """How often each name stands among the values, 0 where it does not."""
    return values.value_counts().reindex(names, fill_value=0).to_numpy(dtype=np.int64)


def _species_frame(inputs: Inputs) -> pd.DataFrame:
    facts = inputs.species.facts
    return facts[["botanical_name", "common_name", "cautions"]].assign(
        roles=["; ".join(roles) for roles in facts["roles"]], colour=species_colours(len(facts))
    )


def _frost_obs(inputs: Inputs, winter_minimum: FloatGrid) -> gpd.GeoDataFrame:
    frame = inputs.readings
    estimated = inputs.grid.sample(
        winter_minimum, frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy()
    )
    return gpd.GeoDataFrame(
        {
            "name": frame["name"],
            "winter_min_c": frame["winter_min_c"],
            "height_m": frame["height_m"],
            "at_reference_c": frame["at_reference_c"],
            "estimated_c": estimated.astype(np.float64),
        },
        geometry=frame.geometry,
        crs=frame.crs,
    )


def _frost_warnings(ground: Survey) -> list[str]:
    used = ground.minimum.readings
    said = disagreement(ground.layers["cold_air_check"], ground.fit.mask)
    if len(ground.inputs.grown):
        said += held_back(ground.layers, ground.fit.mask, ground.inputs.grid)
    if used < FEWEST_READINGS:
        return [
            *said,
            f"Only {used} frost {'reading' if used == 1 else 'readings'} could be used: the "
            "coldest nights rest on the station and on general experience, give or take "
            f"{ground.frost_error_c:.1f} °C.",
        ]
    return said
