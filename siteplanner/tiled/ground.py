"""Layers of ground of any size, in tiles: what ``siteplanner ground`` does."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from siteplanner.base.errors import Errors, input_error
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.base.renamed import instead
from siteplanner.ground.assess import hanging_on_detail
from siteplanner.ground.layer import WHOLE_GRID, Reach
from siteplanner.ground.resolve import Catalogue, Maker, catalogue, check, resolve
from siteplanner.handover.folder.manifest import digest, versions
from siteplanner.handover.folder.publish import staged
from siteplanner.reading.height_step import step_of
from siteplanner.reading.heights.coarse import note_on_coarse, words_for_layer
from siteplanner.reading.heights.undeclared import note_on_voids
from siteplanner.tiled.over_tiles import Made, Step, Workers
from siteplanner.tiled.rasters import Raster, open_heights
from siteplanner.tiled.tiles import Box, cut, part_of
from siteplanner.tiled.voids import voids_of
from siteplanner.tiled.whole_grid import IN_TILES, Run

#: What a DEM alone gives; layers that ask for anything else are for the plan of a site.
GIVEN = ("dem", "grid", "latitude", "height_step", "dem_cell")
#: Cells that 32 bits can count.
_MOST_CELLS = 2**31 - 2
_SAMPLE = 100_000


def ground_in_tiles(
    dem: Path,
    out: Path,
    layers: Collection[str],
    *,
    tile: int = 2048,
    workers: int = 2,
    settings: Mapping[str, Mapping[str, Any]] | None = None,
    all_heights: bool = False,
    notes: list[str] | None = None,
    step: Step = lambda what, done, tiles: None,
) -> list[Path]:
    """Work out layers of a DEM of any size into the folder ``out``; give their files.

    Every layer with a reach of cells or metres is made by its own function on tiles of ``tile``
    cells a side with as much ground around them as it reaches; layers of the whole grid that
    ``IN_TILES`` knows are made by other ways with the same result. The memory taken goes with
    the tile and the number of ``workers``, not with the DEM. The folder is changed as a whole
    or not at all. Voids that the DEM does not declare are unknown, unless it is told that
    ``all_heights`` are real; what was found, and what a coarse DEM cannot show, goes to ``notes``.

    Raises :class:`~siteplanner.InputError` for a DEM that cannot be used, for a layer
    that nobody makes, and for one that cannot be made in tiles.
    """
    heights, grid = open_heights(dem)
    book = catalogue("installed packages")
    settings = settings or {}
    rows, cols = grid.shape
    if rows * cols > _MOST_CELLS:
        raise input_error(
            dem,
            "",
            f"it has {rows * cols:,} cells, and at most {_MOST_CELLS:,} can be counted",
            "cut it along a ridge, or make its cells larger",
        )
    _refuse(book, layers, settings, dem)
    crowd = Workers(workers, step)
    boxes = cut(grid.shape, tile)
    voids = {} if all_heights else voids_of(heights, boxes, crowd)
    heights = replace(heights, voids=tuple(voids))
    said = [*note_on_coarse(grid.cell, grid.cell), *note_on_voids(voids, "give --all-heights")]
    if notes is not None:
        notes += said
    with staged(out) as folder:
        spare = folder / "spare"
        spare.mkdir()
        run = Run(
            grid,
            tile,
            boxes,
            _with_words(book, layers, grid.cell),
            settings,
            folder,
            spare,
            frozenset(layers),
            crowd,
            _height_step(heights, boxes, crowd),
            {"dem": heights},
        )
        _make(run, dem)
        shutil.rmtree(spare)
        step("Writing the list of files", 0, 1)
        _write_manifest(run, dem, folder, said)
    return [out / f"{name}.tif" for name in layers]


def makers_for(book: Catalogue, name: str) -> list[Maker]:
    """List the makers of a layer and of all it needs, as far as they are known."""
    found: list[Maker] = []
    waiting = [name]
    while waiting:
        maker = book.makers.get(waiting.pop())
        if maker is not None and maker not in found:
            found.append(maker)
            waiting += maker.needs
    return found


def _with_words(book: Catalogue, names: Collection[str], cell: float) -> Catalogue:
    """Say in the description of each layer that hangs on the DEM's detail how coarse it is."""
    words = words_for_layer(cell)
    if not words:
        return book
    order = check(book, names, GIVEN, {}, "")
    unsure = hanging_on_detail(order)
    makers = {}
    for name, maker in book.makers.items():
        makes = tuple(
            replace(info, method=f"{info.method.rstrip('.')}. {words}")
            if info.name in unsure
            else info
            for info in maker.makes
        )
        makers[name] = replace(maker, makes=makes)
    return Catalogue(makers)


def why_not(book: Catalogue, name: str) -> str:
    """Say why a layer cannot be made in tiles from a DEM; empty when it can."""
    makers = makers_for(book, name)
    lacks = sorted({n for m in makers for n in m.needs if n not in GIVEN and n not in book.makers})
    if lacks:
        return f"layer {name} needs {', '.join(lacks)}, which a DEM alone does not give"
    whole = sorted(m.name for m in makers if m.reach == WHOLE_GRID and not _in_tiles(m))
    if whole:
        return (
            f"layer {name} needs {', '.join(whole)}, which is worked out on the whole grid at once"
        )
    return ""


