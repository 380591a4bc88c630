"""Works: what is done on each block, in which year and month, by whom, and what it takes."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, Grid
from siteplanner.ground.assess import Ground
from siteplanner.planting.counts import materials, split
from siteplanner.planting.lay_out import Layout
from siteplanner.planting.rows.patterns import pattern_infos
from siteplanner.planting.zones import describe
from siteplanner.reading.inputs import Inputs
from siteplanner.season.years import Parts, spread
from siteplanner.site.planting import WorkRates
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

ACCESS_CLASSES = ("volunteers", "experienced people only", "not on foot")
#: Months of planting (southern hemisphere) and why; the first kind of ground that fits counts
#: (common practice, no source).
WINDOWS = (
    ("frosty", (9, 10), "in spring, when the hard frosts are over"),
    ("wet", (9, 10), "in spring, when the water has gone down"),
    ("dry", (5, 6), "after the autumn break, while the ground is moist and warm"),
    ("any", (7, 8), "in winter, while the ground is moist"),
)
BURIED = ("buried_pipe", "buried_cable", "septic_field", "heritage")
#: The least length worth a line for the machine; the most that it may rise along its length.
SHORTEST_RIP_M, RIP_GRADE = 20.0, 0.03
#: Blocks nearer than this to a power line or deep water are not for volunteers.
NEAR_DANGER_M = 30.0
_DANGERS = ("power_line", "dam")


@dataclass(frozen=True)
class Works:
    """The works of a plan; frames without totals.

    ``blocks``: one row a block with trees: ``block, zone, paddock, access_class, window, year,
    later`` (year of what waits for nurse trees, 0 for none or not yet), ``trees, trees_later,
    order, order_least, order_most, guards, stakes, mulch_m3, water_m3, weed_m2, crew_days, rip_m,
    cost``. ``paddocks``: ``paddock, fence_m, gates``. ``jobs``: one row a job: ``year, month,
    place, job, quantity, unit, note``, in order of time. ``row_counts``: trees by ``block, row,
    species, year``. ``rip``: lines for the machine, ``block, length_m, geometry``. ``zones`` and
    ``row_spacings`` are as ``siteplanner.planting.figures`` makes them. Year 0 is later than the
    years planned. ``by_year``: trees by ``year, zone, paddock, species, common_name``.
    """

    blocks: pd.DataFrame
    paddocks: pd.DataFrame
    jobs: pd.DataFrame
    row_counts: pd.DataFrame
    rip: gpd.GeoDataFrame
    zones: pd.DataFrame
    row_spacings: pd.DataFrame
    by_year: pd.DataFrame


def works_of(
    inputs: Inputs, ground: Ground, suitability: Suitability, layout: Layout, site: Site
) -> tuple[Works, NDArray[np.int64], tuple[str, ...]]:
    """Work out the works, the year of every tree (0: later), and what should be read of them."""
    facts = inputs.species.facts
    kinds = layout.tree_species
    blocks = layout.planted
    place = {name: n for n, name in enumerate(blocks["block"])}
    of_tree = layout.trees["block"].map(place).to_numpy(dtype=np.int64)
    grounds, marks = _grounds(blocks, inputs.grid, ground, suitability.mask)
    slope = np.array([g.slope for g in grounds])
    waits = _waiting(blocks, inputs, ground, site, of_tree, kinds)
    cost = np.array(
        [site.mix.tree_costs.get(n, site.mix.tree_cost) for n in facts["botanical_name"]]
    )[kinds]
    year_of_part, told = _years(
        layout, inputs.boundary, site, blocks, of_tree, waits, 1 / layout.tree_survival, cost, slope
    )
    first = site.years.first or 1
    label = np.append(np.arange(site.years.number) + first, 0)
    year_of_tree = label[year_of_part[of_tree + waits * len(blocks)]]
    trees = layout.trees.assign(year=year_of_tree, survival=layout.tree_survival)

    frame = _block_frame(site, blocks, trees, waits, of_tree, slope, cost, facts)
    later = frame["trees_later"] > 0
    frame["year"] = label[year_of_part[: len(blocks)]]
    frame["later"] = np.where(later, label[year_of_part[len(blocks) :]], 0)
    frame["access_class"] = [
        _access_class(g, block, layout.no_plant, site.work)
        for g, block in zip(grounds, blocks.geometry, strict=True)
    ]
    windows = [next(w for w in WINDOWS if w[0] in m) for m in marks]
    frame["window"] = [words for _, _, words in windows]
    rip = rip_lines(layout, blocks, grounds, marks, inputs, site.work)
    frame["rip_m"] = (
        rip.groupby("block")["length_m"].sum().reindex(blocks["block"]).fillna(0.0).to_numpy()
    )
    paddocks = fences(layout.no_plant, layout.paddocks, site.work.fence_within_m)
    south = inputs.grid.centre_lonlat[1] < 0
    months = [[(m - 1 + (0 if south else 6)) % 12 + 1 for m in w[1]] for w in windows]
    works = Works(
        frame[list(BLOCK_COLUMNS)],
        paddocks,
        _jobs(frame, paddocks, months, site.work),
        split(trees, ["block", "row", "species", "year"], facts)[list(ROW_COLUMNS)],
        rip,
        layout.zone_figures,
        layout.row_spacings,
        split(trees.assign(paddock=blocks["paddock"].to_numpy()[of_tree]), YEAR_COLUMNS[:4], facts)[
            list(YEAR_COLUMNS)
        ],
    )
    return works, year_of_tree, told


ROW_COLUMNS = ("block", "row", "species", "trees", "year")
YEAR_COLUMNS = ("year", "zone", "paddock", "species", "common_name", "trees")
BLOCK_COLUMNS = (
    "block", "zone", "paddock", "access_class", "window", "year", "later", "trees", "trees_later",
    "order", "order_least", "order_most", "guards", "stakes", "mulch_m3", "water_m3", "weed_m2",
    "crew_days", "rip_m", "cost",
)  # fmt: skip


def _grounds(
    blocks: gpd.GeoDataFrame, grid: Grid, ground: Ground, scored: BoolGrid
) -> tuple[list[describe.GroundSummary], list[frozenset[str]]]:
    """What the ground of each block is like, and the marks that planting windows go by."""
    of_cell = grid.number(blocks.geometry)
    whole = describe.ground_of(ground.layers, ground.infos, (of_cell > 0) & scored)
    found = []
    for number in range(len(blocks)):
        cells = (of_cell == number + 1) & scored
        if not cells.any():
            # A block thinner than a cell: what lies about it.
            cells = grid.cover([blocks.geometry.iloc[number]], all_touched=True)
        found.append(describe.ground_of(ground.layers, ground.infos, cells))
    return found, [describe.tags(one, whole) for one in found]


def _waiting(
    blocks: gpd.GeoDataFrame,
    inputs: Inputs,
    ground: Ground,
    site: Site,
    of_tree: NDArray[np.int64],
    kinds: NDArray[np.uint8],
) -> NDArray[np.int64]:
    """Tell (0 or 1) which trees wait for nurse trees.

    Those of shade lovers, and those whose species does not thrive in the cold of its block; but
    pioneers never wait, and none do where no other trees come first.
    """
    facts = inputs.species.facts
    pioneer = np.array(["pioneer" in roles for roles in facts["roles"]])
    lover = facts["botanical_name"].isin(site.years.shade_lovers).to_numpy()
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
    boundary: gpd.GeoDataFrame,
    site: Site,
    blocks: gpd.GeoDataFrame,
    of_tree: NDArray[np.int64],
    waits: NDArray[np.int64],
    tubes: NDArray[np.float64],
    cost: NDArray[np.float64],
    slope: NDArray[np.float64],
) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Year of each block's first part, then of each block's waiting part."""
    count = len(blocks)
    part = of_tree + waits * count
    trees = np.bincount(part, minlength=2 * count)
    tracks = layout.no_plant.geometry[layout.no_plant["kind"] == "track"]
    way = tracks.union_all() if len(tracks) else boundary.union_all().boundary
    away = np.tile(shapely.distance(blocks.geometry.to_numpy(), way), 2)
    used = trees > 0
    number = np.cumsum(used) - 1
    firsts = np.arange(2 * count) % count
    after = np.where((np.arange(2 * count) >= count) & used[firsts], number[firsts], -1)
    raised = np.ceil(np.bincount(part, tubes, 2 * count)).astype(np.int64)[used]
    parts = Parts(
        trees[used],
        raised,
        (raised * site.nursery.tube_m2).astype(np.float64),
        np.bincount(part, cost * tubes, 2 * count)[used].astype(np.float64),
        materials(trees, np.tile(slope, 2), site.work)["crew_days"].to_numpy(np.float64)[used],
        np.tile(pd.factorize(blocks["paddock"])[0], 2)[used],
        away[used],
        after[used],
    )
    year, told = spread(parts, site.years)
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
    return frame.join(materials(frame["trees"].to_numpy(), slope, site.work))


