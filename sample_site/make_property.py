"""What people put on the invented property: boundary, paddocks, soils, no-plant, seed trees.

Coordinates are metres east and north of the centre; ``make_sample`` moves them to the map.
"""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
from affine import Affine
from make_ground import BANK, SampleGround
from make_hills import CELL_M, HALF_M, FloatArray, axes, smooth_line
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, shape
from shapely.ops import polygonize, unary_union

BOUNDARY = Polygon(
    [
        (-620, 60),
        (-540, 440),
        (-180, 530),
        (120, 590),
        (455, 540),
        (590, 370),
        (560, 40),
        (625, -280),
        (430, -530),
        (60, -575),
        (-330, -580),
        (-590, -520),
        (-640, -240),
    ]
)
DIVIDES = (
    LineString([(-345, -185), (-60, -150), (220, -215), (430, -160)]),
    LineString([(-345, -185), (-350, -420), (-335, -700)]),
    LineString([(-60, -150), (-95, 90), (-75, 235), (240, 225), (620, 260), (700, 260)]),
    LineString([(-95, 90), (60, 85), (240, 62), (440, 50), (700, 80)]),
    LineString([(240, 225), (225, 700)]),
    LineString([(440, 50), (430, -160)]),
    LineString([(220, -215), (232, -420), (200, -700)]),
)
# name, 1 = plant, use, a place inside
PADDOCKS = (
    ("Tramway Flat", 1, "grazed, too wet in winter", (0, -400)),
    ("Home Paddock", 0, "house, yards and orchard", (440, -400)),
    ("The Scarp", 1, "rough grazing, being retired", (250, -80)),
    ("The Shelf", 1, "hay until last year", (250, 120)),
    ("Sunny Shoulder", 1, "grazed in spring only", (250, 420)),
    ("Long Run", 0, "sheep, kept as pasture", (-350, 150)),
)
LINES = (
    (
        "power_line",
        "Knoll spur line",
        [(720, 170), (380, 140), (60, 95), (-260, 110), (-720, 60)],
    ),
    (
        "track",
        "Bank track",
        [(640, -330), (540, -380), (440, -395), (340, -375), (270, -290), (140, -250), (-60, -235)],
    ),
    ("track", "House drive", [(440, -395), (390, -430), (345, -447), (306, -480)]),
    (
        "track",
        "Shelf track",
        [(640, 335), (540, 312), (450, 265), (340, 195), (215, 168), (105, 190), (-85, 200)],
    ),
    (
        "buried_pipe",
        "Trough pipe",
        [(318, -484), (262, -400), (190, -300), (60, -280), (-40, -300)],
    ),
)
AREAS = (
    ("building", "Wether Knoll house", [(279, -514), (297, -508), (292, -494), (274, -500)]),
    ("building", "Shearing shed", [(318, -484), (344, -476), (340, -463), (314, -471)]),
    (
        "bush",
        "Gully bush",
        [
            (-420, 330),
            (-330, 300),
            (-260, 160),
            (-190, 30),
            (-230, -60),
            (-320, -40),
            (-400, 60),
            (-470, 200),
        ],
    ),
)
MOTHER_TREES = (
    ("Eucalyptus rodwayi", "by the old yards", "2-4", (330, -440)),
    ("Eucalyptus ovata", "creek bend under the house", "1-3", (250, -325)),
    ("Eucalyptus pauciflora", "edge of the flat", "12-3", (-200, -300)),
    ("Eucalyptus dalrympleana", "top of Gully bush", "1-4", (-360, 250)),
    ("Eucalyptus viminalis", "foot of Gully bush", "1-4", (-270, -20)),
    ("Eucalyptus delegatensis", "south side of Gully bush", "2-5", (-300, 60)),
    ("Acacia dealbata", "Gully bush, track end", "12-1", (-220, 40)),
    ("Acacia melanoxylon", "Gully bush, lower gate", "1-2", (-290, 0)),
    ("Tasmannia lanceolata", "wet corner of Gully bush", "3-5", (-350, 120)),
    ("Banksia marginata", "knoll fence", "1-12", (180, 260)),
    ("Allocasuarina verticillata", "rocks over the scarp", "1-12", (330, 210)),
    ("Leptospermum lanigerum", "creek, bank culvert", "1-12", (-310, -405)),
    ("Bursaria spinosa", "shoulder, north gate", "3-5", (420, 520)),
    ("Dodonaea viscosa", "dry rocks on the shoulder", "12-2", (520, 330)),
)
# unit, name, texture, drainage, depth_m, ph, stones_pct, source_note
SOILS = (
    ("Cc", "creek-flat clay", "clay", "poorly drained", 1.2, 5.6, 0.0, "auger, 3 holes"),
    ("Sw", "swamp above the bank", "silty clay", "very poorly drained", 0.9, 5.1, 0.0, "auger"),
    ("Fs", "footslope clay loam", "clay loam", "moderately well drained", 1.1, 5.8, 6.0, "pit"),
    ("Hl", "hillslope loam", "loam", "well drained", 0.75, 5.7, 18.0, "pit, 2 auger holes"),
    ("Bl", "deep shelf loam", "loam", "well drained", 1.6, 6.1, 4.0, "pit"),
    ("Rk", "rocky face", "sandy loam", "somewhat excessively drained", 0.25, 5.3, 60.0, "seen"),
    ("Kn", "knoll gravelly loam", "loam", "well drained", 0.4, 5.5, 35.0, "road cutting"),
    (
        "Sh",
        "shoulder sandy loam",
        "sandy loam",
        "somewhat excessively drained",
        0.55,
        6.0,
        28.0,
        "auger, 2 holes",
    ),
    ("Gy", "gully wash", "loam", "moderately well drained", None, None, 12.0, "seen, not dug"),
)


