"""The site file: every setting a user may write, documented once, here.

A site file is TOML; paths in it are relative to the file. ``load_site`` checks it and returns
a :class:`Site`; it opens none of the files that the site names. The tables ``[nursery]`` and
``[survival]`` are in ``siteplanner.nursery.settings``, ``[work]`` and ``[years]`` in
``siteplanner.planting.settings``.
"""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic
from pydantic import Field

from siteplanner.errors import Fault, InputError, fault, near
from siteplanner.nursery.settings import Nursery, Survival
from siteplanner.planting.settings import Work, Years
from siteplanner.site_table import Metres, Share, Table


class Name(Table):
    """``[site]``: what the property is called and, when wanted, the CRS to work in."""

    name: str = Field(min_length=1, max_length=200)
    crs: str | None = None
    """A projected CRS in metres, such as "EPSG:32756"; by default the DEM's."""


class Boundary(Table):
    """``[boundary]``: the property's outline, one or more polygons."""

    file: str
    layer: str | None = None


class PaddockColumns(Table):
    """Names of the paddock columns in the user's file."""

    name: str = "name"
    plant: str | None = "plant"


class Paddocks(Table):
    """``[paddocks]``: polygons with a name; ``plant`` 1 means to be planted in this plan."""

    file: str
    layer: str | None = None
    columns: PaddockColumns = PaddockColumns()
    only: str | None = None
    """Plan this paddock alone, by its name, whatever ``plant`` says."""


class Dem(Table):
    """``[dem]``: bare-earth heights.

    ``file`` names one raster, a list of tiles, a VRT, or a folder of tiles. ``cell_m`` is the
    planning cell; a finer DEM is averaged down to it. The ground is worked out ``margin_m``
    beyond the boundary, as far as the DEM reaches, since water and cold air come from there.
    ``crs`` and ``nodata`` stand in where the file does not say or says wrong; ``heights_in`` is
    told by the file ("auto") or here. Holes of up to ``largest_hole_m2`` are filled.
    """

    file: str | Annotated[tuple[str, ...], Field(min_length=1)]
    crs: str | None = None
    nodata: float | None = None
    heights_in: Literal["auto", "m", "ft", "us-ft"] = "auto"
    largest_hole_m2: Annotated[float, Field(ge=0, le=1_000_000)] = 1000.0
    cell_m: Annotated[float, Field(ge=0.5, le=100)] | None = None
    margin_m: Annotated[float, Field(ge=0, le=5000)] = 400.0

    @property
    def files(self) -> tuple[str, ...]:
        """The paths named, one or more."""
        return (self.file,) if isinstance(self.file, str) else self.file


class SoilColumns(Table):
    """Names of the soil columns in the user's file; "" where it has none, which is unknown.

    ``sand``, ``silt`` and ``clay``, percent by weight, give the texture where it has no word.
    """

    unit: str = "unit"
    texture: str = "texture"
    drainage: str = "drainage"
    depth_m: str = "depth_m"
    ph: str = "ph"
    stones_percent: str = "stones_percent"
    sand: str = ""
    silt: str = ""
    clay: str = ""


class SoilWords(Table):
    """The user's own words for texture and drainage, each with the standard class it means."""

    texture: dict[str, str] = {}
    drainage: dict[str, str] = {}


class Soils(Table):
    """``[soils]``: soil polygons; an empty cell means that nobody knows."""

    file: str
    layer: str | None = None
    columns: SoilColumns = SoilColumns()
    words: SoilWords = SoilWords()
    dug: str | None = None
    """``dig.csv`` of an earlier plan, filled in; what was found replaces the map's guess."""


class ReadingColumns(Table):
    """Names of the frost-reading columns in the user's file."""

    name: str = "name"
    winter_min_c: str = "winter_min_c"
    height_m: str = "height_m"
    winter: str = "winter"
    exposure: str | None = None
    """"open" or "sheltered" (under trees, a roof or against a wall); without it all are open."""


class Readings(Table):
    """Points with the coldest temperature of a winter, and how high the instrument hung."""

    file: str
    layer: str | None = None
    columns: ReadingColumns = ReadingColumns()