def _access_class(
    ground: describe.GroundSummary,
    block: shapely.Polygon,
    no_plant: gpd.GeoDataFrame,
    rates: WorkRates,
) -> str:
    """Who may work on a block (judgement, no source; someone who knows the site decides)."""
    if ground.slope_to > rates.experienced_deg:
        return ACCESS_CLASSES[2]
    dangers = no_plant.geometry[no_plant["kind"].isin(_DANGERS)].to_numpy()
    near = shapely.dwithin(dangers, block, NEAR_DANGER_M).any() if len(dangers) else False
    return (
        ACCESS_CLASSES[1] if ground.slope_to > rates.volunteers_deg or near else ACCESS_CLASSES[0]
    )


def fences(no_plant: gpd.GeoDataFrame, fields: gpd.GeoDataFrame, within_m: float) -> pd.DataFrame:
    """Metres of new fence and gates round each paddock that is planted.

    An edge that an existing fence follows within ``within_m`` needs none, nor one that two planted
    paddocks share twice.
    """
    old = no_plant.geometry[no_plant["kind"] == "fence"].union_all()
    done = old.buffer(within_m)
    rows = []
    for paddock in fields[fields["trees"] > 0].itertuples():
        edge = shapely.difference(shapely.boundary(paddock.geometry), done)
        rows.append((paddock.name, round(edge.length), int(edge.length > within_m)))
        done = shapely.union(done, edge.buffer(within_m))
    return pd.DataFrame(rows, columns=["paddock", "fence_m", "gates"])


