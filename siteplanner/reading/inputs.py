"""Reads every file that a site names, checks it, and brings it to the working CRS."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, input_error, near
from siteplanner.base.grid import Grid
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.units import area_words, hectares
from siteplanner.reading.climate.station import Climate, read_climate
from siteplanner.reading.climate.winters import few_winters, odd_winters, trend_of_winters
from siteplanner.reading.cross_checks import (
    note_far,
    note_gaps,
    note_overlap,
    note_strangers,
    note_tiny,
)
from siteplanner.reading.decisions import Decided, read_decisions
from siteplanner.reading.dem import read_dem
from siteplanner.reading.dug_spots import with_answers
from siteplanner.reading.files.features import ANY, POINTS, POLYGONS, read_features, texts
from siteplanner.reading.files.opening import layers_in
from siteplanner.reading.files.parts import which
from siteplanner.reading.files.sources import Source, sources_of
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.heights.edges import Edges
from siteplanner.reading.input_files import Land, files, hashes
from siteplanner.reading.kept_blocks import KeptBlocks, read_kept_blocks
from siteplanner.reading.left_out import (
    WHOLE,
    notes_on_left_out,
    unknown_soil,
    whole_property,
    with_own_winters,
)
from siteplanner.reading.mature_shelter import read_mature_shelter
from siteplanner.reading.nursery_counts import Hand, read_hand
from siteplanner.reading.records import against_station, hint_note, read_readings, read_soils
from siteplanner.reading.shelter import read_shelter
from siteplanner.reading.species.survival_rates import with_saved_rates
from siteplanner.reading.species.table import SpeciesTable, read_species
from siteplanner.site.names import check_names
from siteplanner.site.site_file import Site

Value = TypeVar("Value")


@dataclass(frozen=True)
class Inputs:
    """Everything the user supplied, in the working CRS, with the standard column names."""

    grid: Grid
    dem: NDArray[np.float32]
    filled: NDArray[np.bool_]
    height_step: float
    dem_cell: float
    edges: Edges
    boundary: gpd.GeoDataFrame
    paddocks: gpd.GeoDataFrame
    soils: gpd.GeoDataFrame
    climate: Climate
    readings: gpd.GeoDataFrame
    hollows: gpd.GeoDataFrame
    shelter: gpd.GeoDataFrame
    mature_shelter: gpd.GeoDataFrame
    no_plant: gpd.GeoDataFrame
    species: SpeciesTable
    decided: Decided
    seed_sources: gpd.GeoDataFrame
    hand: Hand
    kept: KeptBlocks
    hashes: dict[str, str]
    sources: tuple[Source, ...]
    notes: tuple[str, ...]

    def given(self) -> dict[str, object]:
        """What layer functions may ask for (see ``siteplanner.ground.resolve.GIVEN``)."""
        return {
            "dem": self.dem,
            "holes": self.filled,
            "height_step": self.height_step,
            "dem_cell": self.dem_cell,
            "grid": self.grid,
            "latitude": self.grid.centre_lonlat[1],
            "soils": self.soils,
            "climate": self.climate,
            "frost_readings": self.readings,
            "frost_hollows": self.hollows,
            "shelter": self.shelter,
            "mature_shelter": self.mature_shelter,
        }


def read_inputs(site: Site, call: Call = afresh) -> Inputs:
    """Read and check all files of a site; what the land is goes through ``call``.

    Raises :class:`~siteplanner.InputError` with the errors of all files together.
    """
    errors = Errors()
    notes: list[str] = []

    def got(read: Callable[..., Value], *arguments: object) -> Value | None:
        """Call a reader; None, and its errors gathered, where it cannot read."""
        with errors.gather():
            return read(*arguments)
        return None

    land = Land.of(site, call)
    seen = partial(got, partial(land.read, notes=notes))  # of what the land is
    crs = seen(working_crs)
    boundary = seen(read_boundary, crs)
    paddocks = seen(read_paddocks, boundary, crs)
    soils = seen(_soils, boundary, crs)
    climate = seen(_climate)
    readings = seen(read_readings, crs)
    hollows = seen(read_hollows, crs)
    shelter = seen(read_shelter, crs)
    no_plant = seen(read_no_plant, crs)
    seeds = seen(read_seed_sources, crs)
    sources = got(_sources, site)
    species = seen(_species)
    hand, mature_shelter, decided, kept, heights = Hand(), None, None, None, None
    if species is not None:
        names = list(species.facts["botanical_name"])
        hand = got(read_hand, site, set(names), notes) or hand
        mature_shelter = got(land.read, read_mature_shelter, species.facts, crs)
        if seeds is not None:
            note_strangers(seeds, species, site, notes)
        got(check_names, site, set(names))
        decided = got(read_decisions, site, crs, names, notes)
        kept = got(read_kept_blocks, site, crs, names)
    if crs is not None and boundary is not None:
        heights = got(land.read, read_dem, crs, boundary.union_all())
    if readings is not None and climate is not None:
        climate = with_own_winters(climate, readings)
        readings = got(against_station, site, readings, climate)
    errors.raise_any()
    assert heights is not None and boundary is not None and paddocks is not None
    assert soils is not None and climate is not None and readings is not None
    assert hollows is not None and no_plant is not None and seeds is not None
    assert species is not None and shelter is not None and mature_shelter is not None
    assert decided is not None and kept is not None
    notes += [*heights.notes, *notes_on_left_out(site, soils, len(readings))]
    readings = _inside(heights.grid, readings, "frost readings", notes)
    note_gaps(boundary, paddocks, soils, site, notes)
    note_tiny(heights.grid, boundary, paddocks, site, notes)
    note_far(boundary, no_plant, site, notes)
    return Inputs(
        grid=heights.grid,
        dem=heights.dem,
        filled=heights.filled,
        height_step=heights.step_m,
        dem_cell=heights.cell_m,
        edges=heights.edges,
        boundary=boundary,
        paddocks=paddocks,
        soils=soils,
        climate=climate,
        readings=readings,
        hollows=hollows,
        shelter=shelter,
        mature_shelter=mature_shelter,
        no_plant=no_plant,
        species=species,
        decided=decided,
        seed_sources=seeds,
        hand=hand,
        kept=kept,
        hashes=hashes(site),
        sources=sources or (),
        notes=tuple(notes),
    )


def _soils(
    site: Site, boundary: gpd.GeoDataFrame | None, crs: pyproj.CRS | None, notes: list[str]
) -> gpd.GeoDataFrame | None:
    """The soil polygons, with what was found in dug spots laid over them."""
    if site.soils.file is not None:
        soils = read_soils(site, crs, notes)
        note_overlap("Soil polygons", soils, site.soils.file, "the last polygon is used", notes)
    elif boundary is not None:
        soils = unknown_soil(boundary)
    else:
        return None
    if site.soils.dug:
        soils, answered = with_answers(soils, site.folder / site.soils.dug, notes)
        notes.append(f"What was found at {answered} dug spots replaces the soil map there.")
    notes += hint_note(soils)
    return soils


def _sources(site: Site) -> tuple[Source, ...]:
    """Where the site's own files are from, as far as its table says."""
    return sources_of(site, files(site))


