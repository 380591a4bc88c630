"""The whole gathering on one page: what is missing is fetched, written, and put into a site."""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
import rasterio.mask
import shapely
from filelock import FileLock, Timeout
from pyproj import Transformer
from rasterio.errors import RasterioError

from siteplanner.base.errors import InputError, input_error
from siteplanner.base.results import cache
from siteplanner.gather.area import Area, read_area
from siteplanner.gather.climate.means import Climate
from siteplanner.gather.features import features
from siteplanner.gather.found import Found
from siteplanner.gather.heights import heights
from siteplanner.gather.net.answers import Answers
from siteplanner.gather.net.door import Clock, Door, WallClock
from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.north_and_time import north_and_time
from siteplanner.gather.offers import offers
from siteplanner.gather.services import Services
from siteplanner.gather.soils import soils
from siteplanner.gather.sources import NAME, Sources, digest
from siteplanner.reading.files.sources import Source
from siteplanner.reading.records import read_soils
from siteplanner.site.site_file import Site, load_site
from siteplanner.starting.given import Given
from siteplanner.starting.new_site import start

Step = Callable[[str], None]
#: What comes of an answer whose parts are not what they were.
_STRANGE = (ValueError, LookupError, TypeError, AttributeError, ArithmeticError, RasterioError,
            shapely.errors.ShapelyError, pyproj.exceptions.ProjError)  # fmt: skip
SITE = "site.toml"
#: What must be said while it is so.
UNTRIED = (
    "The live services have not been tried by those who wrote this; each answer is checked, but "
    "look at every file before you rely on it."
)


@dataclass(frozen=True)
class Part:
    """A part of a site, and where it goes.

    ``what`` it is called in ``sources.csv``, the ``file`` that is written, and the ``table`` and
    ``setting`` of the site file that name it ("" for none).
    """

    what: str
    file: str
    table: str = ""
    setting: str = "file"


PARTS = (
    Part("heights", "heights.tif", "dem"),
    Part("soils", "soil_hints.gpkg", "soils"),
    Part("monthly climate", "climate_monthly.csv", "climate", "monthly"),
    Part("winter minima", "climate_winter_minima.csv", "climate", "winter_minima"),
    Part("what to keep clear of", "osm_features.gpkg", "no_plant"),
    Part("north and time", "north_and_time.csv"),
)


@dataclass
class Gathered:
    """What came of it, in words.

    ``site`` is the site file, None where there is none yet; ``written`` the rows of new files,
    ``kept`` what was there already, ``gaps`` what could not be had and why, by part; ``notes``
    sentences to read, ``sent`` what went to whom, ``to_write`` lines for a site file that is the
    user's own, ``missing`` what the site still needs, ``improve`` what to improve, in order.
    """

    folder: Path
    site: Path | None = None
    written: list[Source] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    gaps: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    sent: list[str] = field(default_factory=list)
    to_write: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    improve: list[str] = field(default_factory=list)


def gather(
    folder: Path,
    boundary: Path,
    services: Services,
    *,
    clock: Clock | None = None,
    answers: Path | None = None,
    step: Step = lambda words: None,
) -> Gathered:
    """Fetch what a site lacks into its folder, and write the site file as ``new`` does.

    No file of the user's is overwritten, and a site file of the user's stays as it is. A service
    that fails leaves its gap named; another call fetches only what is missing. ``answers`` is
    where answers are kept (the user's cache by default). Raises
    :class:`~siteplanner.InputError`.
    """
    area = read_area(boundary)
    folder.mkdir(parents=True, exist_ok=True)
    sources = Sources(folder)
    sources.tidy()
    place = answers or _kept_answers()
    held = Answers(place, services.manners.keep_days)
    door = Door(services.manners, held, clock or WallClock())
    done = Gathered(folder)
    with _alone(place):
        site = _users_site(sources)
        for part in wanted(sources, site, done):
            step(f"Fetching {part.what}")
            _fetch(part, door, services, area, sources, site, done)
        held.tidy()
    done.sent = [
        f"{host}: {sends} ({count} request{'s' * (count > 1)})"
        for (host, sends), count in sorted(door.sent.items())
    ]
    step("Writing the site file")
    _finish(sources, boundary, site, done)
    done.improve = to_improve(sources.rows(), done.gaps)
    return done


