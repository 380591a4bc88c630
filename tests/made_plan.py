"""A small plan made by hand, for tests of the writers: invented ground in open sea."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from handover.made_works import with_works
from pyproj import CRS

from siteplanner.base.grid import Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.plan import Plan
from siteplanner.reading.species.codes import species_codes
from siteplanner.season.hours import COLUMNS
from siteplanner.season.nursery.supply import SUBSTITUTES, SUPPLY
from siteplanner.season.nursery.year import NurseryYear
from siteplanner.site.nursery import Nursery
from siteplanner.suitability.factors import Factor

WEST, SOUTH = 620_000.0, 5_350_000.0
CELL = 4.0
SHAPE = (85, 100)
DRAINAGE = (
    "excessively drained",
    "somewhat excessively drained",
    "well drained",
    "moderately well drained",
    "somewhat poorly drained",
    "poorly drained",
    "very poorly drained",
)
SPECIES = (
    ("Eucalyptus rodwayi", "swamp peppermint", "long-term timber; habitat", "", "#0072b2"),
    ("Leptospermum lanigerum", "woolly tea-tree", "riparian; shelter", "", "#56b4e9"),
    ("Acacia melanoxylon", "blackwood", "pioneer; long-term timber", "", "#e69f00"),
    ("Bursaria spinosa", "sweet bursaria", "habitat", "Thorns: keep off paths.", "#cc79a7"),
    ("Eucalyptus pauciflora", "snow gum", "habitat; shelter", "Drops limbs.", "#d55e00"),
    ("Banksia marginata", "silver banksia", "food; habitat", "", "#009e73"),
)
ZONES = {
    "A": ("Cold wet flat", "Nearly flat, poorly drained clay loam; about -8 °C in winter.", 1.2),
    "B": (
        "Sheltered slope",
        "Gentle slope of deep, well drained loam; about -5 °C in winter.",
        1.0,
    ),
    "C": ("Dry knoll", "Stony, shallow and freely drained; about -3 °C in winter.", 0.8),
}
MIX = {"A": (0.5, 0.5, 0, 0, 0, 0), "B": (0, 0, 0.6, 0.2, 0.2, 0), "C": (0, 0, 0, 0.3, 0.3, 0.4)}
BLOCKS = {  # block: zone, paddock, bearing of the rows, corners in metres from the south-west
    "A1": ("A", "Creek flat", 90.0, [(35, 10), (80, 10), (80, 105), (45, 105), (35, 60)]),
    "A2": ("A", "Creek flat", 90.0, [(35, 145), (70, 145), (80, 170), (80, 230), (35, 230)]),
    "B1": ("B", "Creek flat", 90.0, [(90, 10), (142, 10), (142, 105), (90, 105)]),
    "B2": ("B", "Top bench", 60.0, [(158, 145), (215, 145), (215, 230), (158, 230)]),
    "C1": ("C", "Top bench", 90.0, [(225, 145), (275, 145), (292, 180), (285, 225), (230, 230)]),
}


def made_plan(hostile: str | None = None, trees_per_ha: float = 250.0) -> Plan:
    """Make a valid plan of three zones, five blocks and about ``2.3 * trees_per_ha`` trees.

    With ``hostile``, every text that a user or a user's data may bring contains that text.
    """

    def said(text: str) -> str:
        return text if hostile is None else f"{text} {hostile}"

    grid = Grid(CRS.from_epsg(32756), Affine(CELL, 0, WEST - 50, 0, -CELL, SOUTH + 290), SHAPE)
    layers, infos = _layers(grid)
    species = pd.DataFrame(
        [(said(n), said(c), r, said(w) if w else "", colour) for n, c, r, w, colour in SPECIES],
        columns=["botanical_name", "common_name", "roles", "cautions", "colour"],
    )
    species.insert(1, "code", species_codes(species["botanical_name"]))
    boundary = _frame(grid, {}, [_polygon([(-2, -2), (302, -4), (300, 244), (120, 246), (0, 240)])])
    no_plant = _no_plant(grid, said)
    blocks, rows, trees, which = _planted(grid, trees_per_ha, said, species)
    paddocks = _paddocks(grid, blocks, said)
    zones = _zones(grid, blocks, trees_per_ha, said)
    suitability = np.broadcast_to(
        np.linspace(20, 95, len(species)).astype(np.uint8)[:, None, None], (len(species), *SHAPE)
    ).copy()
    outside = ~grid.cover(boundary.geometry)
    suitability[:, outside] = 255
    made = Plan(
        name=said("Wether Knoll"),
        grid=grid,
        layers=layers,
        infos=infos,
        species=species,
        suitability=suitability,
        zones=zones,
        blocks=blocks,
        rows=rows,
        trees=trees,
        tree_species=which,
        boundary=boundary,
        paddocks=paddocks,
        no_plant=no_plant,
        setbacks=_setbacks(grid, no_plant, boundary),
        hollows=_hollows(grid, trees),
        frost_obs=_frost(grid, said),
        counts=_counts(blocks, trees, species),
        frost_error_c=0.8,
        cautions=(
            "Ask the power line's owner how close and how tall you may plant.",
            "Have buried services located before anyone digs.",
            "Rules for planting near waterways, buildings and boundaries differ: local codes "
            "decide.",
        ),
        warnings=(said("Soil depth is unknown in one unit: Unit 4"),),
        inputs={"site.toml": "0" * 64, "dem.tif": "1" * 64},
        settings={"site": {"name": said("Wether Knoll")}, "dem": {"cell_m": CELL}},
        factors=_factors(),
        limiting=_limiting(outside),
        frost=pd.DataFrame(
            [
                ("A", said(SPECIES[0][0]), 40, "1 winter in 8", "1 winter in 4", 0.12),
                ("A", said(SPECIES[1][0]), 0, "up to 1 winter in 2", "up to 1 winter in 2", np.nan),
            ],
            columns=["zone", "species", "trees", "words", "worst_words", "odds"],
        ),
        frost_odds=np.where(outside, 255, suitability // 2).astype(np.uint8),
        frost_dates=pd.DataFrame(),
        colder_c=float("nan"),
        dig=pd.DataFrame(),
        thermometers=pd.DataFrame(),
        works=None,
        nursery=_nursery(grid),
        hours=pd.DataFrame(columns=list(COLUMNS)),
    )
    return with_works(made)


def _nursery(grid: Grid) -> NurseryYear:
    """A nursery that has nothing to raise."""
    return NurseryYear(
        rules=Nursery(),
        latitude=grid.centre_lonlat[1],
        batches=(),
        bench=pd.DataFrame(columns=["month", "shade_house_m2", "open_m2"]),
        supply=pd.DataFrame(columns=list(SUPPLY)),
        substitutes=pd.DataFrame(columns=list(SUBSTITUTES)),
        counted_to=None,
        warnings=(),
    )


def _factors() -> tuple[Factor, ...]:
    """Winter cold from -6 °C up, deadly below -9 °C; drainage from excessive to poor."""
    points = np.tile([-9.0, -6.0, np.inf, np.inf], (len(SPECIES), 1))
    scores = np.tile(np.array([0, 50, 100, 100, 100, 50, 0], np.float32), (len(SPECIES), 1))
    return (Factor("winter_minimum", points, None), Factor("drainage_class", None, scores))


def _limiting(outside: np.ndarray) -> np.ndarray:
    """Cold in the west, drainage in the east, nothing in the middle third; 255 outside."""
    third = np.arange(SHAPE[1]) * 3 // SHAPE[1]
    limiting = np.broadcast_to(
        np.array([0, 255, 1], np.uint8)[third], (len(SPECIES), *SHAPE)
    ).copy()
    limiting[:, outside] = 255
    return limiting


def _polygon(corners: list[tuple[float, float]]) -> shapely.Polygon:
    return shapely.Polygon([(WEST + x, SOUTH + y) for x, y in corners])


def _line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(WEST + x, SOUTH + y) for x, y in points])


def _point(x: float, y: float) -> shapely.Point:
    return shapely.Point(WEST + x, SOUTH + y)


def _frame(grid: Grid, columns: dict[str, list], shapes: list) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=grid.crs)


def _layers(grid: Grid) -> tuple[dict[str, np.ndarray], dict[str, LayerInfo]]:
    rows, cols = np.indices(SHAPE)
    x, y = (cols + 0.5) * CELL - 50, 290 - (rows + 0.5) * CELL
    dem = 300 + 40 * np.exp(-((x - 255) ** 2 + (y - 185) ** 2) / 9000) + 0.06 * np.maximum(x, 20)
    dem += 1.5 * np.sin(x / 23) * np.cos(y / 31)
    north, east = np.gradient(dem, CELL)
    north = -north
    slope = np.degrees(np.arctan(np.hypot(north, east)))
    light = np.array([-0.5, 0.5, np.sqrt(0.5)])
    shade = (light[2] - light[0] * east - light[1] * north) / np.sqrt(1 + north**2 + east**2)
    winter = -8.5 + 0.12 * (dem - dem.min())
    drainage = np.clip(5 - (x + 20) // 70, 0, 6)
    drainage[(x > 240) & (y < 60)] = np.nan
    arrays = {
        "hillshade": 255 * np.clip(shade, 0, 1),
        "slope": slope,
        "winter_minimum": winter,
        "drainage_class": drainage,
    }
    infos = {
        "hillshade": LayerInfo(
            "Hillshade", "", "Lambert shading, light from the north-west", "common practice",
            (0, 255), colours="gray", name="hillshade",
        ),
        "slope": LayerInfo(
            "Slope", "°", "central differences", "common practice, no source",
            (0, 90), colours="YlOrBr_09", on_map=True, name="slope",
        ),
        "winter_minimum": LayerInfo(
            "Coldest night of an average winter", "°C", "made up for this test", "none",
            (-30, 15), colours="viridis", on_map=True, name="winter_minimum",
        ),
        "drainage_class": LayerInfo(
            "Drainage class", "", "taken from made-up polygons",
            "USDA natural drainage classes", (0, 6),
            colours="YlGnBu_09", classes=DRAINAGE, on_map=True, name="drainage_class",
        ),
    }  # fmt: skip
    return {name: values.astype(np.float32) for name, values in arrays.items()}, infos


def _no_plant(grid: Grid, said) -> gpd.GeoDataFrame:
    features = [
        ("power_line", "North feeder", 15.0, _line((-2, 125), (302, 125))),
        ("waterway", "Tern Creek", 10.0, _line((20, -2), (18, 120), (21, 240))),
        ("track", "Bench track", 3.0, _line((150, -2), (150, 244))),
        ("building", "House", 20.0, _polygon([(225, 45), (240, 45), (240, 57), (225, 57)])),
        ("bush", "Old bush", 0.0, _polygon([(92, 150), (140, 148), (138, 230), (95, 225)])),
        ("dam", "House dam", 5.0, _point(185, 40).buffer(14)),
        ("buried_pipe", "Dam pipe", 3.0, _line((198, 45), (225, 50))),
    ]
    kinds, names, setbacks, shapes = zip(*features, strict=True)
    columns = {"kind": list(kinds), "name": [said(n) for n in names], "setback_m": list(setbacks)}
    return _frame(grid, columns, list(shapes))


def _setbacks(
    grid: Grid, no_plant: gpd.GeoDataFrame, boundary: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    kinds, metres = [*no_plant["kind"], "boundary"], [*no_plant["setback_m"], 2.0]
    shapes = [s.buffer(m) for s, m in zip(no_plant.geometry, no_plant["setback_m"], strict=True)]
    shapes.append(boundary.geometry[0].difference(boundary.geometry[0].buffer(-2.0)))
    return _frame(grid, {"kind": kinds, "setback_m": metres}, shapes)


def _hollows(grid: Grid, trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """One hollow without an outlet, in the Creek flat."""
    shape = shapely.MultiPolygon([_polygon([(30, 30), (62, 30), (62, 54), (30, 54)])])
    columns = {"hollow": [1], "area_ha": [shape.area / 1e4], "depth_m": [1.4],
               "trees": [int(trees.within(shape).sum())]}  # fmt: skip
    return _frame(grid, columns, [shape])


def _frost(grid: Grid, said) -> gpd.GeoDataFrame:
    columns = {
        "name": [said("Logger 1"), said("Logger 2"), said("Max-min 3")],
        "winter_min_c": [-8.9, -5.1, -3.0],
        "height_m": [0.5, 1.2, 1.2],
        "at_reference_c": [-8.1, -5.1, -3.0],
        "estimated_c": [-7.6, -5.4, -3.3],
    }
    return _frame(grid, columns, [_point(60, 60), _point(180, 190), _point(255, 185)])


def _planted(
    grid: Grid, trees_per_ha: float, said, species: pd.DataFrame
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame, np.ndarray]:
    random = np.random.default_rng(7)
    block_list, row_list, tree_list = [], [], []
    for block, (zone, paddock, bearing, corners) in BLOCKS.items():
        shape = _polygon(corners)
        spacing = _spacing(zone, trees_per_ha)
        points, row = _square_grid(shape, spacing, bearing)
        numbers = np.unique(row)
        for number in numbers:
            line = points[row == number]
            row_list.append(
                {
                    "block": block,
                    "zone": zone,
                    "row": int(number),
                    "trees": len(line),
                    "length_m": round((len(line) - 1) * spacing, 2),
                    "ground_spacing_m": round(spacing / np.cos(np.radians(8)), 2),
                    "geometry": shapely.LineString(line)
                    if len(line) > 1
                    else shapely.Point(line[0]),
                }
            )
        kinds = random.choice(len(SPECIES), size=len(points), p=MIX[zone])
        tree_list.append(
            gpd.GeoDataFrame(
                {
                    "species": species["botanical_name"].to_numpy()[kinds],
                    "zone": zone,
                    "block": block,
                    "row": row,
                    "which": kinds.astype(np.uint8),
                },
                geometry=shapely.points(points),
                crs=grid.crs,
            )
        )
        block_list.append(
            {
                "block": block,
                "zone": zone,
                "paddock": said(paddock),
                "area_ha": round(shape.area / 1e4, 4),
                "trees": len(points),
                "rows": len(numbers),
                "bearing_deg": bearing,
                "steep": "",
                "geometry": shape,
            }
        )
    trees = pd.concat(tree_list, ignore_index=True)
    return (
        gpd.GeoDataFrame(block_list, crs=grid.crs),
        gpd.GeoDataFrame(row_list, crs=grid.crs),
        trees.drop(columns="which"),
        trees["which"].to_numpy(),
    )


def _spacing(zone: str, trees_per_ha: float) -> float:
    return round(float(np.sqrt(1e4 / (trees_per_ha * ZONES[zone][2]))), 2)


def _square_grid(
    shape: shapely.Polygon, spacing: float, bearing: float
) -> tuple[np.ndarray, np.ndarray]:
    """Points of a square grid inside the shape, row by row, and each point's row from 1."""
    along = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
    across = np.array([along[1], -along[0]])
    middle = np.array([shape.centroid.x, shape.centroid.y])
    reach = int(np.ceil(np.hypot(*np.subtract(shape.bounds[2:], shape.bounds[:2])) / spacing))
    step = np.arange(-reach, reach + 1) * spacing
    j, i = np.meshgrid(step, step, indexing="ij")
    points = middle + j.reshape(-1, 1) * across + i.reshape(-1, 1) * along
    line = np.repeat(np.arange(step.size), step.size)
    inside = shapely.contains_xy(shape, points[:, 0], points[:, 1])
    points, line = points[inside], line[inside]
    return points, np.unique(line, return_inverse=True)[1] + 1


