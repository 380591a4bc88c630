"""The trees to order and the spots to dig at, as CSV."""

from __future__ import annotations

from pathlib import Path

from siteplanner.base.tables import write_table
from siteplanner.plan import Plan

COUNT_COLUMNS = ("zone", "paddock", "species", "common_name", "trees", "infill", "order")


def write_counts(plan: Plan, path: Path) -> None:
    """Write trees, infill and order by zone, paddock and species; one header, no total rows."""
    write_table(path, plan.counts[list(COUNT_COLUMNS)])


def write_dig(plan: Plan, path: Path) -> None:
    """Write the spots where to dig, with empty columns for what is found there."""
    places = {"easting": ".0f", "northing": ".0f", "longitude": ".6f", "latitude": ".6f"}
    write_table(path, plan.dig.astype(dict.fromkeys(places, float)), places)


def write_thermometers(plan: Plan, path: Path) -> None:
    """Write the spots where one more thermometer would lower the frost estimate's error most."""
    places = {"easting": ".0f", "northing": ".0f", "longitude": ".6f", "latitude": ".6f"}
    errors = ("error_there_c", "mean_error_before_c", "mean_error_after_c")
    write_table(path, plan.thermometers, places | dict.fromkeys(errors, ".2f"))