def _in_tiles(maker: Maker) -> bool:
    return maker.name in IN_TILES and maker.origin == "siteplanner"


def _refuse(
    book: Catalogue,
    layers: Collection[str],
    settings: Mapping[str, Mapping[str, Any]],
    dem: Path,
) -> None:
    errors = Errors()
    can = [name for name in book.makers if not why_not(book, name)]
    if not layers:
        errors.add(dem, "layers", "no layer is named", f"name some of: {', '.join(can)}")
    for name in layers:
        if name not in book.makers:
            errors.add(dem, "layers", f"no layer is called {name!r}", instead(name, can))
        elif why := why_not(book, name):
            errors.add(
                dem,
                "layers",
                why,
                "leave it out here; the plan of a site (siteplanner plan) has it",
            )
    if settings.get("flow", {}).get("breach", 0):
        errors.add(dem, "layers.flow.breach", "banks are not breached in tiles", "leave breach out")
    errors.raise_any()


def _height_step(heights: Raster, boxes: list[Box], workers: Workers) -> float:
    """Step that the DEM's heights come in, m, told from cells spread evenly over all tiles."""
    each = max(1, _SAMPLE // len(boxes))

    def sample(box: Box) -> tuple[Made, Any]:
        values = heights.read(box)
        known = values[np.isfinite(values)]
        return {}, known[:: max(1, known.size // each)].copy()

    return step_of(np.concatenate(workers.over("Looking at the heights", boxes, sample)))


def _make(run: Run, dem: Path) -> None:
    """Make the wanted layers: those of the whole grid one by one, all others in one go."""
    order = check(run.book, run.wanted, GIVEN, run.settings, dem)
    for maker in order:
        if maker.reach != WHOLE_GRID:
            continue
        needs = [n for n in maker.needs if n in run.book.makers and n not in run.stored]
        if needs and not (maker.name == "terrace_smoothed_dem" and not run.height_step):
            _make_local(run, needs, dem)
        IN_TILES[maker.name](run)
    written = {run.folder / f"{name}.tif" for name in run.wanted}
    left = [n for n in run.wanted if n not in run.stored or run.stored[n].path not in written]
    if left:
        _make_local(run, left, dem)


def _make_local(run: Run, names: Collection[str], dem: Path) -> None:
    """Make layers with the resolver on each tile and as much around it as they reach."""
    names = sorted(names)
    order = check(run.book, names, [*GIVEN, *run.stored], run.settings, dem)
    halo = halo_of(order, names, run)
    needs = {n for m in order for n in m.needs} | set(names)
    sources = {n: r for n, r in run.stored.items() if n in needs or n == "dem"}
    latitude = run.grid.centre_lonlat[1]

    def work(box: Box) -> tuple[Made, None]:
        window = box.expanded(halo).within(run.grid.shape)
        given = {
            **{name: raster.read(window) for name, raster in sources.items()},
            "grid": part_of(run.grid, window),
            "latitude": latitude,
            "height_step": run.height_step,
            "dem_cell": run.grid.cell,
        }
        made = resolve(order, given, names, run.settings)
        cell = box.seen_from(window)
        return {name: np.ascontiguousarray(made[name][cell]) for name in names}, None

    titles = ", ".join(run.book.info(name).title.lower() for name in names[:3])
    what = titles[:1].upper() + titles[1:] + (" …" if len(names) > 3 else "")
    targets = {name: run.begin(name) for name in names}
    run.workers.over(what, run.boxes, work, targets)


def halo_of(order: list[Maker], names: Collection[str], run: Run) -> int:
    """Cells around a tile that its layers depend on, through all that they need."""
    wide: dict[str, int] = dict.fromkeys(names, 0)
    for maker in reversed(order):
        own = max(wide.get(info.name, 0) for info in maker.makes)
        for need in maker.needs:
            wide[need] = max(wide.get(need, 0), own + cells_of(maker, run))
    return max(wide.values(), default=0)


def cells_of(maker: Maker, run: Run) -> int:
    """Reach of a layer function in cells, a part of a cell counted as one more than whole."""
    reach: Reach = maker.reach
    if reach.cells is not None:
        return reach.cells
    metres = reach.metres
    if isinstance(metres, str):
        metres = float(run.settings.get(maker.name, {}).get(metres, maker.settings[metres]))
    assert metres is not None, "layers of the whole grid are not made on tiles"
    return math.ceil(metres / run.grid.cell) + 1


def _write_manifest(run: Run, dem: Path, folder: Path, notes: list[str]) -> None:
    """Write what the layers were made of; no clock and no path, so the same bytes again."""
    files = {f"{name}.tif": folder / f"{name}.tif" for name in sorted(run.wanted)}
    content = {
        "site": dem.stem,
        "versions": versions(),
        "warnings": notes,
        "inputs": {dem.name: digest(dem)},
        "settings": {name: dict(table) for name, table in run.settings.items()},
        "grid": {
            "crs": run.grid.crs.to_string(),
            "cell_m": run.grid.cell,
            "rows": run.grid.shape[0],
            "columns": run.grid.shape[1],
        },
        "files": {
            name: {"bytes": path.stat().st_size, "sha256": digest(path)}
            for name, path in files.items()
        },
    }
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")
