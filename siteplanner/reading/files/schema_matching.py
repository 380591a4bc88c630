"""Recognises layers and columns of other people's files by their names."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

import pyogrio

from siteplanner.base.errors import input_error

_OTHER_UNITS = ("cm", "mm", "in", "inch", "ft", "feet", "f")


def layer_of(path: Path, wanted: str, found: list[str]) -> str | None:
    """Choose the layer of a vector file that holds ``wanted``; None where there is only one.

    What was chosen, and out of what, is added to ``found``. Raises
    :class:`~siteplanner.InputError` for a file that is no geodata.
    """
    try:
        layers = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
    except pyogrio.errors.DataSourceError as error:
        raise input_error(
            path, "", f"it cannot be read as geodata ({error})", "save it again as a GeoPackage"
        ) from None
    if len(layers) < 2:
        return None
    alike = [name for name in layers if wanted.rstrip("s") in name.lower()]
    chosen = (alike or get_close_matches(wanted, layers, n=1, cutoff=0.5) or layers)[0]
    found.append(f"{wanted}: layer {chosen} of {path.name}, out of {', '.join(layers)}")
    return chosen


def guess_columns(
    path: Path, layer: str | None, wanted: Sequence[str]
) -> tuple[dict[str, str], list[str]]:
    """Match the columns that a layer should have to those it has; also those not found.

    A name matches when it is the same but for case, begins alike, or differs by a letter or
    two; a column in another unit (``depth_cm`` for ``depth_m``) never does.
    """
    theirs = [str(column) for column in pyogrio.read_info(path, layer=layer)["fields"]]
    found: dict[str, str] = {}
    for standard in wanted:
        free = [name for name in theirs if name not in found.values()]
        low = {name.lower(): name for name in reversed(free) if not _other_unit(name, standard)}
        stem = standard.split("_")[0]
        begin = [name for name in low if name.startswith(stem)]
        match = [standard] if standard in low else begin
        match = match or get_close_matches(standard, low, n=1, cutoff=0.75)
        if match:
            found[standard] = low[match[0]]
    return found, [name for name in wanted if name not in found]


def _other_unit(name: str, standard: str) -> bool:
    unit = name.lower().rpartition("_")[2]
    return unit in _OTHER_UNITS and unit != standard.rpartition("_")[2]
