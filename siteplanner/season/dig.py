"""Where to dig: spots where one look with a spade would change the plan most, and the answers.

The answers replace the map's guess around the spot, inside the soil polygon it lies in, before
anything is worked out or ordered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.soil_classes import DRAINAGE_CLASSES, TEXTURE_CLASSES
from siteplanner.reading.dug_spots import ANSWERS
from siteplanner.suitability.confidence import hints_on
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import score_species

COLUMNS = (
    "spot", "easting", "northing", "longitude", "latitude", "soil_unit", "map_says", "why",
    "if_not", *ANSWERS, "reach_m", "looked_on", "notes",
)  # fmt: skip
_SPOTS, _APART_M = 15, 50.0
#: On the very line a hole tells of neither side.
_OFF_LINE_M = 8.0
_CELLS = 6000
#: How far a soil line may be from where it is drawn, and how likely a map is wrong far from any
#: line (both common practice, no source).
_LINE_M, _WRONG = 25.0, 0.25
#: How likely it is that a model's hint is wrong by as much (judgement: as near a soil line).
_HINT = 0.8


@dataclass(frozen=True)
class _Else:
    """What a layer might turn out to be instead: values for where it is known and where not."""

    layer: str
    words: str
    known: float
    unknown: float


#: One class, or an ordinary error of a soil map, either way (common practice, no source).
_ELSE = (
    _Else("soil_depth", "soil is shallower than the map says", -0.4, 0.25),
    _Else("soil_depth", "soil is deeper than the map says", 0.4, 1.2),
    _Else("drainage_class", "ground is wetter than the map says", 1, 5),
    _Else("drainage_class", "ground is drier than the map says", -1, 1),
    _Else("texture_class", "soil is heavier than the map says", 3, 11),
    _Else("texture_class", "soil is lighter than the map says", -3, 2),
    _Else("stoniness", "soil is stonier than the map says", 25, 60),
    _Else("soil_ph", "soil is more acid than the map says", -0.5, 5.0),
    _Else("soil_ph", "soil is less acid than the map says", 0.5, 7.0),
)
_SOIL = {other.layer for other in _ELSE}
_LIMITS = {"drainage_class": (0, 6), "texture_class": (0, 11), "stoniness": (0, 95)}


@dataclass(frozen=True)
class Doubts:
    """What soil that is otherwise would change, on cells spread evenly over the planted ground.

    ``x, y`` (cells,), map metres; ``here`` the factors' values by layer, each (1, cells); ``line``
    the distance to the nearest soil line, m; ``planted`` the scores of the species that would be
    planted (species, cells); ``best`` the change of these scores times the doubt, for the likeliest
    of ``_ELSE`` (``which``, -1: none); ``gone`` (elses, cells, species) what would not be planted.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    here: dict[str, FloatGrid]
    line: NDArray[np.float64]
    hint: NDArray[np.bool_]
    planted: NDArray[np.float64]
    best: NDArray[np.float64]
    which: NDArray[np.intp]
    gone: NDArray[np.bool_]


def soil_doubts(
    factors: Sequence[Factor],
    layers: Mapping[str, FloatGrid],
    soils: gpd.GeoDataFrame,
    plantable: BoolGrid,
    grid: Grid,
    lowest_suitability: int,
) -> Doubts:
    """Score the species again as if the soil were otherwise, within what a soil map gets wrong."""
    rows, cols = spread(plantable)
    x = (grid.transform.c + (cols + 0.5) * grid.transform.a).astype(np.float64)
    y = (grid.transform.f + (rows + 0.5) * grid.transform.e).astype(np.float64)
    line, hint = _to_line(soils, x, y), hints_on(soils, grid)[rows, cols]
    here = {f.layer: layers[f.layer][rows, cols][None] for f in factors}
    whole = np.ones((1, len(rows)), dtype=bool)
    planted = worth(score_species(factors, here, whole).score, lowest_suitability)
    best = np.zeros(len(rows))
    which = np.full(len(rows), -1)
    gone = np.zeros((len(_ELSE), len(rows), planted.shape[0]), dtype=bool)
    mapped = np.where(hint, _HINT, _WRONG + (0.8 - _WRONG) * np.exp(-line / _LINE_M))
    for number, other in enumerate(_ELSE):
        if other.layer not in here:
            continue
        now = here[other.layer]
        low, high = _LIMITS.get(other.layer, (0.05, 50))
        then = np.where(np.isnan(now), other.unknown, np.clip(now + other.known, low, high))
        doubt = np.where(np.isnan(now[0]), 1.0, mapped)
        again = score_species(factors, here | {other.layer: then.astype(np.float32)}, whole)
        changed = worth(again.score, lowest_suitability)
        gain = doubt * np.abs(changed - planted).mean(axis=0)
        gone[number] = ((planted > 0) & (changed == 0)).T
        which = np.where(gain > best, number, which)
        best = np.maximum(best, gain)
    return Doubts(x, y, here, line, hint, planted, best, which, gone)


