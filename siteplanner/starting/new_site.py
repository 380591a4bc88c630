"""A new site: a commented site file with everything that could be worked out from the data."""

from __future__ import annotations

import dataclasses
import shutil
import tomllib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import rasterio
import shapely
from rasterio.errors import RasterioError

from siteplanner.base.errors import Errors, InputError, input_error, near
from siteplanner.base.units import area_words, hectares
from siteplanner.reading.files.drivers import listening
from siteplanner.reading.files.features import POLYGONS, read_features
from siteplanner.reading.files.opening import layers_in
from siteplanner.reading.files.schema_matching import layer_of
from siteplanner.reading.files.tiles import TILES
from siteplanner.reading.files.true_metres import in_metres, metric_crs, spots_of
from siteplanner.reading.heights.resampled import unit_of_map
from siteplanner.site.commented import defaults, table
from siteplanner.site.edit import with_settings_of
from siteplanner.site.planting import Setbacks
from siteplanner.site.site_file import checked, load_site
from siteplanner.starting.given import VECTORS, Given
from siteplanner.starting.matched import Started, columns_table, relative_to, vector_table
from siteplanner.starting.settings import (
    decision_lines,
    frost_lines,
    settings_lines,
    shelter_lines,
)

LISTS = Path(__file__).parent / "lists"
_MARGIN_M = 400.0
_GPKG = {"dataset_options": {"VERSION": "1.2"}}
_FIXED_TIME = {"OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z"}
_STATION = ("monthly", "winter_minima")
_SOIL_COLUMNS = ("unit", "texture", "drainage", "depth_m", "ph", "stones_percent")


def start(folder: Path, given: Given, name: str | None = None, *, replace: bool = False) -> Started:
    """Write ``site.toml`` and what else is missing into ``folder``, which must hold no site yet.

    With ``replace`` it may: the site file is written anew, and the settings in it that do not
    say what the data are stay.

    Where no paddocks are given the whole property is one paddock to plant; where no soils are
    given one polygon says that nobody knows; where no species are given a starter list is taken,
    so that the site can be planned at once. Climate cannot be worked out: its tables are written
    with empty cells, to be filled in. Data are left where they are. Raises
    :class:`~siteplanner.InputError`, and then nothing was written.
    """
    target = folder / "site.toml"
    old = None
    if target.exists():
        if not replace:
            raise input_error(
                target, "", "this folder already has a site",
                "choose another folder, or write the site file anew with --replace",
            )  # fmt: skip
        load_site(target)
        old = target.read_text(encoding="utf-8-sig")
    _check_parts(given)
    gone = [path for path in vars(given).values() if isinstance(path, Path) and not path.exists()]
    if gone:
        raise InputError(
            *(
                input_error(p, "", "this file does not exist", "check the path").errors[0]
                for p in gone
            )
        )
    started = Started(target)
    given = _also_there(given)
    layer = given.layer("boundary") or layer_of(given.boundary, "boundary", started.found)
    outline = read_features(given.boundary, layer, {}, None, POLYGONS)
    lon, lat = _centre(outline)
    _look_at_dem(given.dem, outline, started)
    title = name or folder.resolve().name
    sources = None if given.sources is None else relative_to(given.sources, folder)
    starter = _starter(given, lat)
    folder.mkdir(parents=True, exist_ok=True)
    lines = [
        "# A site for siteplanner. Paths are relative to this file. A line that starts with # is",
        "# not read: remove the # to use it. What is not written has the value shown.",
        "",
        *table("site", {"name": title, "sources": sources}),
        *table("boundary", {"file": relative_to(given.boundary, folder), "layer": layer}),
        *_paddocks(folder, given, outline, started),
        *table("dem", {"file": relative_to(given.dem, folder)}, defaults("dem")),
        *_soils(folder, given, outline, started),
        *frost_lines(folder, given, started),
        *shelter_lines(folder, given, started),
        *_climate(folder, given, started),
        *_no_plant(folder, given, started),
        *_species(folder, given, starter, started),
        *_seed_sources(folder, given, started),
        *decision_lines(folder, given),
        *settings_lines(lat, given, started),
    ]
    area = area_words(_hectares(outline), 1)
    started.found.insert(0, f"the property is {area} near {_place(lon, lat)}")
    text = "\n".join(lines)
    text = text if old is None else with_settings_of(text, old)
    checked(target, tomllib.loads(text))
    target.write_bytes(text.encode("utf-8"))
    return started


