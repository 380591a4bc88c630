"""The services that are asked: addresses, licences and limits, each of them a setting."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic
from pydantic import Field

from siteplanner.base.errors import ErrorDetail, InputError, input_error
from siteplanner.site.table import Table

SHIPPED = Path(__file__).parent / "services.toml"
Seconds = Annotated[float, Field(gt=0, le=3600)]
Bounds = tuple[float, float, float, float]
Address = Annotated[str, Field(pattern=r"^https?://[^\s]+$")]


class Manners(Table):
    """``[manners]``: how services are asked, whichever they are."""

    contact: str = Field(max_length=200, pattern=r"^[\x20-\x7e]*$")
    connect_s: Seconds
    read_s: Seconds
    whole_s: Seconds
    tries: Annotated[int, Field(ge=1, le=10)]
    longest_wait_s: Annotated[float, Field(ge=0, le=3600)]
    most_mb: Annotated[float, Field(gt=0, le=10_000)]
    keep_days: Annotated[int, Field(ge=0, le=3650)]
    plain_hosts: tuple[str, ...]


class Service(Table):
    """What is printed of a service: its name, its licence and the words that this asks for."""

    service: str
    licence: str
    credit: str
    cell: str = ""


class Heights(Table):
    """``[heights]``: what is tried, in this order, and how far around the property."""

    use: tuple[Literal["national", "gedtm30", "glo30"], ...]
    margin_m: Annotated[tuple[float, ...], Field(min_length=1)]
    most_cells: Annotated[int, Field(ge=10_000, le=400_000_000)]
    apart_m: Annotated[float, Field(gt=0)]


class BareEarth(Service):
    """``[gedtm30]``: addresses of the same raster, the first that answers is read."""

    address: Annotated[tuple[Address, ...], Field(min_length=1)]
    datum: str


class Surface(Service):
    """``[glo30]``: tiles by name; ``land`` holds a coarser tile wherever there is land."""

    address: Address
    land: Address
    datum: str


class National(Service):
    """``[[national]]``: heights of one country; ``bounds`` is west, south, east, north."""

    bounds: Bounds
    way: Literal["cog", "vrt", "stac", "tnm", "wcs1", "wcs2"]
    address: Address
    cell_m: Annotated[float, Field(gt=0)]
    datum: str
    only: str = ""
    """Of the documents and files listed, those with this in their address are read."""
    files_from: str = ""
    """Files may be on this host, beside the one that is asked."""
    coverage: str = ""
    axes: tuple[str, str] = ("E", "N")
    crs: str = ""


class Soils(Table):
    """``[soils]``: what is tried, in this order."""

    use: tuple[Literal["soilgrids", "soilgrids_wcs"], ...]
    beside_m: Annotated[float, Field(ge=0, le=5000)]


class Depth(Service):
    """``[[depth]]``: depth to rock of a part of the world."""

    bounds: Bounds
    address: Address
    unit: Literal["m", "cm"]
    deepest: Annotated[float, Field(gt=0)]


class At(Service):
    """A service with one address."""

    address: Address


class Stations(At):
    """``[ghcn]``: the lists of stations, and a file for each."""

    stations: Address
    inventory: Address


class Winters(Table):
    """``[winters]``: how near and how complete a station must be; judgement, no source."""

    since: int
    near_km: float
    near_m: float
    far_km: float
    far_m: float
    stations: Annotated[int, Field(ge=1, le=20)]
    complete: Annotated[float, Field(gt=0, le=1)]
    fewest: Annotated[int, Field(ge=1)]


class Features(At):
    """``[overpass]``: what is asked so much wider than the fence."""

    wider_m: Annotated[float, Field(ge=0, le=2000)]


class Services(Table):
    """The whole services file, checked."""

    manners: Manners
    heights: Heights
    gedtm30: BareEarth
    glo30: Surface
    national: tuple[National, ...]
    soils: Soils
    soilgrids: At
    soilgrids_wcs: At
    depth: tuple[Depth, ...]
    chelsa: At
    power: At
    ghcn: Stations
    winters: Winters
    overpass: Features


def load_services(path: Path | None = None) -> Services:
    """Read the shipped services, with a user's own file going before them table by table.

    Raises :class:`~siteplanner.InputError` for a file that is missing, not TOML, or says what
    no setting is.
    """
    tables = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))
    if path is not None:
        tables = _joined(tables, _read(path))
    try:
        return Services.model_validate(tables)
    except pydantic.ValidationError as error:
        raise InputError(
            *(
                ErrorDetail(
                    str(path or SHIPPED.name),
                    ".".join(str(part) for part in one["loc"]),
                    one["msg"][0].lower() + one["msg"][1:],
                    f"see {SHIPPED.name} of siteplanner for what may be set",
                )
                for one in error.errors()
            )
        ) from None


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        what = f"it cannot be read ({error.strerror})"
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        what = f"it is not TOML ({error})"
    raise input_error(path, "", what, "give the path of a services file (services.toml)")


def _joined(ours: dict[str, Any], theirs: dict[str, Any]) -> dict[str, Any]:
    both = dict(ours)
    for name, value in theirs.items():
        inner = isinstance(value, dict) and isinstance(ours.get(name), dict)
        both[name] = _joined(ours[name], value) if inner else value
    return both
