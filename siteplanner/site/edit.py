"""Changes single settings of a site file; comments and all that is not named stay as they are.

A new setting goes to the head of its table, since what follows the last one is often a comment on
the next table.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit

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
    done, errors = {}, Errors()
    for change in changes:
        with errors.gather():
            name, keys, value = _understood(path, change)
            text = _with(path, text, keys, value)
            done[name] = value
    errors.raise_any()
    checked(path, tomllib.loads(text))
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(text.encode("utf-8"))
    beside.replace(path)
    return done


def with_settings(path: Path, text: str, table: str, values: Mapping[str, Any]) -> str:
    r"""Give a site file's text with settings in a table, which is added where there is none.

    A value of None takes the setting out. ``path`` is what an error names. Raises
    :class:`~siteplanner.InputError` where the table is none.

    >>> print(with_settings(Path("site.toml"), "[mix]\n# few\n", "mix", {"least_species": 3}))
    [mix]
    least_species = 3
    # few
    <BLANKLINE>
    """
    for key, value in values.items():
        text = _with(path, text, [table, key], value)
    return text


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
    return name, keys, value_of(value)


def value_of(text: str) -> Any:
    """Read a value written as TOML, or as text where it is none; None where it is empty.

    >>> value_of("4.5"), value_of("{ habitat = 0.4 }"), value_of("contractors")
    (4.5, {'habitat': 0.4}, 'contractors')
    """
    if not text:
        return None
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _with(path: Path, text: str, keys: Sequence[str], value: Any) -> str:
    """Give the text with one setting changed: a new one at its table's head."""
    wanted = tomllib.loads(text)
    inner = _in_place(path, wanted, keys, value)
    at_head = None if value is None else _at_head(text, keys, inner)
    if at_head is not None and _says(at_head, wanted):
        return at_head
    document = tomlkit.parse(text)
    table: Any = document
    for key in keys[:-1]:
        if key not in table:
            table[key] = tomlkit.table() if table is document else tomlkit.inline_table()
        table = table[key]
    if value is None:
        table.pop(keys[-1], None)
    else:
        table[keys[-1]] = _item(value)
    return tomlkit.dumps(document)


def _in_place(path: Path, settings: dict[str, Any], keys: Sequence[str], value: Any) -> Any:
    """Change a setting in place; give what its table (the first key) now has at the second."""
    table: Any = settings
    for key in keys[:-1]:
        table = table.setdefault(key, {}) if isinstance(table, dict) else None
    if not isinstance(table, dict):
        raise input_error(
            path, ".".join(keys), "it lies in a setting that is no table",
            "name the setting above it and write the whole value",
        )  # fmt: skip
    if value is None:
        table.pop(keys[-1], None)
    else:
        table[keys[-1]] = copy.deepcopy(value)
    return settings[keys[0]].get(keys[1])


def _at_head(text: str, keys: Sequence[str], value: Any) -> str | None:
    """Write a new setting under its table's header; None where there is no such line."""
    name = re.escape(tomlkit.key(keys[0]).as_string())
    header = re.search(rf"^[ \t]*\[[ \t]*{name}[ \t]*\][^\r\n]*(\r?\n|\Z)", text, re.M)
    if header is None:
        return None
    line = f"{tomlkit.key(keys[1]).as_string()} = {_item(value).as_string()}"
    end = header[1] or "\n"
    before = text[: header.end()] if header[1] else f"{text}{end}"
    return f"{before}{line}{end}{text[header.end() :]}"


def _says(text: str, settings: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == settings
    except tomllib.TOMLDecodeError:
        return False


def _item(value: Any) -> Any:
    """A value as TOML: a table within braces, a list on lines of its own where it is long."""
    if isinstance(value, Mapping):
        pairs = (f"{tomlkit.key(k).as_string()} = {_item(v).as_string()}" for k, v in value.items())
        return tomlkit.value(f"{{ {', '.join(pairs)} }}" if value else "{}")
    made = tomlkit.item(value)
    if isinstance(value, list | tuple) and len(made.as_string()) > 80:
        made.multiline(True)
    return made
