"""What the map page shows of each species: suitability, what limits it, frost odds.

Scores and codes travel as grey pictures of the property, one a species, which the page reads
only when the species is picked. Pure; writes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.warp import reproject

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.symbology import colours
from siteplanner.handover.map.ground import MapFrame, grey_image, warp
from siteplanner.plan import Plan
from siteplanner.season.frost_odds import CELLS_SHOW, cell_words, range_only
from siteplanner.suitability.classes import CLASSES, NOT_SCORED
from siteplanner.suitability.factors import SURVIVES, Factor

SUITABILITY_PIXELS = 800
VALUE_PIXELS = 400
UNKNOWN = 255
_VIEWS = ("suitability", "limiting", "odds")
#: Codes of a factor's values run from 0 to this, in steps of the next: 51 values of each are told
#: apart, as finer ones cost the page more than they tell.
_LEVELS, _STEP = 250, 5
#: Lowest odds of each band that the page colours, percent in one winter.
ODDS_BANDS = (0, 5, 10, 25, 50)


def species_ground(plan: Plan, call: Call = afresh) -> dict[str, Any]:
    """Give, for every species, what its ground is: pictures, through ``call``, and words.

    ``frame`` places the pictures as the page's own ``frame`` does. In ``suitability`` a grey
    value is the score 0-100, in ``limiting`` the index into ``factors``, in ``odds`` a
    percentage; 255 is unknown. A factor's ``image`` runs from 0 at ``low`` to 250 at
    ``high``. ``odds_said`` has the words of each percentage, 0-100, of odds that are the middle of
    their range and of those that are its upper end; ``odds_kind`` of a species tells which.
    Pictures that the plan has no values for are left out; ``pictures`` has each once, and species
    that share one name its place there.
    """
    frame = MapFrame.around(plan.boundary.geometry, margin=0.01)
    inside = call(plan.grid.cover, plan.boundary.geometry)
    under = call(_cells_under, plan.grid, frame, SUITABILITY_PIXELS)
    ranges = range_only(plan.frost)
    codes = {"suitability": plan.suitability, "limiting": plan.limiting, "odds": plan.frost_odds}
    species = [
        call(_pictures, codes, place, under, inside) | _words(place, plan, ranges)
        for place in range(len(plan.species))
    ]
    return {
        "pictures": _shared(species),
        "frame": [frame.west, frame.south, frame.width, frame.height],
        "bands": _bands(),
        "odds": [
            {"low": low, "colour": tint}
            for low, tint in zip(
                ODDS_BANDS, colours.ramp("YlOrRd_09", len(ODDS_BANDS)), strict=True
            )
        ],
        "odds_said": {
            kind: [cell_words(percent, upper) for percent in range(101)]
            for kind, upper in (("middle", False), ("upper", True))
        },
        "odds_note": CELLS_SHOW,
        "kinds": [*colours.KINDS],
        "factors": [_factor(factor, plan, frame, call) for factor in plan.factors],
        "species": species,
    }


def _shared(species: list[dict[str, Any]]) -> list[str]:
    """Put each picture of species' records into a list once, and its place there in the record."""
    places: dict[str, int] = {}
    for record in species:
        for view in _VIEWS:
            if view in record:
                record[view] = places.setdefault(record[view], len(places))
    return list(places)


def frost_odds(plan: Plan) -> list[dict[str, Any]]:
    """Give the odds that a frost kills a seedling, by zone and species, in the plan's own words.

    ``planted`` tells whether they are of the places where the species is planted in the zone or of
    all of the zone's ground; ``worst`` are those of the worst tenth of these places.
    """
    place = {name: i for i, name in enumerate(plan.species["botanical_name"])}
    return [
        {
            "zone": str(row["zone"]),
            "species": place[row["species"]],
            "planted": bool(row["trees"] > 0),
            "words": str(row["words"]),
            "worst": str(row["worst_words"]),
        }
        for row in plan.frost.to_dict("records")
    ]


def _bands() -> list[dict[str, Any]]:
    """Bands of suitability, best first; classes of the same words are one, with the lower limit."""
    lowest = {words: low for _, low, words in CLASSES}
    fao = {words: [name for name, _, w in CLASSES if w == words] for words in lowest}
    tints = reversed(colours.ramp("YlGnBu_09", len(lowest)))
    return [
        {"words": words, "fao": ", ".join(fao[words]), "low": low, "colour": tint}
        for (words, low), tint in zip(lowest.items(), tints, strict=True)
    ]


def _pictures(
    codes: Mapping[str, NDArray[np.uint8]],
    place: int,
    under: NDArray[np.int32],
    inside: NDArray[np.bool_],
) -> dict[str, Any]:
    """A species' pictures of ``codes`` (each (species, rows, columns)), and its shares of bands."""
    score = codes["suitability"][place]
    pictures = {name: grey_image(_codes(values[place], under)) for name, values in codes.items()}
    known = score[inside & (score != NOT_SCORED)].astype(int)
    spread = np.bincount(known, minlength=101)
    shares, above = [], 101
    for band in _bands():
        shares.append(round(100 * float(spread[band["low"] : above].sum() / max(1, known.size))))
        above = band["low"]
    return {"suitability": pictures.pop("suitability"), "percent": shares} | pictures