class HollowColumns(Table):
    """Names of the frost-hollow columns in the user's file."""

    name: str = "name"


class Hollows(Table):
    """Hand-drawn polygons where frost is known to lie."""

    file: str
    layer: str | None = None
    columns: HollowColumns = HollowColumns()


MonthDay = Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])$")]


class Frost(Table):
    """``[frost]``: readings and hollows; all temperatures are brought to one height."""

    readings: Readings | None = None
    hollows: Hollows | None = None
    reference_height_m: Annotated[float, Field(ge=0.05, le=2.0)] = 1.2
    grass_colder_c: Annotated[float, Field(ge=0, le=8)] = 4.0
    """How much colder grass level (0.05 m) is than 1.2 m on a calm clear night."""
    sheltered_warmer_c: Annotated[float, Field(ge=0, le=6)] = 1.5
    """How much warmer a reading under trees or a roof is than one in the open (from memory)."""
    establishment_years: Annotated[int, Field(ge=1, le=5)] = 3
    """Winters that a planted seedling has to live through before it counts as a tree."""
    late_frost_c: Annotated[float, Field(ge=-15, le=3)] = -2.0
    """Strength of the frost on spring growth whose chance is told, at the reference height."""
    grown: str | None = None
    """Folder of an earlier plan whose dense rows dam the cold air as they will when grown."""
    growth_starts: MonthDay | None = None
    """Month and day, such as "09-20"; by default when the mean temperature passes 8 °C."""


class ShelterColumns(Table):
    """Names of the shelter columns in the user's file."""

    height_m: str = "height_m"
    porosity: str = "porosity"


class Shelter(Table):
    """``[shelter]``: hedges and shelterbelts as lines, which dam or slow cold air.

    ``porosity`` is the share of the wind that passes: 0 a wall, 0.4 a dense hedge, 1 nothing.
    """

    file: str
    layer: str | None = None
    columns: ShelterColumns = ShelterColumns()


class ClimateFiles(Table):
    """``[climate]``: a station's monthly means and its coldest night of each winter."""

    monthly: str
    winter_minima: str
    station_elevation_m: Annotated[float, Field(ge=-430, le=9000)] | None = None
    daily_minima: str | None = None
    """Daily minima of the same station, columns date and min_c; frost dates are counted in it."""


class NoPlantColumns(Table):
    """Names of the columns in the user's file of things to keep clear of."""

    kind: str = "kind"
    name: str = "name"


class NoPlant(Table):
    """``[no_plant]``: things to keep clear of; by default every layer of the file is read."""

    file: str
    layers: tuple[str, ...] | None = None
    columns: NoPlantColumns = NoPlantColumns()


class SpeciesFile(Table):
    """``[species]``: the table of species and their tolerances."""

    file: str
    index: Literal["limiting", "square root", "product"] = "limiting"
    """How the scores of factors become one: the most limiting one's, or an index of all."""
    survival: str | None = None
    """Expected survival learnt from counts (see ``siteplanner survival --keep``)."""


class SeedColumns(Table):
    """Names of the seed-source columns in the user's file."""

    species: str = "species"
    name: str = "name"
    fruiting_months: str = "fruiting_months"
    permit: str | None = None
    """Number of the permit or leave to collect there, when the file has such a column."""


class SeedSources(Table):
    """``[seed_sources]``: mother trees, points."""

    file: str
    layer: str | None = None
    columns: SeedColumns = SeedColumns()


class Setbacks(Table):
    """``[setbacks]``: metres to keep clear of each kind of thing.

    The defaults are common practice, no source. Local codes, the network operator and the
    owner of the service decide; where they ask for more, write it here. Besides these, a
    species keeps its mature height off power lines and buildings.
    """

    power_line: Metres = 20.0
    building: Metres = 30.0
    track: Metres = 3.0
    fence: Metres = 2.0
    bush: Metres = 2.0
    buried_pipe: Metres = 5.0
    waterway: Metres = 3.0
    dam: Metres = 10.0
    dam_wall: Metres = 20.0
    """Roots and burrows weaken an earth wall: often more is asked for."""
    septic_field: Metres = 10.0
    buried_cable: Metres = 5.0
    heritage: Metres = 20.0
    native_grassland: Metres = 10.0
    """Grassland that is to stay grassland: shade and seed kept off it."""
    slip: Metres = 10.0
    """Ground that moves: only with advice from someone who knows such ground."""
    other: Metres = 5.0
    boundary: Metres = 2.0