def would_fetch(folder: Path, boundary: Path, services: Services) -> tuple[list[str], Gathered]:
    """Say what would be fetched, from whom, and what would be sent; nothing is, or written.

    Raises :class:`~siteplanner.InputError`.
    """
    area = read_area(boundary)
    sources, done = Sources(folder), Gathered(folder)
    said = []
    for part in wanted(sources, _users_site(sources), done):
        asked = offers(part.what, services, area)
        said += [f"{part.what}, into {part.file}: {words}" for words in asked]
    return said, done


def wanted(sources: Sources, site: Site | None, done: Gathered) -> list[Part]:
    """Parts that are missing; what is there is noted in ``done``."""
    found = []
    for part in PARTS:
        if site is not None and part.table and _named(site, part):
            done.kept.append(f"{part.what}: {SITE} names it")
        elif (sources.folder / part.file).exists():
            whose = "gathered before" if sources.is_ours(part.file) else "your own, left as it is"
            done.kept.append(f"{part.what}: {part.file}, {whose}")
        else:
            found.append(part)
    return found


def _users_site(sources: Sources) -> Site | None:
    """The site file of the folder, unless it is as gathering wrote it."""
    if not (sources.folder / SITE).exists() or sources.is_ours(SITE):
        return None
    return load_site(sources.folder / SITE)


def _named(site: Site, part: Part) -> bool:
    """Whether a site file names a file of a part; a soil map that says nothing is none."""
    table = getattr(site, part.table)
    if table is None or getattr(table, part.setting) is None:
        return False
    if part.what != "soils":
        return True
    known = read_soils(site, None)[["texture", "drainage", "depth_m", "ph", "stones_percent"]]
    return bool(known.notna().any(axis=None))


def _fetch(
    part: Part,
    door: Door,
    services: Services,
    area: Area,
    sources: Sources,
    site: Site | None,
    done: Gathered,
) -> None:
    """Find one part, and write its file and its row."""
    try:
        found = _find(part, door, services, area, _elevation(sources, site, area))
    except ServiceError as error:
        done.gaps[part.what] = str(error)
        return
    except _STRANGE as error:  # an answer of a form that nobody foresaw must not end the rest
        done.gaps[part.what] = f"an answer cannot be understood ({type(error).__name__}: {error})"
        return
    if found is None:
        done.notes.append(
            f"{part.what[:1].upper()}{part.what[1:]}: the map of the service has nothing here, "
            "which does not mean that there is nothing."
        )
        return
    sources.put(part.what, part.file, found)
    done.notes += found.notes
    row = sources.of_file(part.file)
    assert row is not None
    done.written.append(row)


def _find(
    part: Part, door: Door, services: Services, area: Area, elevation_m: float | None
) -> Found | None:
    if part.what == "heights":
        return heights(door, services, area)
    if part.what == "soils":
        return soils(door, services, area)
    if part.what == "what to keep clear of":
        return features(door, services, area)
    if part.what == "north and time":
        return north_and_time(area, door.today, elevation_m)
    climate = Climate(door, services, area, elevation_m)
    return climate.monthly() if part.what == "monthly climate" else climate.winters()