def _climate(site: Site, notes: list[str]) -> Climate:
    """The station's climate, with what is odd in its winters named."""
    climate = read_climate(site, notes)
    if climate.minima_error_c:
        notes.append(
            f"Winter minima: they may be {climate.minima_error_c:g} °C off (minima_error_c), which "
            "the error of the coldest night includes. A minimum thermometer in the lowest spot for "
            "one winter would tell."
        )
    if site.climate.winter_minima is not None:
        notes += few_winters(climate.winter_minima, site.climate.winter_minima)
        notes += odd_winters(climate.winter_minima, site.climate.winter_minima)
        notes += trend_of_winters(climate.winter_minima, site.climate.winter_minima)
    return climate


def _species(site: Site, notes: list[str]) -> SpeciesTable:
    """The species table, with expected survival learnt from counts where the site names it."""
    species = read_species(site.folder / site.species.file, notes)
    if site.species.survival:
        species, said = with_saved_rates(species, site.folder / site.species.survival, notes)
        notes.append(said)
    return species


def read_boundary(site: Site, crs: pyproj.CRS | None, notes: list[str]) -> gpd.GeoDataFrame:
    path = site.folder / site.boundary.file
    frame = read_features(path, site.boundary.layer, {}, crs, POLYGONS, notes)
    if crs is None:  # which is told; areas in degrees tell nothing
        return frame
    if not float(frame.area.sum()) > 0:
        raise input_error(
            path,
            f"layer {site.boundary.layer or ''}",
            "the boundary has no area",
            "draw it as a polygon round the property",
        )
    whole = frame.union_all()
    twice = float(frame.area.sum()) - whole.area
    if twice > 1:
        notes.append(
            f"Polygons of the boundary overlap on {area_words(hectares(twice))} "
            f"({site.boundary.file}); this ground is counted once."
        )
        parts = shapely.get_parts(whole)
        return gpd.GeoDataFrame(geometry=parts, crs=frame.crs)
    return frame


