"""How a desktop GIS draws the plan's rasters: classes with names, ramps as on the map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree as ET

from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.symbology.colours import ends, ramp
from siteplanner.base.symbology.qml import VERSION
from siteplanner.base.text import xml_text
from siteplanner.handover.gis.rasters import suitability_colours
from siteplanner.handover.map.ground import RELIEF_DARKEST

_STEPS = 9
_SAMPLE = 200  # cells along the longer side that the ends of a ramp are taken from


@dataclass(frozen=True)
class Described:
    """A raster as its file describes it: title, unit, method and source."""

    title: str
    unit: str
    method: str
    source: str


def described(file: Any) -> Described:
    """Read what a plan's GeoTIFF, which is open, says of itself."""
    tags = file.tags()
    return Described(*(tags.get(name, "") for name in ("title", "unit", "method", "source")))


def sampled_ends(file: Any) -> tuple[float, float]:
    """Give the ends of a ramp over an open raster's values, from its overviews if it has some."""
    shrink = max(1.0, max(file.shape) / _SAMPLE)
    shape = tuple(max(1, round(side / shrink)) for side in file.shape)
    values = file.read(1, out_shape=shape, masked=True).astype("float32")
    return ends(values.filled(float("nan")))


def suitability_look() -> ET.Element:
    """Draw scores 0-100 in the bands of suitability, each with its words."""
    items = [(high, colour, f"{words} ({low}-{high})") for low, high, words, colour in
             reversed(suitability_colours())]  # fmt: skip
    return _ramp(items, "DISCRETE")


def class_look(info: LayerInfo) -> ET.Element:
    """Draw a layer of categories, each in its colour and with its name."""
    root, renderer = _look("paletted")
    palette = ET.SubElement(renderer, "colorPalette")
    colours = ramp(info.colours, len(info.classes))
    for code, (name, colour) in enumerate(zip(info.classes, colours, strict=True)):
        label = {"label": xml_text(name), "alpha": "255"}
        ET.SubElement(palette, "paletteEntry", {"value": str(code), "color": colour, **label})
    return root


def ramp_look(scheme: str, low: float, high: float, unit: str = "") -> ET.Element:
    """Draw numbers in a scheme's colours from ``low`` to ``high``; beyond, in the last colour."""
    if not low < high:
        low, high = (low - 0.5, low + 0.5) if low == high else (0.0, 1.0)
    steps = [low + (high - low) * n / (_STEPS - 1) for n in range(_STEPS)]
    after = f" {unit}" if unit else ""
    digits = (high - low) / (_STEPS - 1)
    items = [
        (value, colour, _rounded(value, digits) + after)
        for value, colour in zip(steps, ramp(scheme, _STEPS), strict=True)
    ]
    return _ramp(items, "INTERPOLATED")


def relief_look() -> ET.Element:
    """Draw the hillshade as light as on the map, so that what lies on it is read."""
    dark = f"#{RELIEF_DARKEST:02x}" + f"{RELIEF_DARKEST:02x}" * 2
    return _ramp([(0, dark, "in the shade"), (255, "#ffffff", "in the sun")], "INTERPOLATED")


def _rounded(value: float, step: float) -> str:
    digits = 0
    while digits < 4 and step * 10**digits < 2:
        digits += 1
    return f"{round(value, digits) + 0.0:.{digits}f}"  # + 0.0: no minus before a zero


def _ramp(items: Sequence[tuple[float, str, str]], kind: str) -> ET.Element:
    root, renderer = _look("singlebandpseudocolor")
    low, high = (f"{items[n][0]:.9g}" for n in (0, -1))
    renderer.set("classificationMin", low)
    renderer.set("classificationMax", high)
    settings: Mapping[str, str] = {"colorRampType": kind, "classificationMode": "1", "clip": "0"}
    shader = ET.SubElement(
        ET.SubElement(renderer, "rastershader"),
        "colorrampshader",
        {**settings, "minimumValue": low, "maximumValue": high},
    )
    for value, colour, label in items:
        entry = {"value": f"{value:.9g}", "color": colour, "label": xml_text(label), "alpha": "255"}
        ET.SubElement(shader, "item", entry)
    return root


def _look(kind: str) -> tuple[ET.Element, ET.Element]:
    root = ET.Element("qgis", {"version": VERSION, "styleCategories": "Symbology|Rendering"})
    root.set("hasScaleBasedVisibilityFlag", "0")
    pipe = ET.SubElement(root, "pipe")
    common = {"type": kind, "band": "1", "opacity": "1", "alphaBand": "-1"}
    renderer = ET.SubElement(pipe, "rasterrenderer", common)
    ET.SubElement(pipe, "brightnesscontrast", {"brightness": "0", "contrast": "0", "gamma": "1"})
    ET.SubElement(root, "blendMode").text = "0"
    return root, renderer
