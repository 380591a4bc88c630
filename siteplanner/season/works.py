"""Works: what is done on each block, in which year and month, by whom, and what it takes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.ground.assess import Ground
from siteplanner.ground.cold.frost_dates import FrostDates
from siteplanner.planting.access import for_steep_crew
from siteplanner.planting.counts import materials, split
from siteplanner.planting.lay_out import Layout
from siteplanner.planting.mix.allocation import costs_of
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.kept_blocks import IN_THE_GROUND
from siteplanner.reading.species.nature import waits_for_shelter
from siteplanner.season.direct_seeding import JOB as SEEDING_JOB
from siteplanner.season.direct_seeding import Seeding, seedings_of
from siteplanner.season.ground_works import fences, grounds_of, rip_lines
from siteplanner.season.nursery.batches import most_tubes, tubes_a_plant
from siteplanner.season.plantings import (
    Calendar,
    calendar_of,
    notes_on_windows,
    plantings_of,
)
from siteplanner.season.years import Parts, Use, spread
from siteplanner.site.planting import WorkRates
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability


@dataclass(frozen=True)
class Works:
    """The works of a plan; frames without totals.

    ``blocks``: one row a block with trees: ``block, zone, paddock, access_class, window, year,
    later`` (year of what waits for nurse trees, 0 for none or not yet), ``trees, trees_later,
    order, order_least, order_most, guards, stakes, mulch_m3, water_m3, weed_m2, person_hours,
    crew_days, rip_m, cost``; a block in the ground has trees and an order of 0. ``paddocks``:
    ``paddock, fence_m, gates``. ``jobs``: one row a job: ``year, month, place, job, quantity,
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
) -> Scheduled:
    """Choose when each block is planted, and work out what is done on it and what it takes.

    ``frost`` are the frost dates of each zone.
    """
    facts = inputs.species.facts
    kinds = layout.tree_species
    blocks = layout.planted
    place = {name: n for n, name in enumerate(blocks["block"])}
    of_tree = layout.trees["block"].map(place).to_numpy(dtype=np.int64)
    grounds, marks = grounds_of(blocks, blocks, inputs.grid, ground, suitability.mask)
    slope = np.array([g.slope for g in grounds])
    waits = _waiting(blocks, inputs, ground, site, of_tree, kinds)
    calendar = calendar_of(blocks, marks, frost, inputs, site)
    cost = costs_of(facts["botanical_name"], site.mix)[kinds]
    first = calendar.first or 1
    label = np.append(np.arange(site.years.number) + first, 0)
    # What is in the ground needs no plants any more; its infill is ordered from counts.
    to_come = layout.to_come
    kept_back = 0
    while True:
        year_of_part, told = _years(
            layout, inputs, site, blocks, of_tree, waits, cost, slope, calendar, kept_back
        )
        year_of_tree = label[year_of_part[of_tree + waits * len(blocks)]]
        trees = layout.trees.assign(
            year=year_of_tree, survival=layout.tree_survival, to_come=to_come
        )
        plantings = plantings_of(
            trees.drop(columns="geometry")[to_come], calendar, facts, of_tree[to_come]
        )
        # Only now it is known which batches are small and need more tubes a plant.
        over = most_tubes(plantings, facts, site.nursery) - _tubes_a_year(site)
        if over <= 0:
            break
        kept_back += math.ceil(over)

    frame = _block_frame(site, blocks, trees, waits, of_tree, slope, cost, facts)
    later = frame["trees_later"] > 0
    frame["year"] = label[year_of_part[: len(blocks)]]
    frame["later"] = np.where(later, label[year_of_part[len(blocks) :]], 0)
    frame["access_class"] = blocks["access_class"].to_numpy()
    frame["window"] = [calendar.windows[n].words for n in calendar.of_block]
    rip = rip_lines(layout, blocks, grounds, marks, inputs, site.work)
    frame["rip_m"] = (
        rip.groupby("block")["length_m"].sum().reindex(blocks["block"]).fillna(0.0).to_numpy()
    )
    paddocks = fences(layout.no_plant, layout.paddocks, site.work.fence_within_m)
    seedings = seedings_of(inputs, ground, suitability, layout, frost, site)
    scheduled = frame.assign(status=blocks["status"].to_numpy())
    works = Works(
        frame[list(BLOCK_COLUMNS)],
        paddocks,
        _jobs(scheduled, paddocks, calendar, _infill(trees, facts), site.work, seedings),
        split(trees, ["block", "row", "species", "year"], facts)[list(ROW_COLUMNS)],
        rip,
        layout.zone_figures,
        layout.row_spacings,
        split(trees.assign(paddock=blocks["paddock"].to_numpy()[of_tree]), YEAR_COLUMNS[:4], facts)[
            list(YEAR_COLUMNS)
        ],
    )
    notes = (*told, *notes_on_windows(blocks, calendar))
    return Scheduled(works, year_of_tree, calendar, plantings, notes)


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


