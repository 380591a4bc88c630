"""The still picture and tables of the map page, for print and for a reader without scripts."""

from __future__ import annotations

import math
from html import escape
from typing import Any

from siteplanner.base import colours

_LINES = {"waterway": colours.BLUE, "dam": colours.BLUE, "power_line": colours.VERMILION}
_FILLS = {"dam": colours.SKY_BLUE, "bush": colours.GREEN}
_KEY = (
    "Letters: zones, grey ones not for trees. Slanted lines: setbacks, kept clear. Thick line: "
    "boundary. Dashed: paddocks. Blue: waterways and dams. Red-orange: power lines. Dark green: "
    "bush that stays. Dark grey: buildings, tracks, fences and pipes. North is up."
)
#: Second cue of zones of the same colour, in tenths of a letter: the shape of one repeat.
_MARKS = {
    "dots": "M2.5 5a2.5 2.5 0 1 0 5 0a2.5 2.5 0 1 0 -5 0",
    "bars": "M0 4H10V6H0Z",
    "posts": "M4 0V10H6V0Z",
}


def still_page(data: dict[str, Any]) -> str:
    """Give the still part of the page as HTML from what ``page_data`` made; text is escaped."""
    error = data["frost_error_c"]
    sure = f"a standard error of about ±{error} °C" if error is not None else "an error unknown"
    planted = sum(zone["trees"] > 0 for zone in data["zones"])
    return f"""<section id="still">
<h1>{escape(data["name"])}: planting plan</h1>
<p class="scriptless">Scripts are switched off, so this is the still picture of the map.</p>
<p>{data["trees_total"]:,} trees on {data["area_ha"]} ha in {planted} zones.
Counts are planned numbers; "order" adds an allowance for losses. Frost figures are estimates
from the ground's shape and a few readings, with {sure}, not a forecast.</p>
{_picture(data)}
<p>{_KEY}</p>
{_zone_table(data)}
{_count_table(data)}
{_block_table(data)}
<h2>Cautions</h2>
<ul>{_items(data["cautions"])}</ul>
{f"<h2>Warnings</h2><ul>{_items(data['warnings'])}</ul>" if data["warnings"] else ""}
</section>"""


def _items(sentences: list[str]) -> str:
    return "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)


def _picture(data: dict[str, Any]) -> str:
    whole, high = (side * data["units"] for side in data["frame"][2:])
    left, top, wide, tall = _view(data, high)
    size = max(wide, tall) / 42
    parts = [
        f'<image id="relief" href="{data["relief"]}" width="{whole:g}" height="{high:g}" '
        'preserveAspectRatio="none"/>'
    ]

    def draw(records: list[dict[str, Any]], style: str) -> None:
        parts.extend(
            f'<path d="{_path(record["shape"], high)}" {style}/>'
            for record in records
            if "areas" in record["shape"] or "lines" in record["shape"]
        )

    def words(x: float, y: float, text: str, scale: float = 1.0) -> None:
        parts.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size * scale:.0f}" '
            f'stroke-width="{size * scale / 5:.0f}">{escape(text)}</text>'
        )

    line = size / 12
    for i, zone in enumerate(data["zones"]):
        fill = f"url(#still-zone-{i})" if zone["marks"] else zone["colour"]
        draw([zone], f'fill="{fill}" fill-opacity=".55" stroke="#222" '
                     f'stroke-width="{line:.0f}"')  # fmt: skip
    draw(data["setbacks"], 'fill="url(#hatch-still)"')
    draw(data["blocks"], f'fill="none" stroke="#222" stroke-width="{line / 2:.0f}"')
    draw(data["paddocks"], f'fill="none" stroke="#222" stroke-width="{line:.0f}" '
                           f'stroke-dasharray="{4 * line:.0f} {3 * line:.0f}"')  # fmt: skip
    for record in data["no_plant"]:
        tint = _LINES.get(record["kind"], "#444")
        fill = _FILLS.get(record["kind"], "#777") if "areas" in record["shape"] else "none"
        draw([record], f'fill="{fill}" fill-opacity=".6" stroke="{tint}" '
                       f'stroke-width="{2 * line:.0f}"')  # fmt: skip
    draw(data["boundary"], f'fill="none" stroke="#000" stroke-width="{2.4 * line:.0f}"')
    for zone in data["zones"]:
        # Every zone has a letter, if only one and small; further parts where one has room.
        for i, (x, y, across) in enumerate(zone["labels"]):
            if i == 0 or across > 0.9 * size:
                scale = 1.2 if across > size else 0.8
                words(x, high - y + scale * size / 3, zone["zone"], scale)
    parts.append(_scale_bar(data, left, top + tall, wide, size))
    x, y, s = left + wide - 2 * size, top + 3 * size, size / 2
    parts.append(
        f'<path d="M{x:.0f} {y:.0f}l{s:.0f} {4.8 * s:.0f}l{-s:.0f} {-s:.0f}l{-s:.0f} {s:.0f}z" '
        'fill="#000" stroke="#fff"/>'
    )
    words(x, y - 0.4 * size, "N", 1.2)
    return (
        f'<svg viewBox="{left:g} {top:g} {wide:g} {tall:g}" role="img" '
        'aria-label="Map of the zones">'
        f'<defs><pattern id="hatch-still" width="{size / 2:.0f}" height="{size / 2:.0f}" '
        'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<path d="M0 0V{size / 2:.0f}" stroke="#222" stroke-width="{size / 7:.0f}"/>'
        f"</pattern>{_zone_patterns(data, size / 20)}</defs>{''.join(parts)}</svg>"
    )


