"""The interactive map: one HTML file that needs no network.

The page is assembled here from folium's map, Leaflet's own files out of the installed package,
our script and style, and the plan as JSON. Two habits keep a user's text from ever running:

* folium evaluates what passes through its elements as template source, so nothing of the
  plan's text does; folium is given numbers only, and its output is placed by plain joining.
* the page shows text by ``textContent`` alone, and a content security policy lets only the
  scripts run whose hashes it lists, and nothing be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import folium
import xstatic.pkg.leaflet
from branca.element import Figure

from siteplanner.base.text import unturned
from siteplanner.handover.map.data import page_data
from siteplanner.handover.map.picture import still_page
from siteplanner.plan import Plan

_PARTS = ("trees", "page", "ground", "where", "blocks", "panels")
_MARK_LIVE = "document.documentElement.className = 'live';"

_SHELL = """
<div id="app">
  <header id="head"><h1></h1><p id="total"></p></header>
  <nav id="tabs" aria-label="Panels"></nav>
  <aside id="panel"></aside>
  <main id="stage" aria-label="Map">
    {map}
    <div id="north" role="img" aria-label="North is up"><svg viewBox="0 0 24 40" width="24"
      height="40" aria-hidden="true"><path d="M12 14 19 38 12 33 5 38Z"/><text x="12" y="11"
      text-anchor="middle">N</text></svg></div>
    <details id="legend" open hidden></details>
    <p id="hint" role="status" hidden></p>
    <div id="said" hidden><p id="said-words" role="status"></p><button id="said-close"
      type="button" aria-label="Put away">×</button></div>
  </main>
</div>
<svg width="0" height="0" aria-hidden="true" style="position:absolute"><defs id="patterns">
  <pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse"
    patternTransform="rotate(45)"><path d="M0 0V7" stroke="#222" stroke-width="2.4"/></pattern>
</defs></svg>
"""


def write_map(plan: Plan, path: Path) -> None:
    """Write the plan's map page; the same plan gives the same bytes."""
    path.write_text(map_page(plan), encoding="utf-8", newline="\n")


def map_page(plan: Plan) -> str:
    """Give the map page as HTML.

    Raises ``ValueError`` when a layer's description names a colour scheme that is not known.
    """
    data = page_data(plan)
    stage, make_map = _folium_map(plan)
    scripts = [
        _MARK_LIVE,
        _leaflet("leaflet.js"),
        make_map,
        *(_own(f"map_{part}.js") for part in _PARTS),
    ]
    imagery = data["imagery"]
    policy = _policy(scripts, [imagery["origin"]] if imagery else [])
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{html.escape(unturned(plan.name))}: planting plan</title>",
            f"<style>{_leaflet('leaflet.css')}</style>",
            f"<style>{_own('map_page.css')}</style>",
            _script(scripts[0]),
            "</head>",
            "<body>",
            _SHELL.format(map=stage),
            unturned(still_page(data)),
            f'<script type="application/json" id="siteplan-data">{_json(data)}</script>',
            *(_script(script) for script in scripts[1:]),
            "</body>",
            "</html>",
            "",
        ]
    )


def _folium_map(plan: Plan) -> tuple[str, str]:
    """Let folium make the map; give its element and the script that starts it."""
    lon, lat = plan.grid.centre_lonlat
    made = folium.Map(
        location=(lat, lon),
        zoom_start=15,
        tiles=None,
        max_zoom=23,
        zoom_snap=0.25,
        fade_animation=False,
        attribution_control=False,
    )
    made._id = "site"  # folium names it at random, and the page's bytes must not change
    figure = made.get_root()
    assert isinstance(figure, Figure)
    made.render()
    return figure.html.render().strip(), figure.script.render().strip()


def _leaflet(name: str) -> str:
    """Give one of Leaflet's files without its links to other files."""
    text = (Path(xstatic.pkg.leaflet.BASE_DIR) / name).read_text(encoding="utf-8")
    text = re.sub(r"//# sourceMappingURL=\S+", "", text)
    return re.sub(r"url\(images/[^)]*\)", "none", text)


def _own(name: str) -> str:
    return files("siteplanner.handover.map").joinpath(name).read_text(encoding="utf-8")


def _script(code: str) -> str:
    if "</script" in code.lower():
        raise ValueError("a script of the page would end its own element")
    return f"<script>{code}</script>"


def _policy(scripts: list[str], pictures: list[str]) -> str:
    """Give the content security policy: these scripts, and nothing fetched.

    Pictures come as data; from servers too, where the site file asks for online imagery.
    """
    hashes = [
        base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")
        for code in scripts
    ]
    allowed = " ".join(f"'sha256-{value}'" for value in hashes)
    images = html.escape(" ".join(["data:", *pictures]))
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src {images}; "
        "base-uri 'none'; form-action 'none'"
    )


def _json(data: dict[str, Any]) -> str:
    """Give JSON in plain ASCII that no HTML, script or template reader can take for its own."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    text = text.replace("\\\\", "\\u005c")
    for character in "<>&'`$":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
