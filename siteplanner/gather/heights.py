"""Heights: a country's own where they are open, else the world's, checked against each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import rasterio
import rasterio.features
import shapely
from pyproj import Transformer

from siteplanner.gather.area import Area, Box
from siteplanner.gather.found import Found, first_that_works
from siteplanner.gather.national import national_heights
from siteplanner.gather.net.door import Door
from siteplanner.gather.net.faults import AbsentError, ServiceError
from siteplanner.gather.net.rasters import Patch, joined, read_cog
from siteplanner.gather.services import National, Service, Services

#: No land is lower or higher, m.
_LOWEST, _HIGHEST = -450.0, 9000.0
#: Decimetres lower than these stand for no height, declared as such or not.
_NO_HEIGHT = -100_000
#: Share of the property's cells that must have a height.
_COVERED = 0.999
_TREES = (
    "a surface model: trees and roofs are in it. A wood's edge looks like a bank, a shelterbelt "
    "seems to dam cold air, a clearing looks like a frost hollow; slope under trees cannot be "
    "trusted"
)


def heights(door: Door, services: Services, area: Area) -> Found:
    """Find the best heights that can be had. Raises :class:`ServiceError` with all reasons."""
    lidar = [one for one in services.national if _inside(area, one)]
    tries: list[tuple[str, Callable[[], Found]]] = []
    for kind in services.heights.use:
        if kind == "national":
            tries += [(one.service, _national(door, services, area, one)) for one in lidar]
    world = [kind for kind in services.heights.use if kind != "national"]
    if world:
        tries.append(("heights of the world", lambda: _of_the_world(door, services, area, world)))
    found, said = first_that_works(tries)
    better = found.better
    silent = [name for name, error in said.items() if not isinstance(error, AbsentError)]
    if silent:
        better = (
            f"national heights may exist here but were not had ({', '.join(silent)}): delete "
            "heights.tif and run again, or ask for them"
        )
    notes = (*(f"Heights: {name}: {error}." for name, error in said.items()), *found.notes)
    return Found(**{**vars(found), "better": better, "notes": notes})


def _inside(area: Area, one: National) -> bool:
    return bool(shapely.box(*one.bounds).covers(area.outline))


def _national(door: Door, services: Services, area: Area, one: National) -> Callable[[], Found]:
    def attempt() -> Found:
        patch, margin = national_heights(door, one, services.heights, area)
        _must_be_heights(patch, area)
        cell = f"{one.cell_m:g} m"
        notes: tuple[str, ...] = ()
        if margin < services.heights.margin_m[0]:
            notes = (
                f"Heights of {one.service} were read {margin:.0f} m beyond the fence only, since "
                "more would be too much to ask of the service at once.",
            )
        coarse = "" if one.cell_m <= 10 else "a finer national survey may exist; ask for lidar"
        return Found(
            one, patch.address, patch.on, f"bare earth, heights over {one.datum}",
            _writer(patch, one, one.datum), cell, coarse, notes,
        )  # fmt: skip

    return attempt


def _of_the_world(door: Door, services: Services, area: Area, use: Sequence[str]) -> Found:
    """Bare earth where it is had, the surface else; where both are, each checks the other."""
    wide, narrow = area.around(services.heights.margin_m[0]), area.around(0)
    said: list[str] = []
    bare = surface = None
    if "gedtm30" in use:
        try:
            bare = _bare_earth(door, services, wide)
            _must_be_heights(bare, area)
        except ServiceError as error:
            bare = None
            said.append(f"{services.gedtm30.service}: {error}")
    if "glo30" in use:
        try:
            surface = _surface(door, services, wide if bare is None else narrow, area)
            _must_be_heights(surface, area)
        except ServiceError as error:
            surface = None
            said.append(f"{services.glo30.service}: {error}")
    if bare is not None and surface is not None:
        _must_agree(bare, surface, area, services.heights.apart_m)
    notes = tuple(f"Heights: {words}." for words in said)
    lidar = "lidar of this land, if there is any: ask the survey or the council for it"
    if bare is not None:
        checked = "" if surface is not None else "; could not be compared with a second model"
        own = services.gedtm30
        sure = (
            "bare earth by a model; some trees remain in it, 10 m high in one forest. Cells are "
            f"wide: small banks and hollows are missing{checked}"
        )
        return Found(own, bare.address, bare.on, sure, _writer(bare, own, own.datum), own.cell,
                     lidar, notes)  # fmt: skip
    if surface is not None:
        copernicus = services.glo30
        return Found(
            copernicus, surface.address, surface.on, _TREES,
            _writer(surface, copernicus, copernicus.datum), copernicus.cell, lidar, notes,
        )  # fmt: skip
    raise ServiceError("; ".join(said))


def _bare_earth(door: Door, services: Services, box: Box) -> Patch:
    """GEDTM30 in metres: an earlier version holds whole decimetres, and today's says so wrongly."""
    said = []
    for address in services.gedtm30.address:
        try:
            patch = read_cog(door, address, box, services.heights.most_cells)
        except ServiceError as error:
            said.append(str(error))
            continue
        if np.issubdtype(np.dtype(patch.dtype), np.integer):
            metres = np.where(patch.values < _NO_HEIGHT, np.nan, patch.values / 10)
            return Patch(**{**vars(patch), "values": metres})
        return patch
    raise ServiceError("; ".join(dict.fromkeys(said)))


