"""Settings on the files that a site names, every one documented once, here."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from siteplanner.site.table import Table


class Boundary(Table):
    """``[boundary]``: the property's outline, one or more polygons."""

    file: str
    layer: str | None = None


class PaddockColumns(Table):
    """Names of the paddock columns in the user's file; "" where it has none.

    Without ``plant`` all paddocks are planted; without ``name`` they are numbered.
    """

    name: str = "name"
    plant: str | None = "plant"


class Paddocks(Table):
    """``[paddocks]``: polygons with a name; ``plant`` 1 means to be planted in this plan.

    Without a ``file`` the whole property is one paddock to plant.
    """

    file: str | None = None
    layer: str | None = None
    columns: PaddockColumns = PaddockColumns()
    only: str | None = None
    """Plan only this paddock, by its name, whatever ``plant`` says."""


class Dem(Table):
    """``[dem]``: bare-earth heights.

    ``file`` names one raster, a list of tiles, a VRT, or a folder of tiles. ``cell_m`` is the
    planning cell; a finer DEM is averaged down to it. Without it, the DEM's own cell of 2 to 10 m,
    or a round part of a coarser one. The ground is worked out ``margin_m`` beyond the boundary, as
    far as the DEM reaches, since water and cold air come from there; without it 400 m, or more
    where they come from further away, up to 3 km and to three times the cells or 250,000.
    ``crs`` and ``nodata`` stand in where the file does not say or says wrong; ``heights_in`` is
    told by the file ("auto") or here. Holes of up to ``largest_hole_m2`` are filled.
    """

    file: str | Annotated[tuple[str, ...], Field(min_length=1)]
    crs: str | None = None
    nodata: float | Literal["none"] | None = None
    """"none" where every height is one, though it looks like a code for no height."""
    heights_in: Literal["auto", "m", "ft", "us-ft"] = "auto"
    largest_hole_m2: Annotated[float, Field(ge=0, le=1_000_000)] = 1000.0
    cell_m: Annotated[float, Field(ge=0.5, le=100)] | None = None
    margin_m: Annotated[float, Field(ge=0, le=5000)] | None = None

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
    known_by: str = ""
    """"modelled" where a polygon is a model's guess, which counts as half known until it is dug."""


class SoilWords(Table):
    """The user's own words for texture and drainage, each with the standard class it means."""

    texture: dict[str, str] = {}
    drainage: dict[str, str] = {}


class Soils(Table):
    """``[soils]``: soil polygons; an empty cell means that nobody knows, as does no ``file``."""

    file: str | None = None
    layer: str | None = None
    columns: SoilColumns = SoilColumns()
    words: SoilWords = SoilWords()
    dug: str | None = None
    """``dig.csv`` of an earlier plan, filled in; what was found replaces the soil map there."""


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
    """``[frost]``: readings and hollows; all night minima are brought to one height."""

    readings: Readings | None = None
    hollows: Hollows | None = None
    nights: Annotated[int, Field(ge=1, le=30)] = 1
    """How many cold nights the readings have for each instrument and winter, one row each."""
    reference_height_m: Annotated[float, Field(ge=0.05, le=2.0)] = 1.2
    grass_colder_c: Annotated[float, Field(ge=0, le=8)] = 4.0
    """How much colder it is at grass level (0.05 m) than at 1.2 m on a calm clear night."""
    sheltered_warmer_c: Annotated[float, Field(ge=0, le=6)] = 1.5
    """How much warmer it is under trees or a roof than in the open (from memory)."""
    establishment_years: Annotated[int, Field(ge=1, le=5)] = 3
    """Winters that a seedling must survive before it counts as a tree."""
    late_frost_c: Annotated[float, Field(ge=-15, le=3)] = -2.0
    """Chances of frost on spring growth are given for this temperature or colder, at the reference
    height."""
    mature_shelter: str | None = None
    """Folder of an earlier plan; its dense rows hold back cold air as they will once mature."""
    growth_starts: MonthDay | None = None
    """Month and day, such as "09-20"; by default when the mean temperature rises above 8 °C."""


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
    """``[climate]``: a station's monthly means and its coldest night of each winter.

    Each may be left out: what it says is then unknown.
    """

    monthly: str | None = None
    winter_minima: str | None = None
    station_elevation_m: Annotated[float, Field(ge=-430, le=9000)] | None = None
    """The frost estimate is surer with it, and Penman-Monteith needs it for the air pressure."""
    wind_height_m: Annotated[float, Field(ge=0.5, le=100)] = 10.0
    """Height of the anemometer, where the monthly means have a column wind_m_s."""
    minima_error_c: Annotated[float, Field(ge=0, le=15)] = 0.0
    """How far the winter minima may be off the station-like ground here, °C, beside the 2 °C that
    are always allowed for: for a far station, or the average of a wide cell."""
    daily_minima: str | None = None
    """Daily minima of the same station, columns date and min_c; frost dates are counted in it."""


class NoPlantColumns(Table):
    """Names of the columns in the user's file of things to keep clear of; "" where it has none.

    Without ``kind`` everything is of the kind other.
    """

    kind: str = "kind"
    name: str = "name"


class NoPlant(Table):
    """``[no_plant]``: things to keep clear of; by default every layer of the file is read."""

    file: str
    layers: tuple[str, ...] | None = None
    columns: NoPlantColumns = NoPlantColumns()
    words: dict[str, str] = {}
    """The user's own words for kinds, each with the kind it means."""


class SpeciesFile(Table):
    """``[species]``: the table of species and their tolerances."""

    file: str
    index: Literal["limiting", "square root", "product"] = "limiting"
    """How the scores of all factors become one: the most limiting factor's score, or an index of
    all."""
    survival: str | None = None
    """Expected survival learnt from counts (see ``siteplanner survival --save-rates``)."""
    native: tuple[str, ...] = ()
    """Botanical names of species that grow wild where you plant: they are no weeds there. The list
    may name more than the table has."""


class SeedColumns(Table):
    """Names of the seed-source columns in the user's file."""

    species: str = "species"
    name: str = "name"
    fruiting_months: str = "fruiting_months"
    permit: str | None = None
    """Number of the permit or permission to collect there, when the file has such a column."""


class SeedSources(Table):
    """``[seed_sources]``: mother trees, points."""

    file: str
    layer: str | None = None
    columns: SeedColumns = SeedColumns()