ROW_COLUMNS = ("block", "row", "species", "trees", "year")
YEAR_COLUMNS = ("year", "zone", "paddock", "species", "common_name", "trees")
BLOCK_COLUMNS = (
    "block", "zone", "paddock", "access_class", "window", "year", "later", "trees", "trees_later",
    "order", "order_least", "order_most", "guards", "stakes", "mulch_m3", "water_m3", "weed_m2",
    "person_hours", "crew_days", "rip_m", "cost",
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
    a_plant = tubes_a_plant(facts, site.nursery)[layout.tree_species]
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


def _jobs(
    blocks: pd.DataFrame,
    paddocks: pd.DataFrame,
    calendar: Calendar,
    infill: Mapping[tuple[str, int], int],
    rates: WorkRates,
    seedings: Sequence[Seeding] = (),
) -> pd.DataFrame:
    """Write the dated list: access and fences, then ripping, weeds, planting, checks."""
    jobs: list[tuple[int, int, int, str, str, float, str, str]] = []

    def job(
        year: int, month: int, later: int, order: int, place: str, words: str,
        quantity: float, unit: str, note: str,
    ) -> None:  # fmt: skip
        at = year * 12 + month - 1 + later
        quantity = round(quantity, 2 if unit == "ha" else 1)
        jobs.append((at // 12, at % 12 + 1, order, place, words, quantity, unit, note))

    planned = blocks.assign(window_number=calendar.of_block)
    planned = planned[(planned["year"] > 0) & (planned["status"] != IN_THE_GROUND)]
    for paddock in paddocks.itertuples():
        mine = planned[planned["paddock"] == paddock.paddock]
        begins = [*map(calendar.month, mine["window_number"], mine["year"])]
        begins += [(s.year, s.month) for s in seedings if s.paddock == paddock.paddock]
        if begins and paddock.fence_m:
            year, month = min(begins)
            note = (
                f"{paddock.gates} gate; before any tree is planted; have buried services located "
                "first"
            )
            job(year, month, -4, 0, paddock.paddock, "access and fence", paddock.fence_m, "m", note)
    for one in seedings:
        job(one.year, one.month, 0, 3, one.block, SEEDING_JOB, one.area_ha, "ha", one.note)
    for block in planned.itertuples():
        if block.rip_m > 0:
            first = calendar.month(block.window_number, block.year)
            job(*first, -4, 1, block.block, "rip or mound", block.rip_m, "m",
                "along the contour, in dry ground; have buried services located first")  # fmt: skip
        soon, late = block.trees - block.trees_later, block.trees_later
        for year, trees in ((block.year, soon), (block.later, late)):
            if not year or not trees:
                continue
            share = trees / block.trees
            opens = calendar.month(block.window_number, year)
            job(*opens, -int(np.ceil(rates.weed_weeks / 4.345)), 2, block.block,
                "weed control", block.weed_m2 * share, "m²",
                "spots: by hand, mulch or mat")  # fmt: skip
            job(*opens, 0, 3, block.block, "plant", trees, "trees",
                f"{block.window}; {block.access_class}")  # fmt: skip
            job(*opens, 0, 4, block.block, "guard", block.guards * share, "guards",
                "against browsing animals, the same day")  # fmt: skip
            for after in (1, 10):
                # Florabank: check at 1 month, count again at 10 months.
                job(*opens, after, 5, block.block, "count what lives", trees, "trees",
                    f"{after} month{'s' * (after > 1)} after planting")  # fmt: skip
            if dead := infill.get((block.block, year), 0):
                job(
                    *calendar.month(block.window_number, year + 1),
                    0,
                    6,
                    block.block,
                    "plant infill",
                    dead,
                    "trees",
                    "as many as were expected to die: plant what the survival count asks for",
                )
    columns = ["year", "month", "order", "place", "job", "quantity", "unit", "note"]
    frame = pd.DataFrame(jobs, columns=columns)
    frame = frame.sort_values(["year", "month", "order", "place"], kind="stable", ignore_index=True)
    return frame.drop(columns="order")