def tile_name(latitude: int, longitude: int, seconds: int = 10) -> str:
    """Name a tile of the Copernicus DEM by its south-west corner in whole degrees.

    >>> tile_name(-43, 147)
    'Copernicus_DSM_COG_10_S43_00_E147_00_DEM'
    >>> tile_name(-2, -2, 30)
    'Copernicus_DSM_COG_30_S02_00_W002_00_DEM'
    """
    north = f"{'S' if latitude < 0 else 'N'}{abs(latitude):02d}_00"
    east = f"{'W' if longitude < 0 else 'E'}{abs(longitude):03d}_00"
    return f"Copernicus_DSM_COG_{seconds}_{north}_{east}_DEM"


def _surface(door: Door, services: Services, box: Box, area: Area) -> Patch:
    """Copernicus tiles of a box; a tile without land is sea, at 0 m, but not at the property."""
    west, south, east, north = (math.floor(v) for v in box)
    middle = tuple(math.floor(v) for v in area.middle)
    corners = [(x, y) for y in range(south, north + 1) for x in range(west, east + 1)]
    corners.sort(key=lambda corner: corner != middle)
    patches, seas = [], []
    for x, y in corners:
        try:
            patch = _tile(door, services, box, x, y)
        except AbsentError:
            continue  # the box ends on the tile's edge
        if patch is None:
            seas.append(shapely.box(x, y, x + 1, y + 1))
        else:
            patches.append(patch)
    if not patches or any(sea.intersects(area.outline) for sea in seas):
        raise AbsentError("it has no land here")
    whole = joined(patches)
    if seas:
        at_sea = rasterio.features.geometry_mask(
            seas, whole.values.shape, whole.transform, invert=True
        )
        whole.values[at_sea & np.isnan(whole.values)] = 0.0
    return whole


def _tile(door: Door, services: Services, box: Box, x: int, y: int) -> Patch | None:
    """One tile; the coarser one where the fine one is withheld; None where there is only sea."""
    most = services.heights.most_cells
    for address, seconds in ((services.glo30.address, 10), (services.glo30.land, 30)):
        at = address.replace("{name}", tile_name(y, x, seconds))
        try:
            door.head(at, "names of 1° tiles")
        except AbsentError:
            continue
        return read_cog(door, at, box, most)
    return None


def _must_agree(bare: Patch, surface: Patch, area: Area, apart_m: float) -> None:
    one, other = (float(np.nanmedian(_at_property(p, area))) for p in (bare, surface))
    if abs(one - other) > apart_m:
        raise ServiceError(
            f"the two models of the world differ by {abs(one - other):.0f} m at the property "
            f"(medians {one:.0f} and {other:.0f} m), so neither is believed; give a DEM of your "
            "own, or name one of them alone under [heights] in a services file"
        )


def _must_be_heights(patch: Patch, area: Area) -> None:
    """Refuse heights that cannot be, or that leave part of the property out."""
    here = _at_property(patch, area)
    outline = _outline_on(patch, area)
    share = shapely.intersection(outline, shapely.box(*patch.bounds)).area / outline.area
    share *= np.isfinite(here).mean() if len(here) else 0.0
    if share < _COVERED:
        raise AbsentError(f"it has heights for {share:.0%} of the property only")
    low, high = np.nanmin(patch.values), np.nanmax(patch.values)
    if low < _LOWEST or high > _HIGHEST:
        raise ServiceError(f"its heights from {low:.6g} to {high:.6g} m are not possible")


def _outline_on(patch: Patch, area: Area) -> shapely.Geometry:
    to_patch = Transformer.from_crs(4326, patch.crs, always_xy=True)
    return shapely.transform(area.outline, to_patch.transform, interleaved=False)


def _at_property(patch: Patch, area: Area) -> np.ndarray:
    """Values of the cells that the property touches."""
    outline = _outline_on(patch, area)
    mask = rasterio.features.geometry_mask(
        [outline], patch.values.shape, patch.transform, invert=True, all_touched=True
    )
    return patch.values[mask]


def _writer(patch: Patch, service: Service, datum: str) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        rows, columns = patch.values.shape
        with rasterio.open(
            path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32",
            crs=patch.crs.to_wkt(), transform=patch.transform, nodata=np.nan, compress="deflate",
        ) as file:  # fmt: skip
            file.write(patch.values.astype(np.float32), 1)
            file.units = ("metre",)
            file.update_tags(
                source=service.service, licence=service.licence, credit=service.credit,
                vertical_datum=datum, fetched=patch.on,
            )  # fmt: skip

    return write
