"""Finds the drawing library, OpenLayers, in the installed package that carries it whole."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

#: MapProxy (Apache-2.0) carries OpenLayers (BSD-2-Clause) for its own page; it is never imported.
PACKAGE, FILE = "MapProxy", "mapproxy/service/templates/demo/static/ol.js"
MISSING = (
    "Drawing needs one more package: stop the desk, run pip install 'siteplanner[desk]' and start "
    "it again. Planning works without it."
)


def openlayers() -> Path | None:
    """Path of the library, None where its package is not installed."""
    try:
        found = [one for one in files(PACKAGE) or () if one.as_posix() == FILE]
    except PackageNotFoundError:
        return None
    path = Path(str(found[0].locate())) if found else None
    return path if path is not None and path.is_file() else None
