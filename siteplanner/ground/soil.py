"""Soil layers from the soil polygons: depth, pH, stones, texture, drainage, available water."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import rasterio.features
from numpy.typing import ArrayLike, NDArray

from siteplanner.grid import FloatGrid, Grid
from siteplanner.ground.layer import CELL, LayerInfo, layer

#: USDA texture classes, coarse to fine; a layer's code is the place in this list.
TEXTURE_CLASSES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)

#: USDA natural drainage classes, dry to wet; a layer's code is the place in this list.
DRAINAGE_CLASSES = (
    "excessively drained",
    "somewhat excessively drained",
    "well drained",
    "moderately well drained",
    "somewhat poorly drained",
    "poorly drained",
    "very poorly drained",
)

#: Sand and clay, percent by weight, that stand for each texture class in Saxton & Rawls
#: (2006), Table 3.
_SAND_CLAY = {
    "sand": (88, 5),
    "loamy sand": (80, 5),
    "sandy loam": (65, 10),
    "loam": (40, 20),
    "silt loam": (20, 15),
    "silt": (10, 5),
    "sandy clay loam": (60, 25),
    "clay loam": (30, 35),
    "silty clay loam": (10, 35),
    "sandy clay": (50, 40),
    "silty clay": (10, 45),
    "clay": (25, 50),
}

_DRAWN = "Value of the soil polygon that holds the middle of the cell; unknown where none does."
_SOIL_MAP = "the soil polygons of the site"


@layer(
    LayerInfo(
        title="Soil depth",
        unit="m",
        method=_DRAWN,
        source=_SOIL_MAP,
        valid=(0.0, 50.0),
        colours="YlOrBr_09",
    ),
    reach=CELL,
)
def soil_depth(soils: gpd.GeoDataFrame, grid: Grid) -> FloatGrid:
    """Depth of soil that roots can use, m, (rows, cols)."""
    return _draw(soils, soils["depth_m"], grid)


@layer(
    LayerInfo(
        title="Soil pH",
        unit="pH in water",
        method=_DRAWN,
        source=_SOIL_MAP,
        valid=(2.0, 12.0),
        colours="RdYlBu_11",
    ),
    reach=CELL,
)
def soil_ph(soils: gpd.GeoDataFrame, grid: Grid) -> FloatGrid:
    """Acidity of the soil, pH in water, (rows, cols)."""
    return _draw(soils, soils["ph"], grid)


@layer(
    LayerInfo(
        title="Stones in the soil",
        unit="percent of volume",
        method=_DRAWN,
        source=_SOIL_MAP,
        valid=(0.0, 100.0),
        colours="YlOrBr_09",
    ),
    reach=CELL,
)
def stoniness(soils: gpd.GeoDataFrame, grid: Grid) -> FloatGrid:
    """Stones over 2 mm, percent of the soil's volume, (rows, cols)."""
    return _draw(soils, soils["stones_percent"], grid)


@layer(
    LayerInfo(
        title="Soil texture",
        unit="USDA class",
        method=_DRAWN,
        source=_SOIL_MAP,
        valid=(0.0, len(TEXTURE_CLASSES) - 1.0),
        colours="viridis",
        classes=TEXTURE_CLASSES,
    ),
    reach=CELL,
)
def texture_class(soils: gpd.GeoDataFrame, grid: Grid) -> FloatGrid:
    """Texture as codes of ``TEXTURE_CLASSES``, (rows, cols)."""
    return _draw(soils, _codes(soils["texture"], TEXTURE_CLASSES), grid)


@layer(
    LayerInfo(
        title="Soil drainage",
        unit="USDA natural drainage class",
        method=_DRAWN,
        source=_SOIL_MAP,
        valid=(0.0, len(DRAINAGE_CLASSES) - 1.0),
        colours="YlGnBu_09",
        classes=DRAINAGE_CLASSES,
        on_map=True,
    ),
    reach=CELL,
)
def drainage_class(soils: gpd.GeoDataFrame, grid: Grid) -> FloatGrid:
    """Natural drainage as codes of ``DRAINAGE_CLASSES``, (rows, cols)."""
    return _draw(soils, _codes(soils["drainage"], DRAINAGE_CLASSES), grid)


