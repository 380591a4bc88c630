"""The style of each of the plan's layers in a desktop GIS: that of the map."""

from __future__ import annotations

from dataclasses import replace

from siteplanner.base.symbology.colours import BLUE, ORANGE, shapes, zone_colours
from siteplanner.base.symbology.kinds import (
    BLOCK,
    GREY,
    HOLLOW,
    KINDS,
    MARKER_MM,
    PADDOCK,
    SETBACK,
    SOLID,
    SOLID_OPACITY,
    Symbology,
)
from siteplanner.base.symbology.styles import Rule, Style, Symbol
from siteplanner.plan import Plan

_WHITE = "#ffffff"
_FORMS = {"Point": "marker", "LineString": "line", "LinearRing": "line", "Polygon": "fill"}


def style_of(plan: Plan, layer: str) -> Style:
    """Give the style of one of the plan's feature layers, by its name in the GeoPackage."""
    return _STYLES[layer](plan)


def symbol_of(symbology: Symbology, form: str) -> Symbol:
    """Give symbology as a symbol for one form: ``fill``, ``line`` or ``marker``."""
    if form == "marker":
        return Symbol("marker", symbology.colour, _WHITE, shape=symbology.marker, size_mm=MARKER_MM)
    colour, dash = symbology.colour, symbology.dash_mm
    line = Symbol("line", colour, colour, symbology.width_mm, dash_mm=dash)
    if form == "line":
        return line
    solid = symbology.fill == SOLID
    return replace(
        line,
        form="fill",
        colour=symbology.colour if symbology.fill else "",
        opacity=SOLID_OPACITY if solid else 1.0,
        hatch="" if solid else symbology.fill,
        pale=not solid and bool(symbology.fill) and symbology.pale,
    )


def _boundary(plan: Plan) -> Style:
    return Style([Rule("boundary", symbol_of(KINDS["boundary"], "fill"))])


def _paddocks(plan: Plan) -> Style:
    return Style([Rule(PADDOCK.word, symbol_of(PADDOCK, "fill"))], label="name")


def _zones(plan: Plan) -> Style:
    colours = zone_colours(plan.zones["trees"])
    rules = [
        Rule(f"{zone}: {title}", Symbol("fill", colour, opacity=0.35), str(zone))
        for zone, title, colour in zip(
            plan.zones["zone"], plan.zones["title"], colours, strict=True
        )
    ]
    return Style(rules, column="zone", label="zone")


def _blocks(plan: Plan) -> Style:
    return Style([Rule(BLOCK.word, symbol_of(BLOCK, "fill"))], label="block")


def _setbacks(plan: Plan) -> Style:
    return Style([Rule(SETBACK.word, symbol_of(SETBACK, "fill"))])


def _hollows(plan: Plan) -> Style:
    return Style([Rule(HOLLOW.word, symbol_of(HOLLOW, "fill"))], label="hollow")


def _no_plant(plan: Plan) -> Style:
    kinds = plan.no_plant["kind"].astype(str)
    forms = [_FORMS[shape.geom_type.removeprefix("Multi")] for shape in plan.no_plant.geometry]
    rules = [
        Rule(KINDS[kind].word, symbol_of(KINDS[kind], form), kind)
        for kind, form in sorted(set(zip(kinds, forms, strict=True)))
    ]
    return Style(rules, column="kind", mixed=True)


def _rows(plan: Plan) -> Style:
    return Style([Rule("planting row", Symbol("line", GREY, width_mm=0.2))])


def _machine_lines(plan: Plan) -> Style:
    return Style([Rule("line to rip", Symbol("line", ORANGE, width_mm=0.4))])


def _trees(plan: Plan) -> Style:
    # As wide on the ground as a young crown, so that thousands of them do not hide the zones.
    colours = list(plan.species["colour"])
    rules = [
        Rule(
            str(name),
            Symbol("marker", colour, colour, width_mm=0.1, size_mm=1.2, size_m=1.6, shape=shape),
            str(name),
        )
        for name, colour, shape in zip(
            plan.species["botanical_name"], colours, shapes(colours), strict=True
        )
    ]
    return Style(rules, column="species")


def _frost_obs(plan: Plan) -> Style:
    reading = Symbol("marker", _WHITE, edge=BLUE, width_mm=0.6, size_mm=3.0, shape="diamond")
    return Style([Rule("frost reading", reading)], label="name")


_STYLES = {
    "boundary": _boundary,
    "paddocks": _paddocks,
    "zones": _zones,
    "blocks": _blocks,
    "setbacks": _setbacks,
    "hollows": _hollows,
    "no_plant": _no_plant,
    "rows": _rows,
    "machine_lines": _machine_lines,
    "trees": _trees,
    "frost_obs": _frost_obs,
}