class Zones(Table):
    """``[zones]``: how finely the ground is divided."""

    kinds: Annotated[int, Field(ge=1, le=26)] = 8
    """The most kinds of ground to tell apart; each becomes a lettered zone."""
    smallest_m2: Annotated[float, Field(ge=25, le=1_000_000)] = 1500.0
    """A smaller patch is joined to the ground around it."""
    smallest_width_m: Annotated[float, Field(ge=0, le=500)] = 10.0
    """Ground that is nowhere wider is joined to the ground beside it."""
    smooth_m: Annotated[float, Field(ge=1, le=50)] = 10.0
    """Width below which a bend in a zone's edge is straightened."""


Ground = Literal["frosty", "wet", "steep", "rocky", "dry", "shady", "any"]
PatternName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]


class SpacingRule(Table):
    """``[[planting.rules]]``: spacing and pattern where the ground is of a kind."""

    ground: Ground
    spacing_m: Annotated[float, Field(ge=0.3, le=50)]
    pattern: PatternName = "square"
    row_gap_m: Annotated[float, Field(ge=0.3, le=100)] | None = None
    """Distance between rows of the rectangular pattern; one and a half spacings without it."""
    bearing_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    """Direction of the rows, clockwise from grid north; across the slope without it."""


class Planting(Table):
    """``[planting]``: how the grids are set out; the first rule that fits a zone counts."""

    spacing_m: Annotated[float, Field(ge=0.3, le=50)] = 4.0
    pattern: PatternName = "square"
    row_gap_m: Annotated[float, Field(ge=0.3, le=100)] | None = None
    """Distance between rows of the rectangular pattern; one and a half spacings without it."""
    bearing_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    """Direction of the rows, clockwise from grid north; across the slope without it."""
    spacing_along: Literal["map", "ground"] = "map"
    """"ground": spacing is measured along the slope, so that more trees stand on a map hectare."""
    erodible_deg: Annotated[float, Field(ge=0, le=90)] = 6.0
    """On a steeper mean slope rows are kept 45° off straight downhill (common practice)."""
    lane_every: Annotated[int, Field(ge=0, le=1000)] = 0
    """Leave out every n-th row as a lane for machines; 0: no lanes."""
    rules: tuple[SpacingRule, ...] = ()
    steepest_deg: Annotated[float, Field(ge=5, le=90)] = 38.0
    """Steeper ground is left out: not safe on foot with a load (from memory, judgement)."""
    smallest_block_m2: Annotated[float, Field(ge=0, le=100_000)] = 200.0
    """A smaller left-over piece is not planted."""


Role = Literal["pioneer", "long-term timber", "habitat", "food", "mulch", "shelter", "riparian"]
Points = Annotated[int, Field(ge=0, le=100)]
Weight = Annotated[float, Field(ge=0, le=1e6)]


#: https, a plain host name, then a path in which {z} stands before {x} and {y} in either order.
_PART = r"[A-Za-z0-9/._~%?&=+,:@-]*"
IMAGERY = (
    r"^https://[A-Za-z0-9.-]+(:[0-9]+)?/"
    rf"{_PART}\{{z\}}{_PART}(\{{x\}}{_PART}\{{y\}}|\{{y\}}{_PART}\{{x\}}){_PART}$"
)