def _zone_patterns(data: dict[str, Any], scale: float) -> str:
    """Define the fills of zones that share their colour with an earlier one."""
    return "".join(
        f'<pattern id="still-zone-{i}" width="10" height="10" patternUnits="userSpaceOnUse" '
        f'patternTransform="scale({scale:.2f})"><path d="M0 0H10V10H0Z" fill="{zone["colour"]}"/>'
        f'<path d="{_MARKS[zone["marks"]]}" fill="#1a1a1a"/></pattern>'
        for i, zone in enumerate(data["zones"])
        if zone["marks"]
    )


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


def _scale_bar(data: dict[str, Any], left: float, bottom: float, wide: float, size: float) -> str:
    """Draw a bar of a round number of ground metres, up to a fifth of the picture wide."""
    _, south, _, height = data["frame"]
    stretch = math.cosh((south + height / 2) / 6378137)  # 1 / cos(latitude), spherical
    aim = wide / data["units"] / stretch / 5
    step = 10 ** math.floor(math.log10(aim))
    metres = max(step * k for k in (1, 2, 5) if step * k <= aim)
    long = metres * stretch * data["units"]
    x, y = left + size, bottom - size
    return (
        f'<rect x="{x:.0f}" y="{y - size / 3:.0f}" width="{long:.0f}" height="{size / 3:.0f}" '
        f'fill="#000" stroke="#fff" stroke-width="{size / 10:.0f}"/>'
        f'<text x="{x + long / 2:.0f}" y="{y - size / 1.6:.0f}" font-size="{size:.0f}" '
        f'stroke-width="{size / 5:.0f}">{metres:g} m</text>'
    )


def _zone_table(data: dict[str, Any]) -> str:
    rows = "".join(
        f'<tr><th scope="row"><span class="chip {zone["marks"]}" '
        f'style="background-color:{escape(zone["colour"])}"><b>{escape(zone["zone"])}</b></span> '
        f"{escape(zone['title'])}</th><td>{zone['area_ha']:.2f}</td>"
        f"<td>{zone['trees'] or '–':{',' if zone['trees'] else ''}}</td>"
        f"<td>{zone['spacing_m'] or '–'}</td><td>{zone['density_ha'] or '–'}</td>"
        f"<td>{escape(' '.join(filter(None, (zone['why_not'], zone['ground']))))}</td></tr>"
        for zone in data["zones"]
    )
    return (
        '<table class="zones"><caption>Zones</caption><thead><tr><th>Zone</th><th>ha</th>'
        "<th>Trees</th><th>Spacing, m</th><th>Trees / ha</th><th>Ground</th></tr>"
        f"</thead><tbody>{rows}</tbody></table>"
    )


def _count_table(data: dict[str, Any]) -> str:
    zones = [zone for zone in data["zones"] if zone["trees"]]
    trees = {(z["zone"], c["species"]): c["trees"] for z in zones for c in z["counts"]}
    order: dict[int, int] = {}
    for count in (count for zone in zones for count in zone["counts"]):
        order[count["species"]] = order.get(count["species"], 0) + count["order"]
    rows = []
    for i, species in enumerate(data["species"]):
        if i in order:
            cells = "".join(
                f"<td>{trees[z['zone'], i]:,}</td>" if (z["zone"], i) in trees else "<td></td>"
                for z in zones
            )
            rows.append(
                f'<tr><th scope="row">{escape(species["common_name"])} '
                f"<i>{escape(species['botanical_name'])}</i> "
                f"<small>{escape(species['code'])}</small></th>{cells}"
                f"<td>{species['trees']:,}</td><td>{order[i]:,}</td></tr>"
            )
    heads = "".join(f"<th>{escape(zone['zone'])}</th>" for zone in zones)
    total = "".join(f"<td>{zone['trees']:,}</td>" for zone in zones)
    return (
        '<table class="counts"><caption>Trees of each species in each zone</caption>'
        "<thead><tr><th>Species</th>"
        f"{heads}<th>Trees</th><th>Order</th></tr></thead><tbody>{''.join(rows)}</tbody>"
        f'<tfoot><tr><th scope="row">All</th>{total}<td>{data["trees_total"]:,}</td>'
        f"<td>{sum(order.values()):,}</td></tr></tfoot></table>"
    )


def _block_table(data: dict[str, Any]) -> str:
    """List the blocks with a box to tick by hand."""
    rows = "".join(
        f'<tr><th scope="row">{escape(block["block"])}</th><td>{escape(block["paddock"])}</td>'
        f"<td>{block['area_ha']:.2f}</td><td>{block['trees']:,}</td><td>{block['rows']}</td>"
        f'<td><span class="box"></span></td></tr>'
        for block in data["blocks"]
        if block["trees"]
    )
    if not rows:
        return ""
    return (
        '<table class="block-list"><caption>Blocks</caption><thead><tr><th>Block</th>'
        "<th>Paddock</th><th>ha</th><th>Trees</th><th>Rows</th><th>Planted on</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )
