"""Magnetic declination and time zone, by packages; nothing is asked of the network."""

from __future__ import annotations

import importlib.metadata
from datetime import date

import pandas as pd
import tzfpy

from siteplanner.base.bearings import LAST_YEAR, MODEL, decimal_year, declination
from siteplanner.base.tables import write_table
from siteplanner.gather.area import Area
from siteplanner.gather.found import Found
from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.services import Service


def north_and_time(area: Area, on: date, elevation_m: float | None) -> Found:
    """Find declination and time zone of the property's middle.

    Raises :class:`ServiceError` where the magnetic model is too old.
    """
    lon, lat = area.middle
    try:
        angle = declination(lon, lat, decimal_year(on), elevation_m or 0.0)
    except ValueError:
        raise ServiceError(
            f"the magnetic model {MODEL} does not hold on {on}; a newer version of the package "
            "pygeomag has one"
        ) from None
    zone = tzfpy.get_tz(lon, lat)
    rows = [
        ("declination", round(angle, 1), "degrees, east positive", on.isoformat(),
         f"{MODEL} by pygeomag {importlib.metadata.version('pygeomag')}; until {LAST_YEAR}"),
        ("time zone", zone, "", on.isoformat(),
         f"borders of {tzfpy.data_version()} by tzfpy {importlib.metadata.version('tzfpy')}"),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["what", "value", "unit", "on", "from"])
    side = "east" if angle >= 0 else "west"
    return Found(
        Service(
            service="World Magnetic Model and time zone borders, in packages",
            licence="public domain; ODbL",
            credit="Time zones: © OpenStreetMap contributors, ODbL",
        ),
        "no address: worked out here", on.isoformat(),
        "declination good to about half a degree, and changing by the year; check a compass "
        "against a known line",
        lambda path: write_table(path, table, ".1f"),
        notes=(f"Declination {abs(angle):.1f}° {side} on {on}; time zone {zone}.",),
    )  # fmt: skip
