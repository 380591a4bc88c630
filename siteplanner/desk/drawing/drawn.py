"""What a person draws of a site: which file and layer holds it, of what shape, with which fields.

All of it follows from the site file: the desk opens no other file and no other layer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyproj

from siteplanner.base.errors import InputError
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES
from siteplanner.base.symbology.kinds import KINDS
from siteplanner.reading.decisions import USES, read_decisions
from siteplanner.reading.files.opening import LayerInFile, layers_in
from siteplanner.reading.inputs import (
    read_boundary,
    read_hollows,
    read_no_plant,
    read_paddocks,
    read_seed_sources,
)
from siteplanner.reading.records import EXPOSURES, read_readings, read_soils
from siteplanner.reading.species.table import read_species
from siteplanner.site.inputs import Hollows, NoPlant, Readings, SeedSources
from siteplanner.site.site_file import Site

Read = Callable[[Site, pyproj.CRS, list[str]], gpd.GeoDataFrame | None]
#: Whose edges neighbours share, so that no gap or overlap may be made between them.
SHARED = ("paddocks", "soils", "zones")
_SHAPES = {"lines": "line", "areas": "polygon", "points": "point"}


@dataclass(frozen=True)
class Field:
    """One thing to fill in of a feature: a ``column`` of the file.

    ``kind`` is ``text``, ``number``, ``choice`` (of ``choices``: value and words) or ``yes_no``
    (1 and 0).
    """

    column: str
    title: str
    kind: str = "text"
    choices: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Drawn:
    """One line of the list of what you draw.

    ``part`` is the part of the site file; ``path`` and ``layer`` say where the features are, and
    ``there`` whether they are there already. ``shape`` is ``polygon``, ``line``, ``point`` or
    ``any``. ``setting`` is the table and key of the site file that name the file, and ``value``
    what to write there where the site has none.
    """

    id: str
    title: str
    part: str
    path: Path
    layer: str
    shape: str
    fields: tuple[Field, ...]
    setting: tuple[str, dict[str, Any]]
    there: bool

    @property
    def editable(self) -> bool:
        """Whether the desk may write the file: a GeoPackage is written whole, others are not."""
        return self.path.suffix.lower() == ".gpkg"

    @property
    def shares_edges(self) -> bool:
        """Whether neighbours share edges."""
        return self.part in SHARED


def drawn_of(site: Site) -> dict[str, Drawn]:
    """List what is drawn of a site, by id, in the order in which one draws it."""
    soil, frost = site.soils, site.frost
    readings = frost.readings or Readings(file="")
    hollows, seeds = frost.hollows or Hollows(file=""), site.seed_sources or SeedSources(file="")
    found = [
        _one(site, "boundary", "Boundary", "polygon", site.boundary, ()),
        _one(site, "paddocks", "Paddocks", "polygon", site.paddocks, _paddocks(site)),
        *_keep_clear(site),
        _one(site, "soils", "Soils", "polygon", soil, _soils(soil.columns)),
        _one(site, "hollows", "Frost hollows", "polygon", hollows, (_name(hollows),)),
        _one(site, "thermometers", "Thermometers", "point", readings, _readings(readings.columns)),
        _one(site, "seed_sources", "Mother trees", "point", seeds, _seeds(site, seeds.columns)),
        _zones(site),
    ]
    return {one.id: one for one in found}


def reader(drawn: Drawn) -> Read:
    """Give the reader of a part, which knows all that may be wrong with it."""
    return {
        "boundary": read_boundary,
        "paddocks": lambda site, crs, notes: read_paddocks(site, None, crs, notes),
        "no_plant": read_no_plant,
        "soils": read_soils,
        "hollows": read_hollows,
        "thermometers": read_readings,
        "seed_sources": read_seed_sources,
        "zones": lambda site, crs, notes: read_decisions(site, crs, _names(site), notes).ground,
    }[drawn.part]


def reading_from(site: Site, drawn: Drawn, file: str) -> Site:
    """Give the site as if a part of it were in another file of its folder."""
    into = partial(_updated, site)
    match drawn.part:
        case "no_plant":
            now = site.no_plant or NoPlant(file=file)
            return into("no_plant", now.model_copy(update={"file": file}))
        case "hollows" | "thermometers":
            name, model = (
                ("hollows", Hollows) if drawn.part == "hollows" else ("readings", Readings)
            )
            part = getattr(site.frost, name) or model(file=file)
            part = part.model_copy(update={"file": file, "layer": drawn.layer})
            return into("frost", site.frost.model_copy(update={name: part}))
        case "seed_sources":
            seeds = site.seed_sources or SeedSources(file=file)
            return into("seed_sources", _moved(seeds, file, drawn.layer))
        case "zones":
            moved = {"zones": file, "layer": drawn.layer}
            return into("decisions", site.decisions.model_copy(update=moved))
    return into(drawn.part, _moved(getattr(site, drawn.part), file, drawn.layer))


def _updated(site: Site, part: str, value: Any) -> Site:
    return site.model_copy(update={part: value})


def _moved(part: Any, file: str, layer: str) -> Any:
    return part.model_copy(update={"file": file, "layer": layer})


_TABLES = {"hollows": ("frost", "hollows"), "thermometers": ("frost", "readings")}


def _one(
    site: Site, name: str, title: str, shape: str, part: Any, fields: Sequence[Field]
) -> Drawn:
    """One part of the site file that names one layer."""
    table, key = _TABLES.get(name, (name, ""))
    if part.file:
        path = site.folder / part.file
        layer = part.layer or _only_layer(path)
        return Drawn(name, title, name, path, layer, shape, tuple(fields), (table, {}), True)
    path = _unused(site.folder, name)
    value: dict[str, Any] = {"file": path.name, "layer": name}
    if key:
        value = {key: value}
    return Drawn(name, title, name, path, name, shape, tuple(fields), (table, value), False)


def _keep_clear(site: Site) -> list[Drawn]:
    """Things to keep clear of: one line for each layer, and for each shape that has none yet."""
    part = site.no_plant or NoPlant(file="")
    path = site.folder / part.file if part.file else _unused(site.folder, "no_plant")
    layers = [one for one in _layers(path) if part.layers is None or one.name in part.layers]
    columns = part.columns
    kinds = [*((k, KINDS[k].word) for k in KINDS if k != "boundary")]
    theirs = [(word, f"{word} ({KINDS[k].word})") for word, k in part.words.items() if k in KINDS]
    fields = (
        [Field(columns.kind, "What it is", "choice", (*kinds, *theirs))] if columns.kind else []
    )
    fields += [Field(columns.name, "Name")] if columns.name else []
    file = {"file": path.name} if not part.file else {}
    made = Drawn("", "", "no_plant", path, "", "any", tuple(fields), ("no_plant", file), True)
    found = [
        replace(
            made, id=f"keep_clear_{n}", title=f"To keep clear of: {one.name}", layer=one.name,
            shape=_shape(one.shapes),
        )
        for n, one in enumerate(layers)
    ]  # fmt: skip
    taken = {one.shape for one in found}
    if part.layers is None and path.suffix.lower() == ".gpkg" and "any" not in taken:
        names = {one.layer for one in found}
        found += [
            replace(
                made, id=f"keep_clear_{name}", title=f"To keep clear of: {name}", layer=name,
                shape=shape, there=False,
            )
            for name, shape in _SHAPES.items()
            if shape not in taken and name not in names
        ]  # fmt: skip
    return found


def _zones(site: Site) -> Drawn:
    """Zones drawn by hand, which a plan keeps; the plan's own may be taken over first."""
    uses = tuple((use, words) for use, words in USES.items())
    fields = (
        Field("zone", "Letter"),
        Field("title", "Title"),
        Field("use", "What becomes of it", "choice", uses),
        Field("barred", "Species to leave out, divided by ;"),
        Field("wanted", "Species to plant, divided by ;"),
    )
    file, layer = site.decisions.zones, site.decisions.layer
    path = site.folder / file if file else _unused(site.folder, "zones")
    if file and not layer:
        names = [one.name for one in _layers(path)]
        layer = "zones" if "zones" in names else next(iter(names), "")
    setting = ("decisions", {} if file else {"zones": path.name, "layer": "zones"})
    name = layer or "zones"
    there = file is not None
    return Drawn("zones", "Zones", "zones", path, name, "polygon", fields, setting, there)


