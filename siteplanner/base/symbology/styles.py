"""How a desktop GIS draws the plan: what a style is, and how it is written as SLD 1.0.

A style is a list of rules; a rule draws the features whose column holds its value. Texts are
built as XML trees, so that text from data is escaped and stays text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from xml.etree import ElementTree as ET

from siteplanner.base.symbology.kinds import HATCH_LINE_MM, HATCH_STEP_MM, PALE, PALE_OPACITY
from siteplanner.base.text import xml_text

_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"
_SLD_MARKS = {"diamond": "square"}  # SLD 1.0 has no diamond: a square turned by 45 degrees
#: Marks of hatches: SLD 1.0 has none, these names are common among programs (from memory).
_SLD_HATCHES = {
    "level": "shape://horline",
    "upright": "shape://vertline",
    "slash": "shape://slash",
    "backslash": "shape://backslash",
    "grid": "shape://plus",
    "lattice": "shape://times",
    "dots": "shape://dot",
}
_PIXEL_MM = 0.28  # the size of a pixel in SLD 1.0 (from memory)


@dataclass(frozen=True)
class Symbol:
    """How one feature is drawn.

    ``form`` is ``fill``, ``line`` or ``marker``; ``colour`` and ``edge`` are #rrggbb, an
    empty ``colour`` leaves a fill open; ``width_mm`` is the line's or edge's width,
    ``size_mm`` a marker's diameter on paper; ``size_m``, where not 0, is its diameter on the
    ground, which QML can say and SLD 1.0 cannot; ``dash_mm`` alternates line and gap; ``hatch``
    is a name of :data:`siteplanner.base.symbology.kinds.HATCHES`, empty for a solid fill, and
    ``pale`` where it lies on a pale ground, ``tint`` where it lies on ground of that colour and
    ``opacity``. A fill without ``width_mm`` has no edge.
    """

    form: str
    colour: str
    edge: str = "#333333"
    width_mm: float = 0.3
    opacity: float = 1.0
    size_mm: float = 2.0
    size_m: float = 0.0
    shape: str = "circle"
    dash_mm: tuple[float, ...] = ()
    hatch: str = ""
    pale: bool = False
    tint: str = ""

    def layers(self) -> tuple[Symbol, ...]:
        """Give the plain symbols to draw one over the other: the ground's colour, then the rest."""
        if self.tint:
            ground = Symbol("fill", self.tint, width_mm=0, opacity=self.opacity)
            return ground, replace(self, tint="", opacity=1.0)
        if self.pale:
            ground = Symbol("fill", PALE, width_mm=0, opacity=PALE_OPACITY)
            return ground, replace(self, pale=False)
        return (self,)


@dataclass(frozen=True)
class Rule:
    """What to draw, its label in the legend, and which value of the style's column it is for.

    ``value`` None is for every feature.
    """

    label: str
    symbol: Symbol
    value: str | None = None


@dataclass(frozen=True)
class Style:
    """The rules of one layer; ``column`` is the field they look at, empty for a single rule.

    A layer of several kinds of geometry is ``mixed``: there a fill is for areas only, a line
    for lines only, a marker for points only. ``label`` is the field that labels show, and
    ``words`` what more QML can say of it, as an expression. Labels are left out where the map's
    scale is smaller than 1 : ``label_from`` or larger than 1 : ``label_until``, the whole layer
    where it is smaller than 1 : ``drawn_from``; 0 sets no limit. A label that ``gives_way`` is
    smaller, and moves, or is left out, where it would lie on another.
    """

    rules: Sequence[Rule]
    column: str = ""
    label: str = ""
    mixed: bool = False
    words: str = ""
    label_from: int = 0
    label_until: int = 0
    drawn_from: int = 0
    gives_way: bool = False


