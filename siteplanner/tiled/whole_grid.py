"""Layers of the whole grid that can be worked out in tiles, each by a way of its own.

A layer function that declares ``WHOLE_GRID`` cannot be called on a tile. For those listed in
``IN_TILES`` a function here takes its place: it reads what the layer needs from ``Run.stored``
and leaves the layer there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.relief.terrain import SMOOTHINGS, smoothed, smoothing_cells
from siteplanner.ground.resolve import Catalogue
from siteplanner.ground.water._flow import channel_below, spread
from siteplanner.ground.water._neighbours import OUT, rimmed
from siteplanner.ground.water.edge_contamination import inlets
from siteplanner.ground.water.surface_water import channels, low_and_level
from siteplanner.tiled import tile_flow
from siteplanner.tiled.over_tiles import Made, Workers
from siteplanner.tiled.rasters import Raster, Target, new_layer, scratch
from siteplanner.tiled.tiles import Box, Lines, rim_of

_INSIDE = np.s_[1:-1, 1:-1]
#: Water that parts is followed over so many cells of the neighbouring tiles, and passed on from
#: tile to tile until what enters anywhere changes by no more than this share of itself.
OVERLAP, SETTLED = 64, 1e-7


@dataclass
class Run:
    """Layers of one DEM being worked out: where they are, and who works."""

    grid: Grid
    tile: int
    boxes: Sequence[Box]
    book: Catalogue
    settings: Mapping[str, Mapping[str, Any]]
    folder: Path
    spare: Path
    wanted: frozenset[str]
    workers: Workers
    height_step: float
    stored: dict[str, Raster]
    filled: tile_flow.Filled | None = field(default=None)
    links: tile_flow.Links | None = field(default=None)

    def begin(self, name: str) -> Target:
        """Begin a layer's raster, among the results when it is wanted, else among the rest."""
        folder = self.folder if name in self.wanted else self.spare
        target = new_layer(folder, self.book.info(name), self.grid, self.tile)
        self.stored[name] = target.raster
        return target

    def setting(self, function: str, name: str) -> Any:
        """Value of a layer function's setting."""
        maker = next(m for m in self.book.makers.values() if m.name == function)
        return self.settings.get(function, {}).get(name, maker.settings[name])


def flow(run: Run) -> None:
    """Filled heights, direction and upstream area: equal to the whole grid's, bit for bit."""
    heights, boxes, workers = run.stored["terrace_smoothed_dem"], run.boxes, run.workers
    filled = tile_flow.fill(heights, boxes, run.begin("depression_filled_dem"), workers)
    store = scratch(run.spare / "ways.tif", run.grid, "uint8")
    steps = tile_flow.ways(filled, boxes, store, workers)
    direction = run.begin("flow_direction")
    tile_flow.finish_ways(filled, store.raster, steps, boxes, direction, workers)
    links = tile_flow.Links(direction.raster, boxes)
    run.filled, run.links = filled, links
    what = "Adding up water"
    enter = tile_flow.entering(direction.raster, boxes, links, workers, what)

    def area(box: Box) -> tuple[Made, None]:
        cells = tile_flow.accumulated(direction.raster, box, links, enter)
        out = np.multiply(cells, run.grid.cell_area).astype(np.float32)
        out[np.isnan(direction.raster.read(box))] = np.nan
        return {"area": out}, None

    workers.over("Upstream area", boxes, area, {"area": run.begin("flow_accumulation")})


def edge_contamination_catchment(run: Run) -> None:
    """What the DEM's edge cuts off, counted down the flow directions: equal to the bit."""
    ways, links = run.stored["flow_direction"], _made(run.links)

    def own(box: Box) -> Any:
        around = ways.read(box.expanded(2))
        # The outermost cells only tell where ground is known: their water may leave the array.
        ended = np.where(np.isnan(around), around, np.float32(OUT))
        ended[_INSIDE] = around[_INSIDE]
        _, enters = inlets(ended)
        return rimmed(enters[2:-2, 2:-2], 0)

    what = "Following water from the edge"
    enter = tile_flow.entering(ways, run.boxes, links, run.workers, what, own)

    def fed(box: Box) -> tuple[Made, None]:
        cells = tile_flow.accumulated(ways, box, links, enter, own(box))
        return {"cut": np.where(np.isnan(ways.read(box)), np.float32(np.nan), cells > 0)}, None

    target = {"cut": run.begin("edge_contamination_catchment")}
    run.workers.over("Catchment cut by the edge", run.boxes, fed, target)


def height_above_nearest_drainage(run: Run) -> None:
    """Height above the first channel on the water's way: equal to the bit."""
    stored = run.stored["channels"]
    above = _above(run, stored.read, "Finding channels downstream")

    def work(box: Box) -> tuple[Made, None]:
        return {"above": above(box)}, None

    target = {"above": run.begin("height_above_nearest_drainage")}
    run.workers.over("Height above the channel", run.boxes, work, target)


def flood_flat(run: Run) -> None:
    """Level ground little above a stream: equal to the bit."""
    area, slope = run.stored["flow_accumulation"], run.stored["slope"]
    stream_area, height, level, least = (
        run.setting("flood_flat", name)
        for name in ("stream_area", "height", "level", "least_cells")
    )

    def stream(box: Box) -> FloatGrid:
        return channels(area.read(box), run.grid.cell, channel_area=stream_area, least_cells=least)

    above = _above(run, stream, "Finding streams downstream")

    def work(box: Box) -> tuple[Made, None]:
        return {
            "flat": low_and_level(above(box), slope.read(box), area.read(box), height, level)
        }, None

    target = {"flat": run.begin("flood_flat")}
    run.workers.over("Flood-flat", run.boxes, work, target)