class Mix(Table):
    """``[mix]``: what the mix of species in each zone must hold to.

    Species are named by their botanical names. A rule that cannot be held gives way as little
    as can be, and the plan says by how many trees; ``never``, stock and budget never give way.
    """

    least_species: Annotated[int, Field(ge=1, le=30)] = 5
    largest_share: Share = 0.35
    smallest_share: Share = 0.03
    """A species that is used in a zone makes at least this share of its trees."""
    smallest_clump: Annotated[int, Field(ge=1, le=10_000)] = 1
    """A species that is used in a zone has at least so many trees there."""
    pioneer_share: Share = 0.4
    roles: dict[Role, Share] = {}
    """Least share of the trees by other roles, such as {habitat = 0.2}."""
    lowest_fit: Points = 40
    """A species is used in a zone only where its fit reaches this (0-100)."""
    role_fit: dict[Role, Points] = {}
    """The same by role: {"long-term timber" = 60} keeps timber on ground that suits it."""
    aim: dict[str, Weight] = {}
    """The target community: a weight a species (percent will do); others are not aimed at.
    Without it the aim goes by how well and on how much of a zone each species fits."""
    aim_first: Share = 1.0
    """1: the aim comes first and survival settles the rest; 0: survival alone."""
    must: tuple[str, ...] = ()
    """Species that every zone where they fit must have."""
    never: tuple[str, ...] = ()
    """Species that are not planted."""
    clump: tuple[str, ...] = ()
    """Species that stand in clumps; all others are spread."""
    clump_m: Annotated[float, Field(ge=2, le=500)] = 15.0
    """How wide a clump is, about."""
    stock_only: bool = False
    """Plant no more of a species than the nursery's stock file lists; one not listed has none."""
    budget: Annotated[float, Field(ge=0)] | None = None
    """The most that trees in the ground may cost, in your money."""
    tree_cost: Annotated[float, Field(ge=0)] = 6.0
    """A tree in the ground: plant, guard, labour (from memory: yours is better)."""
    tree_costs: dict[str, Annotated[float, Field(ge=0)]] = {}
    """The same for single species."""

    def roles_asked(self) -> dict[str, float]:
        """Least share of each role that is asked for."""
        asked = {"pioneer": self.pioneer_share, **self.roles}
        return {role: share for role, share in asked.items() if share > 0}


class HowSure(Table):
    """``[how_sure]``: what is uncertain, for ``plan --how-sure`` (spreads from memory)."""

    cell_m: Annotated[float, Field(ge=1, le=100)] = 8.0
    terrains: Annotated[int, Field(ge=2, le=20)] = 12
    """Times that heights and soil lines are drawn anew."""
    draws: Annotated[int, Field(ge=1, le=200)] = 12
    """Times on each that the coldest night and the tolerances are drawn anew."""
    height_error_m: Annotated[float, Field(ge=0, le=20)] = 0.15
    height_reach_m: Annotated[float, Field(ge=1, le=500)] = 30.0
    soil_line_m: Annotated[float, Field(ge=0, le=200)] = 15.0
    tolerance_c: Annotated[float, Field(ge=0, le=10)] = 1.0
    tolerance_share: Share = 0.1
    safe: Share = 0.9
    """A species that suits in at least this share of draws is a safe bet."""
    risky: Share = 0.6
    """One that suits by the map but in less than this share of draws is risky."""


class Decisions(Table):
    """``[decisions]``: what you decided yourself; read from the site folder, never written."""

    zones: str | None = None
    """Polygons to keep as drawn, such as the zones of a plan moved in a GIS. Columns: zone (its
    letters), title, use (plant, planted, set aside, regenerate, leave; plant when empty), barred
    and wanted (botanical names divided by ;), community."""
    layer: str | None = None
    communities: dict[str, dict[str, Weight]] = {}
    """Target plant communities by name: a weight a species, used by zones that name them."""
    local: str | None = None
    """CSV with a column species: the botanical names that belong here."""
    bar_not_local: bool = False
    bar_weedy: bool = False


class Map(Table):
    """``[map]``: online imagery under the map, off unless the reader switches it on.

    Without it the page may fetch nothing at all; with it, pictures from that one server.
    """

    imagery_url: Annotated[str, Field(pattern=IMAGERY)] | None = None
    """Address of map tiles with {z}, {x} and {y}; mind the owner's terms of use."""
    imagery_credit: str = ""
    """Whose imagery it is, shown on the map."""


