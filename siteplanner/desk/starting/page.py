"""Starting a site on the page: files dropped into its folder, questions, and the site file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pyproj
import rasterio
import shapely
from rasterio.errors import RasterioError

from siteplanner.base.errors import InputError, input_error
from siteplanner.desk.starting.questions import QUESTIONS, understood
from siteplanner.reading.files.drivers import listening
from siteplanner.reading.files.features import ANY, POLYGONS, read_features
from siteplanner.reading.files.opening import layers_in, open_layer
from siteplanner.reading.files.schema_matching import layer_of
from siteplanner.reading.files.tiles import TILES
from siteplanner.reading.files.true_metres import in_metres, metric_crs, spots_of
from siteplanner.site.edit import value_of, with_settings
from siteplanner.site.site_file import load_site
from siteplanner.starting.given import Given
from siteplanner.starting.new_site import start
from siteplanner.starting.species_lists import starting_lists

#: Files of shapes that may be dropped; a Shapefile comes with its parts.
SHAPES = (".gpkg", ".kml", ".kmz", ".gpx", ".geojson", ".json", ".shp", ".zip")
PARTS = (".shx", ".dbf", ".prj", ".cpg")
HEIGHTS = tuple(suffix for suffix in TILES if suffix != ".vrt")  # a VRT names files elsewhere
#: What a file of shapes may hold, with the words for it and the shapes it takes.
USES = {
    "boundary": ("the boundary", POLYGONS),
    "paddocks": ("paddocks", POLYGONS),
    "soils": ("soils", POLYGONS),
    "no_plant": ("things to keep clear of", ANY),
}
_NAME = re.compile(r"[\w][\w .()+-]{0,79}")


def safe_name(name: str) -> str | None:
    """Give a dropped file's name where it may be used as it is; None where it may not.

    >>> safe_name("My farm.kml"), safe_name("../x.kml"), safe_name("site.toml")
    ('My farm.kml', None, None)
    """
    suffix = Path(name).suffix.lower()
    fits = _NAME.fullmatch(name) and ".." not in name
    return name if fits and suffix in (*SHAPES, *PARTS, *HEIGHTS) else None


def found_in(folder: Path) -> list[dict[str, Any]]:
    """List the files in a folder that a site may start from, with what each is."""
    if not folder.is_dir():
        return []
    return [
        {"name": path.name, **what}
        for path in sorted(folder.iterdir())
        if path.is_file() and safe_name(path.name) and (what := _what(path))
    ]


def _what(path: Path) -> dict[str, Any] | None:
    suffix = path.suffix.lower()
    if suffix in HEIGHTS:
        try:
            with listening(), rasterio.open(path) as raster:
                words = f"heights, {raster.width} x {raster.height} cells"
                return {"kind": "heights", "words": words, "wrong": raster.crs is None}
        except RasterioError as error:
            return {"kind": "heights", "words": f"cannot be read ({error})", "wrong": True}
    if suffix not in SHAPES:
        return None
    try:
        names = [one.name for one in layers_in(path) if one.shapes is not None]
    except InputError as error:
        return {"kind": "shapes", "words": error.errors[0].what, "wrong": True}
    return {"kind": "shapes", "words": ", ".join(names), "wrong": not names}


def about(folder: Path) -> dict[str, Any]:
    """Say what there is to start from and what is asked."""
    return {
        "folder": folder.resolve().name,
        "files": found_in(folder),
        "uses": [[name, words] for name, (words, _) in USES.items()],
        "lists": [[one.name, one.heading] for one in starting_lists()],
        "questions": [
            {"id": one.id, "words": one.words, "answers": one.answers} for one in QUESTIONS
        ],
    }


def begin(folder: Path, asked: Mapping[str, Any]) -> list[str]:
    """Start the site from files of its folder and answers; give what is still missing.

    The files are those that ``found_in`` lists. Without a boundary a rectangle in the middle of
    the heights stands in for it, to be moved. Shapes go to GeoPackages, which the desk can edit.
    Raises :class:`~siteplanner.InputError`, and then there is no site.
    """
    listed = {one["name"]: one["kind"] for one in found_in(folder)}
    dem = str(asked.get("dem") or "")
    if listed.get(dem) != "heights":
        raise input_error(
            folder.name, "", "no heights are chosen", "drop a GeoTIFF of bare-earth heights first"
        )
    given: dict[str, Any] = {"dem": folder / dem}
    for use in USES:
        name = str(asked.get(use) or "")
        if listed.get(name) == "shapes":
            given[use] = _as_geopackage(folder, folder / name, use)
    if "boundary" not in given:
        given["boundary"] = _rectangle(folder, folder / dem)
    lists = {one.name for one in starting_lists()}
    chosen = str(asked.get("species_list") or "")
    started = start(
        folder,
        Given(**given, species_list=chosen if chosen in lists else None),
        str(asked.get("name") or "").strip()[:200] or None,
    )
    answered(started.path, asked.get("answers") or {}, soils_known="soils" in given)
    stands_in = "the boundary: a rectangle stands in for it; draw it anew, or move its corners"
    return [stands_in] * ("boundary" not in asked or not asked["boundary"]) + started.missing


def answered(path: Path, answers: Mapping[str, Any], *, soils_known: bool) -> None:
    """Write the answers to the page's questions into a new site file, and into its soils.

    Raises :class:`~siteplanner.InputError`, and then the file is as it was.
    """
    soil, settings = understood(answers)
    text = path.read_text(encoding="utf-8")
    for table, values in settings.items():
        text = with_settings(path, text, table, {k: value_of(v) for k, v in values.items()})
    beside = path.with_name(".site.toml.new")
    beside.write_text(text, encoding="utf-8")
    try:
        load_site(beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    soils = path.with_name("soils.gpkg")
    if soil and not soils_known and soils.exists():
        _tell_soil(soils, soil)


def outline_of(folder: Path, name: str) -> Path:
    """Give the boundary among the folder's files as a GeoPackage, which the desk can edit."""
    return _as_geopackage(folder, folder / name, "boundary")