def _elevation(sources: Sources, site: Site | None, area: Area) -> float | None:
    """Median height of the property, m, by the DEM in the folder; None without one."""
    names = ("heights.tif",) if site is None else site.dem.files
    for path in (sources.folder / name for name in names):
        if not path.is_file():
            continue
        with contextlib.suppress(RasterioError, ValueError), rasterio.open(path) as source:
            move = Transformer.from_crs(4326, source.crs.to_wkt(), always_xy=True)
            shape = shapely.transform(area.outline, move.transform, interleaved=False)
            cut, _ = rasterio.mask.mask(source, [shape], crop=True, all_touched=True, filled=False)
            values = cut.astype(np.float64).filled(np.nan)
            if np.isfinite(values).any():
                return float(np.nanmedian(values))
    return None


def _finish(sources: Sources, boundary: Path, site: Site | None, done: Gathered) -> None:
    """Write the site file anew from what is there, unless it is the user's own."""
    folder = sources.folder
    there = {part: folder / part.file for part in PARTS if (folder / part.file).exists()}
    if site is not None:
        done.site = site.path
        done.to_write = _lines_for(site, sources, done)
        return
    dem = there.get(PARTS[0])
    target = folder / SITE
    if dem is None or (target.exists() and not done.written):
        done.site = target if target.exists() else None
        return
    before = target.read_bytes() if target.exists() else None
    target.unlink(missing_ok=True)
    files = {part.what: path for part, path in there.items()}
    given = Given(
        boundary,
        dem,
        soils=files.get("soils"),
        no_plant=files.get("what to keep clear of"),
        monthly=files.get("monthly climate"),
        winter_minima=files.get("winter minima"),
        sources=sources.path,
        climate_settings=settings_of(sources.rows()),
    )
    try:
        done.missing = start(folder, given).missing
    except InputError:
        target.unlink(missing_ok=True)
        if before is not None:
            target.write_bytes(before)
        raise
    sources.note(Source("site file", SITE, "siteplanner gather", sha256=digest(target)))
    done.site = target


def settings_of(rows: list[Source]) -> dict[str, Any]:
    """Settings under [climate] that go with the files; the winters' go before the months'."""
    found: dict[str, Any] = {}
    for row in sorted(rows, key=lambda r: r.what == "winter minima"):
        if row.site_file:
            found |= tomllib.loads("\n".join(row.site_file.split("; ")))
    return found


def _lines_for(site: Site, sources: Sources, done: Gathered) -> list[str]:
    """Lines that bring what was gathered into a site file of the user's own."""
    lines = []
    if site.site.sources is None and sources.path.exists():
        lines.append(f'[site] sources = "{NAME}"')
    for part in PARTS:
        row = sources.of_file(part.file)
        if not part.table or row is None or _named(site, part):
            continue
        lines.append(f'[{part.table}] {part.setting} = "{part.file}"')
        lines += [f"[{part.table}] {one}" for one in row.site_file.split("; ") if one]
        if part.what == "soils":
            lines.append('[soils.columns] known_by = "known_by"')
    return list(dict.fromkeys(lines))


def to_improve(rows: list[Source], gaps: dict[str, str]) -> list[str]:
    """What to improve first: what is missing, then what is least sure (order: judgement)."""
    said = [
        f"{what}: missing; run again, or give a file of your own"
        for what in gaps
        if what != PARTS[5].what
    ]
    weak = {"winter minima": 0, "heights": 1, "soils": 2, "monthly climate": 3}
    better = [row for row in rows if row.better]
    better.sort(
        key=lambda row: (
            not ("may exist" in row.better or "minima_error_c" in row.site_file),
            weak.get(row.what, 4),
        )
    )
    return [*said, *(f"{row.what}: {row.better}" for row in better)]


def _kept_answers() -> Path | None:
    place = cache.folder()
    return None if place is None else place / "gathered"


@contextmanager
def _alone(place: Path | None) -> Iterator[None]:
    """One run at a time asks services, whatever folder it works for."""
    if place is None:
        yield
        return
    place.mkdir(parents=True, exist_ok=True)
    lock = FileLock(place / "asking.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise input_error(
            lock.lock_file, "", "another gather is running", "wait until it is done"
        ) from None
    try:
        yield
    finally:
        lock.release()