def _check_parts(given: Given) -> None:
    """Refuse layers and columns of parts that there are not, and kinds that have no setback."""
    errors = Errors()
    for word, named in (("layer", given.layers), ("column", given.columns)):
        for part in sorted(set(named) - set(VECTORS)):
            errors.add(f"--{word}", part, "a site has no such part", near(part, VECTORS))
    for kind in sorted(set(given.setbacks) - set(Setbacks.model_fields)):
        errors.add("--setback", kind, "there is no such kind", near(kind, Setbacks.model_fields))
    errors.raise_any()


def _also_there(given: Given) -> Given:
    """Take paddocks and soils from the boundary's own file when it has layers called so."""
    try:
        names = " ".join(layer.name.lower() for layer in layers_in(given.boundary))
    except InputError:
        return given  # said when the boundary is read
    found = {part: getattr(given, part) for part in ("paddocks", "soils")}
    for part, path in found.items():
        if path is None and part.rstrip("s") in names:
            found[part] = given.boundary
    return dataclasses.replace(given, **found)


def _centre(outline: gpd.GeoDataFrame) -> tuple[float, float]:
    lon, lat = spots_of(outline)
    return float((lon[0] + 180) % 360 - 180), float(lat[0])


def _hectares(outline: gpd.GeoDataFrame) -> float:
    return hectares(float(outline.to_crs(metric_crs(*spots_of(outline))).area.sum()))


def _place(lon: float, lat: float) -> str:
    north, east = ("N" if lat >= 0 else "S"), ("E" if lon >= 0 else "W")
    return f"{abs(lat):.2f}° {north}, {abs(lon):.2f}° {east}"


def _look_at_dem(path: Path, outline: gpd.GeoDataFrame, started: Started) -> None:
    """Say what the DEM is and how far it reaches past the boundary (first tile of a folder)."""
    tiles = sorted(p for p in path.iterdir() if p.suffix.lower() in TILES) if path.is_dir() else []
    if path.is_dir() and not tiles:
        raise input_error(path, "", "there is no raster in this folder", "name a DEM file")
    first = tiles[0] if tiles else path
    try:
        with listening(), rasterio.open(first) as source:
            crs, bounds, cell = source.crs, source.bounds, source.res
    except RasterioError as error:
        raise input_error(
            first, "", f"it cannot be read as a raster ({error})", "name a DEM file"
        ) from None
    if crs is None:
        started.missing.append(
            f"the CRS of {first.name}: write crs under [dem], such as EPSG:32755"
        )
        return
    drawn_in = pyproj.CRS.from_user_input(crs)
    unit = "m" if in_metres(drawn_in) else unit_of_map(drawn_in)
    started.found.append(f"heights: {first.name}, cells of {cell[0]:g} x {cell[1]:g} {unit}")
    if len(tiles) > 1:
        return
    metres = metric_crs(*spots_of(outline))
    reach = gpd.GeoSeries([shapely.box(*bounds)], crs=crs).to_crs(metres).union_all()
    land = outline.to_crs(metres).union_all()
    if not reach.covers(land):
        share = land.difference(reach).area / land.area
        started.missing.append(f"heights: {first.name} covers only {share:.0%} of the property")
        return
    margin = reach.exterior.distance(land)
    if margin < _MARGIN_M:
        started.missing.append(
            f"heights further out: {first.name} reaches {margin:.0f} m past the boundary, but "
            f"water and cold air come from further away ({_MARGIN_M:.0f} m is best)"
        )