def _as_geopackage(folder: Path, path: Path, use: str) -> Path:
    """Put the shapes of any file into a GeoPackage of the folder, which the desk can edit."""
    if path.suffix.lower() == ".gpkg":
        return path
    layer = layer_of(path, use, [])
    there = open_layer(path, layer, USES[use][1], [])[0]
    names = {name: name for name in there.columns if name != there.geometry.name}
    frame = read_features(path, layer, names, None, USES[use][1])
    target = folder / f"{use}.gpkg"
    number = 1
    while target.exists():
        number += 1
        target = folder / f"{use}_{number}.gpkg"
    pyogrio.write_dataframe(frame, target, layer=use, driver="GPKG")
    return target


def _rectangle(folder: Path, dem: Path) -> Path:
    with rasterio.open(dem) as raster:
        crs, (west, south, east, north) = raster.crs, raster.bounds
    if crs is None:
        raise input_error(
            dem, "", "it has no coordinate reference system (CRS)",
            "set its CRS in a GIS and save it again",
        )  # fmt: skip
    wide, high = (east - west) / 4, (north - south) / 4
    box = shapely.box(west + wide, south + high, east - wide, north - high)
    frame = gpd.GeoDataFrame({"name": ["stands in"]}, geometry=[box], crs=crs.to_wkt())
    if not in_metres(pyproj.CRS.from_wkt(crs.to_wkt())):
        frame = frame.to_crs(metric_crs(*spots_of(frame)))
    target = folder / "boundary.gpkg"
    if not target.exists():
        pyogrio.write_dataframe(frame, target, layer="boundary", driver="GPKG")
    return target


def _tell_soil(path: Path, soil: Mapping[str, str]) -> None:
    """Write what was answered into the one polygon of unknown soil."""
    frame = pyogrio.read_dataframe(path)
    for column, value in soil.items():
        frame[column] = value
    pyogrio.write_dataframe(frame, path, layer="soils", driver="GPKG", promote_to_multi=True)
