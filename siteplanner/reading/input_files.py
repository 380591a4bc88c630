"""Lists the files that a site is made of, with the digest of each."""

from __future__ import annotations

import glob
import hashlib
import os
from pathlib import Path

from siteplanner.reading.files.tiles import tiles
from siteplanner.site.site_file import Site

#: Files that decide what a Shapefile says.
_OF_A_SHAPEFILE = (".shp", ".dbf", ".shx", ".prj", ".cpg")


def files(site: Site) -> list[str]:
    """Paths of all input files, relative to the site file, the site file first."""
    frost = [part.file for part in (site.frost.readings, site.frost.hollows) if part]
    named = [
        site.path.name,
        site.site.sources,
        site.boundary.file,
        site.paddocks.file,
        *(_relative(tile, site) for tile in tiles(site)),
        site.soils.file,
        site.soils.dug,
        site.decisions.zones,
        site.decisions.local,
        _relative(site.blocks_file, site) if site.blocks_file.is_file() else None,
        *frost,
        site.shelter.file if site.shelter else None,
        f"{site.frost.mature_shelter}/plan.gpkg" if site.frost.mature_shelter else None,
        site.climate.monthly,
        site.climate.winter_minima,
        site.climate.daily_minima,
        site.no_plant.file if site.no_plant else None,
        site.species.file,
        site.seed_sources.file if site.seed_sources else None,
        site.species.survival,
        site.nursery.stock,
        site.nursery.counts,
    ]
    return list(dict.fromkeys(name for name in named if name))


def _relative(path: Path, site: Site) -> str:
    return os.path.relpath(path, site.folder)


def hashes(site: Site) -> dict[str, str]:
    """SHA-256 of every input file, by its path relative to the site file."""
    found = {}
    for name in files(site):
        for part in _parts(site.folder / name):
            with part.open("rb") as stream:
                found[_relative(part, site)] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def _parts(path: Path) -> list[Path]:
    """Give the files that an input is made of: those of a folder or a Shapefile, else itself."""
    if path.is_dir():  # a lock is of whoever has it open
        inside = sorted(part for part in path.rglob("*") if part.is_file())
        return [part for part in inside if part.suffix != ".lock"]
    if path.suffix.lower() != ".shp":
        return [path]
    beside = (part for part in path.parent.glob(f"{glob.escape(path.stem)}.*"))
    return sorted(part for part in beside if part.suffix.lower() in _OF_A_SHAPEFILE)
