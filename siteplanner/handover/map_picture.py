"""The still picture and tables of the map page, for print and for a reader without scripts."""

from __future__ import annotations

import math
from html import escape
from typing import Any

from siteplanner.handover import colours

_LINES = {"waterway": colours.BLUE, "dam": colours.BLUE, "power_line": colours.VERMILION}
_FILLS = {"dam": colours.SKY_BLUE, "bush": colours.GREEN}
_KEY = (
    "Letters: zones. Hatched: setbacks, kept clear. Thick line: boundary. Dashed: paddocks. "
    "Blue: waterways and dams. Red-orange: power lines. Dark green: bush that stays. "
    "Dark grey: buildings, tracks, fences and pipes."
)


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
<h2>Cautions</h2>
<ul>{_items(data["cautions"])}</ul>
{f"<h2>Warnings</h2><ul>{_items(data['warnings'])}</ul>" if data["warnings"] else ""}
</section>"""


def _items(sentences: list[str]) -> str:
    return "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)


def _picture(data: dict[str, Any]) -> str:
    width, height = data["frame"][2:]
    u = data["units"]
    wide, high = width * u, height * u
    size = wide / 42
    parts = [
        f'<image id="relief" href="{data["relief"]}" width="{wide:g}" height="{high:g}" '
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
    for zone in data["zones"]:
        draw([zone], f'fill="{zone["colour"]}" fill-opacity=".55" stroke="#222" '
                     f'stroke-width="{line:.0f}"')  # fmt: skip
    draw(data["setbacks"], 'fill="url(#hatch-still)"')
    draw(data["blocks"], f'fill="none" stroke="#222" stroke-width="{line / 2:.0f}"')
    draw(data["paddocks"], f'fill="none" stroke="#222" stroke-width="{line:.0f}" '
                           f'stroke-dasharray="{4 * line:.0f} {3 * line:.0f}"')  # fmt: skip
    draw(data["boundary"], f'fill="none" stroke="#000" stroke-width="{2.4 * line:.0f}"')
    for record in data["no_plant"]:
        tint = _LINES.get(record["kind"], "#444")
        fill = _FILLS.get(record["kind"], "#777") if "areas" in record["shape"] else "none"
        draw([record], f'fill="{fill}" fill-opacity=".6" stroke="{tint}" '
                       f'stroke-width="{2 * line:.0f}"')  # fmt: skip
    for zone in data["zones"]:
        for x, y in zone["labels"]:
            words(x, high - y + size / 3, zone["zone"], 1.3)
    parts.append(_scale_bar(data, size))
    parts.append(
        f'<path d="M{wide - 2 * size:.0f} {3 * size:.0f}l{size / 2:.0f} {2.4 * size:.0f}'
        f"l{-size / 2:.0f} {-size / 2:.0f}l{-size / 2:.0f} {size / 2:.0f}z"
        '" fill="#000" stroke="#fff"/>'
    )
    words(wide - 2 * size, 2.6 * size, "N", 1.2)
    return (
        f'<svg viewBox="0 0 {wide:g} {high:g}" role="img" aria-label="Map of the zones">'
        f'<defs><pattern id="hatch-still" width="{size / 2:.0f}" height="{size / 2:.0f}" '
        'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<path d="M0 0V{size / 2:.0f}" stroke="#222" stroke-width="{size / 7:.0f}"/>'
        f"</pattern></defs>{''.join(parts)}</svg>"
    )


def _path(shape: dict[str, list[Any]], high: float) -> str:
    def steps(flat: list[int], end: str) -> str:
        pairs = zip(flat[::2], flat[1::2], strict=True)
        return "M" + "L".join(f"{x} {high - y:g}" for x, y in pairs) + end

    rings = [steps(ring, "Z") for area in shape.get("areas", []) for ring in area]
    return "".join(rings + [steps(line, "") for line in shape.get("lines", [])])


def _scale_bar(data: dict[str, Any], size: float) -> str:
    """Draw a bar of a round number of ground metres, about a fifth of the picture wide."""
    _, south, width, height = data["frame"]
    stretch = math.cosh((south + height / 2) / 6378137)  # 1 / cos(latitude), spherical
    aim = width / stretch / 5
    step = 10 ** math.floor(math.log10(aim))
    metres = max(step * k for k in (1, 2, 5) if step * k <= aim)
    long = metres * stretch * data["units"]
    x, y = size, height * data["units"] - size
    return (
        f'<rect x="{x:.0f}" y="{y - size / 3:.0f}" width="{long:.0f}" height="{size / 3:.0f}" '
        f'fill="#000" stroke="#fff" stroke-width="{size / 10:.0f}"/>'
        f'<text x="{x + long / 2:.0f}" y="{y - size / 1.6:.0f}" font-size="{size:.0f}" '
        f'stroke-width="{size / 5:.0f}">{metres:g} m</text>'
    )


def _zone_table(data: dict[str, Any]) -> str:
    rows = "".join(
        f'<tr><th scope="row"><span class="chip" style="background:{escape(zone["colour"])}">'
        f"{escape(zone['zone'])}</span> {escape(zone['title'])}</th><td>{zone['area_ha']}</td>"
        f"<td>{zone['trees']:,}</td><td>{zone['spacing_m']}</td><td>{zone['density_ha']:,}</td>"
        f"<td>{escape(zone['ground'])}</td></tr>"
        for zone in data["zones"]
    )
    return (
        '<table class="zones"><caption>Zones</caption><thead><tr><th>Zone</th><th>Area, ha</th>'
        "<th>Trees</th><th>Spacing, m on the map</th><th>Trees per ha</th><th>Ground</th></tr>"
        f"</thead><tbody>{rows}</tbody></table>"
    )


def _count_table(data: dict[str, Any]) -> str:
    zones = data["zones"]
    trees = {(z["zone"], c["species"]): c["trees"] for z in zones for c in z["counts"]}
    order: dict[int, int] = {}
    for count in (count for zone in zones for count in zone["counts"]):
        order[count["species"]] = order.get(count["species"], 0) + count["order"]
    rows = []
    for i, species in enumerate(data["species"]):
        if i in order:
            cells = "".join(f"<td>{trees.get((z['zone'], i), 0):,}</td>" for z in zones)
            rows.append(
                f'<tr><th scope="row">{escape(species["common_name"])} '
                f"<i>{escape(species['botanical_name'])}</i></th>{cells}"
                f"<td>{species['trees']:,}</td><td>{order[i]:,}</td></tr>"
            )
    heads = "".join(f"<th>{escape(zone['zone'])}</th>" for zone in zones)
    total = "".join(f"<td>{zone['trees']:,}</td>" for zone in zones)
    return (
        f"<table><caption>Trees of each species in each zone</caption><thead><tr><th>Species</th>"
        f"{heads}<th>Trees</th><th>Order</th></tr></thead><tbody>{''.join(rows)}</tbody>"
        f'<tfoot><tr><th scope="row">All</th>{total}<td>{data["trees_total"]:,}</td>'
        f"<td>{sum(order.values()):,}</td></tr></tfoot></table>"
    )
