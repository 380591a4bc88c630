"""Styles as QML, the XML in which a desktop GIS keeps the look of layers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from siteplanner.base.symbology.styles import Rule, Style, Symbol, document, text_element
from siteplanner.base.text import xml_text

#: The version whose form of QML this is; later ones read it.
VERSION = "3.16.0"
_DOCTYPE = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
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
_PARTS = "Symbology|Labeling|Rendering|Fields|Forms"


@dataclass(frozen=True)
class FieldWords:
    """How a field is shown: its name for people, and digits after the point where it has some."""

    alias: str
    digits: int | None = None


def qml(style: Style, fields: Mapping[str, FieldWords] | None = None) -> str:
    """Write a style, and how the layer's fields are shown, as QML."""
    return written(vector_look(style, fields or {}))


def written(look: ET.Element) -> str:
    """Write a look as the text of a file of its own."""
    return _DOCTYPE + document(look)


def vector_look(style: Style, fields: Mapping[str, FieldWords]) -> ET.Element:
    """Give a style and the words for fields as the element that QML and projects hold."""
    root = ET.Element("qgis", {"version": VERSION, "styleCategories": _PARTS})
    root.set("labelsEnabled", "1" if style.label else "0")
    root.set("hasScaleBasedVisibilityFlag", "1" if style.drawn_from else "0")
    root.set("minScale", str(style.drawn_from or 100_000_000))
    root.set("maxScale", "0")
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
    text_element(root, "blendMode", "0")
    if not style.mixed and style.rules:
        text_element(root, "layerGeometryType", _QML_TYPE[style.rules[0].symbol.form])
    _qml_fields(root, fields)
    return root


_QML_TYPE = {"marker": "0", "line": "1", "fill": "2"}
_QML_GEOMETRY = {"fill": "Polygon", "line": "Line", "marker": "Point"}


def _category_field(style: Style) -> str:
    if style.mixed:
        return f"concat(\"{style.column}\", ' ', geometry_type($geometry))"
    return style.column


def _category(style: Style, rule: Rule) -> str:
    value = rule.value or ""
    return xml_text(f"{value} {_QML_GEOMETRY[rule.symbol.form]}" if style.mixed else value)


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
    field = {"fieldName": style.words or style.label, "isExpression": str(int(bool(style.words)))}
    size, weight = ("9", "50") if style.gives_way else ("12", "75")
    look = {"fontSize": size, "fontSizeUnit": "Point", "fontWeight": weight}
    look |= {"textColor": "0,0,0,255", "fontItalic": "1" if style.gives_way else "0"}
    text = ET.SubElement(settings, "text-style", {**field, **look})
    halo = {"bufferDraw": "1", "bufferSize": "1", "bufferSizeUnits": "MM"}
    ET.SubElement(text, "text-buffer", {**halo, "bufferColor": "255,255,255,255"})
    area = style.rules[0].symbol.form == "fill"
    if style.gives_way:  # anywhere in the area, or around the point
        place = {"placement": "4"} if area else {"placement": "0", "dist": "0.8", "distUnits": "MM"}
        ET.SubElement(settings, "placement", place | {"priority": "3"})
    elif area:  # in the middle
        middle = {"placement": "1", "quadOffset": "4", "priority": "9"}
        ET.SubElement(settings, "placement", middle)
    # Areas and points are no obstacles: else labels are dropped where trees lie beneath.
    rendering = {"displayAll": "0" if style.gives_way else "1", "obstacle": "0"}
    if style.label_from or style.label_until:  # the names are the other way round in this form
        limits = {"scaleMax": str(style.label_from), "scaleMin": str(style.label_until)}
        rendering |= {"scaleVisibility": "1", **limits}
    if area:
        rendering["labelPerPart"] = "1"
    ET.SubElement(settings, "rendering", rendering)


def _qml_fields(root: ET.Element, fields: Mapping[str, FieldWords]) -> None:
    if not fields:
        return
    shown = ET.SubElement(root, "fieldConfiguration")
    aliases = ET.SubElement(root, "aliases")
    for index, (name, words) in enumerate(fields.items(), start=1):  # the first is the file's own
        ET.SubElement(aliases, "alias", {"field": name, "index": str(index), "name": words.alias})
        if words.digits is None:
            continue
        field = ET.SubElement(shown, "field", {"name": name})
        widget = ET.SubElement(field, "editWidget", {"type": "Range"})
        options = ET.SubElement(ET.SubElement(widget, "config"), "Option", {"type": "Map"})
        precision = {"type": "int", "name": "Precision", "value": str(words.digits)}
        ET.SubElement(options, "Option", precision)
        ET.SubElement(options, "Option", {"type": "bool", "name": "AllowNull", "value": "true"})


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"