def _shape(shapes: str | None) -> str:
    word = (shapes or "").replace("Multi", "").replace("String", "").split()[:1]
    return {"Point": "point", "Line": "line", "Polygon": "polygon"}.get("".join(word), "any")


def _layers(path: Path) -> list[LayerInFile]:
    """Layers with shapes; none where the file cannot be read, which its reader then says."""
    if not path.exists():
        return []
    try:
        return [one for one in layers_in(path) if one.shapes is not None]
    except InputError:
        return []


def _only_layer(path: Path) -> str:
    layers = _layers(path)
    return layers[0].name if layers else ""


def _unused(folder: Path, name: str) -> Path:
    """A file that is not there yet: nobody's file is taken for the desk's own."""
    path, number = folder / f"{name}.gpkg", 1
    while path.exists():
        number += 1
        path = folder / f"{name}_{number}.gpkg"
    return path


def _name(part: Any) -> Field:
    return Field(part.columns.name, "Name")


def _paddocks(site: Site) -> list[Field]:
    columns = site.paddocks.columns
    fields = [Field(columns.name, "Name")] if columns.name else []
    return fields + ([Field(columns.plant, "Plant it now", "yes_no")] if columns.plant else [])


def _soils(columns: Any) -> list[Field]:
    classes = {"texture": TEXTURE_CLASSES, "drainage": DRAINAGE_CLASSES}
    titles = {
        "unit": "Soil unit",
        "texture": "Texture",
        "drainage": "Drainage",
        "depth_m": "Depth, m",
        "ph": "pH in water",
        "stones_percent": "Stones, %",
    }
    return [
        Field(
            column, title,
            "choice" if name in classes else "text" if name == "unit" else "number",
            tuple((word, word) for word in classes.get(name, ())),
        )
        for name, title in titles.items()
        if (column := getattr(columns, name))
    ]  # fmt: skip