def _paddocks(folder: Path, given: Given, outline: gpd.GeoDataFrame, started: Started) -> list[str]:
    if given.paddocks is not None:
        return vector_table("paddocks", ("name", "plant"), given.paddocks, folder, given, started)
    if given.bare:
        started.missing.append("paddocks: without them the whole property is planted")
        return ["# Paddocks: polygons with name and plant (1 or 0).", "# [paddocks]",
                '# file = "paddocks.gpkg"', ""]  # fmt: skip
    frame = gpd.GeoDataFrame(
        {"name": ["whole property"], "plant": [1]}, geometry=[outline.union_all()], crs=outline.crs
    )
    _write(frame, folder / "paddocks.gpkg", "paddocks")
    started.missing.append(
        "paddocks: until you draw them, the whole property is one paddock to plant (paddocks.gpkg)"
    )
    return [
        "# plant: 1 = plant in this plan, 0 = leave.",
        *table("paddocks", {"file": "paddocks.gpkg"}),
    ]


def _soils(folder: Path, given: Given, outline: gpd.GeoDataFrame, started: Started) -> list[str]:
    if given.soils is not None:
        more = ("sand", "silt", "clay", "known_by")
        return vector_table(
            "soils", (*_SOIL_COLUMNS, *more), given.soils, folder, given, started,
            needed=_SOIL_COLUMNS,
        )  # fmt: skip
    if given.bare:
        started.missing.append("soils: without them nobody knows texture, drainage, depth and pH")
        return [f"# Soils: polygons with {', '.join(_SOIL_COLUMNS)}.", "# [soils]",
                '# file = "soils.gpkg"', ""]  # fmt: skip
    unknown: dict[str, Any] = {"unit": ["unknown"], "texture": [None], "drainage": [None]}
    unknown |= {name: np.array([np.nan]) for name in _SOIL_COLUMNS[3:]}
    frame = gpd.GeoDataFrame(unknown, geometry=[outline.union_all()], crs=outline.crs)
    _write(frame, folder / "soils.gpkg", "soils")
    started.missing.append(
        "soils: soils.gpkg has one empty polygon; dig, draw the soils and fill them in"
    )
    return [
        "# texture: USDA texture class; drainage: USDA natural drainage class. An empty cell",
        "# means that nobody knows.",
        *table("soils", {"file": "soils.gpkg"}),
    ]


def _climate(folder: Path, given: Given, started: Started) -> list[str]:
    files: dict[str, Any] = {}
    to_fill: list[str] = []
    for key, path, header, rows, what in (
        (
            "monthly",
            given.monthly,
            "month,tmin_c,tmax_c,rain_mm",
            [f"{n},,," for n in range(1, 13)],
            "mean minimum, maximum and rain of each month",
        ),
        (
            "winter_minima",
            given.winter_minima,
            "year,min_c",
            [],
            "the coldest night of each winter at the station, at 1.2 m",
        ),
    ):
        if path is not None:
            files[key] = relative_to(path, folder)
            continue
        name = "climate.csv" if key == "monthly" else "winter_minima.csv"
        if not given.bare:
            _write_new(folder / name, "".join(f"{row}\n" for row in [header, *rows]))
        to_fill += [f"# Fill in {name}, then remove the # from this line:", f'# {key} = "{name}"']
        started.missing.append(
            f"climate: fill in {name}, {what}, from a weather station, and name it under [climate]"
        )
    settings = dict(given.climate_settings)
    if given.station_elevation_m is not None:
        settings["station_elevation_m"] = given.station_elevation_m
    optional = defaults("climate", without={*_STATION, *settings})
    return table("climate", {**files, **settings}, [*to_fill, *optional])