def _above(
    run: Run, channel_of: Callable[[Box], FloatGrid], what: str
) -> Callable[[Box], FloatGrid]:
    """Give what tells a box its heights above a channel, once all edges know theirs."""
    ways, filled, links = run.stored["flow_direction"], _made(run.filled), _made(run.links)
    bases = Lines(run.grid.shape, run.boxes, 0, np.float32, np.nan)

    def below(box: Box) -> FloatGrid:
        base = bases.ring(box)
        base[_INSIDE] = -np.inf
        heights = filled.edges.ring(box)
        heights[_INSIDE] = filled.heights.read(box)
        way = tile_flow.read_ways(ways, box).astype(np.float32)
        return channel_below(heights, way, rimmed(channel_of(box), 0), base)[_INSIDE]

    def told(box: Box) -> tuple[Made, Any]:
        rows, cols = rim_of(box)
        stop = rimmed(channel_of(box) == 1, False)
        leaves = links.leaves(box, tile_flow.read_ways(ways, box), stop)
        return {}, (leaves, below(box)[rows - box.top, cols - box.left])

    found = run.workers.over(what, run.boxes, told)
    link = links.nodes(np.concatenate([leaves for leaves, _ in found]))
    base = np.concatenate([base for _, base in found])
    while (more := np.flatnonzero(link >= 0)).size:
        base[more], link[more] = base[link[more]], link[link[more]]
    for box in run.boxes:
        bases.set_cells(*rim_of(box), links.of(box, base))
    return lambda box: filled.heights.read(box) - below(box)


def specific_contributing_area(run: Run) -> None:
    """Water that parts among all lower neighbours: the whole grid's within a tolerance.

    Each tile is worked out together with ``OVERLAP`` cells around it from what enters there.
    That is passed on from tile to tile, in rounds, until nothing that enters changes by more
    than ``SETTLED`` of itself.
    """
    filled, ways = run.stored["depression_filled_dem"], run.stored["flow_direction"]
    lines = Lines(run.grid.shape, run.boxes, OVERLAP, np.float64, 0.0)
    used: dict[Box, Any] = {}

    def parted(box: Box) -> Any:
        around = box.expanded(OVERLAP + 2)
        cells = np.zeros(around.shape)
        held = cells[_INSIDE]
        held[:] = lines.ring(box)
        held[_INSIDE] = 1.0
        made = spread(filled.read(around), ways.read(around), cells, 2)
        return made[box.seen_from(around)]

    def work(box: Box) -> tuple[Made, Any]:
        return {}, lines.crossing(box, parted(box))

    waiting = list(run.boxes)
    while waiting:
        for box in waiting:
            used[box] = lines.around(box)
        told = run.workers.over("Parting water", waiting, work)
        for box, pieces in zip(waiting, told, strict=True):
            lines.lay(box, pieces)
        waiting = [box for box in run.boxes if _differ(used[box], lines.around(box))]

    def finished(box: Box) -> tuple[Made, None]:
        out = np.multiply(parted(box), run.grid.cell).astype(np.float32)
        out[np.isnan(filled.read(box))] = np.nan
        return {"parted": out}, None

    target = {"parted": run.begin("specific_contributing_area")}
    run.workers.over("Catchment per metre of contour", run.boxes, finished, target)


def _differ(before: Any, now: Any) -> bool:
    return bool((np.abs(now - before) > SETTLED * np.abs(now)).any())


def terrace_smoothed_dem(run: Run) -> None:
    """Heights without steps: equal to the bit; the DEM itself where they come in none."""
    dem = run.stored["dem"]
    if not run.height_step:
        run.stored["terrace_smoothed_dem"] = dem
        return
    middle = _median(run, run.stored["slope"])
    half = smoothing_cells(middle, run.height_step, run.grid)

    def work(box: Box) -> tuple[Made, None]:
        window = box.expanded(SMOOTHINGS * half).within(run.grid.shape)
        out = smoothed(dem.read(window), run.height_step, half)
        return {"heights": out[box.seen_from(window)]}, None

    target = {"heights": run.begin("terrace_smoothed_dem")}
    run.workers.over("Heights without steps", run.boxes, work, target)


def _median(run: Run, values: Raster) -> float:
    """Median of a layer that is never negative, exact: such float32 sort as their bits do.

    The two middle ones are found by counting the upper halves of the bits, then the lower.
    """

    def counts(box: Box, upper: int | None) -> tuple[Made, Any]:
        known = values.read(box)
        bits = known[np.isfinite(known)].view(np.uint32)
        half = bits >> 16 if upper is None else bits[bits >> 16 == upper] & 0xFFFF
        return {}, np.bincount(half, minlength=1 << 16)

    def counted(upper: int | None) -> Any:
        what = "Finding the middle slope"
        return sum(run.workers.over(what, run.boxes, lambda box: counts(box, upper)))

    uppers = np.cumsum(counted(None))
    middles = []
    for rank in {(uppers[-1] - 1) // 2, uppers[-1] // 2}:
        upper = int(np.searchsorted(uppers, rank, "right"))
        before = uppers[upper - 1] if upper else 0
        lowers = np.cumsum(counted(upper))
        middles.append((upper << 16) + int(np.searchsorted(lowers, rank - before, "right")))
    return float(np.median(np.array(middles, np.uint32).view(np.float32)))


def _made(value: Any) -> Any:
    assert value is not None, "flow comes before what depends on it"
    return value


#: What stands in, on tiles, for the layer function of the same name.
IN_TILES: dict[str, Callable[[Run], None]] = {
    solve.__name__: solve
    for solve in (
        terrace_smoothed_dem,
        flow,
        edge_contamination_catchment,
        height_above_nearest_drainage,
        flood_flat,
        specific_contributing_area,
    )
}
