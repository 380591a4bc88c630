"""Lists the files that a site is made of, with the digest of each."""

from __future__ import annotations

import glob
import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from siteplanner.base.errors import Errors
from siteplanner.base.results.memory import Call, afresh
from siteplanner.reading.files.tiles import tiles
from siteplanner.site.site_file import Site

Value = TypeVar("Value")
#: Tables that say what is decided about the land, and not what it is.
_DECIDED = (
    "setbacks", "zones", "planting", "mix", "decisions", "blocks", "how_sure", "work", "upkeep",
    "prices", "years", "nursery", "survival", "map",
)  # fmt: skip
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
    parts = [part for name in files(site) for part in _parts(site.folder / name)]
    return {_relative(part, site): _hash(part) for part in parts}


def _hash(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@dataclass(frozen=True)
class Land:
    """A site without what is decided about it, and the digests of the files that say what it is.

    What is read of the land alone goes through ``call`` with both, and is read again only where
    one of them has changed.
    """

    site: Site
    digests: dict[str, str]
    call: Call

    @classmethod
    def of(cls, site: Site, call: Call) -> Land:
        """Look at a site's files, where it is of use."""
        fields = Site.model_fields
        defaults = {name: fields[name].get_default(call_default_factory=True) for name in _DECIDED}
        land = site.model_copy(update=defaults)
        if call is afresh:
            return cls(land, {}, afresh)
        errors = Errors()
        digests: dict[str, str] = {}
        with errors.gather():
            # What was printed and planted on the land does not change it.
            names = (name for name in files(land)[1:] if name != _relative(land.blocks_file, land))
            parts = [part for name in names for part in _parts(land.folder / name)]
            digests = {str(part): _hash(part) for part in parts if part.is_file()}
        return cls(land, digests, afresh if errors.found else call)

    def read(
        self, read: Callable[..., Value], *arguments: object, notes: list[str] | None = None
    ) -> Value:
        """Call a reader with the site and ``arguments``, and last with ``notes`` where given.

        Raises what it raises.
        """
        told = notes is not None
        value, said = self.call(_read, read, self.site, self.digests, arguments, told)
        if notes is not None:
            notes += said
        return value


def _read(
    read: Callable[..., Value],
    site: Site,
    digests: dict[str, str],
    arguments: tuple[object, ...],
    told: bool,
) -> tuple[Value, list[str]]:
    """Call a reader; ``digests`` are those of the files as it finds them."""
    said: list[str] = []
    return read(site, *arguments, *([said] if told else [])), said


def _parts(path: Path) -> list[Path]:
    """Give the files that an input is made of: those of a folder or a Shapefile, else itself."""
    if path.is_dir():  # a lock is of whoever has it open
        inside = sorted(part for part in path.rglob("*") if part.is_file())
        return [part for part in inside if part.suffix != ".lock"]
    if path.suffix.lower() != ".shp":
        return [path]
    beside = (part for part in path.parent.glob(f"{glob.escape(path.stem)}.*"))
    return sorted(part for part in beside if part.suffix.lower() in _OF_A_SHAPEFILE)