def _no_plant(folder: Path, given: Given, started: Started) -> list[str]:
    if given.no_plant is not None:
        layers = given.layers.get("no_plant")
        first = layers[0] if layers else layers_in(given.no_plant)[0].name
        own = given.columns.get("no_plant", {})
        return [
            *table("no_plant", {"file": relative_to(given.no_plant, folder), "layers": layers}),
            *columns_table(
                "no_plant", ("kind", "name"), given.no_plant, first, started, ("kind",), own
            ),
        ]
    started.missing.append(
        "what to keep clear of: no power line, building, buried pipe, waterway or track is "
        "known; draw them, and have buried services located"
    )
    return [
        "# Points, lines and areas with kind and name. Kinds: power_line, building, track, fence,",
        "# bush, buried_pipe, waterway, dam, other.",
        "# [no_plant]",
        '# file = "no_plant.gpkg"',
        "",
    ]


def _starter(given: Given, latitude: float) -> Path | None:
    """Find the starter list asked for, or one for the latitude where no species are given."""
    if given.species is not None:
        return None
    lists = {path.stem: path for path in sorted(LISTS.glob("*.csv"))}
    name = given.species_list or starter_for(latitude)
    if name not in lists:
        raise input_error(
            "--species-list",
            "",
            f"there is no starter list {given.species_list!r}",
            near(name, lists),
        )
    return lists[name]


def starter_for(latitude: float) -> str:
    """Choose a starter list by latitude alone, which is a guess (from memory).

    >>> starter_for(-42), starter_for(52), starter_for(37), starter_for(-28)
    ('cool-temperate-south', 'temperate-oceanic-north', 'mediterranean', 'humid-subtropical')
    """
    if abs(latitude) < 32:
        return "humid-subtropical"
    if latitude < 0:
        return "cool-temperate-south" if latitude < -38 else "mediterranean"
    return "temperate-oceanic-north" if latitude > 45 else "mediterranean"


def _species(folder: Path, given: Given, starter: Path | None, started: Started) -> list[str]:
    if given.species is not None or starter is None:
        return table("species", {"file": relative_to(given.species or folder, folder)}, _NATIVE)
    if not (folder / "species.csv").exists():
        shutil.copyfile(starter, folder / "species.csv")
    guessed = "" if given.species_list else ", chosen by the latitude alone"
    started.missing.append(
        f"species: species.csv is the starter list {starter.stem}{guessed}; check every species "
        "and number with a local nursery or herbarium, and that none is a weed where you are "
        "(siteplanner species shows the other lists)"
    )
    return table("species", {"file": "species.csv"}, _NATIVE)


_NATIVE = (
    "# Botanical names of species that grow wild where you plant: weedy ones that are not named",
    "# here are left out.",
    "native = []",
)


def _seed_sources(folder: Path, given: Given, started: Started) -> list[str]:
    if given.seed_sources is None:
        return [
            "# Mother trees: points with species, name, fruiting_months (such as 12-3).",
            "# [seed_sources]",
            '# file = "seed_sources.gpkg"',
            "",
        ]
    return vector_table(
        "seed_sources",
        ("species", "name", "fruiting_months", "permit"),
        given.seed_sources,
        folder,
        given,
        started,
        needed=("species", "name", "fruiting_months"),
    )


def _write_new(path: Path, text: str) -> None:
    """Write a file that the user fills in; one that is there already is left as it is."""
    if not path.exists():
        path.write_bytes(text.encode("utf-8"))


def _write(frame: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    if path.exists():
        return
    before = {name: pyogrio.get_gdal_config_option(name) for name in _FIXED_TIME}
    pyogrio.set_gdal_config_options(_FIXED_TIME)
    try:
        pyogrio.write_dataframe(
            frame, path, layer=layer, driver="GPKG", promote_to_multi=True, **_GPKG
        )
    finally:
        pyogrio.set_gdal_config_options(before)
