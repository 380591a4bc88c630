"""Files for handhelds: GPX 1.1 and KML 2.2 for finding rows, GeoJSON (RFC 7946) for the trees.

A handheld errs by several metres, so GPX gives START, drop points, the ends of rows and the
blocks' outlines, not a waypoint a tree. KML adds the trees of each species as one shape a block.
All places are WGS 84 degrees to seven decimals, about a centimetre; what lies across the 180th
meridian is cut there.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray

from siteplanner.base.crs import cut_at_180, past_180
from siteplanner.base.text import unique_slugs, xml_text
from siteplanner.handover.block_work import drops_of
from siteplanner.handover.fieldwork import (
    ends_of_rows,
    letters,
    mean_bearing,
    start_of,
    trees_by_row,
)
from siteplanner.plan import Plan

_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_GPX = (
    '<gpx version="1.1" creator="siteplanner" xmlns="http://www.topografix.com/GPX/1/1">\n'
    "<metadata><name>{name}</name><desc>{desc}</desc></metadata>\n"
)
GPX_POINTS = 500
"""A block's GPX file has fewer points: common handhelds read no more (from memory)."""
_UNHELD = re.compile("[\x00\ud800-\udfff]")
_DOUBT = (
    "Handhelds are off by several metres: find a row by its peg, its bearing and the tape, and a "
    "tree by counting along the row. All positions are estimates; walk the ground first. Have "
    "buried services located before any digging. Local codes and the owners of lines and pipes "
    "decide."
)


@dataclass(frozen=True)
class _Row:
    """A row in degrees: ``places`` (1 or more, 2), and what to say about it."""

    name: str
    places: NDArray[np.float64]
    said: str

    @cached_property
    def straight(self) -> list[NDArray[np.float64]]:
        """Lines from end to end, one unless the 180th meridian cuts it; none of a single place."""
        if len(self.places) < 2:
            return []
        if np.ptp(self.places[[0, -1], 0]) < 180:
            return [self.places[[0, -1]]]
        lon, lat = self.places[[0, -1]].T
        line = shapely.linestrings(past_180(lon), lat)
        return [shapely.get_coordinates(part) for part in cut_at_180(line)]


@dataclass(frozen=True)
class _Block:
    """A block in degrees: the rings of its polygons, its rows, and what to say about it.

    ``drops`` are the letters of its drop points, each with the row at whose start it is.
    """

    name: str
    said: str
    polygons: list[list[NDArray[np.float64]]]
    rows: list[_Row]
    drops: list[tuple[str, _Row]]


def write_handheld(plan: Plan, folder: Path) -> None:
    """Write ``trees.gpx``, ``trees.kml``, ``trees.geojson`` and ``handheld/<block>.gpx``.

    ``trees.gpx`` is all blocks in one. Blocks without trees are left out. The same plan gives
    the same bytes.
    """
    blocks = _blocks(plan)
    _write_geojson(plan, folder / "trees.geojson")
    _write(folder / "trees.kml", _kml(plan, blocks))
    _write(folder / "trees.gpx", _gpx(plan.name, blocks))
    if blocks:
        each = folder / "handheld"
        each.mkdir(exist_ok=True)
        for stem, block in zip(unique_slugs([b.name for b in blocks]), blocks, strict=True):
            _write(
                each / f"{stem}.gpx", _gpx(f"{plan.name}, block {block.name}", [block], GPX_POINTS)
            )


