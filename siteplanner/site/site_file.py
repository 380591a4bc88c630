"""The site file: every setting a user may write, documented once, here.

A site file is TOML; paths in it are relative to the file. ``load_site`` checks it and returns
a :class:`Site`; it opens none of the files that the site names. Tables on files are in
``siteplanner.site.inputs``, those on zones, grids, mix, work and years in
``siteplanner.site.planting``, on the nursery and survival in ``siteplanner.site.nursery``, on
upkeep and prices in ``siteplanner.site.upkeep``.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic
from pydantic import Field

from siteplanner.base.errors import ErrorDetail, InputError, input_error, near
from siteplanner.base.renamed import instead
from siteplanner.base.text import slug
from siteplanner.site.inputs import (
    Boundary,
    ClimateFiles,
    Dem,
    Frost,
    NoPlant,
    Paddocks,
    SeedSources,
    Shelter,
    Soils,
    SpeciesFile,
)
from siteplanner.site.nursery import Nursery, Survival
from siteplanner.site.planting import (
    Blocks,
    Decisions,
    Mix,
    Planting,
    Setbacks,
    WorkRates,
    Years,
    Zones,
)
from siteplanner.site.table import Share, Table
from siteplanner.site.upkeep import Prices, Upkeep


class Name(Table):
    """``[site]``: what the property is called and, when wanted, the CRS to work in."""

    name: str = Field(min_length=1, max_length=200)
    crs: str | None = None
    """A projected CRS in metres, such as "EPSG:32756", true to scale to 0.1 % at the property. By
    default the DEM's where it is that, else the UTM zone, else one about the property's middle."""
    sources: str | None = None


"""Table of where files are from and what their licences ask for (``sources.csv``); the plan
    prints these words."""


class HowSure(Table):
    """``[how_sure]``: what is uncertain, for ``plan --how-sure`` (spreads from memory)."""

    cell_m: Annotated[float, Field(ge=1, le=100)] = 8.0
    terrains: Annotated[int, Field(ge=2, le=20)] = 12
    """How often heights and soil lines are varied at random."""
    draws: Annotated[int, Field(ge=1, le=200)] = 12
    """How often, for each of these, the coldest night and the tolerances are varied."""
    height_error_m: Annotated[float, Field(ge=0, le=20)] = 0.15
    height_reach_m: Annotated[float, Field(ge=1, le=500)] = 30.0
    soil_line_m: Annotated[float, Field(ge=0, le=200)] = 15.0
    tolerance_c: Annotated[float, Field(ge=0, le=10)] = 1.0
    tolerance_share: Share = 0.1
    safe: Share = 0.9
    """A species that suits in at least this share of draws is called a safe bet."""
    risky: Share = 0.6
    """A species that suits by the map but in less than this share of draws is called risky."""


#: https, a plain host name, then a path in which {z} stands before {x} and {y} in either order.
_PART = r"[A-Za-z0-9/._~%?&=+,:@-]*"
IMAGERY = (
    r"^https://[A-Za-z0-9.-]+(:[0-9]+)?/"
    rf"{_PART}\{{z\}}{_PART}(\{{x\}}{_PART}\{{y\}}|\{{y\}}{_PART}\{{x\}}){_PART}$"
)


#: What texts of a given form should look like.
_FORMS = {
    IMAGERY: "it should be an https address with {z}, {x} and {y}",
    r"^[a-z][a-z0-9_]*$": "it should be a name in small letters, digits and underscores",
}


class Map(Table):
    """``[map]``: online imagery under the map, off unless the reader switches it on.

    Without it the page may fetch nothing at all; with it, pictures from that one server.
    """

    imagery_url: Annotated[str, Field(pattern=IMAGERY)] | None = None
    """Address of map tiles with {z}, {x} and {y}; keep to the owner's terms of use."""
    imagery_credit: str = ""
    """Owner of the imagery, shown on the map."""


class Sheets(Table):
    """``[sheets]``: the planting sheets."""

    leaves: Literal["A4", "A3"] = "A4"
    """Paper of each block's own sheet, ``sheets/<block>.pdf``; the book is always on A4."""


class Plugins(Table):
    """``[plugins]``: which package's layer to use in place of another."""

    replace: dict[str, str] = {}


