"""Writes tables of a site file, with every setting that was left out as a comment."""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Mapping
from datetime import date
from typing import Any

from pydantic import BaseModel

from siteplanner.base.text import utf8
from siteplanner.site.site_file import Site


def quoted(value: Any) -> str:
    """Write a value as TOML.

    >>> quoted({"name": "the flat", "plant": [True, 2.5]})
    '{ name = "the flat", plant = [true, 2.5] }'
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(quoted(item) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {quoted(item)}" for key, item in value.items()) + " }"
    # JSON's strings are TOML's, but for DEL and lone halves of characters.
    text = utf8(str(value)).decode()
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def table(name: str, values: Mapping[str, Any], after: Iterable[str] = ()) -> list[str]:
    """Write a table's lines: what is not None, then the lines ``after``, then an empty one."""
    rows = [f"{key} = {quoted(value)}" for key, value in values.items() if value is not None]
    return [f"[{name}]", *rows, *after, ""]


def defaults(name: str, without: Container[str] = ()) -> list[str]:
    """Every plain setting of a table as a comment: what it means, and its value unless written.

    ``without`` names settings that are left out.
    """
    lines = []
    for key, info in _model(name).model_fields.items():
        default = info.get_default(call_default_factory=True)
        plain = default is None or isinstance(default, (str, int, float, tuple, date))
        if (
            key in without
            or info.is_required()
            or not plain
            or default == ()
            or _is_table(info.annotation)
        ):
            continue
        if info.description:
            lines += [f"# {line}" for line in info.description.replace("``", "").splitlines()]
        lines.append(f"# {key} = {'…' if default is None else quoted(default)}")
    return lines


def _model(name: str) -> type[BaseModel]:
    annotation: Any = Site.model_fields[name].annotation
    if not isinstance(annotation, type):
        annotation = next(part for part in annotation.__args__ if hasattr(part, "model_fields"))
    return annotation


def _is_table(annotation: Any) -> bool:
    parts = getattr(annotation, "__args__", (annotation,))
    return any(hasattr(part, "model_fields") for part in parts)
