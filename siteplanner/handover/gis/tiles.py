"""``plan.mbtiles``: the plan as map tiles (MBTiles 1.3), for field programs that show where one is.

Tiles are those of the web: 256 pixels wide, in web Mercator, rows counted from the south. Colours
are those of the map and the sheets.
"""

from __future__ import annotations

import io
import math
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import rasterio.features
import reportlab
import shapely
from affine import Affine
from numpy.typing import NDArray
from PIL import Image, ImageColor, ImageDraw, ImageFont
from pyproj import Transformer

from siteplanner.base.symbology.colours import zone_colours
from siteplanner.base.symbology.kinds import BLOCK, KINDS, PADDOCK, Symbology
from siteplanner.base.text import printable, uncommanded
from siteplanner.handover.block_work import drops_of
from siteplanner.handover.drawn_kinds import in_drawing_order
from siteplanner.handover.fieldwork import ends_of_rows, letters
from siteplanner.handover.things import Things
from siteplanner.plan import Plan

#: The most tiles of the finest zoom, the finest zoom there is, and how many coarser ones.
_MOST_TILES, _FINEST, _COARSER = 1500, 18, 4
_TILE, _SHEET = 256, 8  # pixels a tile; tiles a side that are drawn at once
_HALF = math.pi * 6378137.0  # half the side of the web's map, m (EPSG:3857)
_ROWS_FROM, _TREES_FROM, _NAMES_FROM = 17, 18, 15  # zooms
_FILL, _EDGE = 1, 2
_AT_ONCE = 20_000  # dots
_PALE = 0.55  # share of a zone's colour on white
_PIXELS_A_MM = 96 / 25.4


@dataclass(frozen=True)
class _Drawn:
    """Everything that is drawn, in web Mercator metres."""

    zones: list[tuple[shapely.Geometry, tuple[int, int, int]]]
    lines: Things[Symbology]
    blocks: Things[str]
    rows: Things[str]
    marks: Things[str]
    trees: NDArray[np.float64]
    colours: list[tuple[int, int, int]]
    bounds: tuple[float, float, float, float]


def write_tiles(plan: Plan, path: Path) -> None:
    """Write the tiles of the property at the zooms from whole to single trees.

    A property so wide that this would be over 1,500 tiles stops at a coarser zoom. The same plan
    gives the same bytes.
    """
    drawn = _drawn(plan)
    finest = next(z for z in range(_FINEST, -1, -1) if _count(drawn.bounds, z) <= _MOST_TILES)
    zooms = range(max(finest - _COARSER, 0), finest + 1)
    path.unlink(missing_ok=True)
    with sqlite3.connect(path) as file:
        file.execute("create table metadata (name text, value text)")
        file.execute(
            "create table tiles (zoom_level integer, tile_column integer, tile_row integer, "
            "tile_data blob)"
        )
        file.executemany("insert into metadata values (?, ?)", _metadata(plan, drawn, zooms))
        for zoom in zooms:
            file.executemany("insert into tiles values (?, ?, ?, ?)", _tiles(drawn, zoom))
        file.execute("create unique index tile_index on tiles (zoom_level, tile_column, tile_row)")
    file.close()


