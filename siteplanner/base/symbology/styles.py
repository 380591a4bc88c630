"""How a desktop GIS draws the plan: styles as SLD 1.0 and as QML text.

A style is a list of rules; a rule draws the features whose column holds its value. Both
texts are built as XML trees, so that text from data is escaped and stays text.
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
#: Brush styles of QML (from memory).
_QML_HATCHES = {
    "level": "horizontal",
    "upright": "vertical",
    "slash": "b_diagonal",
    "backslash": "f_diagonal",
    "grid": "cross",
    "lattice": "diagonal_x",
    "dots": "dense6",
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
    ``pale`` where it lies on a pale ground. A fill without ``width_mm`` has no edge.
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

    def layers(self) -> tuple[Symbol, ...]:
        """Give the plain symbols to draw one over the other: the pale ground, then the rest."""
        if not self.pale:
            return (self,)
        return Symbol("fill", PALE, width_mm=0, opacity=PALE_OPACITY), replace(self, pale=False)


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
    for lines only, a marker for points only.
    """

    rules: Sequence[Rule]
    column: str = ""
    label: str = ""
    mixed: bool = False


def sld(layer: str, style: Style) -> str:
    """Write a style as an OGC Styled Layer Descriptor 1.0.0 (from memory)."""
    root = ET.Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": _SLD})
    root.set("xmlns:ogc", _OGC)
    named = ET.SubElement(root, "NamedLayer")
    _text(named, "Name", layer)
    user = ET.SubElement(named, "UserStyle")
    feature = ET.SubElement(user, "FeatureTypeStyle")
    for rule in style.rules:
        element = ET.SubElement(feature, "Rule")
        _text(element, "Name", rule.label)
        _text(element, "Title", rule.label)
        if rule.value is not None:
            test = ET.SubElement(ET.SubElement(element, "ogc:Filter"), "ogc:PropertyIsEqualTo")
            _text(test, "ogc:PropertyName", style.column)
            _text(test, "ogc:Literal", rule.value)
        for symbol in rule.symbol.layers():
            _sld_symbolizer(element, symbol)
    if style.label:
        label = ET.SubElement(ET.SubElement(feature, "Rule"), "TextSymbolizer")
        _text(ET.SubElement(label, "Label"), "ogc:PropertyName", style.label)
        _sld_parameters(ET.SubElement(label, "Font"), {"font-size": "12"})
        _sld_parameters(ET.SubElement(ET.SubElement(label, "Halo"), "Fill"), {"fill": "#ffffff"})
        _sld_parameters(ET.SubElement(label, "Fill"), {"fill": "#000000"})
    return _document(root)


def qml(style: Style) -> str:
    """Write a style as QML, the XML in which desktop GIS keep a vector layer's look."""
    root = ET.Element("qgis", {"version": "3.16.0", "styleCategories": "Symbology|Labeling"})
    root.set("labelsEnabled", "1" if style.label else "0")
    renderer = ET.SubElement(root, "renderer-v2", {"symbollevels": "0", "forceraster": "0"})
    renderer.set("enableorderby", "0")
    if not style.column:
        renderer.set("type", "singleSymbol")
    else:
        renderer.set("type", "categorizedSymbol")
        renderer.set("attr", _category_field(style))
        categories = ET.SubElement(renderer, "categories")
        for number, rule in enumerate(style.rules):
            values = {"render": "true", "symbol": str(number), "label": xml_text(rule.label)}
            values["value"] = _category(style, rule)
            ET.SubElement(categories, "category", {"type": "string", **values})
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(style.rules):
        _qml_symbol(symbols, str(number), rule.symbol)
    if style.label and style.rules:
        _qml_label(root, style)
    _text(root, "blendMode", "0")
    if not style.mixed and style.rules:
        _text(root, "layerGeometryType", _QML_TYPE[style.rules[0].symbol.form])
    return "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n" + _document(root)


_QML_TYPE = {"marker": "0", "line": "1", "fill": "2"}
_QML_GEOMETRY = {"fill": "Polygon", "line": "Line", "marker": "Point"}


def _category_field(style: Style) -> str:
    if style.mixed:
        return f"concat(\"{style.column}\", ' ', geometry_type($geometry))"
    return style.column


def _category(style: Style, rule: Rule) -> str:
    value = rule.value or ""
    return xml_text(f"{value} {_QML_GEOMETRY[rule.symbol.form]}" if style.mixed else value)


def _document(root: ET.Element) -> str:
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode")


