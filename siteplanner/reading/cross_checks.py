"""What is odd in a site's files taken together: told in notes, or refused when nothing fits."""

from __future__ import annotations

import geopandas as gpd
import shapely

from siteplanner.base.errors import input_error
from siteplanner.base.grid import Grid
from siteplanner.base.units import area_words, hectares
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.site.site_file import Site

#: What is further from the property than this may be meant to lie elsewhere.
_FAR_M = 1000.0
#: More things than these are left out of a note.
_NAMED = 8


def note_strangers(
    seeds: gpd.GeoDataFrame, species: SpeciesTable, site: Site, notes: list[str]
) -> None:
    """Tell of mother trees whose species the table does not have: no seed is counted of them."""
    known = set(species.facts["botanical_name"])
    strange = sorted({str(name) for name in seeds["species"] if name not in known})
    if strange and site.seed_sources is not None:
        notes.append(
            f"Mother trees of species that are not in the species table ({', '.join(strange)}; "
            f"{site.seed_sources.file}) are left out of the seed to collect."
        )


def note_tiny(
    grid: Grid, boundary: gpd.GeoDataFrame, paddocks: gpd.GeoDataFrame, site: Site, notes: list[str]
) -> None:
    """Name paddocks to plant that hold the middle of no cell: nothing is laid out there.

    Raises :class:`~siteplanner.InputError` where none holds one.
    """
    property_ = boundary.union_all()
    fields = paddocks[paddocks["plant"]]
    ground = {
        str(name): shape.intersection(property_)
        for name, shape in zip(fields["name"], fields.geometry, strict=True)
    }
    tiny = {
        name: shape.area
        for name, shape in ground.items()
        if shape.is_empty or not grid.cover([shape]).any()
    }
    inside = {name: area for name, area in tiny.items() if area > 0}
    finer = f"write a smaller dem.cell_m than {grid.cell:g} in the site file"
    if len(tiny) == len(ground):
        raise input_error(
            site.folder / (site.paddocks.file or site.boundary.file),
            "",
            f"the ground to plant ({sum(inside.values()):.1f} m²) holds the middle of no cell of "
            f"{grid.cell:g} m, so it is too small or too narrow to lay out",
            f"{finer}, or get a finer DEM",
        )
    if inside:
        named = [f"{name} ({area:.1f} m²)" for name, area in list(inside.items())[:_NAMED]]
        more = f" and {len(inside) - _NAMED} more" if len(inside) > _NAMED else ""
        notes.append(
            f"Too small or too narrow for cells of {grid.cell:g} m, so nothing is planted there: "
            f"paddock {', '.join(named)}{more}. To plant them, {finer}."
        )


def note_far(
    boundary: gpd.GeoDataFrame, no_plant: gpd.GeoDataFrame, site: Site, notes: list[str]
) -> None:
    """Name what is to be kept clear of but lies far outside: it may be in a wrong place."""
    if site.no_plant is None or no_plant.empty:
        return
    away = shapely.distance(no_plant.geometry.array, boundary.union_all())
    far = no_plant[away > _FAR_M]
    if far.empty:
        return
    named = [
        f"{row.kind} {row.name}".strip() + f" ({metres / 1000:.3g} km)"
        for row, metres in zip(far.itertuples(index=False), away[away > _FAR_M], strict=True)
    ]
    more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    notes.append(
        f"{len(far)} of {len(no_plant)} things to keep clear of lie more than "
        f"{_FAR_M / 1000:g} km outside the boundary ({site.no_plant.file}): "
        f"{', '.join(named[:_NAMED])}{more}. If they should be on the property, check their CRS."
    )


def note_gaps(
    boundary: gpd.GeoDataFrame,
    paddocks: gpd.GeoDataFrame,
    soils: gpd.GeoDataFrame,
    site: Site,
    notes: list[str],
) -> None:
    """Tell of paddocks past the boundary and ground without soil or planted twice.

    Raises :class:`~siteplanner.InputError` where paddocks or soils lie elsewhere.
    """
    property_ = boundary.union_all()
    parts = shapely.get_parts(property_)
    if len(parts) > 1:
        notes.append(f"The boundary is in {_few(len(parts))} parts ({site.boundary.file}).")
    holes = int(shapely.get_num_interior_rings(parts).sum())
    if holes:
        notes.append(
            f"The boundary has {holes} hole{'s' if holes > 1 else ''} ({site.boundary.file}); "
            "nothing is planted there."
        )
    outside = paddocks.union_all().difference(property_).area
    if outside > 100:
        notes.append(
            f"{area_words(hectares(outside))} of paddocks lie outside the boundary "
            f"({site.paddocks.file}); nothing is planted there."
        )
    fields, left = (paddocks[paddocks["plant"] == plant] for plant in (True, False))
    note_overlap("Paddocks", fields, str(site.paddocks.file), "the first paddock is used", notes)
    twice = fields.union_all().intersection(left.union_all()).area
    if twice > 100:
        notes.append(
            f"Paddocks to plant overlap paddocks to leave on {area_words(hectares(twice))} "
            f"({site.paddocks.file}); this ground will be planted."
        )
    planted = fields.union_all().intersection(property_)
    if not planted.area > 0:
        raise input_error(
            site.folder / str(site.paddocks.file),
            f"layer {site.paddocks.layer or ''}".strip(),
            "the paddocks to plant lie outside the boundary",
            "check its CRS and that the file is for this property",
        )
    if not planted.intersects(soils.union_all()):
        raise input_error(
            site.folder / str(site.soils.file),
            f"layer {site.soils.layer or ''}".strip(),
            "it covers none of the ground to be planted",
            "check its CRS and that the file is for this property",
        )
    bare = planted.difference(soils.union_all()).area
    if bare > 100:
        notes.append(
            f"{area_words(hectares(bare))} to be planted have no soil polygon ({site.soils.file}); "
            "the soil there counts as unknown."
        )


def _few(count: int) -> str:
    return {2: "two", 3: "three", 4: "four"}.get(count, str(count))


def note_overlap(
    what: str, frame: gpd.GeoDataFrame, file: str, counts: str, notes: list[str]
) -> None:
    """Tell where polygons of one layer lie on top of each other, and which of them counts."""
    parts = frame.geometry.array
    left, right = shapely.STRtree(parts).query(parts, predicate="intersects")
    pairs = left < right
    twice = shapely.area(shapely.intersection(parts[left[pairs]], parts[right[pairs]])).sum()
    if twice > 100:
        notes.append(f"{what} overlap on {area_words(hectares(twice))} ({file}); {counts} there.")
