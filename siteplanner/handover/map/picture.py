"""The still picture and tables of the map page, for print and for a reader without scripts."""

from __future__ import annotations

import math
from typing import Any

from markupsafe import Markup

from siteplanner.handover.map.templates import rendered

_LONGEST_MM = 170.0  # of the picture's longer side on paper, by which its lines are drawn
_LETTER_MM = 4.0


def still_page(data: dict[str, Any]) -> Markup:
    """Give the still part of the page from what ``page_data`` made."""
    return rendered("still.html", plan=data, picture=_picture(data), counts=_counts(data))


def _picture(data: dict[str, Any]) -> dict[str, Any]:
    """Work out where everything lies, in page units from the frame's north-west corner."""
    whole, high = (side * data["units"] for side in data["frame"][2:])
    left, top, wide, tall = _view(data, high)
    mm = max(wide, tall) / _LONGEST_MM
    things = [("setback", record) for record in data["setbacks"]]
    things += [("block", record) for record in data["blocks"]]
    things += [("paddock", record) for record in data["paddocks"]]
    things += [(record["kind"], record) for record in data["no_plant"]]
    things += [("boundary", record) for record in data["boundary"]]
    return {
        "mm": round(mm, 3),
        "view": [round(side) for side in (left, top, wide, tall)],
        "wide": whole,
        "high": high,
        "zones": [zone | {"path": _path(zone["shape"], high)} for zone in data["zones"]],
        "things": [
            (kind, _path(record["shape"], high), _points(record["shape"], high))
            for kind, record in things
        ],
        "letters": _letters(data, high, _LETTER_MM * mm),
        "bar": _scale_bar(data, left, top + tall, wide, mm),
        "north": [round(left + wide - 8 * mm), round(top + 12 * mm)],
    }


def _view(data: dict[str, Any], high: float) -> tuple[float, float, float, float]:
    """Give left, top, width and height of the picture: the boundary and a margin."""
    rings = [ring for part in data["boundary"] for area in part["shape"]["areas"] for ring in area]
    xs, ys = [x for ring in rings for x in ring[::2]], [y for ring in rings for y in ring[1::2]]
    rim = 0.08 * max(max(xs) - min(xs), max(ys) - min(ys))
    left, top = min(xs) - rim, high - max(ys) - rim
    return left, top, max(xs) + rim - left, high - min(ys) + rim - top


def _path(shape: dict[str, list[Any]], high: float) -> str:
    def steps(flat: list[int], end: str) -> str:
        pairs = zip(flat[::2], flat[1::2], strict=True)
        return "M" + "L".join(f"{x} {high - y:g}" for x, y in pairs) + end

    rings = [steps(ring, "Z") for area in shape.get("areas", []) for ring in area]
    return "".join(rings + [steps(line, "") for line in shape.get("lines", [])])


def _points(shape: dict[str, list[Any]], high: float) -> list[tuple[float, float]]:
    return [(x, high - y) for x, y in shape.get("points", [])]


def _letters(data: dict[str, Any], high: float, size: float) -> list[dict[str, Any]]:
    """Place the zones' letters: one each, if only a small one; more in parts that have room."""
    placed = []
    for zone in data["zones"]:
        for number, (x, y, across) in enumerate(zone["labels"]):
            if number == 0 or across > 0.9 * size:
                own = size * (1.2 if across > size else 0.8)
                placed.append({"x": x, "y": high - y + own / 3, "text": zone["zone"], "size": own})
    return placed


def _scale_bar(
    data: dict[str, Any], left: float, bottom: float, wide: float, mm: float
) -> dict[str, float]:
    """Give a bar of a round number of ground metres, up to a fifth of the picture wide."""
    _, south, _, height = data["frame"]
    stretch = math.cosh((south + height / 2) / 6378137)  # 1 / cos(latitude), spherical
    aim = wide / data["units"] / stretch / 5
    step = 10 ** math.floor(math.log10(aim))
    metres = max(step * k for k in (1, 2, 5) if step * k <= aim)
    long = round(metres * stretch * data["units"])
    return {"x": round(left + 4 * mm), "y": round(bottom - 4 * mm), "long": long, "metres": metres}


def _counts(data: dict[str, Any]) -> dict[str, Any]:
    """Give the table of species by zone: planted zones, rows, and the sum to order."""
    zones = [zone for zone in data["zones"] if zone["trees"]]
    trees = {(z["zone"], c["species"]): c["trees"] for z in zones for c in z["counts"]}
    order: dict[int, int] = {}
    for count in (count for zone in zones for count in zone["counts"]):
        order[count["species"]] = order.get(count["species"], 0) + count["order"]
    rows = [
        {
            "species": species,
            "trees": [trees.get((zone["zone"], place), 0) for zone in zones],
            "order": order[place],
        }
        for place, species in enumerate(data["species"])
        if place in order
    ]
    return {"zones": zones, "rows": rows, "order": sum(order.values())}
