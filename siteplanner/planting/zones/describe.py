"""What a zone's ground is like, in figures and in plain words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.bearings import bearing_of, wind
from siteplanner.ground.assess import Ground
from siteplanner.reading.heights.coarse import coarseness

#: Layers that the description reads; the plan asks for them beside the species' factors.
READS = (
    "slope",
    "aspect",
    "winter_minimum",
    "water_deficit",
    "drainage_class",
    "texture_class",
    "soil_depth",
    "stoniness",
    "height_above_nearest_drainage",
    "sun_exposure",
)
#: Questions asked of the spade where a layer is mostly unknown.
UNKNOWN_ADVICE = {
    "soil_depth": "soil depth NOT CHECKED: dig before ordering",
    "soil_ph": "soil pH NOT CHECKED: test before ordering",
    "stoniness": "stones NOT CHECKED: dig before ordering",
    "texture_class": "soil texture NOT CHECKED: feel it by hand before ordering",
    "drainage_class": "soil drainage NOT CHECKED: dig and look for mottles before ordering",
}


@dataclass(frozen=True)
class GroundSummary:
    """Figures on an area: medians of numbers, most frequent classes; NaN or "" if unknown."""

    slope: float
    slope_from: float
    slope_to: float
    facing: str
    winter_minimum: float
    water_deficit: float
    soil_depth: float
    stoniness: float
    height_above_nearest_drainage: float
    sun_exposure: float
    drainage: str
    texture: str
    unknown: tuple[str, ...]


def ground_of(ground: Ground, cells: NDArray[np.int64]) -> GroundSummary:
    """Sum up the layers over the cells of an area, flat indices row by row."""
    layers, infos = ground.layers, ground.infos
    asked = [*READS, *(name for name in UNKNOWN_ADVICE if name in layers and name not in READS)]
    picked = {name: layers[name].ravel()[cells] for name in asked}
    unknown = tuple(
        name for name in UNKNOWN_ADVICE if name in layers and np.isnan(picked[name]).mean() > 0.5
    )
    low, middle, high = _quantiles(picked["slope"], (0.1, 0.5, 0.9))
    return GroundSummary(
        slope=middle,
        slope_from=low,
        slope_to=high,
        facing=_facing(picked["aspect"]) if middle >= 4 else "",
        winter_minimum=_median(picked["winter_minimum"]),
        water_deficit=_median(picked["water_deficit"]),
        soil_depth=_median(picked["soil_depth"]),
        stoniness=_median(picked["stoniness"]),
        height_above_nearest_drainage=_median(picked["height_above_nearest_drainage"]),
        sun_exposure=_median(picked["sun_exposure"]),
        drainage=_commonest(picked["drainage_class"], infos["drainage_class"].classes),
        texture=_commonest(picked["texture_class"], infos["texture_class"].classes),
        unknown=unknown,
    )


def _quantiles(values: NDArray[np.float32], at: tuple[float, ...]) -> list[float]:
    known = values[np.isfinite(values)]
    return [float(q) for q in np.quantile(known, at)] if known.size else [float("nan")] * len(at)


def _median(values: NDArray[np.float32]) -> float:
    """Median, NaN where less than half is known."""
    return _quantiles(values, (0.5,))[0] if np.isfinite(values).mean() >= 0.5 else float("nan")


def _commonest(codes: NDArray[np.float32], classes: tuple[str, ...]) -> str:
    known = codes[np.isfinite(codes)].astype(np.intp)
    if known.size == 0 or known.size < 0.5 * codes.size:
        return ""
    return classes[int(np.bincount(known).argmax())]


def _facing(aspect: NDArray[np.float32]) -> str:
    """Side that the ground faces, or "" when it faces several."""
    known = np.radians(aspect[np.isfinite(aspect)].astype(np.float64))
    if known.size == 0:
        return ""
    east, north = np.sin(known).mean(), np.cos(known).mean()
    if np.hypot(east, north) < 0.5:
        return ""
    return wind(float(bearing_of(east, north)))


def tags(ground: GroundSummary, whole: GroundSummary) -> frozenset[str]:
    """Kinds of ground that spacing rules and titles speak of.

    ``whole`` is all ground to be planted; "frosty", "dry" and "shady" are told against it
    (common practice, no source).
    """
    found = {"any"}
    if ground.winter_minimum <= whole.winter_minimum - 0.8:
        found.add("frosty")
    if ground.drainage in ("somewhat poorly drained", "poorly drained", "very poorly drained"):
        found.add("wet")
    if ground.slope >= 20:
        found.add("steep")
    if ground.stoniness >= 35 or ground.soil_depth < 0.35:
        found.add("rocky")
    if ground.water_deficit >= whole.water_deficit + 25:
        found.add("dry")
    if ground.sun_exposure <= 92 and "frosty" not in found:
        found.add("shady")
    return frozenset(found)


def title(ground: GroundSummary, marks: frozenset[str], dem_cell: float = 0.0) -> str:
    """A few words that tell a crew which ground is meant, such as "steep rocky north face".

    No creek is named where ``dem_cell``, the width of the DEM's cells in m, is over 30.
    """
    air = next((word for word in ("frosty", "dry", "shady") if word in marks), "")
    if air == "shady" and ground.facing:
        air = ""  # the side that it faces says so
    words = [air]
    if "wet" in marks:
        words.append("boggy" if ground.drainage == "very poorly drained" else "wet")
    if ground.slope < 5:
        low = ground.height_above_nearest_drainage < 4 and coarseness(dem_cell) < 2
        words += ["rocky" if "rocky" in marks else "", "creek flat" if low else "level ground"]
    else:
        steep = "steep" if ground.slope >= 20 else "" if ground.slope >= 12 else "gentle"
        rocky = "rocky" if "rocky" in marks else ""
        words += [steep, rocky, ground.facing, "face" if steep == "steep" else "slope"]
    return f"{' '.join(word for word in words if word)}, {_soil_words(ground)}"


def _soil_words(ground: GroundSummary) -> str:
    if not ground.texture:
        return "soil not checked"
    soil = f"heavy {ground.texture}" if ground.texture == "clay" else ground.texture
    if 15 <= ground.stoniness < 35:
        soil = f"stony {soil}"
    if "soil_depth" in ground.unknown:
        return f"{soil}, depth not checked"
    if ground.soil_depth < 0.5:
        return f"shallow {soil}"
    return f"deep {soil}" if ground.soil_depth >= 1.5 else soil


def distinct_titles(titles: list[str], grounds: list[GroundSummary]) -> list[str]:
    """Tell apart zones with the same title by the figure in which they differ most."""
    out = list(titles)
    for text in sorted({t for t in titles if titles.count(t) > 1}):
        members = [i for i, t in enumerate(titles) if t == text]
        # How far apart the members are in each figure, in steps that a reader would notice.
        steps = {
            name: np.ptp([getattr(grounds[i], name) for i in members]) / step
            for name, step in (
                ("soil_depth", 0.3),
                ("winter_minimum", 1.0),
                ("water_deficit", 30.0),
                ("slope", 4.0),
            )
        }
        known = {name: float(apart) for name, apart in steps.items() if np.isfinite(apart)}
        known["drainage"] = 1.5 * (len({grounds[i].drainage for i in members}) == len(members))
        best = max(known, key=lambda name: known[name])
        for i in members:
            g = grounds[i]
            extra = {
                "drainage": g.drainage or "drainage unknown",
                "soil_depth": f"{g.soil_depth:.1f} m deep",
                "winter_minimum": f"{g.winter_minimum:.1f} °C",
                "water_deficit": f"deficit {g.water_deficit:.0f} mm",
                "slope": f"{g.slope:.0f}°",
            }[best]
            out[i] = f"{text} ({extra})"
    return out


def sentence(ground: GroundSummary, frost_error_c: float) -> str:
    """Describe the ground in one readable paragraph with units and doubts."""
    parts = [
        f"Slope {ground.slope_from:.0f} to {ground.slope_to:.0f}°"
        + (f", facing {ground.facing}" if ground.facing else "")
    ]
    soil = [word for word in (ground.texture, ground.drainage) if word]
    if np.isfinite(ground.soil_depth):
        soil.append(f"about {ground.soil_depth:.1f} m deep")
    if np.isfinite(ground.stoniness) and ground.stoniness >= 15:
        soil.append(f"{ground.stoniness:.0f} % stones")
    if soil:
        parts.append("soil " + ", ".join(soil))
    error = f" (give or take {frost_error_c:.1f})" if np.isfinite(frost_error_c) else ""
    parts.append(f"coldest night of an average winter about {ground.winter_minimum:.1f} °C{error}")
    if np.isfinite(ground.water_deficit):
        parts.append(f"about {ground.water_deficit:.0f} mm annual water deficit")
    text = ". ".join(part[0].upper() + part[1:] for part in parts) + "."
    return (
        f"{text} Still open: {'; '.join(UNKNOWN_ADVICE[n] for n in ground.unknown)}."
        if (ground.unknown)
        else text
    )