def rip_lines(
    layout: Layout,
    blocks: gpd.GeoDataFrame,
    grounds: list[describe.GroundSummary],
    marks: list[frozenset[str]],
    inputs: Inputs,
    rates: WorkRates,
) -> gpd.GeoDataFrame:
    """Rows that a machine may rip or mound: level along their length, on ground that bears it.

    None on blocks that are wet or whose steeper ground is over ``rates.rip_steepest_deg``, none
    in the setback of what is buried. Columns ``block, length_m, geometry``.
    """
    pattern = blocks["pattern"]
    ripped = {name for name, facts in pattern_infos().items() if facts.ripped}
    bears = [
        name
        for name, form, one, mark in zip(blocks["block"], pattern, grounds, marks, strict=True)
        if form in ripped and "wet" not in mark and one.slope_to <= rates.rip_steepest_deg
    ]
    rows = layout.rows[
        layout.rows["block"].isin(bears) & (layout.rows["length_m"] >= SHORTEST_RIP_M)
    ]
    lines = rows.geometry.to_numpy()
    grid, dem = inputs.grid, inputs.dem
    ends = [shapely.get_coordinates(shapely.get_point(lines, n)) for n in (0, -1)]
    rise = np.abs(np.diff([grid.sample(dem, *end.T).astype(float) for end in ends], axis=0)[0])
    level = rise <= RIP_GRADE * rows["length_m"].to_numpy()
    buried = layout.setbacks.geometry[layout.setbacks["kind"].isin(BURIED)].union_all()
    kept = shapely.difference(lines[level], buried)
    found = gpd.GeoDataFrame(
        {"block": rows["block"].to_numpy()[level]}, geometry=kept, crs=inputs.grid.crs
    ).explode(ignore_index=True)
    found = found[found.length >= SHORTEST_RIP_M].reset_index(drop=True)
    return found.assign(length_m=found.length)[["block", "length_m", "geometry"]]


def _jobs(
    blocks: pd.DataFrame, paddocks: pd.DataFrame, months: list[list[int]], rates: WorkRates
) -> pd.DataFrame:
    """Write the dated list: access and fences, then ripping, weeds, planting, checks."""
    jobs: list[tuple[int, int, int, str, str, float, str, str]] = []

    def job(
        year: int, month: int, later: int, order: int, place: str, words: str,
        quantity: float, unit: str, note: str,
    ) -> None:  # fmt: skip
        at = year * 12 + month - 1 + later
        jobs.append((at // 12, at % 12 + 1, order, place, words, round(quantity, 1), unit, note))

    starts = [m[0] for m in months]
    planned = blocks.assign(start=starts)[blocks["year"] > 0]
    for paddock in paddocks.itertuples():
        mine = planned[planned["paddock"] == paddock.paddock]
        if len(mine) and paddock.fence_m:
            year, month = min(zip(mine["year"], mine["start"], strict=True))
            note = f"{paddock.gates} gate; before any tree; have buried services located first"
            job(year, month, -4, 0, paddock.paddock, "access and fence", paddock.fence_m, "m", note)
    for block in planned.itertuples():
        if block.rip_m > 0:
            job(block.year, block.start, -4, 1, block.block, "rip or mound", block.rip_m, "m",
                "along the contour, in dry ground; have buried services located first")  # fmt: skip
        soon, late = block.trees - block.trees_later, block.trees_later
        for year, trees in ((block.year, soon), (block.later, late)):
            if not year or not trees:
                continue
            share = trees / block.trees
            job(year, block.start, -int(np.ceil(rates.weed_weeks / 4.345)), 2, block.block,
                "weed control", block.weed_m2 * share, "m²",
                "spots: by hand, mulch or mat")  # fmt: skip
            job(year, block.start, 0, 3, block.block, "plant", trees, "trees",
                f"{block.window}; {block.access_class}")  # fmt: skip
            job(year, block.start, 0, 4, block.block, "guard", block.guards * share, "guards",
                "against browsing, the same day")  # fmt: skip
            for after in (1, 10):
                # Florabank: check at 1 month, count again at 10 months.
                job(year, block.start, after, 5, block.block, "count what lives", trees, "trees",
                    f"{after} month{'s' * (after > 1)} after planting")  # fmt: skip
    columns = ["year", "month", "order", "place", "job", "quantity", "unit", "note"]
    frame = pd.DataFrame(jobs, columns=columns)
    frame = frame.sort_values(["year", "month", "order", "place"], kind="stable", ignore_index=True)
    return frame.drop(columns="order")
