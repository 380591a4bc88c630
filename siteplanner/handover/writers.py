"""The writers of siteplanner itself: which files each puts into a plan's folder."""

from __future__ import annotations

from pathlib import Path

from siteplanner.handover.book.write import write_book
from siteplanner.handover.gis.geopackage import write_geopackage
from siteplanner.handover.gis.handheld import write_handheld
from siteplanner.handover.gis.tiles import write_tiles
from siteplanner.handover.map.page import write_map
from siteplanner.handover.tables.counts import write_counts, write_dig, write_thermometers
from siteplanner.handover.tables.frost import write_frost
from siteplanner.handover.tables.hours import write_hours
from siteplanner.handover.tables.workbook import write_workbook
from siteplanner.handover.tables.works import write_works
from siteplanner.handover.tables.write_nursery import write_nursery
from siteplanner.handover.write import writer
from siteplanner.plan import Plan


@writer("Writing the GIS file")
def geopackage(plan: Plan, folder: Path) -> None:
    """Write ``plan.gpkg``."""
    write_geopackage(plan, folder / "plan.gpkg")


@writer("Writing the counts")
def counts(plan: Plan, folder: Path) -> None:
    """Write ``counts.csv``."""
    write_counts(plan, folder / "counts.csv")


@writer("Writing where to dig")
def dig(plan: Plan, folder: Path) -> None:
    """Write ``dig.csv`` where there are spots to dig at."""
    if len(plan.dig):
        write_dig(plan, folder / "dig.csv")


@writer("Writing the frost tables")
def frost(plan: Plan, folder: Path) -> None:
    """Write ``frost.csv``, ``frost_dates.csv`` and ``thermometers.csv``."""
    write_frost(plan, folder)
    if len(plan.thermometers):
        write_thermometers(plan, folder / "thermometers.csv")


@writer("Writing the works")
def works(plan: Plan, folder: Path) -> None:
    """Write the tables of works: blocks, jobs, fences, rows, years and zones."""
    write_works(plan, folder)


@writer("Writing the hours of work")
def hours(plan: Plan, folder: Path) -> None:
    """Write ``hours.csv`` where there is work to sum."""
    if len(plan.hours):
        write_hours(plan, folder / "hours.csv")


@writer("Writing the workbook")
def workbook(plan: Plan, folder: Path) -> None:
    """Write ``plan.xlsx``."""
    write_workbook(plan, folder / "plan.xlsx")


@writer("Writing the files for handhelds")
def handheld(plan: Plan, folder: Path) -> None:
    """Write the files for finding rows and trees in the field."""
    write_handheld(plan, folder)
    write_tiles(plan, folder / "plan.mbtiles")


@writer("Drawing the planting sheets")
def sheets(plan: Plan, folder: Path) -> None:
    """Write ``sheets.pdf``, ``run_sheets.pdf``, ``sheets/<block>.pdf``, ``row_tags.pdf``."""
    write_book(plan, folder)


@writer("Writing the nursery's year")
def nursery(plan: Plan, folder: Path) -> None:
    """Write the nursery's tables, sheets, labels and calendar."""
    write_nursery(plan, folder)


@writer("Drawing the map")
def map_page(plan: Plan, folder: Path) -> None:
    """Write ``map.html``."""
    write_map(plan, folder / "map.html")