def sld(layer: str, style: Style) -> str:
    """Write a style as an OGC Styled Layer Descriptor 1.0.0 (from memory)."""
    root = ET.Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": _SLD})
    root.set("xmlns:ogc", _OGC)
    named = ET.SubElement(root, "NamedLayer")
    text_element(named, "Name", layer)
    user = ET.SubElement(named, "UserStyle")
    feature = ET.SubElement(user, "FeatureTypeStyle")
    for rule in style.rules:
        element = ET.SubElement(feature, "Rule")
        text_element(element, "Name", rule.label)
        text_element(element, "Title", rule.label)
        if rule.value is not None:
            test = ET.SubElement(ET.SubElement(element, "ogc:Filter"), "ogc:PropertyIsEqualTo")
            text_element(test, "ogc:PropertyName", style.column)
            text_element(test, "ogc:Literal", rule.value)
        for symbol in rule.symbol.layers():
            _sld_symbolizer(element, symbol)
    if style.label:
        label = ET.SubElement(ET.SubElement(feature, "Rule"), "TextSymbolizer")
        text_element(ET.SubElement(label, "Label"), "ogc:PropertyName", style.label)
        _sld_parameters(ET.SubElement(label, "Font"), {"font-size": "12"})
        _sld_parameters(ET.SubElement(ET.SubElement(label, "Halo"), "Fill"), {"fill": "#ffffff"})
        _sld_parameters(ET.SubElement(label, "Fill"), {"fill": "#000000"})
    return document(root)


def document(root: ET.Element) -> str:
    """Write a tree as indented XML text."""
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode")


def text_element(parent: ET.Element, tag: str, text: str) -> ET.Element:
    """Add an element that holds text, without what XML cannot hold."""
    element = ET.SubElement(parent, tag)
    element.text = xml_text(text)
    return element


# --- SLD -----------------------------------------------------------------------------------


def _sld_symbolizer(rule: ET.Element, symbol: Symbol) -> None:
    width = _pixels(symbol.width_mm)
    if symbol.form == "line":
        line = ET.SubElement(rule, "LineSymbolizer")
        stroke = {"stroke": symbol.colour, "stroke-width": width}
        if symbol.dash_mm:
            stroke["stroke-dasharray"] = " ".join(_pixels(mm) for mm in symbol.dash_mm)
        _sld_parameters(ET.SubElement(line, "Stroke"), stroke)
        return
    fill = {"fill": symbol.colour, "fill-opacity": f"{symbol.opacity:g}"}
    edge = {"stroke": symbol.edge, "stroke-width": width}
    if symbol.form == "fill":
        holder = ET.SubElement(rule, "PolygonSymbolizer")
        if symbol.dash_mm:
            edge["stroke-dasharray"] = " ".join(_pixels(mm) for mm in symbol.dash_mm)
    else:
        graphic = ET.SubElement(ET.SubElement(rule, "PointSymbolizer"), "Graphic")
        holder = ET.SubElement(graphic, "Mark")
        text_element(holder, "WellKnownName", _SLD_MARKS.get(symbol.shape, symbol.shape))
        text_element(graphic, "Size", _pixels(symbol.size_mm))
        if symbol.shape in _SLD_MARKS:
            text_element(graphic, "Rotation", "45")
    if symbol.hatch:
        _sld_hatch(ET.SubElement(holder, "Fill"), symbol)
    elif symbol.colour:
        _sld_parameters(ET.SubElement(holder, "Fill"), fill)
    if symbol.width_mm:
        _sld_parameters(ET.SubElement(holder, "Stroke"), edge)


def _sld_hatch(fill: ET.Element, symbol: Symbol) -> None:
    graphic = ET.SubElement(ET.SubElement(fill, "GraphicFill"), "Graphic")
    mark = ET.SubElement(graphic, "Mark")
    text_element(mark, "WellKnownName", _SLD_HATCHES[symbol.hatch])
    stroke = {"stroke": symbol.colour, "stroke-width": _pixels(HATCH_LINE_MM)}
    _sld_parameters(ET.SubElement(mark, "Stroke"), stroke)
    text_element(graphic, "Size", _pixels(HATCH_STEP_MM))


def _sld_parameters(parent: ET.Element, values: dict[str, str]) -> None:
    for name, value in values.items():
        ET.SubElement(parent, "CssParameter", {"name": name}).text = value


def _pixels(mm: float) -> str:
    return f"{mm / _PIXEL_MM:.2f}"