def spread(plantable: BoolGrid) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of at most some 6000 cells, evenly spread over the ground."""
    rows, cols = np.nonzero(plantable)
    step = max(1, len(rows) // _CELLS)
    return rows[step // 2 :: step], cols[step // 2 :: step]


def dig_spots(
    doubts: Doubts, soils: gpd.GeoDataFrame, grid: Grid, names: Sequence[str]
) -> pd.DataFrame:
    """Choose about 15 spots on plantable ground where looking would change the plan most.

    The change in what would be planted if the soil were otherwise, times the doubt about the
    map there (unknown, near a soil line, or a model's hint), is the spot's worth. Each spot taken
    lowers the worth of the ground around it and of its soil unit. Returns the rows of
    ``dig.csv``, the worthiest first.
    """
    x, y, here, line, planted = doubts.x, doubts.y, doubts.here, doubts.line, doubts.planted
    which, gone = doubts.which, doubts.gone
    units = _unit_at(soils, x, y)
    found: list[dict[str, object]] = []
    sure = ~np.isnan(np.concatenate([v for n, v in here.items() if n in _SOIL])).any(axis=0)
    left = np.where(sure & ~doubts.hint & (line < _OFF_LINE_M), 0, doubts.best)
    while len(found) < _SPOTS and left.size and left.max() > 0.5:
        one = int(left.argmax())
        other = _ELSE[which[one]]
        worthiest = np.argsort(-planted[:, one], kind="stable")
        lost = [names[n] for n in worthiest if gone[which[one], one, n]]
        lon, lat = grid.lonlat(x[one], y[one])
        unknown = np.isnan(here[other.layer][0, one])
        found.append(
            {
                "spot": str(len(found) + 1),
                "easting": f"{x[one]:.0f}",
                "northing": f"{y[one]:.0f}",
                "longitude": f"{lon:.6f}",
                "latitude": f"{lat:.6f}",
                "soil_unit": units[one],
                "map_says": _says({name: float(v[0, one]) for name, v in here.items()}),
                "why": _why(bool(unknown), bool(doubts.hint[one]), float(line[one])),
                "if_not": other.words.replace("than the map says", "than assumed")
                + (
                    f": {', '.join(lost[:4])} would no longer suit"
                    if lost
                    else ": the mix would change"
                ),
            }
        )
        apart = np.hypot(x - x[one], y - y[one])
        left *= np.where(units == units[one], 0.75, 1.0) * (1 - np.exp(-((apart / 120) ** 2)))
        left[apart < _APART_M] = 0
    blank = dict.fromkeys(COLUMNS, "")
    return pd.DataFrame([blank | row for row in found], columns=list(COLUMNS))


def _why(unknown: bool, hint: bool, line_m: float) -> str:
    """Say in a few words why a spot's soil is in doubt."""
    if unknown:
        return "not known"
    return "a model's hint, never dug" if hint else f"soil line {line_m:.0f} m away"


def worth(score: NDArray[np.uint8], lowest_suitability: int) -> NDArray[np.float64]:
    """Score of each species where it would be planted, 0 where it would not."""
    return np.where(score >= lowest_suitability, score, 0).astype(np.float64)


def _to_line(
    soils: gpd.GeoDataFrame, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance to the nearest soil line, m; infinite without soil polygons."""
    if soils.empty:
        return np.full(len(x), np.inf)
    lines = shapely.STRtree(shapely.boundary(soils.geometry.to_numpy()))
    points = shapely.points(x, y)
    found, distance = lines.query_nearest(points, return_distance=True, all_matches=False)
    out = np.full(len(x), np.inf)
    out[found[0]] = distance
    return out


def _unit_at(
    soils: gpd.GeoDataFrame, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.object_]:
    """Soil unit at each point, "" where there is none; the later polygon counts."""
    out = np.full(len(x), "", dtype=object)
    points, polygons = shapely.STRtree(soils.geometry.to_numpy()).query(
        shapely.points(x, y), predicate="intersects"
    )
    order = np.argsort(polygons, kind="stable")
    out[points[order]] = soils["unit"].astype(str).to_numpy()[polygons[order]]
    return out


def _says(values: Mapping[str, float]) -> str:
    """What the map says of a spot, in words."""
    words = []
    for layer, text in (
        ("soil_depth", "depth {:.1f} m"),
        ("texture_class", "{}"),
        ("drainage_class", "{}"),
        ("stoniness", "{:.0f} % stones"),
        ("soil_ph", "pH {:.1f}"),
    ):
        if layer not in values:
            continue
        value: float | str = values[layer]
        if np.isnan(values[layer]):
            words.append(f"{layer.removesuffix('_class').replace('_', ' ')} unknown")
            continue
        if layer == "texture_class":
            value = TEXTURE_CLASSES[int(values[layer])]
        elif layer == "drainage_class":
            value = DRAINAGE_CLASSES[int(values[layer])]
        words.append(text.format(value))
    return ", ".join(words)
