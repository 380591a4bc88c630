"""Writes all files of a plan, but for the layers and the manifest, into its folder."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

from siteplanner.handover.gis.gis import write_geopackage
from siteplanner.handover.gis.handheld import write_handheld
from siteplanner.handover.map.page import write_map
from siteplanner.handover.paper.sheets import write_sheets
from siteplanner.handover.tables.counts import write_counts, write_dig, write_thermometers
from siteplanner.handover.tables.frost import write_frost
from siteplanner.handover.tables.workbook import write_workbook
from siteplanner.handover.tables.works import write_works
from siteplanner.handover.tables.write_nursery import write_nursery
from siteplanner.plan import Plan

#: Other packages add writers here: ``writer(plan, folder)`` puts its own files into a folder.
GROUP = "siteplanner.writers"


def write_all(plan: Plan, folder: Path, step: Callable[[str], None]) -> None:
    """Write every file that people take away; ``step`` is told what comes next."""
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
