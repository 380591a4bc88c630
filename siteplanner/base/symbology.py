"""The look of each of the plan's feature layers: the same colours as on the map."""

from __future__ import annotations

import shapely

from siteplanner.base.colours import (
    BLACK,
    BLUE,
    GREEN,
    ORANGE,
    PURPLE,
    SKY_BLUE,
    VERMILION,
    shapes,
    zone_colours,
)
from siteplanner.base.styles import Rule, Style, Symbol
from siteplanner.plan import Plan

_GREY = "#777777"
_WHITE = "#ffffff"
_DASH = (3.0, 1.5)

#: Colour of each kind of no-plant feature, and whether its lines are broken.
KINDS: dict[str, tuple[str, bool]] = {
    "power_line": (VERMILION, True),
    "buried_pipe": (PURPLE, True),
    "building": (BLACK, False),
    "track": (ORANGE, False),
    "fence": (_GREY, True),
    "bush": (GREEN, False),
    "waterway": (BLUE, False),
    "dam": (SKY_BLUE, False),
    "buried_cable": (VERMILION, True),
    "dam_wall": (BLUE, True),
    "septic_field": (PURPLE, True),
    "heritage": (PURPLE, False),
    "native_grassland": (GREEN, True),
    "slip": (ORANGE, True),
}
_FORMS = {"Point": "marker", "LineString": "line", "LinearRing": "line", "Polygon": "fill"}


def style_of(plan: Plan, layer: str) -> Style:
    """Give the style of one of the plan's feature layers, by its name in the GeoPackage."""
    return _LOOKS[layer](plan)


def _boundary(plan: Plan) -> Style:
    return Style([Rule("boundary", Symbol("fill", "", edge=BLACK, width_mm=0.8))])


def _paddocks(plan: Plan) -> Style:
    fence = Symbol("fill", "", edge=_GREY, width_mm=0.4, dash_mm=_DASH)
    return Style([Rule("paddock", fence)], label="name")


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
    return Style([Rule("block", Symbol("fill", "", edge=BLACK, width_mm=0.4))], label="block")


def _setbacks(plan: Plan) -> Style:
    clear = Symbol("fill", VERMILION, edge=VERMILION, opacity=0.2, dash_mm=(1.5, 1.0))
    return Style([Rule("kept clear of trees", clear)])


def _no_plant(plan: Plan) -> Style:
    kinds = plan.no_plant["kind"].astype(str)
    forms = [_form(shape) for shape in plan.no_plant.geometry]
    rules = [
        Rule(kind.replace("_", " "), _no_plant_symbol(kind, form), kind)
        for kind, form in sorted(set(zip(kinds, forms, strict=True)))
    ]
    return Style(rules, column="kind", mixed=True)


def _form(shape: shapely.Geometry) -> str:
    return _FORMS[shape.geom_type.removeprefix("Multi")]


def _no_plant_symbol(kind: str, form: str) -> Symbol:
    colour, broken = KINDS.get(kind, (_GREY, False))
    if form == "line":
        return Symbol("line", colour, width_mm=0.6, dash_mm=_DASH if broken else ())
    if form == "marker":
        return Symbol("marker", colour, edge=BLACK, shape="square", size_mm=2.5)
    return Symbol("fill", colour, edge=BLACK, opacity=0.6)


def _rows(plan: Plan) -> Style:
    return Style([Rule("planting row", Symbol("line", _GREY, width_mm=0.2))])


def _machine_lines(plan: Plan) -> Style:
    return Style([Rule("line to rip or mound", Symbol("line", ORANGE, width_mm=0.4))])


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


_LOOKS = {
    "boundary": _boundary,
    "paddocks": _paddocks,
    "zones": _zones,
    "blocks": _blocks,
    "setbacks": _setbacks,
    "no_plant": _no_plant,
    "rows": _rows,
    "machine_lines": _machine_lines,
    "trees": _trees,
    "frost_obs": _frost_obs,
}