def _drawn(plan: Plan) -> _Drawn:
    move = Transformer.from_crs(plan.grid.crs, 3857, always_xy=True)
    west, south, east, north = plan.grid.bounds
    middle, _ = move.transform((west + east) / 2, (south + north) / 2)

    def points(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places in web Mercator, past its edge where the property lies across 180 degrees."""
        x, y = move.transform(*xy.T)
        return np.column_stack([x - 2 * _HALF * np.rint((x - middle) / (2 * _HALF)), y])

    def moved(shapes: Any) -> Any:
        return shapely.transform(shapes, points)

    tints = [_on_white(colour) for colour in zone_colours(plan.zones["trees"])]
    features = in_drawing_order(plan.no_plant)
    looks = [PADDOCK] * len(plan.paddocks) + [BLOCK] * len(plan.blocks)
    looks += [KINDS[kind] for kind in features["kind"]]
    looks += [KINDS["boundary"]] * len(plan.boundary)
    lines = np.concatenate(
        [one.geometry.to_numpy() for one in (plan.paddocks, plan.blocks, features, plan.boundary)]
    )
    planted = plan.blocks[plan.blocks["trees"] > 0]
    marks: list[NDArray[np.float64]] = []
    named: list[str] = []
    rows_of = plan.rows.groupby("block").indices
    for block in planted["block"]:
        mine = plan.rows.iloc[rows_of[block]].sort_values("row", kind="stable")
        starts = ends_of_rows(mine)[:, 0]
        drops = drops_of(plan, mine)
        marks += [starts[0], *(starts[drop.at] for drop in drops)]
        named += ["START", *letters(len(drops))]
    trees = shapely.get_coordinates(plan.trees.geometry.to_numpy())
    return _Drawn(
        [(moved(s), tint) for s, tint in zip(plan.zones.geometry, tints, strict=True)],
        Things(_edges(moved(lines)), looks),
        Things(moved(planted.geometry.representative_point().to_numpy()), list(planted["block"])),
        Things(moved(plan.rows.geometry.to_numpy()), list(plan.rows["name"])),
        Things(moved(shapely.points(np.reshape(marks, (-1, 2)))), named),
        np.column_stack([points(trees), plan.tree_species]),
        [ImageColor.getrgb(colour)[:3] for colour in plan.species["colour"]],
        tuple(moved(shapely.union_all(plan.boundary.geometry.to_numpy())).bounds),
    )


def _on_white(colour: str) -> tuple[int, int, int]:
    red, green, blue = (round(255 - _PALE * (255 - v)) for v in ImageColor.getrgb(colour)[:3])
    return red, green, blue


def _metadata(plan: Plan, drawn: _Drawn, zooms: range) -> Iterator[tuple[str, str]]:
    west, south, east, north = drawn.bounds
    back = Transformer.from_crs(3857, 4326, always_xy=True)
    (left, right), (low, top) = back.transform([west, east], [south, north])
    yield "name", uncommanded(plan.name)
    yield "format", "png"
    yield "type", "baselayer"
    yield "version", "1"
    yield "description", "Planting plan. Estimates: walk the ground first; local codes decide."
    yield "bounds", f"{left:.7f},{low:.7f},{right:.7f},{top:.7f}"
    yield "center", f"{(left + right) / 2:.7f},{(low + top) / 2:.7f},{zooms[0]}"
    yield "minzoom", str(zooms[0])
    yield "maxzoom", str(zooms[-1])


def _span(bounds: tuple[float, float, float, float], zoom: int) -> tuple[int, int, int, int]:
    """First and last column, first and last row from the north, of the tiles over an area."""
    west, south, east, north = bounds
    side = 2 * _HALF / 2**zoom
    columns = int((west + _HALF) // side), int((east + _HALF) // side)
    return *columns, int((_HALF - north) // side), int((_HALF - south) // side)


def _count(bounds: tuple[float, float, float, float], zoom: int) -> int:
    first, last, top, low = _span(bounds, zoom)
    return (last - first + 1) * (low - top + 1)


def _tiles(drawn: _Drawn, zoom: int) -> Iterator[tuple[int, int, int, bytes]]:
    """Draw the tiles of a zoom, some beside each other at once: zoom, column, row, PNG."""
    first, last, top, low = _span(drawn.bounds, zoom)
    for row in range(top, low + 1, _SHEET):
        for column in range(first, last + 1, _SHEET):
            across, down = min(_SHEET, last - column + 1), min(_SHEET, low - row + 1)
            sheet = _sheet(drawn, zoom, column, row, across, down)
            for y in range(down):
                for x in range(across):
                    box = (x * _TILE, y * _TILE, (x + 1) * _TILE, (y + 1) * _TILE)
                    held = io.BytesIO()
                    sheet.crop(box).quantize(64, dither=Image.Dither.NONE).save(held, "PNG")
                    yield zoom, (column + x) % 2**zoom, 2**zoom - 1 - row - y, held.getvalue()


def _sheet(drawn: _Drawn, zoom: int, column: int, row: int, across: int, down: int) -> Image.Image:
    """Draw some tiles as one picture."""
    pixel = 2 * _HALF / 2**zoom / _TILE
    side = _TILE * pixel
    left, top = column * side - _HALF, _HALF - row * side
    wide, high = across * _TILE, down * _TILE
    view = shapely.box(left, top - high * pixel, left + wide * pixel, top).buffer(30 * pixel)
    zone = np.zeros((high, wide), np.uint16)
    shown = shapely.clip_by_rect([shape for shape, _ in drawn.zones], *view.bounds)
    rasterio.features.rasterize(
        [(shape, number) for number, shape in enumerate(shown, 1) if not shape.is_empty]
        or [(shapely.Point(), 0)],
        out=zone,
        transform=Affine(pixel, 0, left, 0, -pixel, top),
    )
    tints = np.array([(255, 255, 255), *(tint for _, tint in drawn.zones)], np.uint8)
    picture = Image.fromarray(tints[zone])
    draw = ImageDraw.Draw(picture)

    def at(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack([xy[:, 0] - left, top - xy[:, 1]]) / pixel

    def names(things: Things[str]) -> Iterator[tuple[str, float, float]]:
        """Name of each that is seen, and where its first point is."""
        near = things.meeting(view)
        xy, of = shapely.get_coordinates([shape for _, shape in near], return_index=True)
        first = at(xy[np.diff(of, prepend=-1) > 0]).tolist()
        return ((name, x, y) for (name, _), (x, y) in zip(near, first, strict=True))

    for look, shape in drawn.lines.meeting(view):
        _line(draw, shapely.simplify(shapely.intersection(shape, view), pixel / 2), look, at)
    if zoom >= _ROWS_FROM:
        rows = [shape for _, shape in drawn.rows.meeting(view)]
        xy, of = shapely.get_coordinates(rows, return_index=True)
        for line in np.split(at(xy), np.flatnonzero(np.diff(of)) + 1):
            if len(line) > 1:
                draw.line(line.ravel().tolist(), fill="#888888", width=1)
    if zoom >= _TREES_FROM:
        near = drawn.trees[shapely.contains_xy(view, *drawn.trees[:, :2].T)]
        size = 2.5 * 2 ** (zoom - _TREES_FROM)
        picture = _dotted(picture, at(near[:, :2]), near[:, 2].astype(int), drawn, size)
        for name, x, y in names(drawn.rows):
            _words(picture, x - 8, y, name, 10)
        for name, x, y in names(drawn.marks):
            _words(picture, x, y - (14 if name == "START" else 0), name, 13)
    if zoom >= _NAMES_FROM:
        for name, x, y in names(drawn.blocks):
            _words(picture, x, y, name, 13)
    return picture


def _dotted(
    picture: Image.Image,
    places: NDArray[np.float64],
    kinds: NDArray[np.int64],
    drawn: _Drawn,
    size: float,
) -> Image.Image:
    """Draw trees as dots of a radius of ``size`` pixels, each over those before it.

    Drawn one by one tens of thousands take long: all dots of as many pixels have one stamp.
    """
    pixels = np.array(picture)
    for start in range(0, len(places), _AT_ONCE):
        part, kind = places[start : start + _AT_ONCE], kinds[start : start + _AT_ONCE]
        low = np.trunc(part - size).astype(np.int64)
        spans, which = np.unique(
            np.trunc(part + size).astype(np.int64) - low, axis=0, return_inverse=True
        )
        side = int(spans.max()) + 1
        stamp = np.stack([_stamp(wide, high, side) for wide, high in spans.tolist()])[which.ravel()]
        along = np.arange(side)
        x, y = low[:, 0, None, None] + along, low[:, 1, None, None] + along[:, None]
        x, y = np.broadcast_arrays(x, y)
        seen = (stamp > 0) & (x >= 0) & (x < pixels.shape[1]) & (y >= 0) & (y < pixels.shape[0])
        ink = np.array([*drawn.colours, (0, 0, 0)], np.uint8)
        colour = np.where(stamp == _FILL, kind[:, None, None], len(drawn.colours))[seen]
        pixels[y[seen], x[seen]] = ink[colour]
    return Image.fromarray(pixels)


def _stamp(wide: int, high: int, side: int) -> NDArray[np.uint8]:
    """Pixels (side, side) of a dot: 0 outside it, ``_FILL`` inside, ``_EDGE`` on its edge."""
    dot = Image.new("L", (side, side))
    ImageDraw.Draw(dot).ellipse((0, 0, wide, high), fill=_FILL, outline=_EDGE)
    return np.asarray(dot)


def _edges(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Shapes with areas as the lines around them."""
    return np.where(shapely.get_dimensions(shapes) == 2, shapely.boundary(shapes), shapes)


def _line(
    draw: ImageDraw.ImageDraw,
    shape: shapely.Geometry,
    look: Symbology,
    at: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> None:
    width = max(1, round(look.width_mm * _PIXELS_A_MM))
    for part in shapely.get_parts(shape):
        xy = shapely.get_coordinates(part)
        if len(xy) > 1:
            draw.line(at(xy).ravel().tolist(), fill=look.colour, width=width)
        elif len(xy):
            (x, y), *_ = at(xy).tolist()
            draw.ellipse((x - 4, y - 4, x + 4, y + 4), fill=look.colour)


def _words(picture: Image.Image, x: float, y: float, words: str, size: int) -> None:
    """Write words in black on a white rim, their middle at the pixel nearest to (x, y)."""
    left, top, rim, letters = _label(words, size)
    at = round(x) + left, round(y) + top
    picture.paste((255, 255, 255), at, rim)
    picture.paste((0, 0, 0), at, letters)


@lru_cache(maxsize=4096)
def _label(words: str, size: int) -> tuple[int, int, Image.Image, Image.Image]:
    """Where words begin from their middle, and the masks of their rim and letters.

    The same few numbers of rows come again and again, and to draw letters takes long.
    """
    font, known = _font(size)
    said = printable(words, known)[:60]
    left, top, right, bottom = font.getbbox(said, anchor="mm", stroke_width=2)
    start = math.floor(left), math.floor(top)
    masks = []
    for stroke in (2, 0):
        mask = Image.new("L", (math.ceil(right) - start[0], math.ceil(bottom) - start[1]))
        place = -start[0], -start[1]
        ImageDraw.Draw(mask).text(place, said, 255, font, anchor="mm", stroke_width=stroke)
        masks.append(mask)
    return start[0], start[1], masks[0], masks[1]


@cache
def _font(size: int) -> tuple[ImageFont.FreeTypeFont, frozenset[int]]:
    """Typeface of the sheets and the letters that it is used for."""
    path = Path(reportlab.__file__).parent / "fonts" / "VeraBd.ttf"
    return ImageFont.truetype(str(path), size), frozenset(range(32, 127))
