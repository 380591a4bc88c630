"""Reads every file that a site names, checks it, and brings it to the working CRS."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.dem import Heights, read_dem, tiles, working_crs
from siteplanner.errors import Faults, InputError, fault, near
from siteplanner.grid import Grid
from siteplanner.ground.frost import SCREEN_M, to_height
from siteplanner.ground.soil import DRAINAGE_CLASSES, TEXTURE_CLASSES
from siteplanner.nursery.hand import Hand, read_hand
from siteplanner.site import Site
from siteplanner.species.table import SpeciesTable, read_species

#: Nobody's property is wider; a larger extent means that the units are wrong.
WIDEST_M = 200_000.0


@dataclass(frozen=True)
class Climate:
    """A station's climate: monthly means, January first, and the coldest night each winter.

    ``tmin_c``, ``tmax_c`` (°C) and ``rain_mm`` have shape (12,); ``winter_minima`` is indexed
    by year, °C, brought from screen height (1.2 m) to the site's reference height.
    """

    tmin_c: NDArray[np.float64]
    tmax_c: NDArray[np.float64]
    rain_mm: NDArray[np.float64]
    winter_minima: pd.Series[float]


@dataclass(frozen=True)
class Inputs:
    """Everything the user supplied, in the working CRS, with the standard column names."""

    grid: Grid
    dem: NDArray[np.float32]
    filled: NDArray[np.bool_]
    boundary: gpd.GeoDataFrame
    paddocks: gpd.GeoDataFrame
    soils: gpd.GeoDataFrame
    climate: Climate
    readings: gpd.GeoDataFrame
    hollows: gpd.GeoDataFrame
    no_plant: gpd.GeoDataFrame
    species: SpeciesTable
    seed_sources: gpd.GeoDataFrame
    hand: Hand
    hashes: dict[str, str]
    notes: tuple[str, ...]

    def given(self) -> dict[str, object]:
        """What layer functions may ask for (see ``siteplanner.ground.resolve.GIVEN``)."""
        return {
            "dem": self.dem,
            "holes": self.filled,
            "grid": self.grid,
            "latitude": self.grid.centre_lonlat[1],
            "soils": self.soils,
            "climate": self.climate,
            "frost_readings": self.readings,
            "frost_hollows": self.hollows,
        }


def read_inputs(site: Site) -> Inputs:
    """Read and check all files of a site.

    Raises :class:`~siteplanner.errors.InputError` with the faults of all files together.
    """
    faults = Faults()
    notes: list[str] = []
    crs: pyproj.CRS | None = None
    with faults.gather():
        crs = working_crs(site)
    boundary = paddocks = soils = readings = hollows = no_plant = seeds = climate = None
    heights: Heights | None = None
    species: SpeciesTable | None = None
    hand = Hand()
    with faults.gather():
        boundary = _boundary(site, crs)
    with faults.gather():
        paddocks = _paddocks(site, crs)
    with faults.gather():
        soils = _soils(site, crs)
    with faults.gather():
        climate = _climate(site)
    with faults.gather():
        readings = _readings(site, crs)
    with faults.gather():
        hollows = _hollows(site, crs)
    with faults.gather():
        no_plant = _no_plant(site, crs)
    with faults.gather():
        seeds = _seed_sources(site, crs)
    with faults.gather():
        species = read_species(site.folder / site.species.file)
        hand = read_hand(site, set(species.facts["botanical_name"]))
    if crs is not None and boundary is not None:
        with faults.gather():
            heights = read_dem(site, crs, boundary.union_all())
            notes += heights.notes
    if readings is not None and climate is not None:
        with faults.gather():
            readings = _against_station(site, readings, climate)
    if heights is not None and readings is not None:
        readings = _inside(heights.grid, readings, "frost readings", notes)
    faults.raise_any()
    assert heights is not None and boundary is not None and paddocks is not None
    assert soils is not None and climate is not None and readings is not None
    assert hollows is not None and no_plant is not None and seeds is not None
    assert species is not None
    _note_gaps(boundary, paddocks, soils, site, notes)
    return Inputs(
        heights.grid,
        heights.dem,
        heights.filled,
        boundary,
        paddocks,
        soils,
        climate,
        readings,
        hollows,
        no_plant,
        species,
        seeds,
        hand,
        hashes(site),
        tuple(notes),
    )


def files(site: Site) -> list[str]:
    """Paths of all input files, relative to the site file, the site file first."""
    frost = [part.file for part in (site.frost.readings, site.frost.hollows) if part]
    named = [
        site.path.name,
        site.boundary.file,
        site.paddocks.file,
        *(os.path.relpath(tile, site.folder) for tile in tiles(site)),
        site.soils.file,
        *frost,
        site.climate.monthly,
        site.climate.winter_minima,
        *([site.no_plant.file] if site.no_plant else []),
        site.species.file,
        *([site.seed_sources.file] if site.seed_sources else []),
        *(name for name in (site.nursery.stock, site.nursery.counts) if name),
    ]
    return list(dict.fromkeys(named))


def hashes(site: Site) -> dict[str, str]:
    """SHA-256 of every input file, by its path relative to the site file."""
    found = {}
    for name in files(site):
        with (site.folder / name).open("rb") as stream:
            found[name] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def read_features(
    path: Path,
    layer: str | None,
    columns: dict[str, str | None],
    crs: pyproj.CRS | None,
    kinds: tuple[str, ...],
) -> gpd.GeoDataFrame:
    """Read one vector layer with standard column names, in ``crs`` (None: its own).

    ``columns`` maps standard names to the user's; None leaves a column out. ``kinds`` are the
    geometry types allowed. Invalid polygons are mended, empty features dropped.

    Raises :class:`~siteplanner.errors.InputError` for a missing file, layer, CRS or column,
    and for geometry of the wrong type, all together where possible.
    """
    if not path.exists():
        raise fault(path, "", "there is no such file", "check the path in the site file")
    try:
        layers = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
        if layer is not None and layer not in layers:
            raise fault(path, f"layer {layer}", "there is no such layer", near(layer, layers))
        if layer is None and len(layers) > 1:
            raise fault(
                path,
                "",
                f"it holds several layers ({', '.join(layers)})",
                "name one in the site file: layer = …",
            )
        frame = gpd.read_file(path, layer=layer, engine="pyogrio")
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FieldError,
        pyogrio.errors.FeatureError,
        UnicodeDecodeError,
    ) as error:
        raise fault(
            path, "", f"it cannot be read as geodata ({error})", "save it again as a GeoPackage"
        ) from None
    place = f"layer {layer or layers[0]}"
    if not isinstance(frame, gpd.GeoDataFrame):
        raise fault(path, place, "it has no geometry", "name a layer with shapes")
    faults = Faults()
    if frame.crs is None:
        faults.add(
            path,
            place,
            "it has no coordinate reference system (CRS)",
            "set its CRS in a GIS and save it again",
        )
    out: dict[str, object] = {}
    for standard, theirs in columns.items():
        if theirs is None:
            continue
        if theirs not in frame.columns:
            faults.add(
                path,
                place,
                f"there is no column {theirs!r}",
                "name it in the site file (columns); "
                + near(theirs, [c for c in frame.columns if c != frame.geometry.name]),
            )
        else:
            out[standard] = frame[theirs]
    frame = gpd.GeoDataFrame(out, geometry=frame.geometry.array, crs=frame.crs)
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    for number, kind in zip(frame.index, frame.geom_type, strict=True):
        if kind not in kinds:
            faults.add(
                path,
                f"{place}, feature {number + 1}",
                f"it is a {kind}",
                f"this layer takes {' or '.join(kinds)}",
            )
    if not np.isfinite(frame.total_bounds).all():
        faults.add(
            path,
            place,
            "it has no features with finite coordinates",
            "check that the right layer was saved",
        )
    faults.raise_any()
    flat = shapely.force_2d(frame.geometry.array)
    if "Polygon" in kinds:
        flat = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    frame = frame.set_geometry(gpd.GeoSeries(flat, index=frame.index, crs=frame.crs))
    if crs is not None:
        frame = frame.to_crs(crs)
    west, south, east, north = frame.total_bounds
    if crs is not None and not max(east - west, north - south) < WIDEST_M:
        raise fault(
            path,
            place,
            f"it is {max(east - west, north - south) / 1000:.0f} km wide",
            "check its CRS: this is wider than any property",
        )
    return frame.reset_index(drop=True)


POLYGONS = ("Polygon", "MultiPolygon")
POINTS = ("Point",)
ANY = ("Point", "MultiPoint", "LineString", "MultiLineString", *POLYGONS)


def _boundary(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    path = site.folder / site.boundary.file
    frame = read_features(path, site.boundary.layer, {}, crs, POLYGONS)
    if not float(frame.area.sum()) > 0:
        raise fault(
            path,
            f"layer {site.boundary.layer or ''}",
            "the boundary has no area",
            "draw it as a polygon round the property",
        )
    return frame


def _paddocks(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    part = site.paddocks
    path = site.folder / part.file
    frame = read_features(path, part.layer, part.columns.model_dump(), crs, POLYGONS)
    faults = Faults()
    frame["name"] = _texts(frame["name"])
    for number in frame.index[frame["name"].isna()]:
        faults.add(
            path,
            f"paddock {number + 1}, {part.columns.name}",
            "it has no name",
            "give every paddock a name of its own",
        )
    for name in sorted(set(frame["name"][frame["name"].duplicated()].dropna())):
        faults.add(
            path,
            part.columns.name,
            f"two paddocks are called {name!r}",
            "give every paddock a name of its own",
        )
    if "plant" in frame:
        plant = pd.to_numeric(frame["plant"], errors="coerce")
        for number in frame.index[~plant.isin([0, 1])]:
            faults.add(
                path,
                f"paddock {frame['name'][number]}, {part.columns.plant}",
                f"{frame['plant'][number]!r} is neither 1 nor 0",
                "write 1 to plant the paddock in this plan, 0 to leave it",
            )
        frame["plant"] = plant == 1
        if not faults.found and not frame["plant"].any():
            faults.add(
                path,
                str(part.columns.plant),
                "no paddock is to be planted",
                "write 1 for at least one paddock",
            )
    else:
        frame["plant"] = True
    faults.raise_any()
    return frame[["name", "plant", "geometry"]]


def _texts(column: pd.Series[str]) -> pd.Series[str]:
    """Trim texts; empty ones and missing ones become None."""
    trimmed = column.map(lambda v: None if pd.isna(v) else str(v).strip() or None)
    return trimmed.astype(object)


def _soils(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    part = site.soils
    path = site.folder / part.file
    frame = read_features(path, part.layer, part.columns.model_dump(), crs, POLYGONS)
    faults = Faults()
    standard = {"texture": TEXTURE_CLASSES, "drainage": DRAINAGE_CLASSES}
    for column, classes in standard.items():
        theirs = {key.lower(): value for key, value in getattr(part.words, column).items()}
        for word, meaning in theirs.items():
            if meaning not in classes:
                faults.add(
                    site.path,
                    f"soils.words.{column}.{word}",
                    f"{meaning!r} is no {column} class",
                    near(meaning, classes),
                )
        words = _texts(frame[column]).map(lambda w: w.lower() if w else None)
        said = words.map(lambda w, t=theirs: t.get(w, w) if w else None)
        for number in frame.index[said.notna() & ~said.isin([*classes, *theirs.values()])]:
            faults.add(
                path,
                f"soil unit {frame['unit'][number]}, {getattr(part.columns, column)}",
                f"{words[number]!r} is no {column} class",
                near(words[number], classes)
                + f" Or give its meaning in the site file under soils.words.{column}",
            )
        frame[column] = said.astype(object)
    limits = {
        "depth_m": (0, 50, "metres"),
        "ph": (2, 11, "pH"),
        "stones_percent": (0, 100, "percent"),
    }
    for column, (low, high, unit) in limits.items():
        given = frame[column]
        numbers = pd.to_numeric(given, errors="coerce").astype("float64")
        wrong = (given.notna() & numbers.isna()) | (numbers < low) | (numbers > high)
        for number in frame.index[wrong]:
            faults.add(
                path,
                f"soil unit {frame['unit'][number]}, {getattr(part.columns, column)}",
                f"{given[number]!r} will not do",
                f"give {unit} between {low} and {high}, or leave it empty when unknown",
            )
        frame[column] = numbers
    faults.raise_any()
    return frame


def _table(path: Path, columns: Iterable[str]) -> pd.DataFrame:
    """Read a CSV that must have these columns, all numbers."""
    if not path.exists():
        raise fault(path, "", "there is no such file", "check the path in the site file")
    try:
        frame = pd.read_csv(path, encoding="utf-8-sig", comment="#", skipinitialspace=True)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise fault(
            path,
            "",
            f"it cannot be read as a CSV table ({error})",
            "save it as CSV, UTF-8, with commas",
        ) from None
    faults = Faults()
    for column in columns:
        if column not in frame:
            faults.add(path, column, "the column is missing", near(column, frame.columns))
            continue
        numbers = pd.to_numeric(frame[column], errors="coerce")
        for row in frame.index[~np.isfinite(numbers.astype("float64"))]:
            faults.add(
                path,
                f"row {row + 2}, {column}",
                f"{frame[column][row]!r} is no number",
                "write a number with a decimal point",
            )
        frame[column] = numbers
    faults.raise_any()
    return frame


def _climate(site: Site) -> Climate:
    path = site.folder / site.climate.monthly
    faults = Faults()
    with faults.gather():
        monthly = _table(path, ["month", "tmin_c", "tmax_c", "rain_mm"])
        if sorted(monthly["month"]) != list(range(1, 13)):
            faults.add(
                path,
                "month",
                "it does not hold each month 1 to 12 once",
                "write one row for each month",
            )
        monthly = monthly.sort_values("month")
        for row in monthly.itertuples():
            if row.tmin_c > row.tmax_c:
                faults.add(path, f"month {row.month}", "tmin_c is above tmax_c", "swap them")
            if not 0 <= row.rain_mm < 5000:
                faults.add(
                    path,
                    f"month {row.month}, rain_mm",
                    f"{row.rain_mm} mm cannot be",
                    "give the month's mean rainfall in mm",
                )
    with faults.gather():
        minima = _table(site.folder / site.climate.winter_minima, ["year", "min_c"])
    faults.raise_any()
    by_year = minima.set_index(minima["year"].astype(int))["min_c"].sort_index()
    by_year[:] = to_height(
        by_year.to_numpy(), SCREEN_M, site.frost.reference_height_m, site.frost.grass_colder_c
    )
    tmin, tmax, rain = (
        monthly[c].to_numpy(dtype=np.float64) for c in ("tmin_c", "tmax_c", "rain_mm")
    )
    return Climate(tmin, tmax, rain, by_year)


def _readings(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    part = site.frost.readings
    if part is None:
        return gpd.GeoDataFrame(
            {
                c: []
                for c in (
                    "name",
                    "winter_min_c",
                    "height_m",
                    "winter",
                    "at_reference_c",
                    "difference_c",
                )
            },
            geometry=[],
            crs=crs,
        )
    path = site.folder / part.file
    frame = read_features(path, part.layer, part.columns.model_dump(), crs, POINTS)
    faults = Faults()
    frame["name"] = [
        str(n) if not pd.isna(n) else f"reading {i + 1}" for i, n in enumerate(frame["name"])
    ]
    for column, low, high, mend in (
        ("winter_min_c", -60, 30, "give the winter's lowest temperature in °C"),
        ("height_m", 0.0, 3.0, "say how high above the ground the instrument hung, in metres"),
        ("winter", 1800, 2200, "give the year of the winter"),
    ):
        numbers = pd.to_numeric(frame[column], errors="coerce").astype("float64")
        for number in frame.index[~numbers.between(low, high)]:
            faults.add(
                path,
                f"{frame['name'][number]}, {getattr(part.columns, column)}",
                f"{frame[column][number]!r} will not do",
                mend,
            )
        frame[column] = numbers
    faults.raise_any()
    frame["at_reference_c"] = to_height(
        frame["winter_min_c"].to_numpy(),
        frame["height_m"].to_numpy(),
        site.frost.reference_height_m,
        site.frost.grass_colder_c,
    )
    return frame


def _against_station(site: Site, readings: gpd.GeoDataFrame, climate: Climate) -> gpd.GeoDataFrame:
    """Add ``difference_c``: one winter is not a climate, the station carries it further."""
    path = site.folder / site.climate.winter_minima
    missing = sorted(set(readings["winter"].astype(int)) - set(climate.winter_minima.index))
    if missing:
        raise fault(
            path,
            "year",
            f"winter {', '.join(map(str, missing))} is missing, "
            "but frost readings were taken in it",
            "add the station's minimum of that winter",
        )
    station = climate.winter_minima.reindex(readings["winter"].astype(int)).to_numpy()
    return readings.assign(difference_c=readings["at_reference_c"] - station)


def _hollows(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    part = site.frost.hollows
    if part is None:
        return gpd.GeoDataFrame({"name": []}, geometry=[], crs=crs)
    return read_features(
        site.folder / part.file, part.layer, part.columns.model_dump(), crs, POLYGONS
    )


def _no_plant(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    part = site.no_plant
    empty = gpd.GeoDataFrame({"kind": [], "name": []}, geometry=[], crs=crs)
    if part is None:
        return empty
    path = site.folder / part.file
    if not path.exists():
        raise fault(path, "", "there is no such file", "check the path in the site file")
    try:
        layers = part.layers or tuple(str(n) for n in pyogrio.list_layers(path)[:, 0])
    except pyogrio.errors.DataSourceError as error:
        raise fault(
            path, "", f"it cannot be read as geodata ({error})", "save it again as a GeoPackage"
        ) from None
    faults = Faults()
    frames = []
    for layer in layers:
        with faults.gather():
            frames.append(read_features(path, layer, part.columns.model_dump(), crs, ANY))
    faults.raise_any()
    frame = pd.concat(frames, ignore_index=True) if frames else empty
    kinds = [k for k in type(site.setbacks).model_fields if k != "boundary"]
    frame["kind"] = _texts(frame["kind"])
    frame["name"] = _texts(frame["name"]).fillna("")
    for number in frame.index[~frame["kind"].isin(kinds)]:
        faults.add(
            path,
            f"feature {number + 1}, {part.columns.kind}",
            f"{frame['kind'][number]!r} is no kind of thing to keep clear of",
            near(str(frame["kind"][number]), kinds),
        )
    faults.raise_any()
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=frames[0].crs if frames else crs)


def _seed_sources(site: Site, crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    part = site.seed_sources
    if part is None:
        return gpd.GeoDataFrame(
            {c: [] for c in ("species", "name", "fruiting_months")}, geometry=[], crs=crs
        )
    return read_features(
        site.folder / part.file, part.layer, part.columns.model_dump(), crs, POINTS
    )


def _inside(grid: Grid, points: gpd.GeoDataFrame, what: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Leave out points beyond the DEM, and say so."""
    rows, cols = grid.rows_cols(points.geometry.x.to_numpy(), points.geometry.y.to_numpy())
    inside = (rows >= 0) & (rows < grid.shape[0]) & (cols >= 0) & (cols < grid.shape[1])
    if not inside.all():
        notes.append(
            f"{(~inside).sum()} of {len(points)} {what} lie beyond the DEM and were left out."
        )
    return points[inside].reset_index(drop=True)