class Site(Table):
    """A whole site file, checked. ``path`` is where it was read from."""

    path: Path = Field(exclude=True)
    site: Name
    boundary: Boundary
    paddocks: Paddocks = Paddocks()
    dem: Dem
    soils: Soils = Soils()
    frost: Frost = Frost()
    shelter: Shelter | None = None
    climate: ClimateFiles = ClimateFiles()
    no_plant: NoPlant | None = None
    species: SpeciesFile
    seed_sources: SeedSources | None = None
    setbacks: Setbacks = Setbacks()
    zones: Zones = Zones()
    planting: Planting = Planting()
    mix: Mix = Mix()
    decisions: Decisions = Decisions()
    blocks: Blocks = Blocks()
    how_sure: HowSure = HowSure()
    work: WorkRates = WorkRates()
    upkeep: Upkeep = Upkeep()
    prices: Prices = Prices()
    years: Years = Years()
    nursery: Nursery = Nursery()
    survival: Survival = Survival()
    map: Map = Map()
    sheets: Sheets = Sheets()
    layers: dict[str, dict[str, float | int | str | bool]] = {}
    plugins: Plugins = Plugins()

    def with_paddock(self, name: str) -> Site:
        """Give the site with one paddock alone to plan."""
        return self.model_copy(update={"paddocks": self.paddocks.model_copy(update={"only": name})})

    def with_only(self, blocks: Sequence[str], plan: Path) -> Site:
        """Give the site with some blocks of a plan (a folder) to lay out anew, all others kept."""
        name = os.path.relpath(plan, self.folder).replace(os.sep, "/")
        change = {"only": tuple(dict.fromkeys(blocks)), "plan": name}
        return self.model_copy(update={"blocks": self.blocks.model_copy(update=change)})

    def with_mature_shelter(self, plan: Path) -> Site:
        """Give the site with another earlier plan (a folder) as mature shelter."""
        name = os.path.relpath(plan, self.folder)
        return self.model_copy(
            update={
                "frost": self.frost.model_copy(update={"mature_shelter": name.replace(os.sep, "/")})
            }
        )

    @property
    def folder(self) -> Path:
        """The folder that paths in the site file are relative to."""
        return self.path.parent

    @property
    def blocks_file(self) -> Path:
        """The file that says what has become of the blocks, whether or not it is there."""
        return self.folder / (self.blocks.file or "blocks.gpkg")

    @property
    def slug(self) -> str:
        """The site's name as a folder name."""
        return slug(self.site.name) or "site"

    def settings(self) -> dict[str, Any]:
        """Give the settings as plain values, defaults filled in."""
        return self.model_dump(mode="json")


def load_site(path: str | Path) -> Site:
    """Read and check a site file.

    Raises :class:`~siteplanner.InputError` with every error found: a file that is
    missing or not TOML, an unknown or missing setting, a value out of range.
    """
    path = site_path(Path(path))
    return checked(path, read_toml(path, "give the path of a site file (site.toml)"))


def site_path(path: Path) -> Path:
    """Give the site file's path: in a folder it is ``site.toml``."""
    return path / "site.toml" if path.is_dir() else path


def checked(path: Path, tables: dict[str, Any]) -> Site:
    """Check the tables of a site file. Raises :class:`~siteplanner.InputError`."""
    if "path" in tables:
        raise input_error(
            path,
            "path",
            "this setting does not exist",
            near("path", set(Site.model_fields) - {"path"}),
        )
    try:
        return Site(path=path, **tables)
    except pydantic.ValidationError as error:
        raise InputError(*(explained(path, part, Site) for part in error.errors())) from None


def read_toml(path: Path, remedy: str) -> dict[str, Any]:
    """Read a TOML file; ``remedy`` is said when there is none.

    Raises :class:`~siteplanner.InputError`.
    """
    return tomllib.loads(toml_text(path, remedy))


def toml_text(path: Path, remedy: str) -> str:
    """Read the text of a TOML file, which is valid; ``remedy`` is said when there is none.

    Raises :class:`~siteplanner.InputError`.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")  # line ends stay as they are
    except FileNotFoundError:
        raise input_error(path, "", "this file does not exist", remedy) from None
    except UnicodeDecodeError as error:
        raise input_error(
            path, f"byte {error.start}", "it is not UTF-8 text", "save the file as UTF-8"
        ) from None
    except OSError as error:
        raise input_error(
            path, "", f"it cannot be read ({error.strerror})", "check the path and its permissions"
        ) from None
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise input_error(
            path, "", f"it is not valid TOML: {error}", "correct the line it names"
        ) from None
    return text


def explained(path: Path, part: Any, model: Any) -> ErrorDetail:
    """Put one of pydantic's complaints about a file's tables, a ``model``, in our words."""
    place = ".".join(str(p) for p in part["loc"])
    match part["type"]:
        case "extra_forbidden":
            return ErrorDetail(
                str(path),
                place,
                "this setting does not exist",
                instead(str(part["loc"][-1]), _choices(model, part["loc"][:-1])),
            )
        case "missing":
            return ErrorDetail(str(path), place, "this setting is missing", f"write {place} = …")
    what = str(part["msg"])
    if part["type"] == "string_pattern_mismatch":
        what = _FORMS.get(part["ctx"]["pattern"], "it should be written in another form")
    what = what[0].lower() + what[1:]
    given = repr(part["input"])
    given = given if len(given) <= 60 else given[:57] + "…"
    return ErrorDetail(
        str(path), place, f"{given} is not valid", what.replace("input should", "it should")
    )


def _choices(model: Any, place: tuple[Any, ...]) -> list[str]:
    """Settings that the table at ``place`` may hold."""
    for step in place:
        if isinstance(step, int) or not hasattr(model, "model_fields"):
            continue
        model = _table_in(model.model_fields[step].annotation)
    fields = set(getattr(model, "model_fields", {}))
    return sorted(fields - {"path"})


def _table_in(annotation: Any) -> Any:
    """Find the table class inside an annotation such as ``NoPlant | None``."""
    if hasattr(annotation, "model_fields"):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _table_in(inner)
        if found is not None:
            return found
    return None
