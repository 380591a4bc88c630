"""Writes a whole plan into its folder: all of it or none of it."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

from siteplanner.after.how_sure import how_sure, layers_of, write_how_sure
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.layer import LayerInfo
from siteplanner.handover.folder.background import Beside
from siteplanner.handover.folder.full_disk import told_when_full
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.handover.folder.publish import staged
from siteplanner.handover.gis.gis import write_fit, write_geopackage, write_layer
from siteplanner.handover.gis.handheld import write_handheld
from siteplanner.handover.map.page import write_map
from siteplanner.handover.paper.sheets import write_sheets
from siteplanner.handover.tables.counts import write_counts, write_dig, write_thermometers
from siteplanner.handover.tables.frost import write_frost
from siteplanner.handover.tables.workbook import write_workbook
from siteplanner.handover.tables.works import write_works
from siteplanner.handover.tables.write_nursery import write_nursery
from siteplanner.plan import Plan
from siteplanner.planning import make_plan
from siteplanner.site.site_file import Site

#: Other packages add writers here: ``writer(plan, folder)`` puts its own files into a folder.
GROUP = "siteplanner.writers"


def write_plan(
    site: Site,
    target: str | Path | None = None,
    *,
    sure: bool = False,
    step: Callable[[str], None] = lambda words: None,
) -> Plan:
    """Make the plan of a site and put it in place at ``target`` (``maps/<site>`` by default).

    With ``sure``, the chances of every species are worked out too, which takes longer. The
    previous plan stays as it was until the new one is complete. Raises
    :class:`~siteplanner.InputError`.
    """
    target = Path(target) if target is not None else Path("maps") / site.slug
    with (
        Beside(target) as beside,
        staged(target) as folder,
        told_when_full(folder, target),
        beside.stopped_by_a_fault(),
    ):
        layers = folder / "layers"
        layers.mkdir()

        def each(info: LayerInfo, values: FloatGrid, grid: Grid) -> None:
            beside.call(write_layer, info, values, grid, layers)

        plan = make_plan(site, each=each, step=step)
        if sure:
            chances = how_sure(site, step)
            for info, values in layers_of(chances):
                each(info, values, chances.grid)
            write_how_sure(chances, folder / "how_sure.csv")
        names = list(plan.species["botanical_name"])
        beside.call(write_fit, names, plan.fit, plan.grid, layers, site.species.index)
        step("Writing the GIS file and the counts")
        write_geopackage(plan, folder / "plan.gpkg")
        write_counts(plan, folder / "counts.csv")
        if len(plan.dig):
            write_dig(plan, folder / "dig.csv")
        if len(plan.thermometers):
            write_thermometers(plan, folder / "thermometers.csv")
        write_frost(plan, folder)
        write_works(plan, folder)
        write_workbook(plan, folder / "plan.xlsx")
        step("Writing the files for handhelds")
        write_handheld(plan, folder)
        step("Drawing the planting sheets")
        write_sheets(plan, folder / "sheets.pdf")
        step("Writing the nursery's year")
        write_nursery(plan, folder)
        step("Drawing the map")
        write_map(plan, folder / "map.html")
        for entry in sorted(entry_points(group=GROUP), key=lambda e: e.name):
            entry.load()(plan, folder)
        step("Finishing the layers")
        beside.finish()
        files = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
        write_manifest(plan, folder / "plan.json", files)
        step("Putting the plan in place")
    return plan