@layer(
    LayerInfo(
        title="Water the soil can hold for plants",
        unit="mm",
        method=(
            "Field capacity less wilting point of the texture class's typical sand and clay "
            "at the stated organic matter (2.5 percent unless set otherwise), times soil "
            "depth, less the stones. Unknown where texture, depth or stones are."
        ),
        source="Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70:1569-1578",
        valid=(0.0, 15_000.0),
        colours="YlGnBu_09",
    ),
    reach=CELL,
)
def available_water(
    texture_class: FloatGrid,
    soil_depth: FloatGrid,
    stoniness: FloatGrid,
    *,
    organic_matter: float = 2.5,
) -> FloatGrid:
    """Available water over the soil's depth, mm, (rows, cols); organic matter in percent.

    After Saxton & Rawls (2006).
    """
    sand, clay = np.transpose([_SAND_CLAY[name] for name in TEXTURE_CLASSES]) / 100
    wilting, capacity, _ = soil_water(sand, clay, organic_matter)
    held = np.append(capacity - wilting, np.nan).astype(np.float32)
    codes = np.where(np.isnan(texture_class), len(TEXTURE_CLASSES), texture_class)
    fraction = held[codes.astype(np.intp)]
    return fraction * soil_depth * np.float32(1000) * (1 - stoniness / np.float32(100))


def soil_water(
    sand: ArrayLike, clay: ArrayLike, organic_matter: ArrayLike = 2.5
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Water held at wilting point, field capacity and saturation, as fractions of volume.

    ``sand`` and ``clay`` are fractions by weight, ``organic_matter`` percent by weight; any
    shapes that broadcast. Equations 1, 2, 3 and 5 of Saxton & Rawls (2006), without gravel,
    salt and compaction.
    """
    s, c, om = (np.asarray(v, dtype=np.float64) for v in (sand, clay, organic_matter))
    first = (
        -0.024 * s
        + 0.487 * c
        + 0.006 * om
        + 0.005 * s * om
        - 0.013 * c * om
        + 0.068 * s * c
        + 0.031
    )
    wilting = first + (0.14 * first - 0.02)
    first = (
        -0.251 * s
        + 0.195 * c
        + 0.011 * om
        + 0.006 * s * om
        - 0.027 * c * om
        + 0.452 * s * c
        + 0.299
    )
    capacity = first + (1.283 * first**2 - 0.374 * first - 0.015)
    first = (
        0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
    )
    saturation = capacity + first + (0.636 * first - 0.107) - 0.097 * s + 0.043
    return wilting, capacity, saturation


def texture_class_of(sand: ArrayLike, silt: ArrayLike, clay: ArrayLike) -> NDArray[np.int8]:
    """Texture class of sand, silt and clay (percent by weight), as codes of TEXTURE_CLASSES.

    Any shapes that broadcast; -1 where a share is unknown, negative, or they do not add up to
    100 within 0.5. Rules of the Soil Survey Manual (USDA Handbook 18, 2017).
    """
    # To a ten-thousandth of a percent, so that binary fractions do not fall beside a border.
    s, z, c = np.broadcast_arrays(
        *(np.round(np.asarray(v, dtype=np.float64), 4) for v in (sand, silt, clay))
    )
    z15, z2 = np.round(z + 1.5 * c, 4), np.round(z + 2 * c, 4)
    rules = {
        "sand": (s > 85) & (z15 < 15),
        "loamy sand": (s >= 70) & (s <= 90) & (z15 >= 15) & (z2 < 30),
        "sandy loam": ((c >= 7) & (c < 20) & (s > 52) & (z2 >= 30))
        | ((c < 7) & (z < 50) & (z2 >= 30)),
        "loam": (c >= 7) & (c < 27) & (z >= 28) & (z < 50) & (s <= 52),
        "silt loam": ((z >= 50) & (c >= 12) & (c < 27)) | ((z >= 50) & (z < 80) & (c < 12)),
        "silt": (z >= 80) & (c < 12),
        "sandy clay loam": (c >= 20) & (c < 35) & (z < 28) & (s > 45),
        "clay loam": (c >= 27) & (c < 40) & (s > 20) & (s <= 45),
        "silty clay loam": (c >= 27) & (c < 40) & (s <= 20),
        "sandy clay": (c >= 35) & (s > 45),
        "silty clay": (c >= 40) & (z >= 40),
        "clay": (c >= 40) & (s <= 45) & (z < 40),
    }
    whole = (s >= 0) & (z >= 0) & (c >= 0) & (np.abs(s + z + c - 100) <= 0.5)
    codes = [TEXTURE_CLASSES.index(name) for name in rules]
    found = np.select(list(rules.values()), codes, default=-1)
    return np.where(whole, found, -1).astype(np.int8)


def _codes(words: ArrayLike, classes: tuple[str, ...]) -> NDArray[np.float64]:
    place = {word: code for code, word in enumerate(classes)}
    return np.array([place.get(w, np.nan) for w in np.asarray(words, dtype=object)])


def _draw(soils: gpd.GeoDataFrame, values: ArrayLike, grid: Grid) -> FloatGrid:
    """Burn one value a polygon into the cells whose middle it holds; a later one overrides."""
    numbers = np.asarray(values, dtype=np.float64)
    burnt = np.full(grid.shape, np.nan, np.float32)
    if len(numbers):
        rasterio.features.rasterize(
            zip(soils.geometry, numbers, strict=True),
            out=burnt,
            transform=grid.transform,
        )
    return burnt