def _readings(columns: Any) -> list[Field]:
    fields = [
        Field(columns.name, "Name"),
        Field(columns.winter_min_c, "Coldest of the winter, °C", "number"),
        Field(columns.height_m, "Height above the ground, m", "number"),
        Field(columns.winter, "Year of the winter", "number"),
    ]
    if columns.exposure:
        choices = tuple((word, word) for word in EXPOSURES)
        fields.append(Field(columns.exposure, "Under the open sky or sheltered", "choice", choices))
    return fields


@lru_cache(maxsize=4)
def _species(path: Path, changed: int) -> list[str]:
    """Botanical names of a species table; ``changed`` is when the file was."""
    try:
        return list(read_species(path, []).facts["botanical_name"])
    except InputError:
        return []


def _names(site: Site) -> list[str]:
    path = site.folder / site.species.file
    return _species(path, path.stat().st_mtime_ns) if path.is_file() else []


def _seeds(site: Site, columns: Any) -> list[Field]:
    names = _names(site)
    choices = tuple((name, name) for name in names)
    fields = [
        Field(columns.species, "Species", "choice" if names else "text", choices),
        Field(columns.name, "Place"),
        Field(columns.fruiting_months, "Months of ripe fruit"),
    ]
    return fields + ([Field(columns.permit, "Permit")] if columns.permit else [])