def _text(parent: ET.Element, tag: str, text: str) -> ET.Element:
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
        _text(holder, "WellKnownName", _SLD_MARKS.get(symbol.shape, symbol.shape))
        _text(graphic, "Size", _pixels(symbol.size_mm))
        if symbol.shape in _SLD_MARKS:
            _text(graphic, "Rotation", "45")
    if symbol.hatch:
        _sld_hatch(ET.SubElement(holder, "Fill"), symbol)
    elif symbol.colour:
        _sld_parameters(ET.SubElement(holder, "Fill"), fill)
    if symbol.width_mm:
        _sld_parameters(ET.SubElement(holder, "Stroke"), edge)


def _sld_hatch(fill: ET.Element, symbol: Symbol) -> None:
    graphic = ET.SubElement(ET.SubElement(fill, "GraphicFill"), "Graphic")
    mark = ET.SubElement(graphic, "Mark")
    _text(mark, "WellKnownName", _SLD_HATCHES[symbol.hatch])
    stroke = {"stroke": symbol.colour, "stroke-width": _pixels(HATCH_LINE_MM)}
    _sld_parameters(ET.SubElement(mark, "Stroke"), stroke)
    _text(graphic, "Size", _pixels(HATCH_STEP_MM))


def _sld_parameters(parent: ET.Element, values: dict[str, str]) -> None:
    for name, value in values.items():
        ET.SubElement(parent, "CssParameter", {"name": name}).text = value


def _pixels(mm: float) -> str:
    return f"{mm / _PIXEL_MM:.2f}"


# --- QML -----------------------------------------------------------------------------------


def _qml_symbol(symbols: ET.Element, name: str, symbol: Symbol) -> None:
    element = ET.SubElement(symbols, "symbol", {"type": symbol.form, "name": name, "alpha": "1"})
    for one in symbol.layers():
        kind, values = _qml_values(one)
        layer = ET.SubElement(element, "layer", {"class": kind, "enabled": "1", "pass": "0"})
        layer.set("locked", "0")
        for key, value in values.items():
            ET.SubElement(layer, "prop", {"k": key, "v": value})
        options = ET.SubElement(layer, "Option", {"type": "Map"})
        for key, value in values.items():
            ET.SubElement(options, "Option", {"type": "QString", "name": key, "value": value})


def _qml_values(symbol: Symbol) -> tuple[str, dict[str, str]]:
    """Give the class of a symbol's layer and its properties."""
    dashed = bool(symbol.dash_mm)
    if symbol.form == "line":
        kind = "SimpleLine"
        values = {
            "line_color": _rgba(symbol.colour),
            "line_width": f"{symbol.width_mm:g}",
            "line_width_unit": "MM",
            "line_style": "solid",
            "capstyle": "flat" if dashed else "round",
            "joinstyle": "round",
            "use_custom_dash": "1" if dashed else "0",
            "customdash": ";".join(f"{mm:g}" for mm in symbol.dash_mm) or "5;2",
            "customdash_unit": "MM",
        }
    else:
        kind = "SimpleFill" if symbol.form == "fill" else "SimpleMarker"
        values = {
            "color": _rgba(symbol.colour or "#ffffff", symbol.opacity),
            "outline_color": _rgba(symbol.edge),
            "outline_width": f"{symbol.width_mm:g}",
            "outline_width_unit": "MM",
            "outline_style": "no" if not symbol.width_mm else "dash" if dashed else "solid",
        }
        if symbol.form == "fill":
            plain = "solid" if symbol.colour else "no"
            values["style"] = _QML_HATCHES[symbol.hatch] if symbol.hatch else plain
        else:
            size, unit = (symbol.size_m, "MapUnit") if symbol.size_m else (symbol.size_mm, "MM")
            values |= {"name": symbol.shape, "size": f"{size:g}", "size_unit": unit}
    return kind, values


def _qml_label(root: ET.Element, style: Style) -> None:
    settings = ET.SubElement(ET.SubElement(root, "labeling", {"type": "simple"}), "settings")
    look = {"fontSize": "12", "fontSizeUnit": "Point", "textColor": "0,0,0,255"}
    field = {"fieldName": style.label, "isExpression": "0"}
    text = ET.SubElement(settings, "text-style", {**field, **look})
    halo = {"bufferDraw": "1", "bufferSize": "1", "bufferSizeUnits": "MM"}
    ET.SubElement(text, "text-buffer", {**halo, "bufferColor": "255,255,255,255"})
    if style.rules[0].symbol.form == "fill":  # in the middle of the area
        ET.SubElement(settings, "placement", {"placement": "1", "quadOffset": "4"})
    # Left to itself the program drops labels of blocks and readings where trees lie beneath.
    ET.SubElement(settings, "rendering", {"displayAll": "1", "obstacle": "0"})


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"