def paddocks() -> gpd.GeoDataFrame:
    """Cut the boundary along the dividing fences, in the order of ``PADDOCKS``."""
    pieces = list(polygonize(unary_union([BOUNDARY.exterior, *DIVIDES])))
    rows = []
    for name, plant, use, place in PADDOCKS:
        (piece,) = [p for p in pieces if p.contains(Point(place))]
        rows.append({"name": name, "plant": plant, "use": use, "geometry": piece})
    return gpd.GeoDataFrame(rows, geometry="geometry")


def boundary() -> gpd.GeoDataFrame:
    """Join the paddocks into the boundary, so that both share every corner to the centimetre."""
    whole = paddocks().set_precision(0.01).union_all().normalize()
    return gpd.GeoDataFrame({"name": ["Wether Knoll"]}, geometry=[whole])


def _slope(heights: FloatArray, reach: float) -> FloatArray:
    """Slope in degrees of the ground smoothed over ``reach`` metres."""
    smooth = ndimage.gaussian_filter(heights, reach / CELL_M)
    return np.degrees(np.arctan(np.hypot(*np.gradient(smooth, CELL_M))))


def _soil_index(ground: SampleGround) -> NDArray[np.int16]:
    """Which row of ``SOILS`` each DEM cell belongs to, following the lie of the land."""
    east, north = np.meshgrid(*axes(HALF_M, CELL_M))
    heights = ground.heights
    slope = _slope(heights, 10)
    hollow = ndimage.gaussian_filter(heights, 30) - ndimage.gaussian_filter(heights, 5)
    above = ndimage.gaussian_filter(heights - ground.flat_level, 5)
    down_north = np.gradient(ndimage.gaussian_filter(heights, 40), CELL_M)[0]  # row 0 is north
    bank_east = np.mean([p[0] for p in BANK])
    swamp = np.hypot((east - bank_east - 90) / 110, (north + 400) / 130) < 1
    flat = (above < 1.2) & (slope < 6)
    unit = np.full(heights.shape, 3, dtype=np.int16)
    unit[above < 22] = 2
    unit[(down_north > 0.07) & (above > 30)] = 7
    unit[heights > 409] = 6
    unit[(slope < 14) & (heights > 355) & (heights < 388) & (down_north < 0)] = 4
    unit[(hollow > 3.2) & (above > 4)] = 8
    unit[slope > 25] = 5
    unit[flat] = 0
    unit[flat & swamp & (east > bank_east)] = 1
    return unit