def _write(path: Path, parts: Iterator[str]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(parts)


def _text(text: str) -> str:
    """Text from data as the content of an XML element."""
    return escape(xml_text(text))


def _rich(text: str) -> str:
    """Text for a KML description, which viewers read as HTML: escaped once more."""
    return _text(html.escape(text))


# --- the plan in degrees -------------------------------------------------------------------


def _degrees(plan: Plan, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.column_stack(plan.grid.lonlat(xy[:, 0], xy[:, 1]))


def _cut(plan: Plan, shape: shapely.Geometry) -> list[shapely.Geometry]:
    """Bring a shape to degrees, cut where the 180th meridian divides it."""

    def there(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        lon, lat = _degrees(plan, xy).T
        return np.column_stack([past_180(lon), lat])

    return cut_at_180(shapely.transform(shape, there))


def _polygons(plan: Plan, shape: shapely.Polygon) -> list[list[NDArray[np.float64]]]:
    """Rings of each polygon, outer first and anticlockwise, holes clockwise."""
    parts = [shapely.orient_polygons(part) for part in _cut(plan, shape)]
    return [[shapely.get_coordinates(r) for r in (p.exterior, *p.interiors)] for p in parts]


def _blocks(plan: Plan) -> list[_Block]:
    counts = trees_by_row(plan)
    short = plan.species["code"].to_numpy()
    xy, of_row = shapely.get_coordinates(plan.rows.geometry.to_numpy(), return_index=True)
    places = np.split(_degrees(plan, xy), np.flatnonzero(np.diff(of_row)) + 1)
    rows_of: dict[str, list[_Row]] = {}
    for row, place, count in zip(plan.rows.itertuples(), places, counts, strict=False):
        mix = ", ".join(f"{short[k]} {count[k]}" for k in np.flatnonzero(count))
        said = f"{row.trees} trees, {row.ground_spacing_m:.2f} m apart on the tape: {mix}"
        rows_of.setdefault(row.block, []).append(_Row(str(row.name), place, said))
    zones = plan.zones.set_index("zone")["title"]
    of_block = plan.rows.groupby("block").indices
    found = []
    for block in plan.blocks[plan.blocks["trees"] > 0].itertuples():
        mine = plan.rows.iloc[of_block[block.block]].sort_values("row", kind="stable")
        ends = ends_of_rows(mine)
        start = start_of(block.geometry, ends)
        said = (
            f"Zone {block.zone}, {zones[block.zone]}; {block.paddock}. {block.trees} trees in "
            f"{block.rows} rows, most on bearing {mean_bearing(ends):.0f}° from grid north. Row 1 "
            f"starts on the {start.side} side; rows start at their {start.end} end and "
            f"their numbers rise to the {start.rises}."
        )
        mine_rows = rows_of[block.block]
        points = drops_of(plan, mine)
        drops = [
            (letter, mine_rows[drop.at])
            for letter, drop in zip(letters(len(points)), points, strict=True)
        ]
        polygons = _polygons(plan, block.geometry)
        found.append(_Block(block.block, said, polygons, mine_rows, drops))
    return found


# --- GPX -----------------------------------------------------------------------------------


def _gpx(name: str, blocks: list[_Block], most: int | None = None) -> Iterator[str]:
    """Write blocks; with ``most``, rows are thinned until there are fewer points than that.

    First the ends of rows give way, then the rows' lines, then rows between others, but never
    START, the drop points and what is left of the outline.
    """
    ends, lines, every = True, True, 1
    rings = [[_thinned(ring, most) for part in block.polygons for ring in part] for block in blocks]
    if most is not None:
        fixed = sum(1 + len(b.drops) for b in blocks) + sum(len(r) for rs in rings for r in rs)
        rows = sum(len(block.rows) for block in blocks)
        ends, lines = fixed + 4 * rows < most, fixed + 3 * rows < most
        every = 1 if fixed + rows < most else -(-rows // max(most - fixed - 1, 1))
    yield _HEAD
    yield _GPX.format(name=_text(name), desc=_text(_DOUBT))
    for block in blocks:
        label = _text(block.name)
        yield _waypoint(block.rows[0].places[0], f"{label} START", block.said, "start")
        for letter, row in block.drops:
            yield _waypoint(row.places[0], f"{label} drop {letter}", row.said, "drop point")
        for row in block.rows[::every]:
            start, *rest = row.places[[0, -1]] if len(row.places) > 1 else row.places
            yield _waypoint(start, f"{label}-{_text(row.name)} start", row.said, "row start")
            for end in rest if ends else ():
                yield _waypoint(end, f"{label}-{_text(row.name)} end", row.said, "row end")
    for block, outline in zip(blocks, rings, strict=True):
        yield f"<trk><name>{_text(block.name)} outline</name><desc>{_text(block.said)}</desc>\n"
        yield from map(_segment, outline)
        yield "</trk>\n"
        if lines:
            yield f"<trk><name>{_text(block.name)} rows</name>\n"
            yield from (_segment(ends) for row in block.rows for ends in row.straight)
            yield "</trk>\n"
    yield "</gpx>\n"


def _waypoint(place: NDArray[np.float64], name: str, said: str, kind: str) -> str:
    """Write a waypoint; ``name`` is escaped already."""
    lon, lat = place
    return (
        f'<wpt lat="{lat:.7f}" lon="{lon:.7f}"><name>{name}</name>'
        f"<desc>{_text(said)}</desc><type>{kind}</type></wpt>\n"
    )


def _thinned(ring: NDArray[np.float64], most: int | None) -> NDArray[np.float64]:
    """A ring with at most a fifth of ``most`` points, simplified as little as that takes."""
    line, step = shapely.LinearRing(ring), 1e-6
    while most is not None and len(line.coords) > most // 5:
        line, step = shapely.simplify(line, step), 2 * step
    return shapely.get_coordinates(line)


def _segment(places: NDArray[np.float64]) -> str:
    points = "".join(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"/>' for lon, lat in places.tolist())
    return f"<trkseg>{points}</trkseg>\n"


# --- KML -----------------------------------------------------------------------------------


def _kml(plan: Plan, blocks: list[_Block]) -> Iterator[str]:
    yield f'{_HEAD}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>\n'
    yield f"<name>{_text(plan.name)}</name><description>{_rich(_DOUBT)}</description>\n"
    yield (
        '<Style id="block"><LineStyle><color>ff000000</color><width>2</width></LineStyle>'
        "<PolyStyle><color>00ffffff</color></PolyStyle></Style>\n"
        '<Style id="row"><IconStyle><scale>0.4</scale></IconStyle><LabelStyle><scale>0</scale>'
        "</LabelStyle><LineStyle><color>ff777777</color><width>1</width></LineStyle></Style>\n"
    )
    for number, colour in enumerate(plan.species["colour"]):
        red, green, blue = colour[1:3], colour[3:5], colour[5:7]
        yield (
            f'<Style id="species{number}"><IconStyle><color>ff{blue}{green}{red}</color>'
            "<scale>0.4</scale></IconStyle><LabelStyle><scale>0</scale></LabelStyle></Style>\n"
        )
    places = _degrees(plan, shapely.get_coordinates(plan.trees.geometry.to_numpy()))
    trees_of = plan.trees.groupby("block").indices
    for block in blocks:
        mine = trees_of[block.name]
        yield f"<Folder><name>{_text(block.name)}</name>"
        yield f"<description>{_rich(block.said)}</description>\n"
        yield (
            f"<Placemark><name>{_text(block.name)}</name><styleUrl>#block</styleUrl>"
            f"{_kml_polygons(block.polygons)}</Placemark>\n"
        )
        yield f"<Folder><name>{_text(block.name)} rows</name>\n"
        yield from (_kml_row(block.name, row) for row in block.rows)
        yield f"</Folder>\n<Folder><name>{_text(block.name)} trees</name>\n"
        yield from _kml_trees(plan, places[mine], plan.tree_species[mine])
        yield "</Folder></Folder>\n"
    yield "</Document></kml>\n"


def _kml_polygons(polygons: list[list[NDArray[np.float64]]]) -> str:
    each = [f"<Polygon><tessellate>1</tessellate>{_kml_rings(rings)}</Polygon>"
            for rings in polygons]  # fmt: skip
    return each[0] if len(each) == 1 else f"<MultiGeometry>{''.join(each)}</MultiGeometry>"


def _kml_rings(rings: list[NDArray[np.float64]]) -> str:
    names = ["outerBoundaryIs", *["innerBoundaryIs"] * (len(rings) - 1)]
    return "".join(
        f"<{name}><LinearRing><coordinates>{_coordinates(ring)}</coordinates></LinearRing></{name}>"
        for name, ring in zip(names, rings, strict=True)
    )


def _kml_row(block: str, row: _Row) -> str:
    lines = [
        f"<LineString><tessellate>1</tessellate><coordinates>{_coordinates(ends)}</coordinates>"
        "</LineString>"
        for ends in row.straight
    ]
    shape = "".join(lines)
    if not lines:
        shape = f"<Point><coordinates>{_coordinates(row.places)}</coordinates></Point>"
    elif len(lines) > 1:
        shape = f"<MultiGeometry>{shape}</MultiGeometry>"
    return (
        f"<Placemark><name>{_text(block)} row {_text(row.name)}</name>"
        f"<description>{_rich(row.said)}</description><styleUrl>#row</styleUrl>"
        f"{shape}</Placemark>\n"
    )


def _kml_trees(
    plan: Plan, places: NDArray[np.float64], species: NDArray[np.uint8]
) -> Iterator[str]:
    for number in np.unique(species):
        mine = places[species == number]
        facts = plan.species.iloc[number]
        points = "".join(
            f"<Point><coordinates>{lon:.7f},{lat:.7f}</coordinates></Point>"
            for lon, lat in mine.tolist()
        )
        said = f"{len(mine)} {facts.common_name} ({facts.botanical_name}). {facts.cautions}"
        yield (
            f"<Placemark><name>{_text(facts.common_name)}</name>"
            f"<description>{_rich(said.strip())}</description>"
            f"<styleUrl>#species{number}</styleUrl>"
            f"<MultiGeometry>{points}</MultiGeometry></Placemark>\n"
        )


def _coordinates(places: NDArray[np.float64]) -> str:
    return " ".join(f"{lon:.7f},{lat:.7f}" for lon, lat in places.tolist())


# --- GeoJSON -------------------------------------------------------------------------------


def _write_geojson(plan: Plan, path: Path) -> None:
    """Write every tree as a point with its species, block and row."""
    names = plan.species[["botanical_name", "common_name"]].map(_in_json).to_numpy(dtype=object)
    blocks = {block: _in_json(block) for block in plan.blocks["block"]}
    fields = {
        "species": names[plan.tree_species, 0],
        "common_name": names[plan.tree_species, 1],
        "block": plan.trees["block"].map(blocks).to_numpy(dtype=object),
        "row": plan.trees["row"].to_numpy(),
    }
    pyogrio.raw.write(
        path,
        _as_wkb(_degrees(plan, shapely.get_coordinates(plan.trees.geometry.to_numpy()))),
        list(fields.values()),
        list(fields),
        driver="GeoJSON",
        geometry_type="Point",
        crs="EPSG:4326",
        layer_options={"RFC7946": "YES", "WRITE_NAME": "NO"},
    )


def _as_wkb(xy: NDArray[np.float64]) -> NDArray[np.object_]:
    """Points (n, 2) as well-known binary, without making an object of each that is larger."""
    form = np.dtype([("order", "u1"), ("kind", "<u4"), ("x", "<f8"), ("y", "<f8")])
    points = np.empty(len(xy), dtype=form)
    points["order"], points["kind"], points["x"], points["y"] = 1, 1, xy[:, 0], xy[:, 1]
    # As void, since numpy would cut noughts off the end of bytes.
    return points.view(f"V{form.itemsize}").astype(object)


def _in_json(text: str) -> str:
    """Replace what GDAL's texts cannot hold (zero bytes, halves of characters) by ``?``."""
    return _UNHELD.sub("?", str(text))
