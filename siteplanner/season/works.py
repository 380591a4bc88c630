"""Works: what is done on each block, in which year and month, by whom, and what it takes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.results.memory import Call, afresh
from siteplanner.ground.assess import Ground
from siteplanner.ground.cold.frost_dates import FrostDates
from siteplanner.planting.access import for_steep_crew
from siteplanner.planting.counts import materials, split
from siteplanner.planting.lay_out import Layout
from siteplanner.planting.mix.allocation import costs_of
from siteplanner.planting.zones.describe import GroundSummary
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.species.nature import waits_for_shelter
from siteplanner.season.costs import cost_table, words_on_costs
from siteplanner.season.cultivation import cultivation, words_on_cultivation
from siteplanner.season.direct_seeding import seedings_of
from siteplanner.season.ground_works import fences, grounds_of, rip_lines
from siteplanner.season.jobs import in_order, jobs_of, upkeep_jobs
from siteplanner.season.nursery.batches import most_tubes, tubes_a_plant
from siteplanner.season.plantings import (
    Calendar,
    calendar_of,
    notes_on_windows,
    plantings_of,
)
from siteplanner.season.upkeep import growth_of
from siteplanner.season.years import Parts, Use, spread
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability


@dataclass(frozen=True)
class Works:
    """The works of a plan; frames without totals.

    ``blocks``: one row a block with trees: ``block, zone, paddock, access_class, window, year,
    later`` (year of what waits for nurse trees, 0 for none or not yet), ``trees, trees_later,
    order, order_least, order_most, guards, stakes, mulch_m3, water_m3, weed_m2, person_hours,
    crew_days, rip_m, mounds, cost``; a block in the ground has trees and an order of 0.
    ``paddocks``: ``paddock, fence_m, gates``. ``costs``: see
    ``siteplanner.season.costs``. ``jobs``: one row a job: ``year, month, place, job, quantity,
    unit, note``, in order of time. ``row_counts``: trees by ``block, row, species, year``.
    ``rip``: lines for the machine, ``block, length_m, geometry``.
    ``zones`` and ``row_spacings`` are as ``siteplanner.planting.figures`` makes them. Year 0 is
    later than the years planned. ``by_year``: trees by ``year, zone, paddock, species,
    common_name``.
    """

    blocks: pd.DataFrame
    paddocks: pd.DataFrame
    jobs: pd.DataFrame
    row_counts: pd.DataFrame
    rip: gpd.GeoDataFrame
    zones: pd.DataFrame
    row_spacings: pd.DataFrame
    by_year: pd.DataFrame
    costs: pd.DataFrame


@dataclass(frozen=True)
class Scheduled:
    """The works and what they were worked out from.

    ``tree_year`` (trees,) is the year of every tree, 0 for later than planned; ``plantings`` are
    what the nursery raises (see ``plantings.COLUMNS``), by ``calendar``; ``notes`` what should be
    read.
    """

    works: Works
    tree_year: NDArray[np.int64]
    calendar: Calendar
    plantings: pd.DataFrame
    notes: tuple[str, ...]


def works_of(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    layout: Layout,
    frost: Mapping[str, FrostDates],
    site: Site,
    call: Call = afresh,
) -> Scheduled:
    """Choose when each block is planted, and work out what is done on it and what it takes.

    ``frost`` are the frost dates of each zone.
    """
    facts = inputs.species.facts
    kinds = layout.tree_species
    blocks = layout.planted
    place = {name: n for n, name in enumerate(blocks["block"])}
    of_tree = layout.trees["block"].map(place).to_numpy(dtype=np.int64)
    grounds, marks = grounds_of(blocks, blocks, inputs.grid, ground, suitability.mask, call)
    slope = np.array([g.slope for g in grounds])
    waits = _waiting(blocks, inputs, ground, site, of_tree, kinds)
    calendar = calendar_of(blocks, marks, frost, inputs, site)
    cost = costs_of(facts["botanical_name"], site.mix)[kinds]
    label = np.append(np.arange(site.years.number) + (calendar.first or 1), 0)
    # What is in the ground needs no plants any more; its infill is ordered from counts.
    to_come, kept_back = layout.to_come, 0
    while True:
        year_of_part, told = _years(
            layout, inputs, site, blocks, of_tree, waits, cost, slope, calendar, kept_back, call
        )
        year_of_tree = label[year_of_part[of_tree + waits * len(blocks)]]
        trees = layout.trees.assign(
            year=year_of_tree, survival=layout.tree_survival, to_come=to_come
        )
        plantings = plantings_of(
            trees.drop(columns="geometry")[to_come], calendar, facts, of_tree[to_come]
        )
        # Only now it is known which batches are small and need more tubes a plant.
        over = most_tubes(plantings, facts, site.nursery, call) - _tubes_a_year(site)
        if over <= 0:
            break
        kept_back += math.ceil(over)

    frame = _block_frame(site, blocks, trees, waits, of_tree, slope, cost, facts)
    later = frame["trees_later"] > 0
    frame["year"] = label[year_of_part[: len(blocks)]]
    frame["later"] = np.where(later, label[year_of_part[len(blocks) :]], 0)
    frame["access_class"] = blocks["access_class"].to_numpy()
    frame["window"] = [calendar.windows[n].words for n in calendar.of_block]
    worked, rip = _cultivated(layout, blocks, grounds, marks, calendar, inputs, site)
    frame["rip_m"], frame["mounds"] = worked["rip_m"].to_numpy(), worked["mounds"].to_numpy()
    paddocks = fences(layout.no_plant, layout.paddocks, site.work.fence_within_m)
    seedings = seedings_of(inputs, ground, suitability, layout, frost, site)
    grows = _growth(trees, growth_of(facts, site.upkeep)[kinds])
    scheduled = frame.assign(status=blocks["status"].to_numpy(), how=worked["how"].to_numpy())
    scheduled["texture"] = [one.texture for one in grounds]
    once = jobs_of(
        scheduled, paddocks, calendar, _infill(trees, facts), site.work, seedings, site.upkeep
    )
    again = upkeep_jobs(scheduled, grows, calendar, frost, site.upkeep, inputs.grid)
    jobs = in_order(once, again)
    costs = cost_table(jobs, frame, paddocks, float(blocks["area_ha"].sum()), site)
    works = Works(
        frame[list(BLOCK_COLUMNS)],
        paddocks,
        jobs,
        split(trees, ["block", "row", "species", "year"], facts)[list(ROW_COLUMNS)],
        rip,
        layout.zone_figures,
        layout.row_spacings,
        _by_year(trees, blocks["paddock"].to_numpy()[of_tree], facts),
        costs,
    )
    notes = (
        *told,
        *notes_on_windows(blocks, calendar),
        *words_on_cultivation(worked),
        *words_on_costs(costs, site.prices.currency),
    )
    return Scheduled(works, year_of_tree, calendar, plantings, notes)


def _by_year(
    trees: pd.DataFrame, paddock: NDArray[np.object_], facts: pd.DataFrame
) -> pd.DataFrame:
    """Trees by year, zone, paddock and species, ``YEAR_COLUMNS``."""
    counts = split(trees.assign(paddock=paddock), YEAR_COLUMNS[:4], facts)
    return counts[list(YEAR_COLUMNS)]


def _cultivated(
    layout: Layout,
    blocks: gpd.GeoDataFrame,
    grounds: list[GroundSummary],
    marks: list[frozenset[str]],
    calendar: Calendar,
    inputs: Inputs,
    site: Site,
) -> tuple[pd.DataFrame, gpd.GeoDataFrame]:
    """How each block is cultivated (see ``season.cultivation``, and ``rip_m``), lines to rip."""
    rip = rip_lines(layout, blocks, grounds, inputs, site.work)
    metres = rip.groupby("block")["length_m"].sum().reindex(blocks["block"]).fillna(0.0).to_numpy()
    worked = cultivation(blocks, grounds, marks, metres, calendar.moisture, site.work)
    ripped = worked["how"] == "rip"
    rip = rip[rip["block"].isin(worked["block"][ripped])].reset_index(drop=True)
    return worked.assign(rip_m=np.where(ripped, metres, 0.0)), rip


def _tubes_a_year(site: Site) -> float:
    """Tubes that the nursery can fill and hold a year, by what the site file limits."""
    tubes = math.inf if site.years.tubes is None else site.years.tubes
    if site.years.bench_m2 is None:
        return tubes
    return min(tubes, site.years.bench_m2 / site.nursery.tube_m2)


def _infill(trees: pd.DataFrame, facts: pd.DataFrame) -> dict[tuple[str, int], int]:
    """Trees expected to die of those planted on each block in each year."""
    counts = split(trees, ["block", "year", "species"], facts)
    return counts.groupby(["block", "year"])["infill"].sum().to_dict()


def _growth(
    trees: pd.DataFrame, growth_m: NDArray[np.float64]
) -> dict[tuple[str, int], NDArray[np.float64]]:
    """What each tree grows in a year, by the block and year that it is planted in."""
    by = trees[["block", "year"]].assign(growth=growth_m).groupby(["block", "year"])["growth"]
    return {key: grows.to_numpy() for key, grows in by}


ROW_COLUMNS = ("block", "row", "species", "trees", "year")
YEAR_COLUMNS = ("year", "zone", "paddock", "species", "common_name", "trees")
BLOCK_COLUMNS = (
    "block", "zone", "paddock", "access_class", "window", "year", "later", "trees", "trees_later",
    "order", "order_least", "order_most", "guards", "stakes", "mulch_m3", "water_m3", "weed_m2",
    "person_hours", "crew_days", "rip_m", "mounds", "cost",
)  # fmt: skip


def _waiting(
    blocks: gpd.GeoDataFrame,
    inputs: Inputs,
    ground: Ground,
    site: Site,
    of_tree: NDArray[np.int64],
    kinds: NDArray[np.uint8],
) -> NDArray[np.int64]:
    """Tell (0 or 1) which trees wait for nurse trees.

    Those of shade lovers (named by the site, or by the species table), and those whose species
    does not thrive in the cold of its block; but pioneers never wait, and none do where no other
    trees come first.
    """
    facts = inputs.species.facts
    pioneer = np.array(["pioneer" in roles for roles in facts["roles"]])
    lover = waits_for_shelter(facts, site.years.shade_lovers)
    points = inputs.species.points.get("winter_minimum")
    thrives = np.full(len(facts), -np.inf) if points is None else points[:, 1]
    of_cell = inputs.grid.number(blocks.geometry)
    cold = ground.layers["winter_minimum"]
    known = np.isfinite(cold)
    total = np.bincount(of_cell[known], cold[known], len(blocks) + 1)[1:]
    cells = np.bincount(of_cell[known], minlength=len(blocks) + 1)[1:]
    mean = np.where(cells > 0, total / np.maximum(cells, 1), np.inf)
    waits = ~pioneer[kinds] & (lover[kinds] | (mean[of_tree] < thrives[kinds]))
    nurses = np.bincount(of_tree[pioneer[kinds]], minlength=len(blocks)) > 0
    return np.asarray(waits & nurses[of_tree]).astype(np.int64)


def _years(
    layout: Layout,
    inputs: Inputs,
    site: Site,
    blocks: gpd.GeoDataFrame,
    of_tree: NDArray[np.int64],
    waits: NDArray[np.int64],
    cost: NDArray[np.float64],
    slope: NDArray[np.float64],
    calendar: Calendar,
    kept_back: int,
    call: Call,
) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Year of each block's first part, then of each block's waiting part."""
    count = len(blocks)
    part = of_tree + waits * count
    trees = np.bincount(part, minlength=2 * count)
    tracks = layout.no_plant.geometry[layout.no_plant["kind"] == "track"]
    way = tracks.union_all() if len(tracks) else inputs.boundary.union_all().boundary
    away = np.tile(shapely.distance(blocks.geometry.to_numpy(), way), 2)
    used = trees > 0
    number = np.cumsum(used) - 1
    firsts = np.arange(2 * count) % count
    after = np.where((np.arange(2 * count) >= count) & used[firsts], number[firsts], -1)
    facts = inputs.species.facts
    a_plant = tubes_a_plant(facts, site.nursery, call)[layout.tree_species]
    dead = 1 / layout.tree_survival - 1
    contracted = np.tile(for_steep_crew(blocks["access_class"]), 2)
    work = materials(trees, np.tile(slope, 2), site.work, contracted)
    days = work["crew_days"].to_numpy(np.float64)

    def of_parts(use: NDArray[np.float64]) -> Use:
        """What a part takes in its year, and in the next for its infill."""
        now, following = (
            np.bincount(part, use * share * layout.to_come, 2 * count)[used].astype(np.float64)
            for share in (1.0, dead)
        )
        return Use(now, following)

    parts = Parts(
        trees=trees[used],
        tubes=of_parts(a_plant),
        bench_m2=of_parts(a_plant * site.nursery.tube_m2),
        money=of_parts(cost),
        crew_days=of_parts((days / np.maximum(trees, 1))[part]),
        paddock=np.tile(pd.factorize(blocks["paddock"])[0], 2)[used],
        access_m=away[used],
        after=after[used],
        earliest=np.tile(calendar.earliest(), 2)[used],
    )
    year, told = spread(parts, site.years, kept_back, site.nursery.tube_m2)
    whole = np.full(2 * count, site.years.number)
    whole[used] = year
    return whole, told


def _block_frame(
    site: Site,
    blocks: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    waits: NDArray[np.int64],
    of_tree: NDArray[np.int64],
    slope: NDArray[np.float64],
    cost: NDArray[np.float64],
    facts: pd.DataFrame,
) -> pd.DataFrame:
    """Numbers and materials of each block."""
    frame = blocks[["block", "zone", "paddock"]].copy()
    frame["trees"] = np.bincount(of_tree, minlength=len(blocks))
    frame["trees_later"] = np.bincount(of_tree, waits, len(blocks)).astype(np.int64)
    orders = split(trees, ["block", "species"], facts).groupby("block", sort=False)
    for column in ("order", "order_least", "order_most"):
        frame[column] = orders[column].sum().reindex(blocks["block"]).to_numpy()
    frame["cost"] = np.bincount(of_tree, cost, len(blocks))
    contracted = for_steep_crew(blocks["access_class"])
    return frame.join(materials(frame["trees"].to_numpy(), slope, site.work, contracted))
