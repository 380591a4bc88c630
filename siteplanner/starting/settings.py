"""Writes the tables of a new site file that hold settings, frost, shelter and decisions."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from siteplanner.season.nursery.schedule import season
from siteplanner.site.commented import defaults, table
from siteplanner.starting.given import Given
from siteplanner.starting.matched import Started, relative_to, vector_table

_READINGS = ("name", "winter_min_c", "height_m", "winter")


def frost_lines(folder: Path, given: Given, started: Started) -> list[str]:
    """Write ``[frost]``: readings and hollows where they are given, else how to name them."""
    if given.readings is None:
        started.missing.append(
            "frost readings: without them the coldest nights are a default; put minimum "
            "thermometers out for a winter and add what they read"
        )
    if given.readings is None and given.hollows is None:
        return [
            "# Frost readings: points with name, winter_min_c, height_m and winter.",
            "# Hollows: polygons.",
            "# [frost]",
            '# readings = { file = "frost.gpkg", layer = "readings" }',
            '# hollows = { file = "frost.gpkg", layer = "hollows" }',
            *defaults("frost"),
            "",
        ]
    lines = ["[frost]", *defaults("frost"), ""]
    for part, path, wanted in (
        ("readings", given.readings, _READINGS),
        ("hollows", given.hollows, ("name",)),
    ):
        if path is not None:
            name = f"frost.{part}"
            lines += vector_table(name, wanted, path, folder, given, started, part=part)
    return lines


def shelter_lines(folder: Path, given: Given, started: Started) -> list[str]:
    """Write ``[shelter]`` where hedges and shelterbelts are given."""
    if given.shelter is None:
        return []
    wanted = ("height_m", "porosity")
    return vector_table("shelter", wanted, given.shelter, folder, given, started)


def decision_lines(folder: Path, given: Given) -> list[str]:
    """Write ``[decisions]`` where zones drawn by hand are given."""
    if given.decisions is None:
        return []
    return table("decisions", {"zones": relative_to(given.decisions, folder)})


def settings_lines(lat: float, given: Given, started: Started) -> list[str]:
    """Write all tables of plain settings: what is given, the rest as comments with defaults."""
    spring = (
        next(m for m in range(1, 13) if season(date(2001, m, 1), lat or 1) == "early spring")
        if abs(lat) >= 23.4
        else None
    )
    if given.plant_on is None:
        started.missing.append("the first day of planting: write plant_on under [nursery]")
    own: dict[str, dict[str, Any]] = {"setbacks": dict(given.setbacks)}
    own["nursery"] = {} if given.plant_on is None else {"plant_on": given.plant_on}
    lines = []
    for name in ("setbacks", "zones", "planting", "mix", "nursery", "survival"):
        note = []
        if name == "setbacks":
            note = [
                "# Metres to keep clear. Local codes, the network operator and the owner of a",
                "# service decide; where they ask for more, write it here.",
            ]
        if name == "nursery" and spring is not None:
            note = [f"# Here spring begins about {date(2001, spring, 1):%B}."]
        said = own.get(name, {})
        rest = defaults(name, without=said)
        lines += note + (table(name, said, rest) if said else [f"# [{name}]", *rest, ""])
    return lines
