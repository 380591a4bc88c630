"""What a new site starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

#: Parts of a site that are vector files, whose layers and columns can be named.
VECTORS = (
    "boundary",
    "paddocks",
    "soils",
    "readings",
    "hollows",
    "shelter",
    "no_plant",
    "seed_sources",
)


@dataclass(frozen=True)
class Given:
    """Files and settings that a new site starts from; boundary and DEM must be there.

    ``species_list`` names a starter list that comes with siteplanner. ``readings`` are frost
    readings, ``hollows`` hand-drawn frost hollows, ``decisions`` zones drawn by hand. ``layers``
    says by part which layers of its file to read, ``columns`` by part the file's own name of a
    standard column; what is not said is recognised by name. ``setbacks`` are metres by kind. A
    ``bare`` site gets no files to fill in for what is not given: it is left out, and so unknown.
    ``sources`` is a table of where files are from; ``climate_settings`` go under [climate] with the
    station's files.
    """

    boundary: Path
    dem: Path
    paddocks: Path | None = None
    soils: Path | None = None
    no_plant: Path | None = None
    seed_sources: Path | None = None
    species: Path | None = None
    species_list: str | None = None
    monthly: Path | None = None
    winter_minima: Path | None = None
    readings: Path | None = None
    hollows: Path | None = None
    shelter: Path | None = None
    decisions: Path | None = None
    station_elevation_m: float | None = None
    layers: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    setbacks: Mapping[str, float] = field(default_factory=dict)
    plant_on: int | date | None = None
    bare: bool = False
    sources: Path | None = None
    climate_settings: Mapping[str, float] = field(default_factory=dict)

    def layer(self, part: str) -> str | None:
        """Give the layer that was named for a part."""
        return next(iter(self.layers.get(part, ())), None)
