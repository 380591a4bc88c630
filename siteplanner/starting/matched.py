"""Writes which file, layer and columns are which into a new site file."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from siteplanner.reading.files.features import MAY_BE_ABSENT
from siteplanner.reading.files.schema_matching import columns_of, guess_columns, layer_of
from siteplanner.site.commented import quoted, table
from siteplanner.starting.given import Given


@dataclass
class Started:
    """What came of it: the site file, what was worked out, and what is still missing."""

    path: Path
    found: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def relative_to(path: Path, folder: Path) -> str:
    """Give a path as seen from the site's folder; from the root where there is no such way."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return path.resolve().as_posix()


def vector_table(
    name: str,
    wanted: Sequence[str],
    path: Path,
    folder: Path,
    given: Given,
    started: Started,
    *,
    needed: Sequence[str] | None = None,
    part: str = "",
) -> list[str]:
    """Write a table that names a vector file, its layer and its columns.

    Layer and columns are those that were given for the ``part`` (the table's name unless it is
    said), else those that are recognised.
    """
    part = part or name
    layer = given.layer(part) or layer_of(path, part, started.found)
    own = given.columns.get(part, {})
    needs = wanted if needed is None else needed
    return [
        *table(name, {"file": relative_to(path, folder), "layer": layer}),
        *columns_table(name, wanted, path, layer, started, needs, own),
    ]


def columns_table(
    name: str,
    wanted: Sequence[str],
    path: Path,
    layer: str | None,
    started: Started,
    needed: Sequence[str],
    own: Mapping[str, str],
) -> list[str]:
    """Write which column is which, all of them, with the file's own names beside.

    ``own`` says which columns were named; the others are recognised.
    """
    columns, absent = guess_columns(path, layer, [name for name in wanted if name not in own])
    for column in (c for c in absent if c in needed):
        started.missing.append(
            f"{name}: no column for {column} was recognised in {path.name}; name it under "
            f"[{name}.columns]"
            + ', or leave "" there if the file has none'
            * (column in MAY_BE_ABSENT)
        )
    changed = [f"{theirs} is {ours}" for ours, theirs in columns.items() if ours != theirs]
    if changed:
        started.found.append(
            f"{name}: columns matched by their names, please check: {', '.join(changed)}"
        )
    columns |= own
    return [
        f"# {path.name} has the columns {quoted(columns_of(path, layer))}.",
        '# "" means that it has no such column.',
        *table(f"{name}.columns", columns | {c: "" for c in absent if c in MAY_BE_ABSENT}),
    ]
