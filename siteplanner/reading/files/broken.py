"""Finds where a text file of geodata is broken, which its driver does not say."""

from __future__ import annotations

import json
from pathlib import Path
from xml.parsers import expat

_JSON = (".geojson", ".json", ".topojson")
XML = (".kml", ".gpx", ".gml", ".xml")


def where_broken(path: Path, data: bytes | None = None) -> str:
    """Say where a GeoJSON, KML, GPX or GML cannot be read: a line and column, a byte or a feature.

    "" where it is well formed or of another format. ``data`` is the text, where it is not that
    of the file itself, as in a KMZ.
    """
    ending = path.suffix.lower()
    if data is None:
        if ending not in (*_JSON, *XML) or not path.is_file():
            return ""
        data = path.read_bytes()
    if ending in _JSON:
        return _in_json(data)
    parser = expat.ParserCreate()
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        return f"line {error.lineno}, column {error.offset + 1}"
    return ""


def _in_json(data: bytes) -> str:
    try:
        told = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        return f"byte {error.start}"
    except json.JSONDecodeError as error:
        return f"line {error.lineno}, column {error.colno}"
    except RecursionError:
        return ""
    features = told.get("features") if isinstance(told, dict) else None
    if isinstance(features, list):
        for number, feature in enumerate(features, 1):
            if not isinstance(feature, dict) or feature.get("type") != "Feature":
                return f"feature {number}"
    return ""
