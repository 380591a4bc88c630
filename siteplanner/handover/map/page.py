"""The interactive map: one HTML file that needs no network.

The page is filled in from ``page.html``, with folium's map, Leaflet's own files out of the
installed package, our scripts and style, the panels of ``PANELS``, and the plan as JSON. Three
habits keep a user's text from ever running:

* folium evaluates what passes through its elements as template source, so nothing of the
  plan's text does; folium is given numbers only, and its output is placed as a value.
* our templates are package files that escape every value (:mod:`.templates`), and scripts
  get no values at all: they read the JSON.
* scripts show text by ``textContent`` alone, and a content security policy lets only the
  scripts run whose hashes it lists, and nothing be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import folium
import xstatic.pkg.leaflet
from branca.element import Figure
from markupsafe import Markup

from siteplanner.base.results.memory import Call, afresh
from siteplanner.handover.map.data import page_data
from siteplanner.handover.map.picture import still_page
from siteplanner.handover.map.templates import panel, rendered
from siteplanner.plan import Plan

#: The panels beside the map in the order of their tabs, each a file ``panels/<name>.html``.
PANELS = ("zones", "blocks", "today", "layers", "key", "cautions")
#: Our scripts ``map_<name>.js``: those before the panels' own, and the one that starts the page.
_SCRIPTS = ("rows", "trees", "page", "card", "ground", "where", "blocks", "print")
_START = "start"
#: What templates show and no script reads: the relief is taken from the still picture.
_NOT_READ = ("relief", "counts")
_MARK_LIVE = "document.documentElement.className = 'live';"


def write_map(plan: Plan, path: Path) -> None:
    """Write the plan's map page; the same plan gives the same bytes."""
    path.write_text(map_page(plan), encoding="utf-8", newline="\n")


def map_page(plan: Plan, call: Call = afresh) -> str:
    """Give the map page as HTML; what is dear goes through ``call``.

    Raises ``ValueError`` when a layer's description names a colour scheme that is not known.
    """
    data = page_data(plan, call)
    stage, make_map = _folium_map(plan)
    panels = [panel(name, plan=data) for name in PANELS]
    scripts = [
        _MARK_LIVE,
        _leaflet("leaflet.js"),
        make_map,
        *(_own(f"map_{name}.js") for name in _SCRIPTS),
        *(one.script for one in panels),
        _own(f"map_{_START}.js"),
    ]
    first, *others = (_script(code) for code in scripts)
    imagery = data["imagery"]
    return rendered(
        "page.html",
        plan=data,
        policy=_policy(scripts, [imagery["origin"]] if imagery else []),
        styles=[Markup(_leaflet("leaflet.css")), Markup(_own("map_page.css"))],
        first_script=first,
        stage=Markup(stage),
        panels=panels,
        still=still_page(data),
        json=Markup(_json({name: data[name] for name in data if name not in _NOT_READ})),
        scripts=others,
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


def _script(code: str) -> Markup:
    if "</script" in code.lower():
        raise ValueError("a script of the page would end its own element")
    return Markup(code)


def _policy(scripts: list[str], pictures: list[str]) -> str:
    """Give the content security policy: these scripts, and nothing fetched.

    Pictures come as data; from servers too, where the site file asks for online imagery.
    """
    hashes = [
        base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")
        for code in scripts
    ]
    allowed = " ".join(f"'sha256-{value}'" for value in hashes)
    images = " ".join(["data:", *pictures])
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
