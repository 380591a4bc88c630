"""Writes the zip that a desktop GIS installs, with the Python that it is to call."""

from __future__ import annotations

import json
import sys
import zipfile
from importlib.resources import files
from pathlib import Path

from siteplanner import __version__
from siteplanner.base.errors import input_error
from siteplanner.base.text import utf8
from siteplanner.site.planting import Setbacks

#: Folder of the plugin in the zip, and its name in the GIS.
NAME = "siteplanner"
_ENDINGS = (".py", ".txt", ".svg")


def write_plugin(path: Path) -> None:
    """Write the plugin as a zip whose ``environment.json`` names this Python.

    Raises :class:`~siteplanner.InputError` where it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
            for name, content in plugin_files().items():
                entry = zipfile.ZipInfo(f"{NAME}/{name}", date_time=(2000, 1, 1, 0, 0, 0))
                entry.external_attr = 0o644 << 16
                file.writestr(entry, content, zipfile.ZIP_DEFLATED)
    except OSError as error:
        raise input_error(
            path, "", f"cannot be written ({error.strerror or error})", "choose another file"
        ) from error


def plugin_files() -> dict[str, bytes]:
    """Give the plugin's files by name: its sources, and what they need to know of siteplanner."""
    found = {
        one.name: one.read_bytes().replace(b"@VERSION@", __version__.encode())
        for one in sorted(files(__package__).joinpath("source").iterdir(), key=lambda p: p.name)
        if one.name.endswith(_ENDINGS)
    }
    kinds = [kind for kind in Setbacks.model_fields if kind != "boundary"]
    environment = {"python": sys.executable, "version": __version__, "kinds": kinds}
    return found | {"environment.json": utf8(json.dumps(environment, indent=1) + "\n")}