def soils(ground: SampleGround) -> gpd.GeoDataFrame:
    """Soil polygons: one multipolygon a unit over the property and 60 m past it."""
    index = _soil_index(ground)
    # Each cell takes the unit that fills most of its neighbourhood: a surveyor's line.
    share = [ndimage.gaussian_filter((index == k).astype(np.float32), 9) for k in range(len(SOILS))]
    index = np.argmax(share, axis=0).astype(np.int16)
    to_map = Affine(CELL_M, 0, -HALF_M, 0, -CELL_M, HALF_M)
    found = [(shape(g), int(k)) for g, k in rasterio.features.shapes(index, transform=to_map)]
    lines = shapely.coverage_simplify([g for g, _ in found], 7.0)
    frame = BOUNDARY.buffer(60, join_style="mitre")
    rows = []
    for k, unit in enumerate(SOILS):
        parts = [g for g, (_, which) in zip(lines, found, strict=True) if which == k]
        land = shapely.intersection(unary_union(parts), frame)
        polygons = [p for p in shapely.get_parts(land) if isinstance(p, Polygon)]
        rows.append((*unit, MultiPolygon(polygons).normalize()))
    names = ["unit", "name", "texture", "drainage", "depth_m", "ph", "stones_pct", "source_note"]
    return gpd.GeoDataFrame(rows, columns=[*names, "geometry"], geometry="geometry")


def no_plant_lines(ground: SampleGround) -> gpd.GeoDataFrame:
    """Power line, tracks, fences, buried pipe and the creek's centreline."""
    rows = [(kind, name, LineString(line)) for kind, name, line in LINES]
    rows += [
        ("fence", f"fence {n}", BOUNDARY.intersection(line))
        for n, line in enumerate(DIVIDES, start=1)
    ]
    rows.append(("fence", "boundary fence", LineString(BOUNDARY.exterior.coords)))
    reach = BOUNDARY.buffer(150)
    creek = LineString(ground.creek).simplify(0.5).intersection(reach)
    rows.append(("waterway", "Lantern Creek", creek))
    return gpd.GeoDataFrame(rows, columns=["kind", "name", "geometry"], geometry="geometry")


def no_plant_areas(ground: SampleGround) -> gpd.GeoDataFrame:
    """House, shed, remnant bush and the farm dam's water."""
    rows = [(kind, name, Polygon(smooth(area, kind))) for kind, name, area in AREAS]
    to_map = Affine(CELL_M, 0, -HALF_M, 0, -CELL_M, HALF_M)
    water = [
        shape(g)
        for g, _ in rasterio.features.shapes(
            ground.dam.astype(np.uint8), mask=ground.dam, transform=to_map
        )
    ]
    if water:
        rows.append(("dam", "Shelf dam", max(water, key=lambda p: p.area).simplify(1.5)))
    return gpd.GeoDataFrame(rows, columns=["kind", "name", "geometry"], geometry="geometry")


def smooth(corners: Sequence[tuple[float, float]], kind: str) -> FloatArray:
    """Corners as they are for a building, as a hand-drawn rounded ring for anything else."""
    if kind == "building":
        return np.asarray(corners, dtype=float)
    ring = [*corners, corners[0]]
    return smooth_line(tuple(ring), 8.0)


def seed_sources() -> gpd.GeoDataFrame:
    """Mother trees seed may be asked for from; no permit is held for any of them."""
    rows = [(s, n, months, "", Point(at)) for s, n, months, at in MOTHER_TREES]
    names = ["species", "name", "fruiting_months", "permit", "geometry"]
    return gpd.GeoDataFrame(rows, columns=names, geometry="geometry")