def read_paddocks(
    site: Site, boundary: gpd.GeoDataFrame | None, crs: pyproj.CRS | None, notes: list[str]
) -> gpd.GeoDataFrame | None:
    part = site.paddocks
    if part.file is None:
        if part.only not in (None, WHOLE):
            raise input_error(
                site.path,
                "paddocks.file",
                f"there is no paddock {part.only!r}, since no paddocks are given",
                "name the file of the paddocks under [paddocks]",
            )
        return None if boundary is None else whole_property(boundary)
    path = site.folder / part.file
    frame = read_features(path, part.layer, part.columns.model_dump(), crs, POLYGONS, notes)
    errors = Errors()
    if not part.columns.name:
        frame["name"] = [f"Paddock {n + 1}" for n in frame.index]
    frame["name"] = texts(frame["name"])
    for number in frame.index[frame["name"].isna()]:
        errors.add(
            path,
            f"paddock {number + 1}, {part.columns.name}",
            "it has no name",
            "give every paddock its own name",
        )
    for name in sorted(set(frame["name"][frame["name"].duplicated()].dropna())):
        errors.add(
            path,
            part.columns.name,
            f"two paddocks are called {name!r}",
            "give every paddock its own name",
        )
    if "plant" in frame:
        plant = pd.to_numeric(frame["plant"], errors="coerce")
        for number in frame.index[~plant.isin([0, 1])]:
            errors.add(
                path,
                f"paddock {frame['name'][number]}, {part.columns.plant}",
                f"{frame['plant'][number]!r} is neither 1 nor 0",
                "write 1 to plant the paddock in this plan, 0 to leave it",
            )
        frame["plant"] = plant == 1
        if not errors.found and not frame["plant"].any():
            errors.add(
                path,
                str(part.columns.plant),
                "no paddock is marked to be planted",
                "write 1 for at least one paddock to plant",
            )
    else:
        frame["plant"] = True
    # A paddock planned alone is laid out with the others, so that its blocks have the same names.
    frame["laid_out"] = frame["plant"]
    if part.only is not None:
        if part.only not in set(frame["name"]):
            errors.add(
                path,
                part.columns.name,
                f"there is no paddock {part.only!r}",
                near(part.only, frame["name"].dropna()),
            )
        frame["laid_out"] |= frame["name"] == part.only
        frame["plant"] = frame["name"] == part.only
    errors.raise_any()
    return frame[["name", "plant", "laid_out", "geometry"]]


def read_hollows(site: Site, crs: pyproj.CRS | None, notes: list[str]) -> gpd.GeoDataFrame:
    part = site.frost.hollows
    if part is None:
        return gpd.GeoDataFrame({"name": []}, geometry=[], crs=crs)
    path, columns = site.folder / part.file, part.columns.model_dump()
    frame = read_features(path, part.layer, columns, crs, POLYGONS, notes)
    return frame if "name" in frame else frame.assign(name="")


def read_no_plant(site: Site, crs: pyproj.CRS | None, notes: list[str]) -> gpd.GeoDataFrame:
    part = site.no_plant
    empty = gpd.GeoDataFrame({"kind": [], "name": []}, geometry=[], crs=crs)
    if part is None:
        return empty
    path = site.folder / part.file
    layers = part.layers or tuple(one.name for one in layers_in(path) if one.shapes is not None)
    errors = Errors()
    frames = []
    for layer in layers:
        with errors.gather():
            frames.append(read_features(path, layer, part.columns.model_dump(), crs, ANY, notes))
    errors.raise_any()
    frame = pd.concat(frames, ignore_index=True) if frames else empty
    kinds = [k for k in type(site.setbacks).model_fields if k != "boundary"]
    frame["kind"] = texts(frame["kind"]) if "kind" in frame else "other"
    frame["name"] = texts(frame["name"]).fillna("") if "name" in frame else ""
    meaning = {word.lower(): kind for word, kind in part.words.items()}
    frame["kind"] = frame["kind"].map(lambda word: meaning.get(str(word).lower(), word))
    for word in dict.fromkeys(frame["kind"][~frame["kind"].isin(kinds)]):
        these = frame["kind"].isna() if word is None else frame["kind"] == word
        errors.add(
            path,
            f"{which(these)}, {part.columns.kind}",
            "it has no kind"
            if word is None
            else f"{word!r} is not a kind of thing to keep clear of",
            near(str(word or ""), kinds)
            + " Or give its meaning in the site file under no_plant.words",
        )
    errors.raise_any()
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=frames[0].crs if frames else crs)


def read_seed_sources(site: Site, crs: pyproj.CRS | None, notes: list[str]) -> gpd.GeoDataFrame:
    part = site.seed_sources
    if part is None:
        return gpd.GeoDataFrame(
            {c: [] for c in ("species", "name", "fruiting_months")}, geometry=[], crs=crs
        )
    path, columns = site.folder / part.file, part.columns.model_dump()
    frame = read_features(path, part.layer, columns, crs, POINTS, notes)
    absent = [name for name in ("name", "fruiting_months") if name not in frame]
    return frame.assign(**dict.fromkeys(absent, ""))


def _inside(grid: Grid, points: gpd.GeoDataFrame, what: str, notes: list[str]) -> gpd.GeoDataFrame:
    """Leave out points beyond the DEM, and say so."""
    rows, cols = grid.rows_cols(points.geometry.x.to_numpy(), points.geometry.y.to_numpy())
    inside = (rows >= 0) & (rows < grid.shape[0]) & (cols >= 0) & (cols < grid.shape[1])
    if not inside.all():
        notes.append(
            f"{(~inside).sum()} of {len(points)} {what} are outside the DEM and were left out."
        )
    return points[inside].reset_index(drop=True)


__all__ = ["Inputs", "files", "hashes", "read_inputs"]