def _note_gaps(
    boundary: gpd.GeoDataFrame,
    paddocks: gpd.GeoDataFrame,
    soils: gpd.GeoDataFrame,
    site: Site,
    notes: list[str],
) -> None:
    property_ = boundary.union_all()
    outside = paddocks.union_all().difference(property_).area
    if outside > 100:
        notes.append(
            f"{outside / 1e4:.2f} ha of paddocks lie outside the boundary "
            f"({site.paddocks.file}); nothing is planted there."
        )
    planted = paddocks[paddocks["plant"]].union_all().intersection(property_)
    bare = planted.difference(soils.union_all()).area
    if bare > 100:
        notes.append(
            f"{bare / 1e4:.2f} ha to be planted have no soil polygon ({site.soils.file}); "
            "the soil there counts as unknown."
        )
    parts = soils.geometry.array
    tree = shapely.STRtree(parts)
    left, right = tree.query(parts, predicate="overlaps")
    pairs = left < right
    twice = shapely.area(shapely.intersection(parts[left[pairs]], parts[right[pairs]])).sum()
    if twice > 100:
        notes.append(
            f"Soil polygons overlap on {twice / 1e4:.2f} ha ({site.soils.file}); "
            "the later polygon counts there."
        )


__all__ = ["Climate", "InputError", "Inputs", "files", "hashes", "read_features", "read_inputs"]