def _words(place: int, plan: Plan, ranges: Mapping[str, bool]) -> dict[str, Any]:
    """What is said of a species' odds and wants; ``ranges`` as ``range_only`` gives them."""
    upper = ranges.get(plan.species["botanical_name"].iloc[place], True)
    return {
        "odds_kind": "upper" if upper else "middle",
        "wants": [wants(factor, plan.infos[factor.layer], place) for factor in plan.factors],
    }


def _cells_under(grid: Grid, frame: MapFrame, longest: int) -> NDArray[np.int32]:
    """Cell under each pixel of the frame, the nearest, as an index into all cells; -1 outside.

    Worked out once: every species' pictures take their codes by it.
    """
    shape, step = frame.pixels(longest, grid)
    cells = np.arange(grid.shape[0] * grid.shape[1], dtype=np.int32).reshape(grid.shape)
    under = np.full(shape, -1, dtype=np.int32)
    reproject(
        cells,
        under,
        src_transform=grid.transform,
        src_crs=grid.crs.to_wkt(),
        src_nodata=-1,
        dst_transform=step,
        dst_crs=frame.crs,
        dst_nodata=-1,
        resampling=Resampling.nearest,
        num_threads=1,
    )
    return under


def _codes(values: NDArray[np.uint8], under: NDArray[np.int32]) -> NDArray[np.uint8]:
    """Codes (255 unknown) of the cells under each pixel; the last one added is for -1.

    >>> _codes(np.array([[7, 8]], np.uint8), np.array([[1, 0, -1]], np.int32)).tolist()
    [[8, 7, 255]]
    """
    return np.append(values, np.uint8(UNKNOWN))[under]


def _factor(factor: Factor, plan: Plan, frame: MapFrame, call: Call) -> dict[str, Any]:
    """Give a factor's title and unit, and its values where the plan keeps the layer."""
    info = plan.infos[factor.layer]
    record: dict[str, Any] = {"title": info.title, "unit": _unit(info)}
    if factor.layer == "winter_minimum" and math.isfinite(plan.colder_c):
        record["colder"] = round(plan.colder_c, 1)
    if factor.layer not in plan.layers:
        return record
    return record | call(_values, info, plan.layers[factor.layer], plan.grid, frame)


def _values(info: LayerInfo, layer: FloatGrid, grid: Grid, frame: MapFrame) -> dict[str, Any]:
    """A factor's values as a picture, and what its codes mean."""
    record: dict[str, Any] = {}
    values = warp(layer, grid, frame, VALUE_PIXELS, classes=bool(info.classes))
    known = np.isfinite(values)
    if info.classes:
        record["classes"] = list(info.classes)
        codes = np.where(known, values, UNKNOWN)
    else:
        low, high = (float(f(values[known])) if known.any() else 0.0 for f in (np.min, np.max))
        span = max(high - low, 1e-9)
        record |= {"low": low, "high": high}
        codes = np.rint((values - low) * (_LEVELS / _STEP / span)) * _STEP
        codes = np.where(known, codes, UNKNOWN)
    record["image"] = grey_image(codes.astype(np.uint8))
    return record


def wants(factor: Factor, info: LayerInfo, species: int) -> str:
    """Say what a species wants of a factor; empty where it has no limits there."""
    if factor.points is not None:
        return _wants_numbers(factor.points[species], _unit(info))
    assert factor.scores is not None
    scores = factor.scores[species]
    if (scores >= 100).all():
        return ""
    groups = (
        ("thrives in", scores >= 100),
        ("lives in", (scores >= SURVIVES) & (scores < 100)),
        ("dies in", scores < SURVIVES),
    )
    return "; ".join(
        f"{words} {', '.join(c for c, mine in zip(info.classes, chosen, strict=True) if mine)}"
        for words, chosen in groups
        if chosen.any()
    )


def _unit(info: LayerInfo) -> str:
    return "" if info.unit in ("", "pH") or info.classes else info.unit


def _wants_numbers(points: NDArray[np.float64], unit: str) -> str:
    dies_below, thrives_from, thrives_to, dies_above = (float(p) for p in points)

    def said(value: float) -> str:
        return f"{value:g}".replace("-", "\u2212")

    tail = f" {unit}" if unit else ""
    parts = []
    if math.isfinite(thrives_from) and math.isfinite(thrives_to):
        parts.append(f"thrives from {said(thrives_from)} to {said(thrives_to)}{tail}")
    elif math.isfinite(thrives_from):
        parts.append(f"thrives at {said(thrives_from)}{tail} or more")
    elif math.isfinite(thrives_to):
        parts.append(f"thrives at {said(thrives_to)}{tail} or less")
    if math.isfinite(dies_below):
        parts.append(f"dies below {said(dies_below)}{tail}")
    if math.isfinite(dies_above):
        parts.append(f"dies above {said(dies_above)}{tail}")
    return "; ".join(parts)
