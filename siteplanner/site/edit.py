"""Changes single settings of a site file; comments and all that is not named stay as they are."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from siteplanner.base.errors import Errors, input_error
from siteplanner.site.site_file import checked, site_path, toml_text

#: Keys that say what the data are, in tables that a new site file always writes itself: all else
#: in these tables is a setting.
DATA_KEYS = (
    "file", "layer", "layers", "columns", "words", "readings", "hollows", "monthly",
    "winter_minima", "daily_minima", "station_elevation_m", "dug", "sources", "crs", "nodata",
    "heights_in",
)  # fmt: skip
DATA_TABLES = ("site", "boundary", "paddocks", "dem", "soils", "frost", "climate", "no_plant",
               "species")  # fmt: skip
#: Tables of data that come along whole, unless the new file has others.
WHOLE = ("decisions", "shelter", "seed_sources")


def set_in_site(path: Path, changes: Sequence[str]) -> dict[str, Any]:
    """Make changes such as ``planting.spacing_m=4.5`` in a site file; give what was set.

    A value is TOML, or text where it is not; an empty one takes the setting out. The file is
    written only when it can still be read with the changes in it. Raises
    :class:`~siteplanner.InputError`.
    """
    path = site_path(path)
    text = toml_text(path, "give the path of a site file (site.toml)")
    document = tomlkit.parse(text)
    done, errors = {}, Errors()
    for change in changes:
        with errors.gather():
            name, keys, value = _understood(path, change)
            _set(path, document, keys, value)
            done[name] = value
    errors.raise_any()
    new = tomlkit.dumps(document)
    checked(path, tomllib.loads(new))
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(new.encode("utf-8"))
    beside.replace(path)
    return done


def with_settings_of(new: str, old: str) -> str:
    """Bring the settings of an old site file into a new one, which keeps its own where it has any.

    What says what the data are stays the new file's own; mother trees, shelter and decisions come
    along unless the new file has others.
    """
    document, before = tomlkit.parse(new), tomllib.loads(old)
    for name, values in before.items():
        if not isinstance(values, dict) or (name in WHOLE and name in document):
            continue
        kept = {
            key: value
            for key, value in values.items()
            if name not in DATA_TABLES or key not in DATA_KEYS
        }
        if not kept:
            continue
        own = document.setdefault(name, tomlkit.table())
        for key, value in kept.items():
            if key not in own or own[key] == []:
                own[key] = value
    return tomlkit.dumps(document)


def _understood(path: Path, change: str) -> tuple[str, list[str], Any]:
    """Divide a change into the setting's name, its keys and its value; None to take it out."""
    name, equals, value = (part.strip() for part in change.partition("="))
    wrong = input_error(
        path, change, "this is not a change", "write table.key=value, such as planting.spacing_m=4"
    )
    try:
        place: Any = tomllib.loads(f"{name} = 0")
    except tomllib.TOMLDecodeError:
        raise wrong from None
    keys = []
    while isinstance(place, dict):
        [(key, place)] = place.items()
        keys.append(key)
    if not equals or len(keys) < 2:
        raise wrong
    return name, keys, _value(value)


def _value(text: str) -> Any:
    if not text:
        return None
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _set(path: Path, document: Any, keys: Sequence[str], value: Any) -> None:
    table = document
    try:
        for key in keys[:-1]:
            if key not in table:
                table[key] = tomlkit.table() if table is document else tomlkit.inline_table()
            table = table[key]
        if not isinstance(table, Mapping):
            raise TypeError
        if value is None:
            table.pop(keys[-1], None)  # type: ignore[attr-defined]
        else:
            table[keys[-1]] = value  # type: ignore[index]
    except (TypeError, TOMLKitError):
        raise input_error(
            path, ".".join(keys), "it lies in a setting that is no table",
            "name the setting above it and write the whole value",
        ) from None  # fmt: skip