def _paddocks(grid: Grid, blocks: gpd.GeoDataFrame, said) -> gpd.GeoDataFrame:
    shapes = {
        "Creek flat": (True, _polygon([(0, 0), (150, 0), (150, 240), (0, 238)])),
        "Top bench": (True, _polygon([(150, 100), (298, 100), (298, 240), (150, 240)])),
        "House paddock": (False, _polygon([(150, 0), (298, 0), (298, 100), (150, 100)])),
    }
    trees = blocks.groupby("paddock")["trees"].sum()
    columns = {
        "name": [said(name) for name in shapes],
        "plant": [plant for plant, _ in shapes.values()],
        "area_ha": [round(shape.area / 1e4, 4) for _, shape in shapes.values()],
        "trees": [int(trees.get(said(name), 0)) for name in shapes],
    }
    return _frame(grid, columns, [shape for _, shape in shapes.values()])


def _zones(grid: Grid, blocks: gpd.GeoDataFrame, trees_per_ha: float, said) -> gpd.GeoDataFrame:
    records = []
    for zone, (title, ground, _) in ZONES.items():
        mine = blocks[blocks["zone"] == zone]
        spacing = _spacing(zone, trees_per_ha)
        records.append(
            {
                "zone": zone,
                "title": said(title),
                "ground": said(ground),
                "ground_kind": "ordinary",
                "area_ha": round(float(mine["area_ha"].sum()), 4),
                "pattern": "square",
                "spacing_m": spacing,
                "density_ha": round(1e4 / spacing**2, 1),
                "trees": int(mine["trees"].sum()),
                "geometry": shapely.MultiPolygon(list(mine.geometry)),
            }
        )
    return gpd.GeoDataFrame(records, crs=grid.crs)


def _counts(
    blocks: gpd.GeoDataFrame, trees: gpd.GeoDataFrame, species: pd.DataFrame
) -> pd.DataFrame:
    paddock = trees["block"].map(blocks.set_index("block")["paddock"])
    counts = (
        trees.drop(columns="geometry")
        .assign(paddock=paddock)
        .groupby(["zone", "paddock", "species"], as_index=False)
        .size()
        .rename(columns={"size": "trees"})
    )
    common = species.set_index("botanical_name")["common_name"]
    counts.insert(3, "common_name", counts["species"].map(common))
    counts["infill"] = np.ceil(0.1 * counts["trees"]).astype(int)
    counts["order"] = counts["trees"] + counts["infill"]
    return counts