class Plugins(Table):
    """``[plugins]``: which package's layer to use in place of another."""

    replace: dict[str, str] = {}


class Site(Table):
    """A whole site file, checked. ``path`` is where it was read from."""

    path: Path = Field(exclude=True)
    site: Name
    boundary: Boundary
    paddocks: Paddocks
    dem: Dem
    soils: Soils
    frost: Frost = Frost()
    shelter: Shelter | None = None
    climate: ClimateFiles
    no_plant: NoPlant | None = None
    species: SpeciesFile
    seed_sources: SeedSources | None = None
    setbacks: Setbacks = Setbacks()
    zones: Zones = Zones()
    planting: Planting = Planting()
    mix: Mix = Mix()
    decisions: Decisions = Decisions()
    how_sure: HowSure = HowSure()
    work: Work = Work()
    years: Years = Years()
    nursery: Nursery = Nursery()
    survival: Survival = Survival()
    map: Map = Map()
    layers: dict[str, dict[str, float | int | str | bool]] = {}
    plugins: Plugins = Plugins()

    def with_paddock(self, name: str) -> Site:
        """Give the site with one paddock alone to plan."""
        return self.model_copy(update={"paddocks": self.paddocks.model_copy(update={"only": name})})

    def with_grown(self, plan: Path) -> Site:
        """Give the site with another earlier plan (a folder) taken for grown."""
        name = os.path.relpath(plan, self.folder)
        return self.model_copy(
            update={"frost": self.frost.model_copy(update={"grown": name.replace(os.sep, "/")})}
        )

    @property
    def folder(self) -> Path:
        """The folder that paths in the site file are relative to."""
        return self.path.parent

    @property
    def slug(self) -> str:
        """The site's name as a folder name."""
        return slug(self.site.name) or "site"

    def settings(self) -> dict[str, Any]:
        """Give the settings as plain values, defaults filled in."""
        return self.model_dump(mode="json")


def slug(text: str) -> str:
    """Turn any text into a safe file name: a-z, 0-9 and single hyphens, at most 60 long."""
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in text.lower())
    return "-".join(part for part in kept.split("-") if part)[:60].strip("-")


def load_site(path: str | Path) -> Site:
    """Read and check a site file.

    Raises :class:`~siteplanner.errors.InputError` with every fault found: a file that is
    missing or not TOML, an unknown or missing setting, a value out of range.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "site.toml"
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise fault(
            path, "", "there is no such file", "give the path of a site file (site.toml)"
        ) from None
    except UnicodeDecodeError as error:
        raise fault(
            path, f"byte {error.start}", "it is not UTF-8 text", "save the site file as UTF-8"
        ) from None
    except OSError as error:
        raise fault(
            path, "", f"it cannot be read ({error.strerror})", "check the path and its permissions"
        ) from None
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise fault(path, "", f"it is not valid TOML: {error}", "mend the line it names") from None
    if "path" in tables:
        raise fault(
            path, "path", "no such setting", near("path", set(Site.model_fields) - {"path"})
        )
    try:
        return Site(path=path, **tables)
    except pydantic.ValidationError as error:
        raise InputError(*(_explain(path, part) for part in error.errors())) from None


def _explain(path: Path, part: Any) -> Fault:
    """Put one of pydantic's complaints in our words."""
    place = ".".join(str(p) for p in part["loc"])
    match part["type"]:
        case "extra_forbidden":
            return Fault(
                str(path),
                place,
                "no such setting",
                near(str(part["loc"][-1]), _choices(part["loc"][:-1])),
            )
        case "missing":
            return Fault(str(path), place, "this setting is missing", f"write {place} = …")
    what = str(part["msg"])
    what = what[0].lower() + what[1:]
    given = repr(part["input"])
    given = given if len(given) <= 60 else given[:57] + "…"
    return Fault(
        str(path), place, f"{given} will not do", what.replace("input should", "it should")
    )


def _choices(place: tuple[Any, ...]) -> list[str]:
    """Settings that the table at ``place`` may hold."""
    model: Any = Site
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
