"""Magnetic declination and time zone, by packages; nothing is asked of the network."""

from __future__ import annotations

import importlib.metadata
from datetime import date

import pandas as pd
import pygeomag
import tzfpy

from siteplanner.base.tables import write_table
from siteplanner.gather.area import Area
from siteplanner.gather.found import Found
from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.services import Service

#: The World Magnetic Model in use, and the last year for which it holds.
_MODEL, _LAST = "WMM_2025", 2030


def declination(longitude: float, latitude: float, on: date, elevation_m: float = 0.0) -> float:
    """Magnetic declination, degrees, east positive. Raises ``ValueError`` beyond the model."""
    first = date(on.year, 1, 1)
    year = on.year + (on - first).days / ((date(on.year + 1, 1, 1) - first).days)
    model = pygeomag.GeoMag(coefficients_file=f"wmm/{_MODEL}.COF")
    found = model.calculate(glat=latitude, glon=longitude, alt=elevation_m / 1000, time=year)
    return float(found.d)


def north_and_time(area: Area, on: date, elevation_m: float | None) -> Found:
    """Find declination and time zone of the property's middle.

    Raises :class:`ServiceError` where the magnetic model is too old.
    """
    lon, lat = area.middle
    try:
        angle = declination(lon, lat, on, elevation_m or 0.0)
    except ValueError:
        raise ServiceError(
            f"the magnetic model {_MODEL} does not hold on {on}; a newer version of the package "
            "pygeomag has one"
        ) from None
    zone = tzfpy.get_tz(lon, lat)
    rows = [
        ("declination", round(angle, 1), "degrees, east positive", on.isoformat(),
         f"{_MODEL} by pygeomag {importlib.metadata.version('pygeomag')}; until {_LAST}"),
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
